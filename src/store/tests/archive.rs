//! Packing, summaries, retention, gaps and backups: what was kept is found again, whatever form it has by then.

use super::*;
use crate::store::reader::Summary;

fn keep_hours(house: &House, from: i64, hours: i64, every_ms: i64) -> Vec<(Wall, f64)> {
    let mut kept = Vec::new();
    for i in 0..hours * HOUR / every_ms {
        let t = from + i * every_ms + (i * 37) % 50;
        let value = 28.0 + ((i / 7) % 30) as f64 / 10.0;
        house.store.keep(&reading(0, t, value));
        kept.push((wall(t), value));
    }
    kept
}

#[test]
fn readings_and_summaries_are_the_same_before_and_after_packing() {
    let folder = Folder::new();
    let house = open(&folder, START);
    let kept = keep_hours(&house, START, 30, 60_000);
    house.store.keep(&reading(0, START + 1, f64::NAN));
    house.store.keep(&reading(0, START + 1, f64::INFINITY));
    house.store.flush().wait().unwrap();
    let reader = Reader::open(&folder.0).unwrap();
    let all = |reader: &Reader| reader.readings(WARM, wall(i64::MIN), wall(i64::MAX), usize::MAX).unwrap();
    let summaries = |reader: &Reader| reader.summaries(WARM, wall(i64::MIN), wall(i64::MAX)).unwrap();
    assert_eq!(all(&reader), kept);
    let before = summaries(&reader);
    assert_eq!(before.len(), 180);

    // In the middle of the 29th hour: 28 whole hours are closed, two are open.
    house.set(START + 28 * HOUR + HOUR / 2);
    house.settle_archive();
    let rows: i64 = rusqlite::Connection::open(folder.0.join("warmside.db"))
        .unwrap()
        .query_row("SELECT count(*) FROM reading", [], |r| r.get(0))
        .unwrap();
    assert_eq!(rows, 120);
    assert_eq!(all(&reader), kept);
    assert_eq!(summaries(&reader), before);
    let (from, to) = (wall(START + 5 * HOUR + 10), wall(START + 29 * HOUR));
    let within: Vec<_> = kept.iter().copied().filter(|(t, _)| (from..to).contains(t)).collect();
    assert_eq!(reader.readings(WARM, from, to, usize::MAX).unwrap(), within);
    assert_eq!(reader.readings(WARM, from, to, 7).unwrap(), within[..7]);
    assert_eq!(reader.readings("enclosure/zz/air.humidity", from, to, 7).unwrap(), []);
    assert_eq!(reader.probes().unwrap(), [WARM]);
}

#[test]
fn a_clock_set_back_fills_an_hour_twice_and_loses_nothing() {
    let folder = Folder::new();
    let house = open(&folder, START + 3 * HOUR);
    let mut kept = keep_hours(&house, START, 2, 60_000);
    house.store.flush().wait().unwrap();
    house.settle_archive();
    house.store.keep(&reading(0, START + HOUR + 777, 99.5));
    kept.push((wall(START + HOUR + 777), 99.5));
    kept.sort_by_key(|k| k.0);
    house.store.flush().wait().unwrap();
    house.set(START + 4 * HOUR);
    house.settle_archive();
    let reader = Reader::open(&folder.0).unwrap();
    assert_eq!(reader.readings(WARM, wall(START), wall(START + 9 * HOUR), usize::MAX).unwrap(), kept);
    let highest = reader.summaries(WARM, wall(START + HOUR), wall(START + HOUR + 1)).unwrap();
    assert!(matches!(&highest[..], [Summary { readings: 11, max: 99.5, .. }]), "{highest:?}");
}

