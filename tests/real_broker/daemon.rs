//! The real binary behind a real broker: rubbish of every kind, and death at any moment.

use super::mosquitto::Mosquitto;
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::PathBuf;
use std::process::{Child, Command, Output, Stdio};
use std::time::Duration;
use warmside::mqtt::sensor::Sensor;
use warmside::store::reader::Reader;
use warmside::terms::time::Wall;

struct House<'a> {
    broker: &'a Mosquitto,
}

impl House<'_> {
    fn new(broker: &Mosquitto) -> House<'_> {
        let page = std::net::TcpListener::bind("127.0.0.1:0").and_then(|l| l.local_addr()).expect("a free port").port();
        let text = format!(
            r#"
[site]
name = "Test Lane"
time_zone = "Europe/Dublin"
[broker]
url = "mqtt://127.0.0.1:{}"
[page]
listen = "127.0.0.1:{page}"
[[keeper]]
id = "ines"
name = "Ines"
mail = "ines@example.org"
[care.any]
warm_side = {{ wanted = [28, 33], never = [20, 36] }}
[[enclosure]]
id = "a3"
care = "any"
[[link]]
topic = "rack/{{enclosure}}/{{place}}/temperature"
quantity = "temperature"
unit = "Cel"
"#,
            broker.port
        );
        fs::write(broker.folder.join("warmside.toml"), text).expect("written");
        House { broker }
    }

    fn command(&self, words: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_warmside"));
        command.args(words).arg("--config").arg(self.broker.folder.join("warmside.toml")).env_remove("NOTIFY_SOCKET");
        command
    }

    fn run(&self, words: &[&str]) -> Output {
        self.command(words).output().expect("runs")
    }

    fn watch(&self) -> Daemon {
        let mut command = self.command(&["watch"]);
        Daemon(command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("starts"))
    }

    fn status(&self) -> Option<serde_json::Value> {
        serde_json::from_slice(&self.run(&["status", "--json"]).stdout).ok()
    }

    fn until(&self, what: &str, so: impl Fn(&serde_json::Value) -> bool) -> serde_json::Value {
        for _ in 0..600 {
            if let Some(view) = self.status().filter(&so) {
                return view;
            }
            std::thread::sleep(Duration::from_millis(100));
        }
        panic!("never {what}: {:?}", self.status());
    }

    fn mails(&self) -> Vec<PathBuf> {
        let Ok(entries) = fs::read_dir(self.broker.folder.join("mail")) else { return Vec::new() };
        entries
            .map(|entry| entry.expect("entry").path())
            .filter(|p| p.extension().is_some_and(|e| e == "eml"))
            .collect()
    }
}

struct Daemon(Child);

