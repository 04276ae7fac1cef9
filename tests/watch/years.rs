//! Three stored years of forty enclosures: how long a keeper waits for any stretch of them.

use super::house::{Daemon, House, PATIENCE};
use std::io::{Read, Write};
use std::path::Path;
use std::sync::Arc;
use std::time::Instant;
use warmside::clock::machine_wall;
use warmside::store::pack::{DAY_MS, Packed, pack_summaries};
use warmside::store::{FILE, Names, Opening, Store, settings};
use warmside::terms::time::{Mono, Now, Span, Wall};

const ENCLOSURES: usize = 40;
const DAYS: i64 = 3 * 365;
/// What each enclosure has stored, and its level in thousandths.
const KEPT: [(&str, i64); 3] =
    [("warm_side.temperature", 30_500), ("cool_side.temperature", 24_500), ("heat.main.power", 40_000)];
const TIMES: usize = 15;

/// A store as three years of watching leave it: the summaries of every ten minutes, packed by day, in the order of their
/// days (`store/opening.rs` has the tables, `store/archive.rs` the keys).
fn fill(folder: &Path, today: Wall) {
    let keep = Span::days(5 * 365);
    let settings = settings::Settings { folder: folder.to_owned(), keep_readings: keep, keep_summaries: keep };
    let now = Now { mono: Mono::from_ms(0), wall: today };
    let opening = Opening { names: Names::default(), clock: Arc::new(move || now), tell: Box::new(|_| {}), hook: None };
    Store::open(&settings, opening).expect("a store").0.close().wait().expect("closes");
    let mut db = rusqlite::Connection::open(folder.join(FILE)).expect("opens");
    let all = db.transaction().expect("begins");
    for i in 0..ENCLOSURES * KEPT.len() {
        let name = format!("enclosure/e{}/{}", i / KEPT.len() + 1, KEPT[i % KEPT.len()].0);
        all.execute("INSERT INTO probe VALUES(?, ?)", (i as i64 + 1, name)).expect("a probe");
    }
    let last = today.as_ms().div_euclid(DAY_MS);
    for day in last - DAYS..last {
        for i in 0..ENCLOSURES * KEPT.len() {
            let level = KEPT[i % KEPT.len()].1;
            let ten = |slot: u8| {
                // Day and night, the season, and something that no two probes share.
                let wave = if (48..120).contains(&slot) { 0 } else { -2_500 };
                let mean = level + wave + (day % 365 - 182).abs() * 5 + (i as i64 * 37 + i64::from(slot) * 91) % 300;
                Packed { slot, n: 60, min: mean - 350, mean, max: mean + 420 }
            };
            let tens: Vec<Packed> = (0..144).map(ten).collect();
            all.prepare_cached("INSERT INTO summary VALUES(?, ?)")
                .and_then(|mut into| into.execute((day << 20 | (i as i64 + 1), pack_summaries(&tens))))
                .expect("a day");
        }
    }
    all.commit().expect("commits");
}

#[expect(clippy::disallowed_methods, reason = "a measurement looks at a clock")]
fn page(house: &House, path: &str) -> (String, f64) {
    let began = Instant::now();
    let mut stream = std::net::TcpStream::connect(("127.0.0.1", house.page)).expect("the page listens");
    stream.set_read_timeout(Some(PATIENCE)).expect("set");
    write!(stream, "GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nConnection: close\r\n\r\n", house.page).expect("sent");
    let mut text = String::new();
    stream.read_to_string(&mut text).expect("answered");
    (text, began.elapsed().as_secs_f64() * 1e3)
}

/// `CARGO_PROFILE_DEV_OPT_LEVEL=2 cargo test --test watch any_stretch -- --ignored --nocapture`
#[test]
#[ignore = "measures; run it alone, on a quiet machine"]
fn any_stretch_of_three_years_of_forty_enclosures() {
    let house = House::new("years");
    let one = "id = \"a3\"\nanimal = \"Juno\"\ncare = \"any\"";
    let heat = "heat = [{ id = \"main\", kind = \"mat\", at = \"warm_side\", watts = 60 }]";
    let ids = format!("ids = [\"e1..e{ENCLOSURES}\"]\ncare = \"any\"\n{heat}");
    let band = "warm_side = { wanted = [28, 33], never = [20, 36] }";
    let bands = format!(
        "{band}\ncool_side = {{ wanted = [22, 26], night = [20, 26], never = [18, 30] }}\nlight = {{ on = \"08:00\", hours = 12 }}"
    );
    house.write(&house.text().replace(one, &ids).replace(band, &bands));
    let today = machine_wall();
    std::fs::create_dir(house.folder.join("state")).expect("a folder");
    fill(&house.folder.join("state"), today);
    let bytes = std::fs::metadata(house.folder.join("state").join(FILE)).expect("a store").len();
    let daemon = Daemon::of(&mut house.command(&["watch"]));
    daemon.says("connected to the broker");
    println!(
        "{ENCLOSURES} enclosures, {DAYS} days, {:.0} MB; one whole page over HTTP, median and most of {TIMES}:",
        bytes as f64 / 1e6
    );
    let back = |days: i64| (today - Span::days(days)).as_ms();
    for (what, span, until) in [
        ("24 hours, now", "24h", None),
        ("24 hours, two years ago", "24h", Some(back(730))),
        ("30 days, now", "30d", None),
        ("30 days, two years ago", "30d", Some(back(730))),
        ("90 days, now", "90d", None),
        ("a year, now", "1y", None),
        ("a year, two years ago", "1y", Some(back(730))),
        ("three years, now", "3y", None),
    ] {
        let mut took = Vec::new();
        for i in 0..TIMES {
            // Another enclosure each time: what was read just now is in nobody's cache but the disk's.
            let until = until.map_or(String::new(), |ms| format!("&until={ms}"));
            let (text, ms) = page(&house, &format!("/e/e{}?span={span}{until}", i % ENCLOSURES + 1));
            assert!(text.contains("<svg") && !text.contains("Nothing is stored"), "{what}");
            took.push(ms);
        }
        took.sort_by(f64::total_cmp);
        println!("  {what:<26} {:>6.1} ms {:>6.1} ms", took[TIMES / 2], took[TIMES - 1]);
    }
}
