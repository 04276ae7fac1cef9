//! A house and its outpost in two network namespaces, and somebody on the line between them who cuts, records, repeats and forges.
//! Needs root, `iproute2`, `faketime` and `openssl`: run by `.ci/real`, or `cargo test --test outside -- --ignored`.
#![cfg(feature = "builtin-broker")]

mod line;
mod machine;

use line::Line;
use machine::{Machine, Namespaces};
use std::time::Duration;
use warmside::outpost::messenger::Messenger;
use warmside::outpost::settings::Outpost;
use warmside::outpost::vigil::STEADY;
use warmside::terms::secret::Secret;
use warmside::terms::time::Span;

/// Between two beats. Five and a half of them are a loss: longer than a busy machine leaves a process without a turn.
const EVERY_S: u64 = 3;
const KEY: &str = "a key for a test, of more than 32 letters";

fn outpost_file(tls: bool) -> String {
    let tls = if tls { "certificate_file = \"srv.pem\"\nkey_file = \"srv.key\"\n" } else { "" };
    format!(
        "site.time_zone = \"Europe/Dublin\"\n[door]\n{tls}[[keeper]]\nid = \"ines\"\nmail = \"ines@example.org\"\n\
         [[house]]\nid = \"home\"\nname = \"Hollow Lane\"\nbeat_key_file = \"key\"\n"
    )
}

fn house_file(url: &str, tls: bool) -> String {
    let ca = if tls { "ca_file = \"ca.pem\"\n" } else { "" };
    format!(
        "site.time_zone = \"Europe/Dublin\"\n[outpost]\nurl = \"{url}\"\nhouse = \"home\"\nbeat_key_file = \"key\"\n\
         every = \"{EVERY_S}s\"\n{ca}[letters]\ndaily = false\nweekly = false\n[[keeper]]\nid = \"ines\"\n\
         mail = \"ines@example.org\"\n[[enclosure]]\nid = \"a3\"\n[[link]]\ntopic = \"rack/a3\"\nenclosure = \"a3\"\n\
         reads = \"warm_side.temperature\"\nunit = \"Cel\"\n"
    )
}

/// What goes through the line, cut and spoiled; `house_clock` and `outpost_clock` by libfaketime's words.
fn story(name: &str, tls: bool, house_clock: Option<&str>, outpost_clock: Option<&str>) {
    let spaces = Namespaces::new(name);
    let mut outpost = Machine::new(&spaces, "outpost", outpost_clock);
    let mut house = Machine::new(&spaces, "house", house_clock);
    for machine in [&outpost, &house] {
        machine.put("key", KEY);
    }
    if tls {
        machine::certify(&outpost.folder, &spaces.between_house);
        machine::copy(&outpost.folder, &house.folder, "ca.pem");
    }
    let line = Line::open(&spaces.between_house, format!("{}:8378", spaces.outpost));
    let scheme = if tls { "https" } else { "http" };
    outpost.put("outpost.toml", &outpost_file(tls));
    house.put("warmside.toml", &house_file(&format!("{scheme}://{}", line.address), tls));

    outpost.start(&["outpost", "--config", "outpost.toml"]);
    outpost.says("listening; home: not heard yet");
    house.start(&["watch", "--config", "warmside.toml"]);
    outpost.says("home is heard for the first time");
    house.says("the outpost hears us");
    line.until_recorded(4);
    assert_eq!(outpost.mails(), Vec::<String>::new());

    // The link is cut. Whoever sits on the line repeats everything that he ever heard, again and again.
    spaces.cut(true);
    outpost.until_mails(1);
    house.says("the outpost does not hear us");
    let recorded = line.recorded();
    assert!(recorded.len() > 2, "beats were recorded");
    for _ in 0..=STEADY {
        line.repeat(&recorded);
        forge(&spaces, tls);
        std::thread::sleep(Duration::from_secs(EVERY_S));
    }
    // The outpost is restarted meanwhile: it tells nothing a second time, and old beats are no better than before.
    outpost.signal("TERM");
    outpost.ended();
    outpost.start(&["outpost", "--config", "outpost.toml"]);
    outpost.says("listening; home: OUT OF REACH");
    for _ in 0..=STEADY {
        line.repeat(&recorded);
        std::thread::sleep(Duration::from_secs(EVERY_S));
    }
    let mails = outpost.mails();
    assert!(matches!(&mails[..], [one] if one.starts_with("Hollow Lane: out of reach since ")), "{mails:?}");

    spaces.cut(false);
    outpost.until_mails(2);
    house.says("the outpost hears us");
    assert_eq!(outpost.mails()[1], "Hollow Lane: back");

    // A house that stands still sends no beat, though its machine and its line are there; killed, none either.
    house.signal("STOP");
    outpost.until_mails(3);
    house.signal("CONT");
    outpost.until_mails(4);
    house.signal("KILL");
    house.ended();
    outpost.until_mails(5);
    let mails = outpost.mails();
    let lost = |mail: &String| mail.starts_with("Hollow Lane: out of reach since ");
    let back = |mail: &String| mail == "Hollow Lane: back";
    assert!(lost(&mails[2]) && back(&mails[3]) && lost(&mails[4]) && mails.len() == 5, "{mails:?}");
    outpost.signal("TERM");
    assert_eq!(outpost.ended(), Some(0));
    for machine in [&outpost, &house] {
        assert!(!machine.heard().contains(KEY), "a log shows the key");
    }
}

/// Beats by somebody who has not the key, straight to the outpost's door.
fn forge(spaces: &Namespaces, tls: bool) {
    if tls {
        return;
    }
    let forger = Messenger::new(Outpost {
        tls: false,
        host: spaces.outpost.clone(),
        port: 8_378,
        ca_pem: None,
        house: "home".into(),
        key: Secret::new("somebody else's key, as long as ours"),
        every: Span::s(EVERY_S as i64),
    })
    .expect("sound settings");
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let said = runtime.block_on(forger.beat(true));
    assert!(said.as_ref().is_err_and(|why| why.contains("refuses us")), "{said:?}");
}

#[test]
#[ignore = "needs root, iproute2 and faketime"]
fn over_plain_http_with_the_clock_of_the_house_a_day_ahead() {
    story("a", false, Some("+26h"), None);
}

#[test]
#[ignore = "needs root, iproute2, faketime and openssl"]
fn by_tls_with_the_clock_of_the_outpost_an_hour_behind() {
    story("b", true, None, Some("-1h"));
}
