//! A house that is tied on the page: heard, tied, touched, sealed and untied while the daemon runs, and its file kept apart.

use super::house::{Daemon, House, PATIENCE};
use std::io::{Read, Write};
use std::time::Duration;
use warmside::mqtt::sensor::Sensor;
use warmside::mqtt::settings::BuiltinBroker;

const TOPIC: &str = "loose/temp";
/// As a form sends it: topic and pointer, each as one segment of an address.
const HEARD: &str = "loose%252Ftemp+";

fn ask(house: &House, request: &str) -> String {
    let mut stream = std::net::TcpStream::connect(("127.0.0.1", house.page)).expect("the page listens");
    stream.set_read_timeout(Some(PATIENCE)).expect("set");
    stream.write_all(request.as_bytes()).expect("sent");
    let mut text = String::new();
    stream.read_to_string(&mut text).expect("answered");
    text
}

fn get(house: &House, path: &str) -> String {
    ask(house, &format!("GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nConnection: close\r\n\r\n", house.page))
}

fn token(house: &House) -> String {
    let text = get(house, "/setup");
    text.split("name=\"token\" value=\"").nth(1).expect("a form").split('"').next().expect("a token").to_owned()
}

/// Sends a form; returns the page that it leads to.
fn post(house: &House, token: &str, path: &str, fields: &str) -> String {
    let form = format!("token={token}&by=ines&{fields}");
    let got = ask(
        house,
        &format!(
            "POST {path} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nConnection: close\r\nContent-Type: \
             application/x-www-form-urlencoded\r\nContent-Length: {}\r\n\r\n{form}",
            house.page,
            form.len()
        ),
    );
    let to = got.split("location: ").nth(1).unwrap_or_else(|| panic!("{path}: {got}"));
    get(house, to.split("\r\n").next().expect("an address").split('#').next().expect("a path"))
}

/// Speaks until it is so.
async fn speak_until(sensor: &Sensor, say: impl Fn(i64) -> String, what: &str, so: impl Fn() -> bool) {
    for i in 0..1_200 {
        sensor.say(TOPIC, say(i)).await;
        tokio::time::sleep(Duration::from_millis(25)).await;
        if i % 8 == 7 && so() {
            return;
        }
    }
    panic!("never {what}");
}

fn check(house: &House) -> String {
    let checked = house.run(&["check"]);
    assert!(checked.status.success(), "{checked:?}");
    format!("{}{}", String::from_utf8_lossy(&checked.stdout), String::from_utf8_lossy(&checked.stderr))
}

