//! An invented house of one rack, its keepers, and a day that runs book and desk together.

use crate::finding::cause::{Cause, Urgency};
use crate::finding::fact::Fact;
use crate::finding::{Change, Finding, Key, Subject};
use crate::incident::Step;
use crate::incident::book::Book;
use crate::incident::house::{House, Member};
use crate::notice::NoticeRow;
use crate::notice::desk::{Desk, World};
use crate::notice::scene::{Eyes, HeatNow, Past, PlaceNow, Round, Scene, Week};
use crate::notice::settings::{Keeper, Settings};
use crate::terms::id::{CircuitIx, EnclosureIx, RoomIx};
use crate::terms::place::Place;
use crate::terms::quantity::{Degrees, Quantity};
use crate::terms::time::{Mono, Now, Span, Wall};

pub const ANIMALS: [&str; 14] = [
    "Sorrel", "Bracken", "Juno", "Fennel", "Tansy", "Marl", "Sedge", "Umber", "Clove", "Hazel", "Dune", "Pip", "Wren",
    "Rook",
];

pub fn at(text: &str) -> Wall {
    Wall::parse_rfc3339(text).expect("a time")
}

pub fn house(n: u16) -> House {
    let member = |i: u16| Member {
        id: format!("a{}", i + 1),
        room: Some(RoomIx(0)),
        circuit: Some(CircuitIx(0)),
        empty: false,
        watched: true,
    };
    House {
        enclosures: (0..n).map(member).collect(),
        rooms: vec!["back-room".into()],
        circuits: vec!["left-rack".into()],
    }
}

pub fn keeper(id: &str, name: &str, after: Option<Span>) -> Keeper {
    let mail = format!("{id}@example.org");
    Keeper { id: id.into(), name: name.into(), mail, after, phone: None, away: Vec::new() }
}

pub fn settings() -> Settings {
    Settings {
        site: "Hollow Lane".into(),
        time_zone: "Europe/Dublin".into(),
        degrees: Degrees::C,
        keepers: vec![keeper("ines", "Ines", None), keeper("tom", "Tom, neighbour", Some(Span::min(20)))],
        daily: None,
        weekly: None,
        repeat_now: Span::min(15),
        repeat_today: Span::h(6),
        pause: Span::min(60),
        at_most: 20,
        vet_phone: Some("01 555 0142".into()),
        answers_by_mail: true,
        page: Some("http://warmside.example".into()),
    }
}

/// What is seen: the same in every enclosure, but for the place that a test sets.
#[derive(Clone, Debug)]
pub struct Seen {
    pub scene: Scene,
    pub round: Round,
    pub week: Vec<Week>,
}

impl Eyes for Seen {
    fn scene(&self, enclosure: EnclosureIx) -> Scene {
        let mut scene = self.scene.clone();
        scene.id = format!("a{}", enclosure.0 + 1);
        scene.animal = ANIMALS.get(enclosure.index()).map(|s| (*s).to_owned());
        scene
    }
    /// It held 31.1 °C until 14:02 of the first day of these tests and falls since.
    fn past(&self, enclosure: EnclosureIx, place: Option<Place>) -> Option<Past> {
        let scene = self.scene(enclosure);
        let first = scene.places.iter().find(|p| Some(p.place) == place).or(scene.places.first())?;
        let last = first.at?;
        let points = |level: f64, slope: f64| {
            let at = |i: i64| last - Span::min(2 * (119 - i));
            (0..120).map(|i| (at(i), level - slope * (2 * (119 - i)).min(9) as f64)).collect::<Vec<_>>()
        };
        let (level, slope) = (first.value?, first.slope.unwrap_or(0.0));
        Some(Past {
            from: last - Span::h(4),
            lines: vec![(first.place, points(level, slope)), (Place::CoolSide, points(25.1, 0.0))],
            bands: vec![vec![(last - Span::h(4), first.wanted)], vec![(last - Span::h(4), Some((24.0, 26.0)))]],
            never: first.never,
        })
    }
    fn round(&self) -> Round {
        self.round.clone()
    }
    fn week(&self) -> Vec<Week> {
        self.week.clone()
    }
    fn room_name(&self, _: RoomIx) -> String {
        "Back room".into()
    }
    fn circuit_name(&self, _: CircuitIx) -> String {
        "Circuit 1, hall cupboard".into()
    }
}

pub fn place(place: Place, value: f64, wanted: (f64, f64), never: (f64, f64), at: Wall) -> PlaceNow {
    PlaceNow {
        place,
        quantity: Quantity::Temperature,
        value: Some(value),
        at: Some(at),
        wanted: Some(wanted),
        never: Some(never),
        slope: None,
        silent: false,
    }
}

