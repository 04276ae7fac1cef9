//! The daemon as a keeper runs it: the real binary, its built-in broker, its socket, its mails as files, its signals.
#![cfg(feature = "builtin-broker")]

mod disk;
mod hang;
mod house;
mod limits;
mod memory;
mod tying;
mod viewers;
mod years;

use house::{Daemon, House, PATIENCE, speak};
use std::collections::BTreeSet;
use std::os::unix::net::UnixDatagram;
use std::time::Duration;
use warmside::mqtt::sensor::Sensor;
use warmside::mqtt::settings::BuiltinBroker;
use warmside::recording::What;

/// The wall, as a browser gets it.
fn page(house: &House) -> String {
    use std::io::{Read, Write};
    let mut stream = std::net::TcpStream::connect(("127.0.0.1", house.page)).expect("the page listens");
    stream.set_read_timeout(Some(PATIENCE)).expect("set");
    write!(stream, "GET / HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nConnection: close\r\n\r\n", house.page).expect("sent");
    let mut text = String::new();
    stream.read_to_string(&mut text).expect("answered");
    text
}

#[test]
fn a_day_of_a_daemon() {
    let house = House::new("day");
    let mut daemon = house.watch();
    daemon.says("connected to the broker");
    speak(&house);
    let status = String::from_utf8(house.run(&["status"]).stdout).expect("UTF-8");
    assert!(status.starts_with("Test Lane, ") && status.contains("Feed: connected"), "{status}");
    let explained = String::from_utf8(house.run(&["explain", "a3"]).stdout).expect("UTF-8");
    assert!(explained.starts_with("a3 Juno") && explained.contains("warm side      30.5"), "{explained}");
    let page = page(&house);
    assert!(page.starts_with("HTTP/1.1 200") && page.contains("Test Lane") && page.contains("Juno"), "{page}");
    let unknown = house.run(&["explain", "z9"]);
    assert_eq!(unknown.status.code(), Some(1));

    // The true mail path, from a keeper's word to a file that another library reads.
    let drill = house.run(&["drill"]);
    assert!(drill.status.success(), "{}", String::from_utf8_lossy(&drill.stderr));
    house.mailed();

    // A second one would watch with the same store.
    let second = house.run(&["watch"]);
    assert_eq!(second.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&second.stderr).contains("in use"), "{second:?}");

    // A file with faults changes nothing; a better one is obeyed.
    let good = house.text();
    house.write(&good.replace("[28, 33]", "[33, 28]"));
    daemon.signal("HUP");
    daemon.says("the old one goes on");
    house.write(&good);
    house.until("one enclosure still", |view| view["enclosures"].as_array().is_some_and(|all| all.len() == 1));
    house.write(&format!("{good}\n[[enclosure]]\nid = \"a4\"\ncare = \"any\"\n"));
    daemon.signal("HUP");
    daemon.says("the configuration was read again");
    daemon.says("connected to the broker");
    house.until("two enclosures", |view| view["enclosures"].as_array().is_some_and(|all| all.len() == 2));

    let shelved = house.run(&["shelve", "a3", "--for", "12h"]);
    assert!(shelved.status.success(), "{}", String::from_utf8_lossy(&shelved.stderr));
    let copy = house.folder.join("copy.db");
    assert!(house.run(&["backup", copy.to_str().expect("UTF-8")]).status.success());
    assert!(copy.is_file());

    daemon.signal("TERM");
    assert_eq!(daemon.exit(), Some(0));
    assert!(!house.folder.join("state/control.sock").exists());
    let nobody = house.run(&["status"]);
    assert_eq!(nobody.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&nobody.stderr).contains("is `warmside watch` running"));

    // What was said is remembered, and the drill is not mailed a second time.
    let mails = house.message_ids();
    let again = house.watch();
    again.says("connected to the broker");
    house.until("shelved still", |view| !view["enclosures"][0]["shelved_until"].is_null());
    let known: std::collections::BTreeSet<_> = mails.iter().collect();
    assert!(house.message_ids().iter().filter(|id| known.contains(id)).count() == mails.len());
}

