//! The commands that hear a broker and are no daemon: `listen`, `record`, `bundle`, as the real binary behind a real broker.

use super::daemon::House;
use super::mosquitto::Mosquitto;
use std::fs;
use std::path::PathBuf;
use std::process::{Child, Command, Output, Stdio};
use std::time::Duration;
use warmside::mqtt::sensor::Sensor;
use warmside::recording::reader::Lines;
use warmside::recording::{self, What};

/// A command that hears until it is told to stop, or has heard enough.
struct Ear(Child);

impl Ear {
    /// Starts it, and waits until the broker knows what it wants to hear.
    fn start(broker: &Mosquitto, house: &House<'_>, words: &[&str]) -> Ear {
        let mut command = house.command(words);
        let ear = Ear(command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("starts"));
        broker.until_subscribed(&format!("warmside-{}", words[0]));
        ear
    }

    fn has_ended(&mut self) -> bool {
        self.0.try_wait().expect("waits").is_some()
    }

    /// Ctrl-C, as a keeper who has waited long enough.
    fn stop(self) -> Output {
        let id = self.0.id().to_string();
        assert!(Command::new("kill").args(["-INT", &id]).status().expect("kill runs").success());
        self.0.wait_with_output().expect("ends")
    }
}

/// Says all of it so many times; when the last is acknowledged, the broker has handed on those before.
async fn say(sensor: &Sensor, rounds: u32, said: impl Fn(u32) -> Vec<(&'static str, String)>) {
    for round in 0..rounds {
        for (topic, payload) in said(round) {
            sensor.say(topic, payload).await;
        }
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
#[ignore = "needs mosquitto"]
async fn listen_drafts_what_the_broker_says_and_what_a_thing_says_of_itself() {
    let broker = Mosquitto::telling("listen");
    let house = House::new(&broker);
    let thing = broker.folder.join("thing.json");
    let text = r#"{"title":"Lamp meter","properties":{"a":{"type":"number","unit":"lx",
        "forms":[{"href":"mqtt://h/q7/a3/v","mqv:topic":"q7/a3/v"}]}}}"#;
    fs::write(&thing, text).expect("written");
    let words = ["listen", "--for", "10min", "--thing", thing.to_str().expect("UTF-8")];
    let ear = Ear::start(&broker, &house, &words);
    let sensor = Sensor::start(&broker.plain(), "sensor-1").expect("starts");
    say(&sensor, 40, |i| {
        vec![
            ("shelf/a3/warm/temp", format!("{:.1}", 30.0 + f64::from(i % 7) / 10.0)),
            ("q7/a3/v", format!("{}", 300 + i)),
            ("x/9", format!("{}", i % 3)),
        ]
    })
    .await;
    let out = ear.stop();
    let drafted = String::from_utf8_lossy(&out.stdout);
    assert_eq!(out.status.code(), Some(0), "{drafted}{}", String::from_utf8_lossy(&out.stderr));
    let active: Vec<&str> = drafted.lines().filter(|l| !l.starts_with('#')).collect();
    for line in ["topic = \"shelf/a3/warm/temp\"", "reads = \"warm_side.temperature\"", "reads = \"air.illuminance\""] {
        assert!(active.contains(&line), "{line}: {drafted}");
    }
    assert!(drafted.contains("its Thing Description says so"), "{drafted}");
    assert!(!active.iter().any(|l| l.contains("x/9")), "{drafted}");
    // What it drafts is appended and checked.
    let file = broker.folder.join("warmside.toml");
    let before = fs::read_to_string(&file).expect("readable");
    fs::write(&file, format!("{before}{drafted}")).expect("written");
    let check = house.run(&["check"]);
    let words = format!("{}{}", String::from_utf8_lossy(&check.stdout), String::from_utf8_lossy(&check.stderr));
    // The house has a link for the same probe; nothing else is amiss.
    assert_eq!(words.matches("fault:").count(), words.matches("fault: two links").count(), "{words}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
#[ignore = "needs mosquitto"]
async fn listen_tells_which_probe_was_touched_and_ends() {
    let broker = Mosquitto::telling("touch");
    let house = House::new(&broker);
    let mut ear = Ear::start(&broker, &house, &["listen", "--touch", "--for", "10min"]);
    let sensor = Sensor::start(&broker.plain(), "sensor-1").expect("starts");
    for round in 0..600 {
        let warmed = 22.0 + 0.2 * f64::from(round);
        say(&sensor, 1, |_| {
            let steady = format!("{:.1}", 22.0 + f64::from(round % 3) / 10.0);
            vec![("p/1/temp", steady.clone()), ("p/2/temp", format!("{warmed:.1}")), ("p/3/temp", steady)]
        })
        .await;
        if ear.has_ended() {
            break;
        }
        tokio::time::sleep(Duration::from_millis(80)).await;
    }
    assert!(ear.has_ended(), "it never knew");
    let out = ear.0.wait_with_output().expect("ended");
    assert_eq!(out.status.code(), Some(0));
    assert!(String::from_utf8_lossy(&out.stdout).starts_with("p/2/temp "), "{out:?}");
}

/// Bytes that no packer makes smaller (SplitMix64).
fn noise(seed: u64, bytes: usize) -> Vec<u8> {
    let next = |i: u64| {
        let mut z = (seed << 32 | i).wrapping_mul(0x9E37_79B9_7F4A_7C15);
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    };
    (0..bytes as u64 / 8).flat_map(|i| next(i).to_le_bytes()).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
#[ignore = "needs mosquitto"]
async fn a_record_stays_within_its_size_and_keeps_the_newest() {
    let broker = Mosquitto::telling("record");
    let house = House::new(&broker);
    let folder = broker.folder.join("records");
    fs::create_dir(&folder).expect("a folder");
    let out = folder.join("house.jsonl.gz");
    let words = ["record", "--also", "noise/#", "--each", "1", "--total", "4"];
    let ear = Ear::start(&broker, &house, &[&words[..], &[out.to_str().expect("UTF-8")]].concat());
    let sensor = Sensor::start(&broker.plain(), "sensor-1").expect("starts");
    // 7 MB that do not pack, a value before each.
    const ROUNDS: u64 = 224;
    for round in 0..ROUNDS {
        sensor.say("rack/a3/warm_side/temperature", format!("{:.3}", 20.0 + round as f64 / 1_000.0)).await;
        sensor.say("noise/1", noise(round, 32 << 10)).await;
    }
    let last = format!("{:.3}", 20.0 + (ROUNDS - 1) as f64 / 1_000.0);
    let mut files = Vec::new();
    for _ in 0..600 {
        // A torn end is no fault while it is written: it is settled every few seconds.
        files = fs::read_dir(&folder).expect("readable").flatten().map(|e| e.path()).collect();
        if values(&files).last() == Some(&last) {
            break;
        }
        tokio::time::sleep(Duration::from_millis(500)).await;
    }
    assert_eq!(ear.stop().status.code(), Some(0));
    files.clear();
    files.extend(fs::read_dir(&folder).expect("readable").flatten().map(|e| e.path()));
    let sizes: Vec<u64> = files.iter().map(|f| f.metadata().expect("there").len()).collect();
    // A file is full with what fills it, and with what the packer still held.
    assert!(files.len() >= 3 && sizes.iter().all(|s| *s <= (1 << 20) + (128 << 10)), "{files:?} {sizes:?}");
    assert!(sizes.iter().sum::<u64>() <= 4 << 20, "{sizes:?}");
    let values = values(&files);
    assert_eq!(values.last(), Some(&last), "the newest is there");
    assert!(values.len() < ROUNDS as usize && values.is_sorted(), "the oldest went: {values:?}");
}

/// The values of all files in the order of their names, the one that is written last.
fn values(files: &[PathBuf]) -> Vec<String> {
    let mut files = files.to_vec();
    files.sort_by_key(|f| (f.file_name().is_some_and(|n| n == "house.jsonl.gz"), f.clone()));
    let mut values = Vec::new();
    for mut lines in files.iter().filter_map(|f| Lines::open(f).ok()) {
        while let Ok(Some(raw)) = lines.next_line() {
            if let Ok(recording::Line { what: What::Message { topic, payload, .. }, .. }) =
                recording::parse(raw.text.unwrap_or_default())
                && topic.starts_with("rack/")
            {
                values.push(String::from_utf8_lossy(&payload).into_owned());
            }
        }
    }
    values
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
#[ignore = "needs mosquitto"]
async fn a_bundle_is_told_kept_and_refused() {
    let broker = Mosquitto::telling("bundle");
    let house = House::new(&broker);
    let _daemon = house.watch();
    house.until("connected", |view| view["feed"]["connected"] == true);
    let sensor = Sensor::start(&broker.plain(), "sensor-1").expect("starts");
    let tied = |offs: [f64; 4]| {
        let places = ["basking_spot", "warm_side", "hide", "cool_side"];
        let topics = ["rack/a3/basking_spot/temperature", "rack/a3/warm_side/temperature", "rack/a3/hide/temperature"];
        let topics = [topics[0], topics[1], topics[2], "rack/a3/cool_side/temperature"];
        assert!(places.iter().zip(topics).all(|(place, topic)| topic.contains(place)));
        move |_| topics.into_iter().zip(offs).map(|(t, off)| (t, format!("{:.2}", 23.0 + off))).collect::<Vec<_>>()
    };
    let ear = Ear::start(&broker, &house, &["bundle", "--for", "10min", "--by", "ines"]);
    say(&sensor, 40, tied([0.0, 0.1, -0.8, 0.1])).await;
    let out = ear.stop();
    let table = String::from_utf8_lossy(&out.stdout).into_owned();
    assert_eq!(out.status.code(), Some(0), "{table}{}", String::from_utf8_lossy(&out.stderr));
    let line = |place: &str| table.lines().find(|l| l.contains(place)).unwrap_or_default().to_owned();
    assert!(line("a3/hide.temperature").contains("offset = 0.8"), "{table}");
    assert!(!line("a3/warm_side.temperature").contains("offset"), "{table}");

    let ear = Ear::start(&broker, &house, &["bundle", "--for", "10min", "--by", "ines"]);
    say(&sensor, 40, tied([0.0, 0.1, -2.4, 0.1])).await;
    let out = ear.stop();
    let table = String::from_utf8_lossy(&out.stdout);
    assert_eq!(out.status.code(), Some(1), "{table}");
    assert!(table.contains("replace this probe"), "{table}");
    // Both tables come into the ledger, once the store has them.
    house.until("both kept", |_| {
        let ledger = house.page("/ledger");
        ledger.contains("hide -0.8") && ledger.contains("hide -2.4")
    });

    // The same from a recording: the same end, and nothing kept.
    let file = broker.folder.join("tied.jsonl");
    let of = |i: u32| tied([0.0, 0.1, -2.4, 0.1])(i).into_iter().map(move |(topic, payload)| (i, topic, payload));
    let line = |(i, topic, payload): (u32, &str, String)| {
        format!(
            "{{\"at\":\"2026-01-05T07:{:02}:{:02}.000Z\",\"topic\":\"{topic}\",\"payload\":\"{payload}\"}}\n",
            i / 6,
            i % 6 * 10
        )
    };
    fs::write(&file, (0..120).flat_map(of).map(line).collect::<String>()).expect("written");
    let out = house.run(&["bundle", "--from", file.to_str().expect("UTF-8")]);
    assert_eq!(out.status.code(), Some(1), "{}", String::from_utf8_lossy(&out.stderr));
    assert!(String::from_utf8_lossy(&out.stdout).contains("replace this probe"), "{out:?}");
}