#[test]
fn a_house_is_tied_touched_and_sealed_while_it_is_watched() {
    let house = House::new("tying");
    let own = house.text();
    let bare = own.split("[[link]]").next().expect("a head").to_owned();
    house.write(&bare);
    let refused = house.run(&["check"]);
    assert!(String::from_utf8_lossy(&refused.stderr).contains("[page] tie = true"), "{refused:?}");
    let tied_here = bare.replace("[page]\n", "[page]\ntie = true\n");
    house.write(&tied_here);
    assert!(check(&house).contains("not watched yet"));

    let daemon = house.watch();
    daemon.says("connected to the broker");
    let token = token(&house);
    assert!(post(&house, &token, "/setup/hear", "").contains("Every topic is heard for 30 min"));
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let file = house.folder.join("state/tied.toml");
    runtime.block_on(async {
        let address = std::net::SocketAddr::from(([127, 0, 0, 1], house.port));
        let broker = BuiltinBroker { listen: address, login: None }.as_client(address);
        let sensor = Sensor::start(&broker, "sensor-1").expect("starts");
        let even = |i: i64| format!("{:.1}", 30.0 + (i % 3) as f64 / 10.0);
        speak_until(&sensor, even, "heard", || {
            get(&house, "/setup").contains(HEARD.trim_end_matches('+').replace("%25", "%").as_str())
        })
        .await;

        let place = "place=enclosure+a3+warm_side.temperature";
        let tied = post(&house, &token, "/setup/tie", &format!("heard={HEARD}&{place}&unit="));
        assert!(tied.contains("is tied") && tied.contains("one touch missing"), "{tied}");
        assert!(std::fs::read_to_string(&file).expect("a file").contains(TOPIC));
        assert!(check(&house).contains("NOT WATCHED until sealed there: 1"));
        let untouched = post(&house, &token, "/setup/seal", "whose=a3");
        assert!(untouched.contains("Not every probe was touched"), "{untouched}");

        post(&house, &token, "/setup/touch", &format!("heard={HEARD}"));
        let warming = |i: i64| format!("{:.1}", 30.0 + 0.1 * i as f64);
        speak_until(&sensor, warming, "touched", || get(&house, "/setup/touch").contains("Yes: it is this one.")).await;
        speak_until(&sensor, even, "noted", || std::fs::read_to_string(&file).is_ok_and(|t| t.contains("touched")))
            .await;
        assert_eq!(house.status()["probes"].as_array().map(Vec::len), Some(0), "nothing is watched yet");

        let sealed = post(&house, &token, "/setup/seal", "whose=a3");
        assert!(sealed.contains("is sealed"), "{sealed}");
        daemon.says("connected to the broker");
        let accepted = || house.status()["counts"]["accepted"].as_u64() > Some(0);
        speak_until(&sensor, even, "watched without a restart", accepted).await;
    });
    assert!(check(&house).contains("tied on the page: 1 sealed"));
    assert_eq!(house.text(), tied_here, "the keeper's own file is never written");

    // The keeper's own file counts before what was tied, and both say so.
    let link = "[[link]]\ntopic = \"own/1\"\nenclosure = \"a3\"\nreads = \"warm_side.temperature\"\nunit = \"Cel\"\n";
    house.write(&format!("{tied_here}{link}"));
    daemon.signal("HUP");
    daemon.says("connected to the broker");
    house.until("the link's probe", |view| view["probes"][0]["topic"] != TOPIC);
    let said = check(&house);
    assert!(said.contains("tied on the page, and not read") && said.contains("your own file counts"), "{said}");
    assert!(get(&house, "/setup").contains("your own file counts"));
    house.write(&tied_here);
    daemon.signal("HUP");
    daemon.says("connected to the broker");
    house.until("the tie again", |view| view["probes"][0]["topic"] == TOPIC);

    let copy = house.folder.join("copy.db");
    assert!(house.run(&["backup", copy.to_str().expect("UTF-8")]).status.success());

    // The session of whoever looks outlives all of this, and untying is the undo.
    let untied = post(&house, &token, "/setup/untie", &format!("heard={HEARD}"));
    assert!(untied.contains("is untied"), "{untied}");
    daemon.says("connected to the broker");
    house.until("nothing watched", |view| view["probes"].as_array().is_some_and(Vec::is_empty));
    drop(daemon);
    let again = Daemon::of(&mut house.command(&["watch"]));
    again.says("connected to the broker");
    assert!(!std::fs::read_to_string(&file).expect("a file").contains(TOPIC));

    // One step brings the house back as it was copied, its ties too, even where it cannot be read without them.
    let restore = || house.run(&["restore", copy.to_str().expect("UTF-8")]);
    assert!(String::from_utf8_lossy(&restore().stderr).contains("in use"), "not while it is watched");
    drop(again);
    house.write(&bare);
    let restored = restore();
    assert!(restored.status.success(), "{restored:?}");
    assert!(String::from_utf8_lossy(&restored.stdout).contains("tied on the page: 1"), "{restored:?}");
    assert!(check(&house).contains("tied on the page: 1 sealed"));
    let back = house.watch();
    back.says("connected to the broker");
    house.until("the tie of the copy", |view| view["probes"][0]["topic"] == TOPIC);
}