#[test]
fn what_the_broker_says_is_recorded_beside_a_daemon() {
    let house = House::new("record");
    let daemon = house.watch();
    daemon.says("connected to the broker");
    let out = house.folder.join("house.jsonl.gz");
    let mut record = house.command(&["record", "--for", "3s", out.to_str().expect("UTF-8")]).spawn().expect("starts");
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(async {
        let address = std::net::SocketAddr::from(([127, 0, 0, 1], house.port));
        let broker = BuiltinBroker { listen: address, login: None }.as_client(address);
        let sensor = Sensor::start(&broker, "sensor-1").expect("starts");
        while record.try_wait().expect("waits").is_none() {
            sensor.say("rack/a3/warm_side/temperature", "30.5").await;
            sensor.say("elsewhere", "not of any link").await;
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    });
    assert_eq!(record.wait().expect("ended").code(), Some(0));
    let mut lines = warmside::recording::reader::Lines::open(&out).expect("opens");
    let (mut ups, mut messages) = (0, 0);
    while let Some(line) = lines.next_line().expect("reads to the end") {
        match warmside::recording::parse(line.text.expect("UTF-8")).expect("a line").what {
            What::LinkUp => ups += 1,
            What::LinkLost => panic!("lost"),
            What::Message { topic, payload, .. } => {
                assert_eq!((&*topic, &*payload), ("rack/a3/warm_side/temperature", &b"30.5"[..]));
                messages += 1;
            }
        }
    }
    assert!(ups == 1 && messages > 0, "{ups} {messages}");
}

#[test]
fn a_recording_replays_what_watch_told() {
    let house = House::new("same");
    let daemon = house.watch();
    daemon.says("connected to the broker");
    let out = house.folder.join("house.jsonl.gz");
    let mut record = house.command(&["record", out.to_str().expect("UTF-8")]);
    let record = Daemon::of(&mut record);
    record.says("recording ");
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(async {
        let address = std::net::SocketAddr::from(([127, 0, 0, 1], house.port));
        let broker = BuiltinBroker { listen: address, login: None }.as_client(address);
        let sensor = Sensor::start(&broker, "sensor-1").expect("starts");
        // Both listen before anything grave is said: the recorder has heard a first value when it has written one.
        while recorded(&out) == 0 {
            sensor.say("rack/a3/warm_side/temperature", "30.5").await;
            tokio::time::sleep(Duration::from_millis(200)).await;
        }
        // Steadily hotter, and far past the limit that must never be crossed.
        let mut mailed_at = None;
        for step in 0..600 {
            let celsius = (30.5 + 0.5 * f64::from(step)).min(44.0);
            sensor.say("rack/a3/warm_side/temperature", format!("{celsius:.1}")).await;
            tokio::time::sleep(Duration::from_millis(200)).await;
            // The recording must reach past the moment of the mail, or a replay ends before it.
            if mailed_at.is_none() && !house.message_ids().is_empty() {
                mailed_at = Some(recorded(&out));
            }
            if mailed_at.is_some_and(|then| recorded(&out) > then + 3) {
                return;
            }
        }
        panic!("watch told nothing: {}", house.status());
    });
    record.signal("TERM");
    let mut record = record;
    assert_eq!(record.exit(), Some(0));
    let replayed = house.run(&["replay", out.to_str().expect("UTF-8")]);
    assert!(replayed.status.success(), "{}", String::from_utf8_lossy(&replayed.stderr));
    let notices: Vec<serde_json::Value> =
        replayed.stdout.split(|b| *b == b'\n').filter_map(|line| serde_json::from_slice(line).ok()).collect();
    let subjects: BTreeSet<String> = notices.iter().filter_map(|n| n["subject"].as_str().map(str::to_owned)).collect();
    assert_eq!(subjects, house.subjects(), "{notices:?}");
    assert!(
        notices.iter().any(|n| n["event"] == "raised" && n["cause"] == "too-hot" && n["urgency"] == "now"),
        "{notices:?}"
    );
}

/// Messages that a recorder has written so far.
fn recorded(file: &std::path::Path) -> usize {
    let Ok(mut lines) = warmside::recording::reader::Lines::open(file) else { return 0 };
    let mut messages = 0;
    // The end of a file that is still written may be torn.
    while let Ok(Some(line)) = lines.next_line() {
        let parsed = line.text.and_then(|text| warmside::recording::parse(text).ok());
        messages += usize::from(parsed.is_some_and(|line| matches!(line.what, What::Message { .. })));
    }
    messages
}

#[test]
fn killed_at_any_moment_it_sends_no_other_mail_for_the_same() {
    let house = House::new("kill");
    for round in 0..6_u64 {
        let daemon = house.watch();
        if round == 0 {
            daemon.says("connected to the broker");
            assert!(house.run(&["drill"]).status.success());
        } else {
            // Somewhere in its start, or just after.
            std::thread::sleep(Duration::from_millis(round * 37));
        }
        daemon.signal("KILL");
    }
    let daemon = house.watch();
    daemon.says("connected to the broker");
    house.mailed();
    let drills: std::collections::BTreeSet<String> = house.message_ids().into_iter().collect();
    house.until("calm", |view| view["post"]["failing"].is_null());
    assert_eq!(drills.len(), 1, "{drills:?}");
}

#[test]
fn a_file_with_faults_is_told_and_nothing_starts() {
    let house = House::new("faults");
    house.write(&house.text().replace("[28, 33]", "[33, 28]").replace("Europe/Dublin", "Europe/Atlantis"));
    let output = house.run(&["watch"]);
    assert_eq!(output.status.code(), Some(78));
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(said.contains("Atlantis") && said.contains("wanted"), "{said}");
    assert!(!house.folder.join("state").exists());
}

#[test]
fn the_service_manager_is_told_how_it_goes() {
    let house = House::new("notify");
    let path = house.folder.join("notify");
    let socket = UnixDatagram::bind(&path).expect("a socket");
    socket.set_read_timeout(Some(PATIENCE)).expect("set");
    let mut command = house.command(&["watch"]);
    command.env("NOTIFY_SOCKET", &path).env("WATCHDOG_USEC", "30000000");
    let mut daemon = Daemon::of(&mut command);
    let until = |word: &str| {
        let mut heard = Vec::new();
        loop {
            let mut bytes = [0; 4_096];
            let length = socket.recv(&mut bytes).unwrap_or_else(|_| panic!("{word} never came, but {heard:?}"));
            let text = String::from_utf8_lossy(&bytes[..length]).into_owned();
            if text.lines().any(|line| line == word) {
                return text;
            }
            heard.push(text);
        }
    };
    assert!(until("READY=1").contains("STATUS=watching 1 enclosures by 1 links"));
    until("WATCHDOG=1");
    daemon.signal("HUP");
    assert!(until("RELOADING=1").contains("MONOTONIC_USEC="));
    until("READY=1");
    daemon.signal("TERM");
    until("STOPPING=1");
    assert_eq!(daemon.exit(), Some(0));
}
