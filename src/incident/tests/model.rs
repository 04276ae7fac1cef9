//! A second, smaller account of one enclosure's incident, against which all short sequences of events are checked.
//!
//! It is written the other way round on purpose: no wakes, it looks at everything every 15 seconds.

use crate::finding::cause::{Cause, Urgency};
use crate::finding::{Change, Finding, Subject};
use crate::incident::book::Book;
use crate::incident::house::{House, Member};
use crate::incident::{State, Step, Worse};
use crate::terms::id::EnclosureIx;
use crate::terms::place::Place;
use crate::terms::time::{Mono, Now, Span, Wall};

const IX: EnclosureIx = EnclosureIx(0);
const TICK: i64 = 15;

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Level {
    Today,
    Now,
    Never,
}

#[derive(Clone, Copy, Debug)]
enum Input {
    Stands(Level),
    Calm,
    Answer,
    /// For half an hour.
    Shelve,
    Unshelve,
    /// Time goes by, s.
    Pass(i64),
}

const INPUTS: [Input; 9] = [
    Input::Stands(Level::Today),
    Input::Stands(Level::Now),
    Input::Stands(Level::Never),
    Input::Calm,
    Input::Answer,
    Input::Shelve,
    Input::Unshelve,
    Input::Pass(4 * 60),
    Input::Pass(25 * 60),
];

