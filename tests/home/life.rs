//! What happens in a home beside the heat: doors, misting, cleaning, sun, airing, dials, the animal, the room and the weather.

use super::chance::Chance;
use super::{Case, DAY_S, Fault, STEP_S, held_out};

/// Something with a beginning and an end.
#[derive(Clone, Copy, Debug)]
pub struct Event {
    pub from_s: i64,
    pub until_s: i64,
    pub kind: Kind,
    /// W/K of an opening, W of sun and misting, K of a dial or the animal.
    pub size: f64,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    Door,
    Cleaning,
    Misting,
    Sun,
    Airing,
    Dial,
    Animal,
}

/// The habits of one home and the events that chance made of them.
#[derive(Clone, Debug)]
pub struct Life {
    pub events: Vec<Event>,
    next: usize,
    active: Vec<Event>,
    pub room: Room,
}

/// The room: its own heating cycles, set-back, and the weather through its walls.
#[derive(Clone, Debug)]
pub struct Room {
    pub air_c: f64,
    base_c: f64,
    set_back_k: f64,
    set_back_h: (f64, f64),
    cycle_k: f64,
    cycle_s: f64,
    leak: f64,
    outside_k: f64,
    season_k: f64,
    airing_k: f64,
    lag_s: f64,
    trouble_k: f64,
    rng: Chance,
}

impl Room {
    fn new(case: &Case) -> Room {
        let mut c = Chance::new(case.seed, 11);
        let wide = if held_out(case.seed) { 1.25 } else { 1.0 };
        Room {
            air_c: 20.0,
            base_c: c.within(18.0, 23.0),
            set_back_k: if c.chance(0.6) { c.within(1.0, 3.5) * wide } else { 0.0 },
            set_back_h: (c.within(21.0, 23.8), c.within(5.0, 7.5)),
            cycle_k: if c.chance(0.7) { c.within(0.1, 0.5) * wide } else { 0.0 },
            cycle_s: c.within(1_800.0, 6_000.0),
            leak: c.within(0.1, 0.35),
            outside_k: 0.0,
            season_k: c.within(-1.0, 1.0),
            airing_k: 0.0,
            lag_s: c.within(2_400.0, 7_200.0),
            trouble_k: 0.0,
            rng: c,
        }
    }

    fn step(&mut self, at_s: i64, airing: bool, sun: bool, fault: Option<Fault>) {
        let dt = STEP_S as f64;
        let hour = (at_s.rem_euclid(DAY_S)) as f64 / 3_600.0;
        if at_s.rem_euclid(300) == 0 {
            // Weather: wanders with a memory of two days, about 4 K.
            self.outside_k +=
                -self.outside_k * 300.0 / 172_800.0 + self.rng.normal() * 4.0 * (2.0f64 * 300.0 / 172_800.0).sqrt();
        }
        let night = hour > self.set_back_h.0 || hour < self.set_back_h.1;
        let daily = -2.5 * ((hour - 3.0) / 24.0 * std::f64::consts::TAU).cos();
        let phase = (at_s as f64 / self.cycle_s).fract();
        let cycle = self.cycle_k * (2.0 * (2.0 * phase - 1.0).abs() - 1.0);
        let (target_k, lag_s) = match fault {
            Some(Fault::RoomCold) => (-8.0, 9_000.0),
            Some(Fault::RoomHot) => (7.0, 5_400.0),
            Some(Fault::HeatWave) => (9.0, 40_000.0),
            _ => (0.0, 9_000.0),
        };
        self.trouble_k += (target_k - self.trouble_k) * dt / lag_s;
        self.airing_k += if airing { (-7.0 - self.airing_k) * dt / 900.0 } else { -self.airing_k * dt / 1_500.0 };
        let target = self.base_c - if night { self.set_back_k } else { 0.0 }
            + self.leak * (self.outside_k + daily)
            + self.season_k * (at_s as f64 / (120.0 * DAY_S as f64)).sin()
            + if sun { 0.8 } else { 0.0 };
        self.air_c += (target + cycle + self.trouble_k + self.airing_k - self.air_c) * dt / (self.lag_s / 6.0);
    }
}

