//! A month in minutes: the daemon on a clock that runs fast, in a process of its own, behind a real broker, while readings come at
//! their full rate, one sensor talks rubbish, backups are taken, hours are packed and what is too old is deleted. Memory,
//! descriptors, disk and log must stand still once they have settled.
//!
//! The real month, about twelve minutes: `CARGO_PROFILE_DEV_OPT_LEVEL=2 WARMSIDE_DAYS=30 WARMSIDE_ENCLOSURES=16 cargo test --test long
//! a_month -- --ignored --nocapture`. Without these two it lives two days with four enclosures, in a minute. `WARMSIDE_SPEED`: seconds a
//! second.

mod house;
#[path = "../real_broker/mosquitto.rs"]
#[allow(dead_code, reason = "shared with the tests of the broker alone")]
mod mosquitto;
mod speak;

use house::{House, Sample};
use std::time::Duration;
use warmside::store::reader::Reader;
use warmside::terms::time::{Span, Wall};

fn number(name: &str, usual: i64) -> i64 {
    std::env::var(name).ok().and_then(|n| n.parse().ok()).unwrap_or(usual)
}

/// Samples of a whole run.
const SAMPLES: i64 = 60;

#[test]
#[ignore = "started by the other test, in a process of its own"]
fn as_a_daemon() {
    house::daemon();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
#[ignore = "needs mosquitto, and takes a while"]
async fn a_month_of_full_rate_grows_nothing() {
    let (days, speed) = (number("WARMSIDE_DAYS", 2), number("WARMSIDE_SPEED", 3_600));
    let (enclosures, wanted_backups) = (number("WARMSIDE_ENCLOSURES", 4), number("WARMSIDE_BACKUPS", 3));
    let house = House::new(enclosures, days, speed);
    let mut daemon = house.start();
    house.until_connected().await;
    let began = warmside::clock::ticks();
    let whole = Duration::from_secs_f64(86_400.0 * days as f64 / speed as f64);
    let speaking = tokio::spawn(speak::speak(house.broker.plain(), enclosures, speed, whole));
    let mut samples = Vec::new();
    let mut backups = Vec::new();
    println!("  day   resident   anonymous   descriptors       store         log     mails");
    for ix in 1..=SAMPLES {
        let at = whole.mul_f64(ix as f64 / SAMPLES as f64);
        tokio::time::sleep(at.saturating_sub(warmside::clock::ticks() - began)).await;
        let sample = house.sample(daemon.id());
        println!("{:5.1} {sample}", days as f64 * ix as f64 / SAMPLES as f64);
        samples.push(sample);
        if ix % (SAMPLES / (wanted_backups + 1)) == 0 && (backups.len() as i64) < wanted_backups {
            backups.push(house.backup(ix));
        }
    }
    let published = speaking.await.expect("spoke to the end");
    let last = house.last_reading();
    daemon.end();
    println!("{published} messages published, {} backups, {}", backups.len(), house.kept());

    // With one arena, as the unit sets, what stands is what was needed at once; drawing a mail's picture takes some 2 MiB for a moment.
    flat("memory of its own, KiB", &samples, |s| s.anonymous_kib, 2_048);
    flat("resident memory, KiB", &samples, |s| s.resident_kib, 2_048);
    flat("descriptors", &samples, |s| s.descriptors, 8);
    flat("store, KiB", &samples, |s| s.store_kib, 512);
    log_is_bounded(&house, days);
    assert!(house.stored() > 0, "nothing is stored");
    // What was to be kept is there, and what was to go is gone.
    let reader = Reader::open(&house.state()).expect("opens");
    let probe = "enclosure/e1/warm_side.temperature";
    let keep = house.keep_readings();
    let old = reader.readings(probe, Wall::MIN, last - keep - Span::h(26), usize::MAX).expect("reads");
    assert_eq!(old.len(), 0, "readings are older than {keep}");
    let kept = reader.readings(probe, last - keep, Wall::MAX, usize::MAX).expect("reads").len() as f64;
    let wanted = keep.as_s() / speak::EVERY.as_secs_f64();
    assert!(kept > 0.8 * wanted, "{kept} readings of about {wanted}");
    // A store is opened and closed by waiting for it, which no runtime allows in its own threads.
    let learned: Vec<bool> = tokio::task::block_in_place(|| backups.iter().map(|b| house.restore(b)).collect());
    assert!(learned.is_sorted(), "what was learned is in each backup from the first that has it on: {learned:?}");
}

/// The last third is no larger than the middle one, but for a little.
fn flat(what: &str, samples: &[Sample], of: fn(&Sample) -> u64, slack: u64) {
    let third = samples.len() / 3;
    let median = |part: &[Sample]| {
        let mut all: Vec<u64> = part.iter().map(of).collect();
        all.sort_unstable();
        all[all.len() / 2]
    };
    let (middle, last) = (median(&samples[third..2 * third]), median(&samples[2 * third..]));
    println!("{what}: {middle} in the middle, {last} at the end");
    assert!(last <= middle + middle / 8 + slack, "{what} grows: {middle} in the middle of it, {last} at the end");
}

/// One sensor talks rubbish and one publisher floods the commands' topic all the while.
fn log_is_bounded(house: &House, days: i64) {
    let lines = house.log().lines().filter(|line| line.contains("a command by MQTT was refused")).count();
    // Sixty at once and one a minute of this machine's time, however fast the house's clock runs.
    let minutes = 2 + 1_440 * days / number("WARMSIDE_SPEED", 3_600);
    assert!((60..62 + minutes).contains(&(lines as i64)), "{lines} lines about refused commands");
}
