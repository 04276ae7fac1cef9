//! Bytes a reading, over a stretch long enough to show the steady state.

use super::*;

/// Probes that report in tenths with a little jitter and noise, as common ones do; a small generator of our own.
fn bytes_a_reading(probes: u16, days: i64, every_ms: i64) -> f64 {
    let folder = Folder::new();
    let house = open_keeping(&folder.0, START, None, Span::days(400)).unwrap();
    let size = |house: &House| {
        house.store.flush().wait().unwrap();
        let db = rusqlite::Connection::open(folder.0.join("warmside.db")).unwrap();
        let used = "SELECT (page_count - freelist_count) * page_size FROM pragma_page_count, pragma_freelist_count, pragma_page_size";
        db.query_row(used, [], |r| r.get::<_, i64>(0)).unwrap()
    };
    let empty = size(&house);
    let mut random = 1u64;
    let mut draw = |below: u64| {
        random = random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (random >> 33) % below
    };
    let mut count = 0u64;
    for hour in 0..days * 24 {
        for i in 0..3_600_000 / every_ms {
            for probe in 0..probes {
                let t = START + hour * 3_600_000 + i * every_ms + draw(120) as i64;
                // A thermostat's saw-tooth of 30 min and 1.5 degrees, with noise of a tenth or none.
                let phase = (t / 1_000 + i64::from(probe) * 97) % 1_800;
                let value = 28.0 + (phase as f64 - 900.0).abs() / 600.0 + draw(3) as f64 / 20.0;
                house.store.keep(&reading(probe, t, (value * 10.0).round() / 10.0));
                count += 1;
            }
        }
        house.set(START + (hour + 1) * 3_600_000 + 180_000);
        house.store.flush().wait().unwrap();
        house.settle_archive();
    }
    (size(&house) - empty) as f64 / count as f64
}

#[test]
fn a_reading_takes_two_bytes_and_a_half_at_most_with_its_summaries() {
    let bytes = bytes_a_reading(8, 4, 10_000);
    println!("{bytes:.3} bytes a reading");
    assert!(bytes <= 2.5, "{bytes:.3} bytes a reading");
    assert!(bytes >= 1.0, "{bytes:.3} bytes a reading: were they stored at all?");
}

/// A year of eight probes at 10 s, 25 million readings, all of them kept: where the figure settles, summaries and all.
#[test]
#[ignore = "takes minutes"]
fn a_year_of_eight_probes() {
    let bytes = bytes_a_reading(8, 365, 10_000);
    println!("{bytes:.3} bytes a reading over a year");
    assert!(bytes <= 2.5);
}