/// What both accounts must agree on: what was said when, in s.
type Said = Vec<(i64, &'static str)>;

#[derive(Clone, Copy, Debug, Default)]
struct Open {
    level: Option<Level>,
    due: Option<i64>,
    told: Option<Level>,
    never_told: bool,
    latched: bool,
    answered: bool,
    calm: Option<i64>,
    again: u32,
}

#[derive(Clone, Debug, Default)]
struct Model {
    t: i64,
    open: Option<Open>,
    /// The last one that people know of, ended.
    ended: Option<Open>,
    shelf: Option<i64>,
    held: Option<Level>,
    said: Said,
}

impl Model {
    fn input(&mut self, input: Input) {
        match input {
            Input::Stands(level) => self.stands(level),
            Input::Calm => self.calm(),
            Input::Answer => self.answer(),
            Input::Shelve => self.shelf = Some(self.t + 1_800),
            Input::Unshelve => {
                self.shelf = None;
                if let Some(level) = self.held.take() {
                    self.stands(level);
                }
            }
            Input::Pass(s) => (0..s / TICK).for_each(|_| self.tick()),
        }
    }

    fn stands(&mut self, level: Level) {
        let Some(mut i) = self.open else {
            self.held = None;
            if self.shelf.is_some() && level != Level::Never {
                self.held = Some(level);
                return;
            }
            // All sequences are shorter than a day: whatever ended comes back.
            let known = self.ended.take();
            let mut i = known.unwrap_or_default();
            (i.latched, i.answered, i.calm) = (level == Level::Never, false, None);
            i.due = Some(self.t + if level == Level::Today { 180 } else { 45 });
            i.level = Some(level);
            self.open = Some(i);
            return;
        };
        let was_calm = i.level.is_none();
        i.level = Some(level);
        i.calm = None;
        i.latched |= level == Level::Never;
        let known = i.told;
        match (i.due, known) {
            (None, Some(told)) => {
                if was_calm && level == Level::Never && i.answered {
                    i.never_told = false;
                }
                let why = if told == Level::Today && level > Level::Today {
                    Some("urgency")
                } else if level == Level::Never && !i.never_told {
                    Some("never")
                } else {
                    None
                };
                if let Some(why) = why {
                    i.told = Some(Level::Now);
                    i.never_told |= level == Level::Never;
                    i.answered = false;
                    self.said.push((self.t, why));
                }
            }
            (due, _) => {
                let wanted = self.t + if level == Level::Today { 180 } else { 45 };
                i.due = Some(due.map_or(wanted, |d| d.min(wanted)));
            }
        }
        self.open = Some(i);
    }

    fn calm(&mut self) {
        self.held = None;
        let Some(mut i) = self.open else { return };
        i.level = None;
        i.calm = i.calm.or(Some(self.t));
        self.open = Some(i);
        if i.due.is_some() && !i.latched {
            // Nobody is told; if people know an earlier part of it, that part stays ended.
            self.open = None;
            i.due = None;
            self.ended = i.told.map(|_| i);
        }
    }

    fn answer(&mut self) {
        let Some(i) = &mut self.open else { return };
        i.answered = true;
        if i.told.is_some() {
            self.said.push((self.t, "answered"));
        }
        self.end();
    }

    fn end(&mut self) {
        let Some(i) = self.open else { return };
        let dwell = [20 * 60, 60 * 60, 360 * 60][i.again.min(2) as usize];
        let long_enough = i.calm.is_some_and(|c| self.t - c >= dwell);
        if i.due.is_none() && long_enough && (!i.latched || i.answered) {
            self.open = None;
            self.ended = Some(i);
            self.said.push((self.t, "ended"));
        }
    }

    fn tick(&mut self) {
        self.t += TICK;
        if self.shelf.is_some_and(|until| until <= self.t) {
            self.shelf = None;
            self.said.push((self.t, "resumed"));
            if let Some(level) = self.held.take() {
                self.stands(level);
            }
        }
        if let Some(i) = self.open.as_mut().filter(|i| i.due.is_some_and(|d| d <= self.t)) {
            i.due = None;
            let known = i.told.is_some();
            if known {
                i.again += 1;
            }
            let level = if i.latched || i.level != Some(Level::Today) { Level::Now } else { Level::Today };
            i.told = Some(i.told.map_or(level, |told| told.max(level)));
            i.never_told |= i.level == Some(Level::Never);
            self.said.push((self.t, if known { "again" } else { "raised" }));
        }
        self.end();
    }

    fn state(&self) -> Option<State> {
        let i = self.open?;
        Some(match (i.due.is_some(), i.calm.is_some(), i.answered) {
            (true, ..) => State::Gathering,
            (_, false, false) => State::Unacknowledged,
            (_, false, true) => State::Acknowledged,
            (_, true, true) => State::ReturnedAcknowledged,
            (_, true, false) if i.latched => State::Latched,
            (_, true, false) => State::ReturnedUnacknowledged,
        })
    }
}

/// The book under the same inputs.
#[derive(Clone)]
struct Real {
    book: Book,
    t: i64,
    said: Said,
}

impl Real {
    fn new() -> Real {
        let one = Member { id: "a1".into(), room: None, circuit: None, empty: false, watched: true };
        let house = House { enclosures: vec![one], ..House::default() };
        Real { book: Book::new(house), t: 0, said: Vec::new() }
    }
    fn now(&self) -> Now {
        Now::at(self.t * 1_000)
    }
    fn say(&mut self, steps: Vec<Step>) {
        for step in steps {
            let word = match step {
                Step::Raised { .. } => "raised",
                Step::Worse { why: Worse::Urgency, .. } => "urgency",
                Step::Worse { why: Worse::Never, .. } => "never",
                Step::Worse { why: Worse::Again, .. } => "again",
                Step::Worse { .. } => "spread",
                Step::Answered { .. } => "answered",
                Step::Ended { .. } => "ended",
                Step::Resumed { .. } => "resumed",
                _ => "other",
            };
            self.said.push((self.t, word));
        }
    }
    fn input(&mut self, input: Input) {
        let (now, mut steps) = (self.now(), Vec::new());
        match input {
            Input::Stands(level) => {
                let mut f = Finding::new(Subject::Enclosure(IX), Cause::TooHot, Some(Place::WarmSide), now);
                f.urgency = if level == Level::Today { Urgency::Today } else { Urgency::Now };
                f.latched = level == Level::Never;
                self.book.change(Change::Stands(f), now, &mut steps);
            }
            Input::Calm => {
                let f = Finding::new(Subject::Enclosure(IX), Cause::TooHot, Some(Place::WarmSide), now);
                self.book.change(Change::Calm(f.key), now, &mut steps);
            }
            Input::Answer => {
                self.book.answer_enclosure(IX, "ines", now, &mut steps);
            }
            Input::Shelve => {
                assert!(self.book.shelve(IX, "ines", Wall::from_ms(now.wall.as_ms() + 1_800_000), now));
            }
            Input::Unshelve => {
                self.book.unshelve(IX, "ines", now, &mut steps);
            }
            Input::Pass(s) => return self.pass(self.t + s),
        }
        self.say(steps);
    }
    fn pass(&mut self, end: i64) {
        while let Some(at) = self.book.next_wake().filter(|at| *at <= Mono::from_ms(end * 1_000)) {
            self.t = self.t.max(at.as_ms() / 1_000);
            let mut steps = Vec::new();
            self.book.wake(self.now(), &mut steps);
            assert!(self.book.next_wake().is_none_or(|next| next > self.now().mono), "woken twice for one thing");
            self.say(steps);
        }
        self.t = end;
    }
}

fn explore(model: &Model, real: &Real, path: &mut Vec<Input>, left: u32, seen: &mut u64) {
    for input in INPUTS {
        let (mut model, mut real) = (model.clone(), real.clone());
        path.push(input);
        model.input(input);
        real.input(input);
        *seen += 1;
        assert_eq!(real.said, model.said, "said after {path:?}");
        let open: Vec<_> = real.book.open().map(crate::incident::Incident::state).collect();
        assert_eq!(open, model.state().into_iter().collect::<Vec<_>>(), "state after {path:?}");
        if left > 1 {
            explore(&model, &real, path, left - 1, seen);
        }
        path.pop();
    }
}

#[test]
fn all_sequences_up_to_six_events_agree() {
    let mut seen = 0;
    explore(&Model::default(), &Real::new(), &mut Vec::new(), 6, &mut seen);
    assert_eq!(seen, 9 + 81 + 729 + 6_561 + 59_049 + 531_441);
}

#[test]
fn a_shelf_ends_however_it_was_set() {
    let mut real = Real::new();
    assert!(!real.book.shelve(IX, "ines", Wall::from_ms(0), real.now()), "until now is no time");
    assert!(real.book.shelve(IX, "ines", Wall::MAX, real.now()));
    assert_eq!(real.book.next_wake(), Some(Mono::from_ms(Span::days(60).as_ms())));
    assert!(real.book.hands_in(IX, "ines", Span::MAX, real.now()));
    assert_eq!(real.book.next_wake(), Some(Mono::from_ms(Span::h(12).as_ms())));
    assert!(!real.book.hands_in(EnclosureIx(7), "ines", Span::h(1), real.now()), "no such enclosure");
}
