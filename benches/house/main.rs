//! `cargo bench --bench house`: what a house costs, each figure beside its measure in the same run. Fed by a scripted broker as fast
//! as it takes messages, and by mosquitto where that is installed; decoding by kind of payload; memory at rest.
#![allow(clippy::disallowed_methods, reason = "a benchmark measures time")]

mod decoding;
mod engine;
mod feed;
mod house;

use feed::{Feed, Mosquitto, Scripted};
use house::{House, resident_mib};
use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS};
use std::time::{Duration, Instant};

/// Of a probe each.
const TOPICS: usize = 1_000;
const FLOOD: usize = 1_000_000;
const THROUGH_BROKER: usize = 200_000;
/// Runs of each of a pair, taken in turn: what else the machine does hits both.
const RUNS: usize = 3;

fn main() {
    // What `cargo bench` passes on is no part of ours.
    let only = std::env::args().skip(1).find(|word| !word.starts_with('-'));
    let wanted = |part: &str| only.as_deref().is_none_or(|only| only == part);
    if wanted("decoding") {
        decoding::run();
    }
    if wanted("engine") {
        engine::run();
    }
    if wanted("flood") {
        flood();
    }
    if wanted("broker") {
        broker();
    }
    if wanted("memory") {
        memory();
    }
}

/// As fast as the client takes them: messages a second of one core, by the CPU time of the whole process.
fn flood() {
    let feed = Feed::new(TOPICS);
    let mut best = [f64::MAX; 2];
    let mut stored_share: f64 = 1.0;
    for _ in 0..RUNS {
        let scripted = Scripted::start(&feed, FLOOD);
        let before = cpu_s();
        assert_eq!(count(scripted.port, FLOOD).0, FLOOD);
        best[0] = best[0].min((cpu_s() - before) / FLOOD as f64);
        scripted.end();

        let scripted = Scripted::start(&feed, FLOOD);
        let house = House::new(TOPICS, scripted.port);
        let before = cpu_s();
        let daemon = house.run();
        let stored = house.until_stored(FLOOD);
        best[1] = best[1].min((cpu_s() - before) / stored as f64);
        stored_share = stored_share.min(stored as f64 / FLOOD as f64);
        daemon.end();
        scripted.end();
    }
    let rate = best.map(|s| 1.0 / s);
    println!(
        "\n{FLOOD} messages of {TOPICS} probes at QoS 0, as fast as they are taken; least CPU of {RUNS} runs, broker and all:"
    );
    println!("a client that only counts     {:9.0} a second on one core", rate[0]);
    println!(
        "link, engine and store        {:9.0} a second on one core, {:.1} % stored",
        rate[1],
        100.0 * stored_share
    );
}

/// Through mosquitto, which sets the pace: from the first message's arrival to the last one's.
fn broker() {
    let Some(mosquitto) = Mosquitto::start() else {
        println!("\nno mosquitto here: the part with a real broker is left out");
        return;
    };
    let feed = Feed::new(TOPICS);
    let (mut counted, mut watched) = (Vec::new(), Vec::new());
    for _ in 0..RUNS {
        let publishing = feed.publish_after(mosquitto.port, THROUGH_BROKER, Duration::from_millis(500));
        let (messages, took) = count(mosquitto.port, THROUGH_BROKER);
        counted.push(messages as f64 / took.as_secs_f64());
        publishing.join().expect("published");

        let house = House::new(TOPICS, mosquitto.port);
        let daemon = house.run();
        let publishing = feed.publish_after(mosquitto.port, THROUGH_BROKER, Duration::from_secs(2));
        let stored = house.until_stored(THROUGH_BROKER);
        watched.push(stored as f64 / house.span().as_secs_f64());
        publishing.join().expect("published");
        daemon.end();
    }
    let ratios: Vec<f64> = watched.iter().zip(&counted).map(|(watched, counted)| watched / counted).collect();
    println!(
        "\n{THROUGH_BROKER} messages of {TOPICS} probes through mosquitto at QoS 0, medians of {RUNS} runs in turn:"
    );
    println!("a client that only counts     {:9.0} a second", median(counted));
    println!("link, engine and store        {:9.0} a second, {:.2} of it", median(watched), median(ratios));
}

/// Resident memory of the real binary when every probe has spoken a while and nothing comes any more.
fn memory() {
    println!("\nresident memory at rest, of which anonymous:");
    for probes in [40, 5_000] {
        let feed = Feed::new(probes);
        let scripted = Scripted::start(&feed, probes * 20);
        let house = House::new(probes, scripted.port);
        let mut daemon = house.spawn();
        house.until_stored(probes * 20);
        std::thread::sleep(Duration::from_secs(3));
        let (resident, anonymous) = resident_mib(daemon.id());
        println!("{probes:5} probes                  {resident:9.1} MiB, {anonymous:.1} MiB");
        let _ = daemon.kill();
        let _ = daemon.wait();
        scripted.end();
    }
}

/// A client that only counts: messages, and the time from the first to the last.
fn count(port: u16, messages: usize) -> (usize, Duration) {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(async {
        let mut options = MqttOptions::new("bare", "127.0.0.1", port);
        options.set_max_packet_size(16 << 20, 16 << 20);
        let (client, mut events) = AsyncClient::new(options, 64);
        client.subscribe("rack/+/+/temperature", QoS::AtLeastOnce).await.expect("queued");
        let (mut heard, mut first) = (0, None);
        while heard < messages {
            if let Event::Incoming(Packet::Publish(_)) = events.poll().await.expect("connected") {
                first.get_or_insert_with(Instant::now);
                heard += 1;
            }
        }
        (heard, first.map(|first| first.elapsed()).unwrap_or_default())
    })
}

fn median(mut all: Vec<f64>) -> f64 {
    all.sort_by(f64::total_cmp);
    all[all.len() / 2]
}

/// Of this process so far, in hundredths of a second (Linux counts so on every common machine).
fn cpu_s() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").expect("Linux");
    let after = stat.rsplit(") ").next().expect("a name in brackets");
    let ticks = |n: usize| after.split(' ').nth(n).and_then(|t| t.parse::<f64>().ok()).expect("a number");
    (ticks(11) + ticks(12)) / 100.0
}