#[test]
fn what_is_too_old_goes_but_not_by_a_clock_that_jumped() {
    let folder = Folder::new();
    let house = open(&folder, START + 3 * HOUR);
    keep_hours(&house, START, 2, 600_000);
    house.store.flush().wait().unwrap();
    house.settle_archive();
    let left = |from: i64| {
        let reader = Reader::open(&folder.0).unwrap();
        let readings = reader.readings(WARM, wall(from), wall(i64::MAX), usize::MAX).unwrap().len();
        (readings, reader.summaries(WARM, wall(from), wall(i64::MAX)).unwrap().len())
    };
    assert_eq!(left(START), (12, 12));
    // Time passes an hour at a time, on both clocks.
    for hour in 4..90 * 24 {
        house.set(START + hour * HOUR);
        if hour % 24 == 0 {
            house.settle_archive();
        }
    }
    assert_eq!(left(START), (12, 12));
    house.set(START + (90 * 24 + 3) * HOUR);
    house.settle_archive();
    assert_eq!(left(START), (0, 12), "90 days for readings, years for summaries");

    // A wall clock that leaps ten years is not believed for a day.
    let house_2 = Folder::new();
    let house = open(&house_2, START + 3 * HOUR);
    keep_hours(&house, START, 2, 600_000);
    house.store.flush().wait().unwrap();
    house.settle_archive();
    house.leap(Span::days(3_650));
    house.settle_archive();
    assert!(matches!(&house.told()[..], [Told::Log(words)] if words.contains("jumped")), "{:?}", house.told());
    let reader = Reader::open(&house_2.0).unwrap();
    assert_eq!(reader.readings(WARM, wall(START), wall(i64::MAX), usize::MAX).unwrap().len(), 12);
}

#[test]
fn time_away_is_a_gap_and_so_is_what_is_said() {
    let folder = Folder::new();
    let house = open(&folder, START);
    house.store.keep(&reading(0, START + 500, 28.0));
    house.set(START + 1_000);
    house.store.flush().wait().unwrap();
    house.store.gap_begins(wall(START + 2_000), "broker lost").wait().unwrap();
    house.store.gap_begins(wall(START + 2_500), "broker lost").wait().unwrap();
    house.store.gap_ends(wall(START + 3_000), "broker lost").wait().unwrap();
    house.store.gap_begins(wall(START + 4_000), "broker lost").wait().unwrap();
    house.set(START + 5_000);
    house.store.flush().wait().unwrap();
    let killed = folder.copy();
    let house = open(&killed, START + 60_000);
    assert!(!house.found.clean);
    assert_eq!(house.found.last, Some(Now::at(START + 5_000)));
    house.store.close().wait().unwrap();
    drop(house);
    let house = open(&killed, START + 90_000);
    assert!(house.found.clean);
    let gaps = Reader::open(&killed.0).unwrap().gaps(wall(START), wall(i64::MAX)).unwrap();
    let spans: Vec<_> = gaps.iter().map(|g| (g.since.as_ms() - START, g.until.map(|u| u.as_ms() - START))).collect();
    assert_eq!(spans, [(2_000, Some(3_000)), (4_000, Some(5_000)), (5_000, Some(60_000)), (60_000, Some(90_000))]);
    drop(house);
}

#[test]
fn snapshot_and_backup() {
    let folder = Folder::new();
    let house = open(&folder, START);
    house.store.save(vec![("heat/a1".into(), vec![1, 2, 3]), ("trust".into(), vec![])]).wait().unwrap();
    house.store.save(vec![("heat/a2".into(), vec![4])]).wait().unwrap();
    house.store.keep(&reading(0, START, 28.0));
    house.store.keep(&reading(20, START, 5.0)); // The names have no enclosure of this index.
    house.store.flush().wait().unwrap();
    let copy = Folder::new();
    Reader::open(&folder.0).unwrap().backup(&copy.0.join("warmside.db")).unwrap();
    let again = open(&copy, START + 1);
    assert_eq!(again.found.snapshot, [("heat/a2".to_owned(), vec![4])]);
    assert_eq!(again.found.site, house.found.site);
    let reader = Reader::open(&copy.0).unwrap();
    assert_eq!(reader.probes().unwrap(), [WARM]);
    let old = reader.readings(WARM, wall(START), wall(START + 1), 9).unwrap();
    assert_eq!(old, [(wall(START), 28.0)]);
}