/// Juno's enclosure, nine minutes after its heater failed.
pub fn seen() -> Seen {
    let heard = at("2026-03-03T14:11:14Z");
    let mut warm = place(Place::WarmSide, 29.7, (30.0, 32.0), (25.0, 36.0), heard);
    warm.slope = Some(-0.15);
    let hide = place(Place::Hide, 28.3, (27.0, 30.0), (20.0, 34.0), heard);
    let cool = place(Place::CoolSide, 25.1, (24.0, 26.0), (18.0, 30.0), heard);
    let humidity = PlaceNow {
        quantity: Quantity::Humidity,
        value: Some(52.0),
        wanted: Some((40.0, 60.0)),
        never: None,
        ..cool.clone()
    };
    Seen {
        scene: Scene {
            room: Some("Back room".into()),
            circuit: Some("Circuit 1, hall cupboard".into()),
            where_: vec!["left rack".into(), "shelf 2 left".into()],
            places: vec![warm, hide, cool, humidity],
            room_celsius: Some(21.0),
            heat: vec![HeatNow { id: "main".into(), power_w: Some(0.0), told_on: Some(true) }],
            neighbours: Some((13, 13)),
            what_to_do: Some("Spare emitter: drawer 2. Plug 4.".into()),
            ..Scene::default()
        },
        round: Round { total: 14, in_band: 14, readings: 338_760, ..Round::default() },
        week: Vec::new(),
    }
}

pub fn found(ix: u16, cause: Cause, since: Wall) -> Finding {
    let since = Now { mono: Mono::from_ms(since.as_ms()), wall: since };
    Finding::new(Subject::Enclosure(EnclosureIx(ix)), cause, Some(Place::WarmSide), since)
}

/// Book and desk together, woken at every instant they ask for.
pub struct Day {
    pub book: Book,
    pub desk: Desk,
    pub seen: Seen,
    pub now: Now,
    pub mails: Vec<NoticeRow>,
}

impl Day {
    pub fn new(n: u16, settings: Settings, start: &str) -> Day {
        let now = Now::at(at(start).as_ms());
        let desk = Desk::new(settings, now);
        Day { book: Book::new(house(n)), desk, seen: seen(), now, mails: Vec::new() }
    }

    fn give(&mut self, steps: &[Step]) {
        let world = World { book: &self.book, eyes: &self.seen, now: self.now };
        self.desk.steps(steps, world, &mut self.mails);
    }

    pub fn until(&mut self, end: Wall) {
        let end = Mono::from_ms(end.as_ms());
        for _ in 0..100_000 {
            let next = crate::finding::earlier(self.book.next_wake(), self.desk.next_wake(&self.book));
            let Some(next) = next.filter(|next| *next <= end) else {
                self.now = Now::at(end.as_ms());
                return;
            };
            assert!(next >= self.now.mono || next.as_ms() < end.as_ms(), "wakes go forward");
            self.now = Now::at(next.max(self.now.mono).as_ms());
            let mut steps = Vec::new();
            self.book.wake(self.now, &mut steps);
            self.give(&steps);
            let again = crate::finding::earlier(self.book.next_wake(), self.desk.next_wake(&self.book));
            assert!(again.is_none_or(|a| a > self.now.mono), "a wake leaves nothing due");
        }
        panic!("woken without end");
    }

    pub fn change(&mut self, change: Change) {
        let mut steps = Vec::new();
        self.book.change(change, self.now, &mut steps);
        self.give(&steps);
    }

    pub fn stands(&mut self, when: Wall, finding: Finding) {
        self.until(when);
        self.change(Change::Stands(finding));
    }

    pub fn calm(&mut self, when: Wall, ix: u16, cause: Cause) {
        self.until(when);
        let subject = Subject::Enclosure(EnclosureIx(ix));
        self.change(Change::Calm(Key { subject, cause, place: Some(Place::WarmSide) }));
    }

    pub fn answer(&mut self, when: Wall, id: &str, by: &str) {
        self.until(when);
        let mut steps = Vec::new();
        assert!(self.book.answer(id, by, self.now, &mut steps), "{id} is open");
        self.give(&steps);
    }

    pub fn drill(&mut self, when: Wall) -> String {
        self.until(when);
        let mut steps = Vec::new();
        let id = self.book.drill("ines", self.now, &mut steps);
        self.give(&steps);
        id
    }
}

/// The finding of a heater that failed at 14:02, as a judge would give it at 14:10.
pub fn no_heat(ix: u16) -> Finding {
    let mut f = found(ix, Cause::HeatFailed, at("2026-03-03T14:02:00Z"));
    f.urgency = Urgency::Now;
    f.act_by = Some(at("2026-03-03T14:57:00Z"));
    f.facts = vec![
        Fact::Slope { place: Place::WarmSide, k_per_min: -0.15 },
        Fact::Watts { source: "main".into(), power_w: 0.0, usual_w: Some(80.0), told_on: Some(true) },
        Fact::NeverBefore { place: Place::WarmSide, level: 30.1, days: 12.0, below: true },
        Fact::Heading { place: Place::WarmSide, level: 22.4, at: at("2026-03-03T16:00:00Z") },
    ];
    f
}
