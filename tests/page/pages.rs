//! Enclosure, setup, ledger and mails: what they show, and what they show when there is nothing.

use crate::house::{calm, empty, now, trouble};
use crate::stored::Stored;
use crate::{balanced, server};
use std::sync::Arc;
use warmside::page::listen::Patience;
use warmside::page::past::{Entry, Heat, Mail, Past, Step, Ten, Told};
use warmside::terms::place::Place;
use warmside::terms::time::{Span, Wall};

fn stored() -> server::Server {
    server::start(trouble(), false, Arc::new(Stored { days: 400, failing: false }), Patience::default())
}

#[test]
fn an_enclosure_tells_what_a_woken_keeper_asks() {
    let text = stored().get("/e/a3", &[]).text();
    for said in [
        "a3 Juno: no heat",
        "23 min",
        "until 14:55",
        "your limit",
        "Spare emitter: drawer 2. Plug 4.",
        "Nobody yet.",
        "Mailed to Ines 14:11 and 14:26.",
        "Tom, neighbour is mailed at 14:45.",
        "About 22.4",
        "7 others",
        "Since it began",
        "time constant of 59 min",
        "spare &lt;emitter&gt; tested",
        // Over the plot there is room for the beginning of a mark, and it says so.
        "spare &lt;emitter&gt; test…",
    ] {
        assert!(text.contains(said), "{said} is missing");
    }
    balanced(&text);
}

#[test]
fn plots_of_any_stretch_are_small_and_a_gap_is_a_gap() {
    let server = stored();
    let lines = |text: &str| {
        let d = text.split("class=\"wl\" d=\"").nth(1).map_or("", |d| d.split('"').next().unwrap_or(""));
        (d.matches('M').count(), d.matches('L').count())
    };
    let day = server.get("/e/a1?span=24h", &[]).text();
    let (pieces, points) = lines(&day);
    assert_eq!(pieces, 2, "the gap at noon splits the line");
    assert!((120..150).contains(&points), "{points}");
    for span in ["7d", "90d", "1y", "nonsense"] {
        let text = server.get(&format!("/e/a1?span={span}"), &[]).text();
        assert!((100..1_000).contains(&lines(&text).1), "{span}: {:?}", lines(&text));
        assert!(text.len() < 200_000, "{span}: {}", text.len());
        balanced(&text);
    }
    let earlier = now() - Span::days(30);
    let text = server.get(&format!("/e/a1?span=7d&until={}", earlier.as_ms()), &[]).text();
    assert!(text.contains("until 1 February 2026, 14:31") && text.contains(">later<"), "the way back is there");
    for until in ["x", "-9223372036854775808", "9223372036854775807", "99999999999999999999"] {
        assert_eq!(server.get(&format!("/e/a1?span=1y&until={until}"), &[]).status, 200, "{until}");
    }
}

#[test]
fn heat_is_drawn_where_something_tells_it_and_left_out_elsewhere() {
    let server = stored();
    let told = server.get("/e/a3", &[]).text();
    assert_eq!(told.matches("heat: share of full, outline called for").count(), 4, "two plots, wide and narrow");
    let silent = server.get("/e/a1", &[]).text();
    assert!(silent.contains("light: outline planned") && !silent.contains("heat: share"));
}

