//! Scenarios as data: what is found and what keepers do, and the exact list of mails that follows. Those of `days/` go
//! through the whole engine.
//!
//! Each file of `tests/scenario/` is one house and one stretch of time. Other mails than written are printed as they would be written.

#[path = "days/mod.rs"]
mod days;

use serde::Deserialize;
use std::collections::BTreeMap;
use std::fmt::Write;
use warmside::finding::cause::{Cause, Urgency};
use warmside::finding::fact::Fact;
use warmside::finding::{Change, Finding, Key, Subject, earlier};
use warmside::incident::Row;
use warmside::incident::book::Book;
use warmside::incident::house::{House, Member};
use warmside::notice::NoticeRow;
use warmside::notice::desk::{Desk, World};
use warmside::notice::scene::{Eyes, Past, PlaceNow, Round, Scene, Week};
use warmside::notice::settings::{Keeper, Settings, Weekly};
use warmside::terms::id::{CircuitIx, EnclosureIx, RoomIx};
use warmside::terms::place::Place;
use warmside::terms::quantity::{Degrees, Quantity};
use warmside::terms::time::{Now, Span, Wall};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Scenario {
    /// What it shows.
    about: String,
    /// Enclosures on each circuit; all are in one room.
    circuits: Vec<u16>,
    /// `ines`, `tom after 20min`, `ines away 2026-01-05`.
    keepers: Vec<String>,
    #[serde(default)]
    daily: Option<u16>,
    #[serde(default)]
    at_most: Option<u32>,
    #[serde(default)]
    empty: Vec<String>,
    start: String,
    until: String,
    events: Vec<String>,
    mails: Vec<String>,
}

/// One room of invented enclosures in which nothing is measured but the warm side.
struct Rack;

impl Eyes for Rack {
    fn scene(&self, enclosure: EnclosureIx) -> Scene {
        let warm = PlaceNow {
            place: Place::WarmSide,
            quantity: Quantity::Temperature,
            value: Some(28.0),
            at: None,
            wanted: Some((29.0, 32.0)),
            never: Some((25.0, 36.0)),
            slope: None,
            silent: false,
        };
        Scene { id: format!("a{}", enclosure.0 + 1), places: vec![warm], ..Scene::default() }
    }
    fn past(&self, _: EnclosureIx, _: Option<Place>) -> Option<Past> {
        None
    }
    fn round(&self) -> Round {
        Round { total: 14, in_band: 14, ..Round::default() }
    }
    fn week(&self) -> Vec<Week> {
        Vec::new()
    }
    fn room_name(&self, _: RoomIx) -> String {
        "Back room".into()
    }
    fn circuit_name(&self, circuit: CircuitIx) -> String {
        format!("Circuit {}", circuit.0 + 1)
    }
}

struct Run {
    start: Wall,
    book: Book,
    desk: Desk,
    now: Now,
    settings: Settings,
    rows: BTreeMap<String, Row>,
    mails: Vec<NoticeRow>,
}

/// `14:08`, `14:08:30`, `+1 07:00`: on the scenario's first day, or so many days later. UTC.
fn time<'a>(start: Wall, words: &mut impl Iterator<Item = &'a str>) -> Wall {
    let mut word = words.next().expect("a time");
    let mut day = start.as_ms().div_euclid(86_400_000);
    if let Some(plus) = word.strip_prefix('+') {
        day += plus.parse::<i64>().expect("days");
        word = words.next().expect("a time of day");
    }
    let parts: Vec<i64> = word.split(':').map(|p| p.parse().expect("a number")).collect();
    let s = parts[0] * 3_600 + parts[1] * 60 + parts.get(2).copied().unwrap_or(0);
    Wall::from_ms(day * 86_400_000 + s * 1_000)
}

fn enclosure(word: &str) -> EnclosureIx {
    EnclosureIx(word.strip_prefix('a').and_then(|n| n.parse::<u16>().ok()).expect("an enclosure") - 1)
}

fn subject(word: &str) -> Subject {
    match word {
        "site" => Subject::Site,
        "room" => Subject::Room(RoomIx(0)),
        other => Subject::Enclosure(enclosure(other)),
    }
}

fn minutes(word: &str) -> Span {
    Span::min(word.strip_suffix("min").and_then(|n| n.parse().ok()).expect("minutes"))
}

