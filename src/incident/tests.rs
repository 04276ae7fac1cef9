//! What the book does with findings of one enclosure and of many.

mod many;
mod model;
mod named;

use super::book::Book;
use super::house::{House, Member};
use super::*;
use crate::finding::{Change, Key};

const A: u16 = 0;

/// A house of one room with circuits of the given sizes; enclosures `a1`, `a2`, …
fn house(circuits: &[u16]) -> House {
    let mut house = House { rooms: vec!["back".into()], ..House::default() };
    for (c, n) in circuits.iter().enumerate() {
        house.circuits.push(format!("c{c}"));
        for _ in 0..*n {
            let id = format!("a{}", house.enclosures.len() + 1);
            let circuit = Some(CircuitIx(c as u16));
            house.enclosures.push(Member { id, room: Some(RoomIx(0)), circuit, empty: false, watched: true });
        }
    }
    house
}

fn found(ix: u16, cause: Cause, since_min: i64) -> Finding {
    Finding::new(Subject::Enclosure(EnclosureIx(ix)), cause, Some(Place::WarmSide), Now::at(since_min * 60_000))
}

fn never_high(mut f: Finding) -> Finding {
    f.latched = true;
    f
}

/// A book, its clock, and everything that came out, in words.
struct Day {
    book: Book,
    now: Now,
    out: Vec<String>,
}

impl Day {
    fn new(house: House) -> Day {
        Day { book: Book::new(house), now: Now::at(0), out: Vec::new() }
    }
    /// Wakes the book at each instant it asks for, up to a minute.
    fn until(&mut self, min: i64) {
        let end = Mono::from_ms(min * 60_000);
        while let Some(at) = self.book.next_wake().filter(|at| *at <= end) {
            let at = at.max(self.now.mono);
            self.now = Now::at(at.as_ms());
            let mut steps = Vec::new();
            self.book.wake(self.now, &mut steps);
            assert!(self.book.next_wake().is_none_or(|next| next > at), "a wake leaves nothing due");
            self.say(steps);
        }
        self.now = Now::at(end.as_ms());
    }
    fn say(&mut self, steps: Vec<Step>) {
        for step in steps {
            let min = self.now.mono.as_ms() / 60_000;
            let about = |id: &str| {
                let i = self.book.get(id).expect("told incidents are in the book");
                let who = i.enclosures(self.book.house());
                let who: Vec<&str> = who.iter().map(|ix| self.book.house().id(*ix)).collect();
                format!("{id} {} {}", i.cause().map_or("-", Cause::word), who.join(","))
            };
            self.out.push(match &step {
                Step::Raised { incident } => format!("{min} raised {}", about(incident)),
                Step::Worse { incident, why } => format!("{min} worse {why:?} {}", about(incident)),
                Step::TakenBack { incident } => format!("{min} taken back {incident}"),
                Step::Ended { incident } => format!("{min} ended {incident}"),
                Step::Answered { incident, by } => format!("{min} answered {incident} by {by}"),
                Step::Merged { incident, into } => format!("{min} merged {incident} into {into}"),
                Step::Resumed { enclosure, .. } => format!("{min} resumed {}", self.book.house().id(*enclosure)),
                Step::Drill { incident } => format!("{min} drill {incident}"),
                Step::Note { finding } => format!("{min} note {}", finding.key.cause.word()),
            });
        }
    }
    fn stands(&mut self, min: i64, finding: Finding) {
        self.until(min);
        let mut steps = Vec::new();
        self.book.change(Change::Stands(finding), self.now, &mut steps);
        self.say(steps);
    }
    fn calm(&mut self, min: i64, ix: u16, cause: Cause) {
        self.until(min);
        let key = Key { subject: Subject::Enclosure(EnclosureIx(ix)), cause, place: Some(Place::WarmSide) };
        let mut steps = Vec::new();
        self.book.change(Change::Calm(key), self.now, &mut steps);
        self.say(steps);
    }
    fn answer(&mut self, min: i64, id: &str) {
        self.until(min);
        let mut steps = Vec::new();
        assert!(self.book.answer(id, "ines", self.now, &mut steps));
        self.say(steps);
    }
    #[track_caller]
    fn gave(&self, want: &[&str]) {
        assert_eq!(self.out, want);
    }
}