impl Daemon {
    fn resident_kib(&self) -> u64 {
        let status = fs::read_to_string(format!("/proc/{}/status", self.0.id())).expect("runs");
        let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).expect("VmRSS");
        line.trim().trim_end_matches(" kB").parse().expect("a number")
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
#[ignore = "needs mosquitto"]
async fn rubbish_is_counted_and_watching_goes_on() {
    let broker = Mosquitto::open("rubbish");
    let house = House::new(&broker);
    let daemon = house.watch();
    house.until("connected", |view| view["feed"]["connected"] == true);
    let sensor = Sensor::start(&broker.plain(), "sensor-1").expect("starts");
    let topic = "rack/a3/warm_side/temperature";
    let pieces: [Vec<u8>; 9] = [
        b"".to_vec(),
        b"\xff\xfe\x00\x80".to_vec(),
        "[".repeat(200_000).into_bytes(),
        b"1e999".to_vec(),
        b"NaN".to_vec(),
        b"{\"t\":1,\"t\":2}".to_vec(),
        b"31.5 degrees".to_vec(),
        vec![b'7'; 1 << 20],
        vec![0; 1 << 20],
    ];
    let mut refused = 0;
    let mut before = None;
    for round in 0..6 {
        for piece in &pieces {
            sensor.say(topic, piece.clone()).await;
        }
        refused += pieces.len() as u64;
        sensor.say(topic, format!("30.{round}")).await;
        let view = house.until("counted", |view| view["counts"]["accepted"].as_u64() == Some(round + 1));
        let counts = &view["counts"];
        assert_eq!(counts["refused"].as_u64(), Some(refused), "{counts}");
        // The first round warms caches and buffers up.
        if round == 1 {
            before = Some(daemon.resident_kib());
        }
    }
    let (before, after) = (before.expect("measured"), daemon.resident_kib());
    // Five rounds of 2.4 MB went through meanwhile.
    assert!(after < before + 8_192, "{before} KiB grew to {after} KiB");
}

/// Killed at 50 random moments while sensors publish at QoS 1 and keepers start drills: whatever was acknowledged to a
/// keeper is mailed, under one Message-ID however often it is sent, and readings once stored stay stored.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
#[ignore = "needs mosquitto"]
async fn killed_at_fifty_moments_nothing_is_lost_or_told_twice() {
    let broker = Mosquitto::open("killed");
    let house = House::new(&broker);
    let sensor = Sensor::start(&broker.plain(), "sensor-1").expect("starts");
    let speaking = tokio::spawn(async move {
        for n in 0_u64.. {
            sensor.say("rack/a3/warm_side/temperature", format!("30.{}", n % 10).into_bytes()).await;
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    });
    let mut promised = BTreeSet::new();
    let mut stored = 0;
    // xorshift64, so that every run kills at the same delays; where they fall is up to the machine.
    let mut random = 88_172_645_463_325_252_u64;
    for _ in 0..50 {
        let daemon = house.watch();
        random ^= random << 13;
        random ^= random >> 7;
        random ^= random << 17;
        let drilled = {
            let mut drill = house.command(&["drill"]);
            drill.stdout(Stdio::piped()).stderr(Stdio::null());
            std::thread::sleep(Duration::from_millis(100 + random % 1_200));
            let drilling = drill.spawn().expect("starts");
            std::thread::sleep(Duration::from_millis(random / 400 % 200));
            drop(daemon);
            drilling.wait_with_output().expect("ends")
        };
        if drilled.status.success() {
            promised.insert(String::from_utf8_lossy(&drilled.stdout).into_owned());
        }
        let now = readings(&house);
        assert!(now >= stored, "{stored} readings were stored, {now} are left");
        stored = now;
    }
    speaking.abort();
    assert!(stored > 0 && promised.len() > 5, "{stored} readings, {} drills: nothing was tried", promised.len());
    let daemon = house.watch();
    house.until("connected", |view| view["feed"]["connected"] == true);
    for _ in 0..600 {
        if distinct(&house).len() >= promised.len() {
            break;
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    let (distinct, mails) = (distinct(&house), house.mails().len());
    assert!(distinct.len() >= promised.len(), "{} of {} drills were mailed", distinct.len(), promised.len());
    for (subject, ids) in &distinct {
        assert_eq!(ids.len(), 1, "{subject}: {ids:?}");
    }
    let reader = Reader::open(&broker.folder.join("state")).expect("opens");
    let gaps = reader.gaps(Wall::MIN, Wall::MAX).expect("reads");
    assert!(gaps.len() >= 50, "each death leaves a gap, {} are known", gaps.len());
    drop(daemon);
    println!(
        "{stored} readings stored, {} drills promised, {mails} mails of {} incidents",
        promised.len(),
        distinct.len()
    );
}

fn readings(house: &House<'_>) -> usize {
    let Ok(reader) = Reader::open(&house.broker.folder.join("state")) else { return 0 };
    let probe = "enclosure/a3/warm_side.temperature";
    reader.readings(probe, Wall::MIN, Wall::MAX, usize::MAX).map(|readings| readings.len()).unwrap_or(0)
}

/// The Message-IDs of each drill's first mail, by the notice that they name.
fn distinct(house: &House<'_>) -> BTreeMap<String, BTreeSet<String>> {
    let mut all = BTreeMap::<String, BTreeSet<String>>::new();
    for path in house.mails() {
        let Ok(bytes) = fs::read(&path) else { continue };
        let Some(mail) = mail_parser::MessageParser::default().parse(&bytes) else { continue };
        let (Some(id), Some(text)) = (mail.message_id(), mail.body_text(0)) else { continue };
        let incident = text.lines().find_map(|line| line.trim().strip_prefix("Incident ")).unwrap_or_default();
        let incident = incident.split([',', ' ']).next().unwrap_or_default().to_owned();
        // Follow-ups of one incident are mails of their own: only the first is counted here.
        if mail.in_reply_to().as_text().is_none() {
            all.entry(incident).or_default().insert(id.to_owned());
        }
    }
    all
}