impl Run {
    fn new(s: &Scenario) -> Run {
        let start = Wall::parse_rfc3339(&s.start).expect("a start");
        let now = Now::at(start.as_ms());
        let mut house = House { rooms: vec!["back-room".into()], ..House::default() };
        for (c, n) in s.circuits.iter().enumerate() {
            house.circuits.push(format!("c{}", c + 1));
            for _ in 0..*n {
                let id = format!("a{}", house.enclosures.len() + 1);
                let empty = s.empty.contains(&id);
                let circuit = Some(CircuitIx(c as u16));
                house.enclosures.push(Member { id, room: Some(RoomIx(0)), circuit, empty, watched: true });
            }
        }
        let settings = Settings {
            site: "Hollow Lane".into(),
            time_zone: "UTC".into(),
            degrees: Degrees::C,
            keepers: s.keepers.iter().map(|k| keeper(k)).collect(),
            daily: s.daily,
            weekly: None::<Weekly>,
            repeat_now: Span::min(15),
            repeat_today: Span::h(6),
            pause: Span::min(60),
            at_most: s.at_most.unwrap_or(20),
            vet_phone: None,
            answers_by_mail: true,
            page: None,
        };
        let desk = Desk::new(settings.clone(), now);
        Run { start, book: Book::new(house), desk, now, settings, rows: BTreeMap::new(), mails: Vec::new() }
    }

    fn until(&mut self, end: Wall) {
        loop {
            let next = earlier(self.book.next_wake(), self.desk.next_wake(&self.book));
            let Some(next) = next.filter(|next| next.as_ms() <= end.as_ms()) else { break };
            assert!(next > self.now.mono, "a wake or an event leaves nothing due: {next:?} {:?}", self.now);
            self.now = Now::at(next.as_ms());
            let mut steps = Vec::new();
            self.book.wake(self.now, &mut steps);
            self.desk.steps(&steps, World { book: &self.book, eyes: &Rack, now: self.now }, &mut self.mails);
            self.restart();
        }
        self.now = Now::at(end.as_ms());
    }

    /// Everything is stored and taken back after each step: a restart anywhere changes no mail.
    fn restart(&mut self) {
        for row in self.book.rows().into_iter().chain(self.desk.rows()) {
            self.rows.insert(row.key.clone(), row);
        }
        let rows: Vec<_> = self.rows.values().cloned().collect();
        let mut lost = Vec::new();
        self.book = Book::new(self.book.house().clone());
        self.book.restore(&rows, self.now, &mut lost);
        self.desk = Desk::new(self.settings.clone(), self.now);
        assert!(self.desk.restore(&rows, self.now), "the desk reads its own row");
        assert!(lost.is_empty(), "{lost:?}");
    }

    fn event(&mut self, line: &str) {
        let mut words = line.split_whitespace();
        let at = time(self.start, &mut words);
        self.until(at);
        let mut steps = Vec::new();
        let first = words.next().expect("a word");
        match first {
            "answer" => {
                let id = words.next().expect("an incident");
                let by = words.nth(1).expect("by whom");
                assert!(self.book.answer(id, by, self.now, &mut steps), "{line}");
            }
            "shelve" => {
                let ix = enclosure(words.next().expect("whom"));
                words.next();
                let until = time(self.start, &mut words);
                let by = words.nth(1).expect("by whom");
                assert!(self.book.shelve(ix, by, until, self.now), "{line}");
            }
            "hands-in" => {
                let ix = enclosure(words.next().expect("whom"));
                let length = minutes(words.next().expect("how long"));
                assert!(self.book.hands_in(ix, words.nth(1).expect("by whom"), length, self.now), "{line}");
            }
            "unshelve" => {
                let ix = enclosure(words.next().expect("whom"));
                assert!(self.book.unshelve(ix, "ines", self.now, &mut steps), "{line}");
            }
            "drill" => {
                self.book.drill("ines", self.now, &mut steps);
            }
            whom => {
                let change = change(self.start, self.now, whom, &mut words);
                self.book.change(change, self.now, &mut steps);
            }
        }
        self.desk.steps(&steps, World { book: &self.book, eyes: &Rack, now: self.now }, &mut self.mails);
        self.restart();
    }
}