#[test]
fn one_fault_is_raised_and_ended_once() {
    let mut d = Day::new(house(&[14]));
    d.stands(10, found(A, Cause::HeatFailed, 2));
    d.calm(60, A, Cause::HeatFailed);
    d.until(600);
    d.gave(&["10 raised 10 heat-failed a1", "80 ended 10"]);
}

#[test]
fn symptoms_join_and_the_best_explanation_names_it() {
    let mut d = Day::new(house(&[14]));
    d.stands(0, found(A, Cause::LeftOpen, 0));
    d.stands(30, found(A, Cause::TooCold, 30));
    d.stands(40, found(A, Cause::HeatFailed, 20));
    d.until(100);
    // Too cold is now, left open was today; that the heater failed needs no mail of its own.
    d.gave(&["3 raised 10 left-open a1", "30 worse Urgency 10 left-open a1"]);
    assert_eq!(d.book.get("10").and_then(Incident::cause), Some(Cause::HeatFailed));
}

#[test]
fn an_old_answer_does_not_silence_a_new_danger() {
    // Weak heat waits for weeks for its spare part; meanwhile it is too hot once, and later the heater dies.
    for first in [found(A, Cause::TooHot, 99), never_high(found(A, Cause::TooHot, 99))] {
        let mut d = Day::new(house(&[14]));
        d.stands(0, found(A, Cause::HeatWeak, 0));
        d.stands(100, first.clone());
        d.answer(110, "10");
        d.calm(120, A, Cause::TooHot);
        // Soon after it is the same trouble, told and answered.
        d.stands(150, found(A, Cause::TooHot, 149));
        d.calm(160, A, Cause::TooHot);
        d.stands(30_000, found(A, Cause::HeatFailed, 29_990));
        d.gave(&[
            "3 raised 10 heat-weak a1",
            "100 worse Urgency 10 heat-weak a1",
            "110 answered 10 by ines",
            "30000 worse Urgency 10 heat-failed a1",
        ]);
        assert!(d.book.get("10").expect("open").answered.is_none(), "what was answered was less than this");
    }
}

#[test]
fn flicker_before_the_first_mail_is_told_to_nobody() {
    let mut d = Day::new(house(&[14]));
    d.stands(0, found(A, Cause::GradientLost, 0));
    d.calm(1, A, Cause::GradientLost);
    d.until(600);
    d.gave(&[]);
    assert!(d.book.all().is_empty());
}

#[test]
fn a_breaker_is_one_incident_however_late_the_glass_shows_it() {
    let mut d = Day::new(house(&[6, 6]));
    d.stands(8, found(0, Cause::HeatFailed, 0));
    d.stands(9, found(1, Cause::HeatFailed, -9));
    d.stands(12, found(2, Cause::HeatFailed, 4));
    d.stands(30, found(3, Cause::HeatFailed, -20));
    d.stands(50, found(4, Cause::TooCold, 30));
    d.until(120);
    d.gave(&[
        "8 raised 10 heat-failed a1",
        "9 worse Spread 10 heat-failed a1,a2",
        "12 worse Named 10 power-lost a1,a2,a3,a4,a5,a6",
    ]);
    assert_eq!(d.book.open().count(), 1);
}

#[test]
fn watts_show_a_breaker_before_the_first_mail() {
    let mut d = Day::new(house(&[4]));
    for ix in [2, 0, 1] {
        let mut f = found(ix, Cause::HeatFailed, 1);
        f.act_by = Some(Wall::from_ms((60 - i64::from(ix)) * 60_000));
        d.stands(2, f);
    }
    d.until(10);
    d.gave(&["2 raised 10 power-lost a3,a2,a1,a4"]);
    assert_eq!(house::scope_names(d.book.get("10").expect("open"), d.book.house()), (None, Some("c0")));
}

#[test]
fn two_circuits_together_are_the_mains() {
    let mut d = Day::new(house(&[2, 2]));
    for ix in 0..4 {
        d.stands(2, found(ix, Cause::HeatFailed, 1));
    }
    d.until(10);
    d.gave(&["2 merged 11 into 10", "2 raised 10 power-lost a1,a2,a3,a4"]);
    assert_eq!(house::scope_names(d.book.get("10").expect("open"), d.book.house()), (None, None));
}