#[test]
fn incidents_of_the_past_are_kept_as_long_as_summaries_and_not_taken_back() {
    let folder = Folder::new();
    let house = open(&folder, START);
    let years = |n: i64| wall(START - n * 365 * 24 * HOUR - HOUR).rfc3339();
    let key = |n: i64| format!("past/{}/7Q", years(n));
    let row = |key: String| Row { key, json: Some("{}".into()) };
    let rows = (1..=6).map(|n| row(key(n))).chain([row("incident/7R".into()), row("mark/2019".into())]).collect();
    house.store.commit(wall(START), rows, vec![]).wait().unwrap();
    house.settle_archive();
    let left = |prefix: &str| -> Vec<String> {
        Reader::open(&folder.0).unwrap().rows(prefix).unwrap().into_iter().map(|r| r.key).collect()
    };
    assert_eq!(left("past/"), [4, 3, 2, 1].map(key), "of five years");
    assert_eq!(left("incident/").len() + left("mark/").len(), 2, "what is open or a keeper's mark does not age");
    house.store.close().wait().unwrap();
    let found = open(&folder, START + HOUR).found;
    assert_eq!(found.rows.iter().map(|r| r.key.as_str()).collect::<Vec<_>>(), ["incident/7R", "mark/2019"]);
    let reader = Reader::open(&folder.0).unwrap();
    let newest = |ending: &str| reader.newest_rows("mark/", "mark0", ending, 9).unwrap().len();
    assert_eq!([newest(""), newest("9"), newest("8")], [1, 1, 0], "of the whole house, and of one enclosure");
}

/// No look at the past may read a table from end to end: with three years of forty enclosures that was 180 MB for a plot
/// of 24 hours.
#[test]
fn the_ends_of_a_table_are_found_without_reading_it() {
    let folder = Folder::new();
    let _house = open(&folder, START);
    let db = rusqlite::Connection::open(folder.0.join("warmside.db")).unwrap();
    for table in ["summary", "chunk"] {
        let mut plan = db.prepare(&format!("EXPLAIN QUERY PLAN {}", super::super::reader::ends(table))).unwrap();
        let steps: Vec<String> =
            plan.query_map([], |r| r.get("detail")).unwrap().collect::<rusqlite::Result<_>>().unwrap();
        let looks = steps.iter().filter(|step| **step == format!("SEARCH {table}")).count();
        assert_eq!(looks, 2, "{steps:?}");
    }
}

/// A reader that stays open must not keep SQLite from folding its log back into the file: the log would grow until the
/// disk is full.
#[test]
fn an_open_reader_does_not_let_the_log_grow() {
    let folder = Folder::new();
    let house = open(&folder, START);
    let reader = Reader::open(&folder.0).unwrap();
    let mut most = 0;
    for round in 0..12_u8 {
        house.store.save(vec![("heat/a1".into(), vec![round; 1 << 20])]).wait().unwrap();
        house.store.flush().wait().unwrap();
        reader.probes().unwrap();
        most = most.max(std::fs::metadata(folder.0.join("warmside.db-wal")).unwrap().len());
    }
    // SQLite folds it back after 1,000 pages of 4 KiB, and the next round begins at its head.
    assert!(most < 7 << 20, "the log came to {most} bytes of 12 MiB written");
}

/// A stretch costs what it holds, a look a day, and a span of centuries what is stored.
#[test]
fn reading_summaries_looks_once_for_each_stored_day() {
    let folder = Folder::new();
    let house = open_keeping(&folder.0, START, None, Span::days(400)).unwrap();
    let days = 12;
    for hour in 0..days * 24 {
        house.store.keep(&reading(0, START + hour * HOUR, 28.0));
        house.set(START + (hour + 1) * HOUR + 180_000);
        if hour % 24 == 23 {
            house.store.flush().wait().unwrap();
            house.settle_archive();
        }
    }
    let reader = Reader::open(&folder.0).unwrap();
    for (from, to, looks) in [(0, 3, 4), (0, days, days), (-36_500, 36_500, days)] {
        let before = reader.looked_for_summaries();
        let at = |day: i64| wall(START + day * 24 * HOUR);
        let read = reader.summaries(WARM, at(from), at(to)).unwrap();
        assert_eq!(read.len() as i64, (to - from).min(days) * 24);
        assert_eq!(i64::from(reader.looked_for_summaries() - before), looks, "{from} to {to}");
    }
}
