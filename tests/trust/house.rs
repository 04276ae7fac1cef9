//! The house of these stories: one enclosure, its probes and its room, in simulated time.

use warmside::reading::probes::Known;
use warmside::reading::{Reading, Slot, Target};
use warmside::terms::id::{EnclosureIx, LinkIx, ProbeIx, RoomIx};
use warmside::terms::place::Place;
use warmside::terms::quantity::{Quantity, Unit};
use warmside::terms::time::{Now, Span};
use warmside::trust::watch::Watch;
use warmside::trust::{Event, Fault, Kind, Verdict};

pub const WARM: u32 = 0;
pub const COOL: u32 = 1;
pub const BATTERY: u32 = 2;
/// Of [`House::with_room`].
pub const ROOM: u32 = 3;
pub const HEAT: u32 = 4;

/// One enclosure with a warm and a cool probe and a battery, all on their own topics, in simulated time.
pub struct House {
    pub watch: Watch,
    pub known: Vec<Known>,
    pub events: Vec<(i64, Event)>,
    pub now: Now,
}

pub fn known(slot: Slot, topic: &str, unit: Unit) -> Known {
    let target = Target::Enclosure(EnclosureIx(0));
    Known {
        target,
        slot,
        link: LinkIx(0),
        topic: Some(topic.into()),
        every: None,
        unit,
        offset_k: 0.0,
        heard: 0,
        last: None,
    }
}

impl House {
    pub fn new() -> House {
        let at = |place| Slot::At(place, Quantity::Temperature);
        let known = vec![
            known(at(Place::WarmSide), "a1/warm", Unit::Celsius),
            Known { link: LinkIx(1), ..known(at(Place::CoolSide), "a1/cool", Unit::Celsius) },
            known(Slot::Battery, "a1/battery", Unit::Volt),
        ];
        House::of(known)
    }

    pub fn of(known: Vec<Known>) -> House {
        let mut watch = Watch::new(vec![Some(RoomIx(0))]);
        let now = Now::at(1_767_600_000_000);
        watch.fit(&known, now);
        House { watch, known, events: Vec::new(), now }
    }

    /// The same in a room with its own probe, and with a plug that tells the heat's watts.
    pub fn with_room() -> House {
        let mut house = House::new();
        let room = known(Slot::At(Place::Air, Quantity::Temperature), "room/air", Unit::Celsius);
        house.known.push(Known { target: Target::Room(RoomIx(0)), ..room });
        house.known.push(known(Slot::Heat(0, Quantity::Power), "a1/plug", Unit::Watt));
        house.watch.fit(&house.known, house.now);
        house
    }

    pub fn minute(&self) -> i64 {
        self.now.mono.since(Now::at(1_767_600_000_000).mono).as_ms() / 60_000
    }

    /// Lets time pass, with every timer at its own moment.
    pub fn until(&mut self, then: Now) {
        while let Some(due) = self.watch.next_wake().filter(|due| *due <= then.mono) {
            self.now = Now::at(due.as_ms().max(self.now.mono.as_ms()));
            let mut out = Vec::new();
            self.watch.wake(self.now, &mut out);
            self.note(out);
        }
        self.now = then;
    }

    pub fn wait(&mut self, span: Span) {
        self.until(self.now + span);
    }

    pub fn note(&mut self, out: Vec<Event>) {
        let minute = self.minute();
        self.events.extend(out.into_iter().map(|event| (minute, event)));
    }

    pub fn reading(&self, probe: u32, value: f64) -> Reading {
        let known = &self.known[probe as usize];
        let (target, slot) = (known.target, known.slot);
        Reading { probe: ProbeIx(probe), target, slot, at: self.now, measured: None, value, retained: false }
    }

    pub fn hear(&mut self, reading: Reading) -> Verdict {
        let mut out = Vec::new();
        let verdict = self.watch.hear(&reading, &mut out);
        self.note(out);
        verdict
    }

    pub fn say(&mut self, probe: u32, value: f64) -> Verdict {
        self.hear(self.reading(probe, value))
    }

    /// Both probes, a reading each `every` seconds, for so many minutes; `warm` and `cool` by the minute since the start.
    pub fn run(
        &mut self,
        minutes: i64,
        every: i64,
        warm: impl Fn(f64) -> f64,
        cool: impl Fn(f64) -> f64,
    ) -> Vec<Verdict> {
        let verdicts = (0..minutes * 60 / every).map(|_| {
            self.wait(Span::s(every));
            let m = self.now.mono.since(Now::at(1_767_600_000_000).mono).as_min();
            self.say(COOL, round(cool(m)));
            self.say(WARM, round(warm(m)))
        });
        verdicts.collect()
    }

    /// (minute, fault) of what began to stand, `None` for what was over.
    pub fn told(&self) -> Vec<(i64, Kind, Option<Fault>)> {
        self.events.iter().map(|(minute, e)| (*minute, e.kind, e.fault)).collect()
    }

    pub fn kinds(&self) -> Vec<Kind> {
        self.events.iter().filter(|(_, e)| e.fault.is_some()).map(|(_, e)| e.kind).collect()
    }
}

/// A thermostat's swing of 1.5 K in 25 minutes about 31 °C, in tenths.
pub fn warm(minute: f64) -> f64 {
    31.0 + 0.75 * triangle(minute)
}

pub fn cool(minute: f64) -> f64 {
    25.0 + 0.25 * triangle(minute - 3.0)
}

pub fn triangle(minute: f64) -> f64 {
    let x = minute.rem_euclid(25.0) / 25.0;
    if x < 0.5 { 4.0 * x - 1.0 } else { 3.0 - 4.0 * x }
}

pub fn round(celsius: f64) -> f64 {
    (celsius * 10.0).round() / 10.0
}

pub fn all_trusted(verdicts: &[Verdict]) -> bool {
    verdicts.iter().all(|v| *v == Verdict::Trusted)
}