#[test]
fn two_heaters_a_while_apart_are_two_faults() {
    let mut d = Day::new(house(&[12]));
    d.stands(10, found(0, Cause::HeatFailed, 2));
    d.stands(60, found(1, Cause::HeatFailed, 50));
    d.stands(60, found(2, Cause::ProbeFaulty, 2));
    d.stands(60, found(0, Cause::ProbeDisplaced, -60));
    d.until(100);
    d.gave(&[
        "10 raised 10 heat-failed a1",
        "60 raised 11 heat-failed a2",
        "63 raised 12 probe-faulty a3",
        "63 raised 13 probe-displaced a1",
    ]);
}

#[test]
fn who_is_left_behind_gets_a_thread_of_its_own() {
    let mut d = Day::new(house(&[4]));
    for ix in 0..4 {
        d.stands(2, found(ix, Cause::HeatFailed, 1));
    }
    for ix in 0..3 {
        d.calm(30 + i64::from(ix), ix, Cause::HeatFailed);
    }
    d.calm(300, 3, Cause::HeatFailed);
    d.until(600);
    d.gave(&["2 raised 10 power-lost a1,a2,a3,a4", "92 raised 11 heat-failed a4", "92 ended 10", "320 ended 11"]);
}

#[test]
fn a_cold_room_takes_each_at_its_own_time() {
    let mut d = Day::new(house(&[3, 3]));
    for (ix, min) in [(4, 0), (1, 70), (5, 200), (0, 400)] {
        d.stands(min, found(ix, Cause::RoomCold, min));
    }
    let mut f = found(4, Cause::RoomCold, 0);
    f.urgency = Urgency::Now;
    d.stands(420, f);
    d.stands(430, found(5, Cause::HeatFailed, 425));
    d.until(500);
    d.gave(&["3 raised 10 room-cold a5", "420 worse Urgency 10 room-cold a1,a2,a5,a6", "430 raised 11 heat-failed a6"]);
}

#[test]
fn a_gateway_is_one_incident() {
    let mut d = Day::new(house(&[8]));
    for ix in 0..5 {
        d.stands(10, found(ix, Cause::ProbeSilent, 2));
    }
    d.stands(40, found(6, Cause::ProbeSilent, 38));
    d.until(60);
    d.gave(&["10 raised 10 feed-silent a1,a2,a3,a4,a5", "43 raised 11 probe-silent a7"]);
}

#[test]
fn a_never_high_limit_ends_only_with_an_answer() {
    let mut d = Day::new(house(&[14]));
    d.stands(0, never_high(found(A, Cause::TooHot, 0)));
    d.calm(10, A, Cause::TooHot);
    d.until(500);
    assert_eq!(d.book.get("10").map(Incident::state), Some(State::Latched));
    d.answer(510, "10");
    d.gave(&["0 raised 10 too-hot a1", "510 answered 10 by ines", "510 ended 10"]);
}

#[test]
fn what_comes_back_joins_and_chattering_is_told_thrice_at_most() {
    let mut d = Day::new(house(&[14]));
    for n in 0..48 {
        d.stands(n * 30, found(A, Cause::TooCold, n * 30));
        d.calm(n * 30 + 5, A, Cause::TooCold);
    }
    d.until(5_000);
    // Every half hour for a day: the calm of 20 min is reached once, that of an hour never.
    d.gave(&["0 raised 10 too-cold a1", "25 ended 10", "30 worse Again 10 too-cold a1", "1475 ended 10"]);
}

#[test]
fn shelves_hold_what_is_no_danger_and_end_by_themselves() {
    let mut house = house(&[14]);
    house.enclosures[1].empty = true;
    let mut d = Day::new(house);
    assert!(d.book.shelve(EnclosureIx(0), "ines", Wall::from_ms(3_600_000), d.now));
    assert!(d.book.shelve(EnclosureIx(1), "ines", Wall::from_ms(3_600_000), d.now));
    d.stands(5, found(0, Cause::TooCold, 5));
    d.stands(6, never_high(found(0, Cause::TooHot, 6)));
    d.stands(50, never_high(found(1, Cause::TooHot, 50)));
    d.until(62);
    d.until(70);
    d.gave(&["6 raised 10 too-hot a1", "60 resumed a1", "60 resumed a2", "63 raised 11 too-hot a2"]);
    assert_eq!(d.book.get("11").map(Incident::urgency), Some(Urgency::Today), "nobody lives there");
}

