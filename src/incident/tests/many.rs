//! Many enclosures, many causes, any order: nothing that stands is ever lost, doubled or kept from people.

use crate::finding::cause::{Cause, Urgency};
use crate::finding::{Change, Finding, Key, Subject};
use crate::incident::book::Book;
use crate::incident::house::{House, Member};
use crate::incident::{Row, Step};
use crate::terms::id::{CircuitIx, EnclosureIx, RoomIx};
use crate::terms::place::Place;
use crate::terms::time::{Mono, Now, Span};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use std::collections::{BTreeMap, BTreeSet};

#[derive(Clone, Debug)]
enum Input {
    /// Whose (6: the room, 7: a circuit, 8: the site), cause, whether `now`, latched, minutes since it began.
    Stands(u16, Cause, bool, bool, i64),
    Calm(usize),
    Answer(usize),
    Shelve(u16, i64),
    Unshelve(u16),
    Pass(i64),
}

fn input() -> impl Strategy<Value = Input> {
    let causes = prop::sample::select(vec![
        Cause::HeatFailed,
        Cause::HeatFailed,
        Cause::PowerLost,
        Cause::TooCold,
        Cause::RoomCold,
        Cause::TooHot,
        Cause::OutsideHeat,
        Cause::ProbeSilent,
        Cause::FeedSilent,
        Cause::LightMissing,
        Cause::HumidityLow,
        Cause::HeatWeak,
    ]);
    prop_oneof![
        5 => (0u16..9, causes, any::<bool>(), prop::bool::weighted(0.1), 0i64..40)
            .prop_map(|(w, c, n, l, m)| Input::Stands(w, c, n, l, m)),
        3 => any::<usize>().prop_map(Input::Calm),
        1 => any::<usize>().prop_map(Input::Answer),
        1 => (0u16..6, 1i64..90).prop_map(|(ix, m)| Input::Shelve(ix, m)),
        1 => (0u16..6).prop_map(Input::Unshelve),
        4 => prop_oneof![1i64..4, 10i64..30, 60i64..400].prop_map(Input::Pass),
    ]
}

fn house() -> House {
    let member = |i: u16| Member {
        id: format!("a{}", i + 1),
        room: Some(RoomIx(0)),
        circuit: Some(CircuitIx(i / 3)),
        empty: i == 5,
        watched: true,
    };
    House {
        enclosures: (0..6).map(member).collect(),
        rooms: vec!["r".into()],
        circuits: vec!["c1".into(), "c2".into()],
    }
}

struct Run {
    book: Book,
    now: Now,
    /// What stands, by the judges' account, and since when it is `now`.
    stands: BTreeMap<Key, Option<Mono>>,
    raised: BTreeSet<String>,
    rows: BTreeMap<String, Row>,
    /// When each enclosure was last seen shelved.
    shelved: BTreeMap<EnclosureIx, Mono>,
}

impl Run {
    fn steps(&mut self, steps: Vec<Step>) {
        for step in steps {
            match step {
                Step::Raised { incident } => assert!(self.raised.insert(incident), "raised once only"),
                Step::Worse { incident, .. } | Step::Ended { incident } | Step::Answered { incident, .. } => {
                    assert!(self.raised.contains(&incident), "{incident} is told before anything else is said of it");
                }
                Step::Merged { into, .. } => assert!(self.book.get(&into).is_some()),
                _ => {}
            }
        }
    }

    fn wake_until(&mut self, end: Mono) {
        while let Some(at) = self.book.next_wake().filter(|at| *at <= end) {
            let until = at;
            self.shelved.extend(self.book.shelves().map(|(ix, _)| (ix, until)));
            self.now = Now::at(at.max(self.now.mono).as_ms());
            let mut steps = Vec::new();
            self.book.wake(self.now, &mut steps);
            assert!(self.book.next_wake().is_none_or(|next| next > self.now.mono), "woken twice for one thing");
            self.steps(steps);
            self.check();
        }
        self.now = Now::at(end.as_ms());
    }