/// Asks that the store would have to answer, by kind: raw readings are never asked for over a stretch of years.
struct Counting(Stored, std::sync::Mutex<Vec<(&'static str, i64)>>);

impl Past for Counting {
    fn readings(&self, probe: &str, from: Wall, to: Wall, at_most: usize) -> Told<Vec<(Wall, f64)>> {
        self.1.lock().unwrap().push(("readings", to.since(from).as_ms() / 3_600_000));
        self.0.readings(probe, from, to, at_most)
    }
    fn summaries(&self, probe: &str, from: Wall, to: Wall) -> Told<Vec<Ten>> {
        self.1.lock().unwrap().push(("summaries", to.since(from).as_ms() / 86_400_000));
        self.0.summaries(probe, from, to)
    }
    fn gaps(&self, from: Wall, to: Wall) -> Told<Vec<(Wall, Option<Wall>, String)>> {
        self.0.gaps(from, to)
    }
    fn wanted(&self, enclosure: &str, place: Place, from: Wall, to: Wall) -> Vec<Step> {
        self.0.wanted(enclosure, place, from, to)
    }
    fn light_planned(&self, enclosure: &str, from: Wall, to: Wall) -> Vec<(Wall, Wall)> {
        self.0.light_planned(enclosure, from, to)
    }
    fn heat(&self, enclosure: &str, from: Wall, to: Wall) -> Told<Option<Heat>> {
        self.0.heat(enclosure, from, to)
    }
    fn ledger(&self, enclosure: Option<&str>, before: Wall, at_most: usize) -> Told<Vec<Entry>> {
        self.0.ledger(enclosure, before, at_most)
    }
    fn marks(&self, beginning: &str, at_most: usize) -> Told<Vec<Entry>> {
        self.0.marks(beginning, at_most)
    }
    fn mails(&self, at_most: usize) -> Told<Vec<Mail>> {
        self.0.mails(at_most)
    }
    fn mail(&self, notice: &str) -> Told<Option<Mail>> {
        self.0.mail(notice)
    }
}

#[test]
fn any_stretch_is_drawn_from_summaries_two_probes_once_each() {
    let past = Arc::new(Counting(Stored { days: 800, failing: false }, std::sync::Mutex::default()));
    let server = server::start(trouble(), false, past.clone(), Patience::default());
    let until = (now() - Span::days(300)).as_ms();
    for (path, days) in [
        (format!("/e/a1?span=1y&until={until}"), 365),
        ("/e/a3?span=90d".to_owned(), 90),
        ("/e/a3?span=30d&on=2025-06-01".to_owned(), 30),
    ] {
        past.1.lock().unwrap().clear();
        assert_eq!(server.get(&path, &[]).status, 200);
        let asked = past.1.lock().unwrap().clone();
        let of = |kind: &str| asked.iter().filter(|(k, _)| *k == kind).map(|(_, n)| *n).collect::<Vec<_>>();
        assert_eq!(of("summaries"), [days, days], "{path}");
        // Only what an incident of today needs: each place when it began, and the hours since.
        assert!(of("readings").iter().all(|hours| *hours <= 49), "{path}: {asked:?}");
    }
}

#[test]
fn setup_shows_what_lacks_first_and_what_nobody_reads() {
    let text = server::open(trouble()).get("/setup", &[]).text();
    assert!(text.contains("No. 1 of 24 lacks something."));
    assert!(
        text.contains("silent since 13:10")
            && text.contains("{&quot;t&quot;:100.9}")
            && text.contains("no enclosure is that hot")
    );
    assert!(text.find("id=\"setup-b5\"").unwrap() < text.find("id=\"setup-a1\"").unwrap());
    assert!(server::open(calm()).get("/setup", &[]).text().contains("Yes, all 24."));
    for path in ["/", "/setup", "/ledger", "/mails"] {
        let text = server::open(empty()).get(path, &[]).text();
        balanced(&text);
    }
}

#[test]
fn what_cannot_be_read_is_never_told_as_nothing() {
    let full = server::start(trouble(), false, Arc::new(Stored { days: 1, failing: true }), Patience::default());
    for path in ["/ledger", "/mails", "/e/a3"] {
        let text = full.get(path, &[]).text();
        assert!(text.contains("cannot be read now: the disk is full"), "{path}");
        assert!(!text.contains("Nothing is written") && !text.contains("No mail yet"), "{path}");
    }
    let none = stored().get("/ledger?q=zebra", &[]).text();
    assert!(none.contains("Nothing has all these words.") && !none.contains("Nothing is written"));
}

#[test]
fn ledger_and_mails_are_found_and_shown_as_they_went() {
    let server = stored();
    let all = server.get("/ledger", &[]).text();
    assert!(all.contains("Reminder: no heat") && all.contains("I have it"));
    let found = server.get("/ledger?q=WATER+tom", &[]).text();
    assert!(found.contains("water changed") && !found.contains("Reminder"));
    let one = server.get("/ledger?enclosure=c1", &[]).text();
    assert!(one.contains("I have it") && !one.contains("Reminder"));
    assert!(all.contains(">Whom<") && !one.contains(">Whom<"), "its own ledger need not say c1 on every line");
    let mails = server.get("/mails?q=falling", &[]).text();
    assert!(mails.contains("/mails/7Q.1") && !mails.contains("daily."));
    let mail = server.get("/mails/7Q.1", &[]).text();
    assert!(mail.contains("none arrives. &lt;b&gt;") && mail.contains("250 2.0.0 kept") && mail.contains("went out"));
    assert_eq!(server.get("/mails/none", &[]).status, 404);
}