fn change<'a>(start: Wall, now: Now, whom: &str, words: &mut impl Iterator<Item = &'a str>) -> Change {
    let verb = words.next().expect("stands or calm");
    let cause = Cause::from_word(words.next().expect("a cause")).expect("a known cause");
    let place = matches!(subject(whom), Subject::Enclosure(_)).then_some(Place::WarmSide);
    if verb == "calm" {
        return Change::Calm(Key { subject: subject(whom), cause, place });
    }
    let mut f = Finding::new(subject(whom), cause, place, now);
    while let Some(word) = words.next() {
        match word {
            "now" => f.urgency = Urgency::Now,
            "today" => f.urgency = Urgency::Today,
            "note" => f.urgency = Urgency::Note,
            "since" => f.since = Now::at(time(start, words).as_ms()),
            "by" => f.act_by = Some(time(start, words)),
            "never-high" => f.latched = true,
            "never-low" => f.facts.push(Fact::Reading {
                place: Place::WarmSide,
                quantity: Quantity::Temperature,
                value: 24.0,
                limit: Some(25.0),
                never: true,
            }),
            other => panic!("unknown word {other}"),
        }
    }
    Change::Stands(f)
}

fn keeper(line: &str) -> Keeper {
    let mut words = line.split_whitespace();
    let id = words.next().expect("an id").to_owned();
    let mut k =
        Keeper { name: id.clone(), mail: format!("{id}@example.org"), id, after: None, phone: None, away: vec![] };
    while let Some(word) = words.next() {
        let value = words.next().expect("a value");
        match word {
            "after" => k.after = Some(minutes(value)),
            _ => {
                let day = Wall::parse_rfc3339(&format!("{value}T00:00:00Z")).expect("a date").as_ms() / 86_400_000;
                k.away.push((day as i32, day as i32));
            }
        }
    }
    k
}

/// `14:08:45 10 raised now power-lost a1,a2 > ines | Circuit 1: 14 without power?`
fn line(start: Wall, mail: &NoticeRow) -> String {
    let n: serde_json::Value = serde_json::from_str(&mail.json).expect("JSON");
    let text = |key: &str| n[key].as_str().unwrap_or("-").to_owned();
    let list = |key: &str| {
        let items = n[key].as_array().cloned().unwrap_or_default();
        items.iter().filter_map(|v| v.as_str().map(str::to_owned)).collect::<Vec<_>>().join(",")
    };
    let at = Wall::parse_rfc3339(&text("at")).expect("a time");
    let days = at.as_ms().div_euclid(86_400_000) - start.as_ms().div_euclid(86_400_000);
    let mut out = String::new();
    if days > 0 {
        let _ = write!(out, "+{days} ");
    }
    let event = if text("letter") == "-" { text("event") } else { text("letter") };
    let _ = write!(out, "{} {} {event} {}", &text("at")[11..19], text("incident"), text("urgency"));
    let _ = write!(out, " {} {} > {} | {}", text("cause"), list("enclosures"), list("to"), text("subject"));
    out
}

#[test]
fn each_scenario_gives_exactly_its_mails() {
    let mut wrong = String::new();
    let mut files: Vec<_> = std::fs::read_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/scenario"))
        .expect("the scenarios")
        .map(|f| f.expect("a file").path())
        .collect();
    files.sort();
    assert!(files.len() >= 7);
    for file in files {
        let text = std::fs::read_to_string(&file).expect("readable");
        let scenario: Scenario = toml::from_str(&text).unwrap_or_else(|e| panic!("{}: {e}", file.display()));
        let mut run = Run::new(&scenario);
        scenario.events.iter().for_each(|e| run.event(e));
        run.until(Wall::parse_rfc3339(&scenario.until).expect("an end"));
        let got: Vec<String> = run.mails.iter().map(|m| line(run.start, m)).collect();
        let mut ids: Vec<&str> = run.mails.iter().map(|m| m.id.as_str()).collect();
        ids.sort_unstable();
        ids.dedup();
        assert_eq!(ids.len(), run.mails.len(), "each mail has an id of its own");
        if got != scenario.mails {
            let _ = writeln!(wrong, "{}: {}", file.file_name().unwrap_or_default().to_string_lossy(), scenario.about);
            got.iter().for_each(|m| wrong.push_str(&format!("  {m:?},\n")));
        }
    }
    assert!(wrong.is_empty(), "other mails than written:\n{wrong}");
}