    fn input(&mut self, input: &Input) {
        let (now, mut steps) = (self.now, Vec::new());
        match input {
            Input::Stands(whose, cause, is_now, latched, since_min) => {
                let subject = match whose {
                    6 => Subject::Room(RoomIx(0)),
                    7 => Subject::Circuit(CircuitIx(0)),
                    8 => Subject::Site,
                    ix => Subject::Enclosure(EnclosureIx(*ix)),
                };
                let mut f = Finding::new(subject, *cause, Some(Place::WarmSide), now);
                f.since = Now::at(now.mono.as_ms() - since_min * 60_000);
                f.urgency = if *is_now || *latched { Urgency::Now } else { Urgency::Today };
                f.latched = *latched;
                let is_now = f.urgency == Urgency::Now && *whose != 5;
                let since = self.stands.get(&f.key).copied().flatten().unwrap_or(now.mono);
                self.stands.insert(f.key, is_now.then_some(since));
                self.book.change(Change::Stands(f), now, &mut steps);
            }
            Input::Calm(n) => {
                let key = self.stands.keys().nth(n % self.stands.len().max(1)).copied();
                if let Some(key) = key {
                    self.stands.remove(&key);
                    self.book.change(Change::Calm(key), now, &mut steps);
                }
            }
            Input::Answer(n) => {
                let ids: Vec<String> = self.book.open().map(|i| i.id.clone()).collect();
                if let Some(id) = ids.get(n % ids.len().max(1)) {
                    assert!(self.book.answer(id, "ines", now, &mut steps));
                }
            }
            Input::Shelve(ix, min) => {
                assert!(self.book.hands_in(EnclosureIx(*ix), "ines", Span::min(*min), now));
            }
            Input::Unshelve(ix) => {
                self.book.unshelve(EnclosureIx(*ix), "ines", now, &mut steps);
            }
            Input::Pass(min) => self.wake_until(now.mono + Span::min(*min)),
        }
        self.steps(steps);
        self.check();
    }

    fn check(&mut self) {
        let mut where_: BTreeMap<Key, u32> = BTreeMap::new();
        for key in self.book.standing() {
            *where_.entry(key).or_default() += 1;
        }
        let known: Vec<&Key> = where_.keys().collect();
        assert_eq!(known, self.stands.keys().collect::<Vec<_>>(), "what stands is in the book");
        assert!(where_.values().all(|n| *n == 1), "and once only: {where_:?}");
        let now = self.now.mono;
        self.shelved.extend(self.book.shelves().map(|(ix, _)| (ix, now)));
        for (key, since) in &self.stands {
            let incident = self.book.open().find(|i| i.standing().any(|f| f.key == *key));
            let Some((incident, since)) = incident.zip(*since) else { continue };
            let free = match key.subject {
                Subject::Enclosure(ix) => self.shelved.get(&ix).copied().unwrap_or(Mono::MIN),
                _ => Mono::MIN,
            };
            if self.now.mono.since(since.max(free)) > Span::s(45) {
                let told = incident.told.as_ref().expect("told after 45 s");
                assert_eq!(told.urgency, Urgency::Now, "{key:?}");
            }
        }
        for incident in self.book.open() {
            assert!(incident.cause().is_some() && incident.merged_into.is_none());
            assert!(incident.standing().next().is_some() == incident.calm.is_none());
            let listed = incident.enclosures(self.book.house());
            let unique: BTreeSet<_> = listed.iter().collect();
            assert_eq!(unique.len(), listed.len());
        }
        for row in self.book.rows() {
            self.rows.insert(row.key.clone(), row);
        }
        let rows: Vec<Row> = self.rows.values().cloned().collect();
        let (mut again, mut lost) = (Book::new(house()), Vec::new());
        again.restore(&rows, self.now, &mut lost);
        assert!(lost.is_empty());
        assert_eq!(again.open().collect::<Vec<_>>(), self.book.open().collect::<Vec<_>>());
        assert_eq!(again.standing(), self.book.standing());
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, rng_seed: RngSeed::Fixed(20_260_105), ..ProptestConfig::default() })]

    #[test]
    fn nothing_that_stands_is_lost_doubled_or_kept_back(inputs in prop::collection::vec(input(), 1..60)) {
        let start = Now::at(1_700_000_000_000);
        let mut run = Run {
            book: Book::new(house()),
            now: start,
            stands: BTreeMap::new(),
            raised: BTreeSet::new(),
            rows: BTreeMap::new(),
            shelved: BTreeMap::new(),
        };
        for input in &inputs {
            run.input(input);
        }
    }
}