impl Life {
    pub fn new(case: &Case, days: i64) -> Life {
        let mut c = Chance::new(case.seed, 12);
        let wide = if held_out(case.seed) { 1.4 } else { 1.0 };
        let scale = case.size.scale() * case.size.scale();
        let mut events = Vec::new();
        let mut often = |c: &mut Chance,
                         mean_days: f64,
                         hours: (f64, f64),
                         kind: Kind,
                         make: &mut dyn FnMut(&mut Chance) -> (f64, f64)| {
            let mut day = c.wait(mean_days);
            while day < days as f64 {
                let hour = c.within(hours.0, hours.1);
                let (lasts_s, size) = make(c);
                let from_s = ((day.floor() * 24.0 + hour) * 3_600.0) as i64;
                events.push(Event { from_s, until_s: from_s + (lasts_s as i64).max(STEP_S), kind, size });
                day += c.wait(mean_days);
            }
        };
        often(&mut c, 1.25 / wide, (7.0, 23.0), Kind::Door, &mut |c| {
            (c.log_within(15.0, 300.0), scale * c.log_within(5.0, 45.0))
        });
        often(&mut c, 1.6, (8.0, 21.0), Kind::Misting, &mut |c| {
            (c.within(500.0, 1_800.0), c.within(6.0, 30.0) * scale)
        });
        often(&mut c, 8.0, (9.0, 20.0), Kind::Cleaning, &mut |c| {
            (c.within(400.0, 1_800.0), scale * c.within(15.0, 45.0))
        });
        if c.chance(0.3) {
            let hour = c.within(8.0, 17.0);
            let most = c.within(10.0, 50.0) * scale;
            often(&mut c, 2.0, (hour, hour + 0.7), Kind::Sun, &mut |c| {
                (c.within(900.0, 5_400.0), most * c.within(0.4, 1.0))
            });
        }
        if c.chance(0.45) {
            let hour = c.within(6.5, 20.0);
            often(&mut c, 1.5, (hour, hour + 2.0), Kind::Airing, &mut |c| (c.within(200.0, 1_500.0), 1.0));
        }
        often(&mut c, 365.0, (8.0, 22.0), Kind::Dial, &mut |c| {
            (1e9, c.within(0.8, 3.0) * if c.chance(0.5) { 1.0 } else { -1.0 })
        });
        often(&mut c, 2.0, (0.0, 24.0), Kind::Animal, &mut |c| (c.within(600.0, 9_000.0), c.within(-0.8, 0.6)));
        if let Some((from_s, size, _)) = case.dial {
            events.push(Event { from_s, until_s: i64::MAX, kind: Kind::Dial, size });
        }
        events.sort_by_key(|e| (e.from_s, e.until_s));
        Life { events, next: 0, active: Vec::new(), room: Room::new(case) }
    }

    /// Advances to this second; the room goes along.
    pub fn step(&mut self, at_s: i64, fault: Option<Fault>) {
        while let Some(event) = self.events.get(self.next).copied().filter(|e| e.from_s <= at_s) {
            self.active.push(event);
            self.next += 1;
        }
        self.active.retain(|e| e.until_s > at_s);
        let airing = self.sum(Kind::Airing) > 0.0;
        let sun = self.sum(Kind::Sun) > 0.0;
        self.room.step(at_s, airing, sun, fault);
    }

    /// The summed size of what goes on of a kind.
    pub fn sum(&self, kind: Kind) -> f64 {
        self.active.iter().filter(|e| e.kind == kind).map(|e| e.size).sum()
    }

    /// Whether something that touches the enclosure's heat goes on now or did within this many seconds.
    pub fn disturbed(&self, at_s: i64, within_s: i64) -> bool {
        self.events
            .iter()
            .any(|e| !matches!(e.kind, Kind::Dial | Kind::Animal) && e.from_s <= at_s && e.until_s + within_s > at_s)
    }
}