#[test]
fn all_of_it_survives_a_restart_and_a_changed_house() {
    let mut d = Day::new(house(&[4]));
    for ix in 0..3 {
        d.stands(2, found(ix, Cause::HeatFailed, 1));
    }
    d.until(10);
    d.book.hands_in(EnclosureIx(3), "ines", Span::h(2), d.now);
    d.stands(11, found(3, Cause::TooCold, 11));
    let rows = d.book.rows();
    let mut lost = Vec::new();
    let mut same = Book::new(house(&[4]));
    same.restore(&rows, d.now, &mut lost);
    assert_eq!(same.all(), d.book.all());
    assert_eq!(same.standing(), d.book.standing());
    assert_eq!(same.next_wake(), d.book.next_wake());
    // a1 has gone: a2 is now the first of the configuration.
    let mut smaller = house(&[4]);
    smaller.enclosures.remove(0);
    let mut changed = Book::new(smaller);
    changed.restore(&rows, d.now, &mut lost);
    let left: Vec<&str> = changed.open().flat_map(|i| i.members()).map(|ix| changed.house().id(ix)).collect();
    assert_eq!(left, ["a2", "a3"]);
    assert!(lost.is_empty());
    let bad = Row { key: "shelf/a1".into(), json: Some("{".into()) };
    changed.restore(&[bad], d.now, &mut lost);
    assert_eq!(lost, ["shelf/a1"]);
}

#[test]
fn half_of_a_room_cold_together_is_the_room() {
    let mut d = Day::new(house(&[2, 2]));
    d.stands(10, found(0, Cause::TooCold, 5));
    d.stands(20, found(3, Cause::TooCold, 15));
    d.until(60);
    d.gave(&["10 raised 10 too-cold a1", "20 worse Named 10 room-cold a1,a4"]);
    assert_eq!(house::scope_names(d.book.get("10").expect("open"), d.book.house()), (Some("back"), None));
}

#[test]
fn of_many_that_cool_together_the_first_to_pass_a_limit_is_news() {
    let mut d = Day::new(house(&[4]));
    let never = |ix| {
        let mut f = found(ix, Cause::TooCold, 30);
        let (place, quantity) = (Place::WarmSide, crate::terms::quantity::Quantity::Temperature);
        f.facts.push(Fact::Reading { place, quantity, value: 24.0, limit: Some(25.0), never: true });
        f
    };
    for ix in 0..4 {
        d.stands(2, found(ix, Cause::HeatFailed, 1));
    }
    d.stands(30, never(1));
    d.stands(40, never(0));
    d.until(100);
    d.gave(&["2 raised 10 power-lost a1,a2,a3,a4", "30 worse Never 10 power-lost a1,a2,a3,a4"]);
}

#[test]
fn it_began_when_what_names_it_began() {
    let mut d = Day::new(house(&[14]));
    d.stands(0, found(A, Cause::HeatWeak, 0));
    d.stands(9_000, found(A, Cause::TooCold, 8_950));
    d.stands(9_010, found(A, Cause::HeatFailed, 8_990));
    let since = d.book.get("10").expect("open").since();
    assert_eq!(since, Now::at(8_950 * 60_000), "with its first symptom, not with a weakness of last week");
}

#[test]
fn what_ended_long_ago_is_filed_under_its_end_and_leaves_the_book() {
    let mut d = Day::new(house(&[2]));
    let f = found(A, Cause::TooCold, 0);
    let mut steps = Vec::new();
    d.book.change(Change::Stands(f.clone()), d.now, &mut steps);
    d.until(10);
    d.book.change(Change::Calm(f.key), d.now, &mut steps);
    d.until(60);
    let key = |rows: &[Row], json: bool| -> Vec<String> {
        rows.iter().filter(|r| r.json.is_some() == json).map(|r| r.key.clone()).collect()
    };
    let rows = d.book.rows();
    assert_eq!((key(&rows, true), key(&rows, false)), (vec!["book".to_owned(), "incident/10".into()], vec![]));
    // Nobody wakes it for that: it is done at the next wake that somebody has.
    d.now = Now::at(Span::days(9).as_ms());
    d.book.wake(d.now, &mut steps);
    let rows = d.book.rows();
    assert_eq!(key(&rows, true), ["past/1970-01-01T00:30:00.000Z/10"]);
    assert_eq!(key(&rows, false), ["incident/10"], "the old row goes");
    assert!(rows[0].json.as_deref().unwrap_or_default().contains("too-cold found in a1"), "with its history");
    let mut again = Book::new(d.book.house().clone());
    again.restore(&rows, d.now, &mut Vec::new());
    assert!(again.all().is_empty() && again.rows().is_empty());
}
