//! Jumps: a reading far from the last trusted one is held until the next ones show what it was.

use super::Doubt;
use crate::terms::quantity::Quantity;
use crate::terms::time::{Mono, Span};
use serde::{Deserialize, Serialize};

/// A temperature step larger than this within [`STEP_WITHIN`] that then lies still is no heat, K. Ours: a probe that drops
/// from a basking spot into the water bowl falls 8 to 12 K; heat that arrives goes on arriving.
pub const LARGEST_STEP_K: f64 = 12.0;
pub const STEP_WITHIN: Span = Span::min(2);
/// While a step is doubted, what is this near to the level before counts as back, K.
const BACK_K: f64 = 4.0;
/// Held readings that agree are trusted when they span this and are two, or are three.
const AGREE_OVER: Span = Span::s(45);
const AGREE: u8 = 3;
/// A sensor that misreads several times a minute proves nothing by agreeing for a few seconds.
const AGREE_AT_LEAST: Span = Span::s(10);
/// How long after a believed ramp its steps stay believable.
const SURGE: Span = Span::min(2);
/// The widest span over which a level may drift without being a jump.
const DRIFT: Span = Span::min(20);

/// Over how long the habitual level is learned, how long it takes to be known, and how wide it is at least, K.
const HABIT_H: f64 = 36.0;
const HABIT_KNOWN: Span = Span::h(6);
const HABIT_WIDTH_K: f64 = 3.0;
/// Without a habit to hold it against, a step that lies still this long is the level.
const STEP_ACCEPTED: Span = Span::h(1);

/// How far a quantity moves between two readings without being a jump: at once, and for each minute between.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Reach {
    at_once: f64,
    per_min: f64,
}

/// Ours. Temperature: 0.6 K/min is four times the fastest fall of an enclosure that lost its heat. Humidity: a
/// mister adds 20 % in a minute, which is held for one reading. Light, power and switches jump by nature.
fn reach(quantity: Quantity) -> Option<Reach> {
    match quantity {
        Quantity::Temperature => Some(Reach { at_once: 1.2, per_min: 0.6 }),
        Quantity::Humidity => Some(Reach { at_once: 6.0, per_min: 3.0 }),
        _ => None,
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Held {
    first: Mono,
    at: Mono,
    value: f64,
    count: u8,
    /// The first step from the trusted level, and the time between.
    step: f64,
    within: Span,
    /// It went on in the same direction after the first step.
    ramp: bool,
}

/// The gate of one probe.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Gate {
    last: Option<(Mono, f64)>,
    /// Usual size of a change between two trusted readings.
    usual: f32,
    held: Option<Held>,
    /// A step that lies still is being doubted.
    stepped: bool,
    /// Mean and mean deviation of the trusted level, and since when.
    habit: [f32; 2],
    habit_since: Option<Mono>,
    /// It lies elsewhere: what it reads there is no habit.
    habit_rests: bool,
    /// After a believed ramp steps of its size are no surprise until then.
    surge: Option<(Mono, f64)>,
}

/// What the gate says of a reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Passage {
    Through,
    /// A new level is believed: what it moved from.
    NewLevel {
        from: f64,
    },
    Held,
    Doubted(Doubt),
}

impl Gate {
    /// Whether a value lies within reach of the last trusted one: if not, it pays to look for witnesses.
    pub fn within_reach(&self, quantity: Quantity, value: f64, at: Mono) -> bool {
        let (Some(reach), Some((then, last))) = (reach(quantity), self.last) else { return true };
        if self.stepped {
            return (value - last).abs() <= BACK_K;
        }
        let surge = self.surge.filter(|(until, _)| at <= *until).map_or(0.0, |(_, size)| size);
        (value - last).abs() <= self.allowed(reach, at.since(then)) + surge
    }

    fn allowed(&self, reach: Reach, dt: Span) -> f64 {
        let dt = dt.min(DRIFT).max(Span::ZERO).as_min();
        reach.at_once.max(8.0 * f64::from(self.usual)) + reach.per_min * dt
    }

    pub fn last(&self) -> Option<(Mono, f64)> {
        self.last
    }

    /// So much time has passed that the clock of these calls did not count: the machine slept, and the world went on.
    pub fn slept(&mut self, by: Span) {
        self.last = self.last.map(|(then, value)| (then - by.min(DRIFT), value));
    }

    /// How far the reading that is being held is from the trusted level; `None`: nothing was held in the last two minutes.
    pub fn held_step(&self, now: Mono) -> Option<f64> {
        let held = self.held.filter(|held| now.since(held.at) <= STEP_WITHIN)?;
        self.last.map(|(_, last)| held.value - last)
    }

    /// Trusts a value whatever the gate thinks: others confirm it, or the level was set anew.
    pub fn settle(&mut self, value: f64, at: Mono) {
        if let Some((_, last)) = self.last {
            // Clipped, so that one real jump does not open the gate for glitches.
            let moved = ((value - last).abs() as f32).min(4.0 * self.usual + 0.05);
            self.usual += (moved - self.usual) / 64.0;
        }
        self.learn_habit(value, at);
        self.last = Some((at, value));
        self.held = None;
        self.stepped = false;
    }

    fn learn_habit(&mut self, value: f64, at: Mono) {
        if self.habit_rests {
            return;
        }
        let [mean, spread] = self.habit;
        let (Some(since), Some((then, _))) = (self.habit_since, self.last) else {
            (self.habit, self.habit_since) = ([value as f32, 1.0], Some(at));
            return;
        };
        let dt = at.since(then).as_h().clamp(0.0, 1.0);
        let known = at.since(since).as_h().clamp(0.1, HABIT_H);
        let weight = (dt / (dt + known)) as f32;
        let off = value as f32 - mean;
        self.habit = [mean + weight * off, spread + weight * (off.abs() - spread)];
    }

    /// Whether a level is usual for this probe; `None`: not known yet.
    fn is_habitual(&self, value: f64, at: Mono) -> Option<bool> {
        self.habit_since.filter(|since| at.since(*since) >= HABIT_KNOWN)?;
        let [mean, spread] = self.habit.map(f64::from);
        Some((value - mean).abs() <= HABIT_WIDTH_K.max(3.0 * spread))
    }

    /// Whether a level is known not to be usual, by this much of a habit.
    pub fn is_strange(&self, value: f64, at: Mono, known: Span) -> bool {
        self.habit_since.is_some_and(|since| at.since(since) >= known) && self.is_habitual(value, at) == Some(false)
    }

    /// Stops learning what is usual, or goes on with it.
    pub fn rest_habit(&mut self, rest: bool) {
        self.habit_rests = rest;
    }

    /// Whether a held level will have been there often enough with the next reading to be compared with what was before.
    pub fn is_steady(&self) -> bool {
        self.held.is_some_and(|held| held.count >= AGREE - 1 && !held.ramp)
    }

    /// Judges a value that is possible and no sentinel. `doubtful`: it may be something else than heat, so that two readings do not
    /// agree yet, however far apart.
    pub fn judge(&mut self, quantity: Quantity, value: f64, at: Mono, doubtful: bool) -> Passage {
        let (Some(reach), Some((then, last))) = (reach(quantity), self.last) else {
            self.settle(value, at);
            return Passage::Through;
        };
        if self.within_reach(quantity, value, at) {
            self.settle(value, at);
            return Passage::Through;
        }
        let step = value - last;
        let held = match self.held {
            Some(held) => self.follow(held, reach, value, at, step),
            None => fresh(value, at, step, at.since(then)),
        };
        self.held = Some(held);
        let span = at.since(held.first);
        let agreed = (held.count >= 2 && !held.ramp && !doubtful && span >= AGREE_OVER)
            || (held.count >= AGREE && span >= AGREE_AT_LEAST);
        if !agreed {
            return if self.stepped { Passage::Doubted(Doubt::Step) } else { Passage::Held };
        }
        let large = quantity == Quantity::Temperature && held.step.abs() > LARGEST_STEP_K && held.within <= STEP_WITHIN;
        // Back to where it always was is no fault but the end of one.
        let strange = match self.is_habitual(value, at) {
            Some(habitual) => !habitual,
            None => span < STEP_ACCEPTED,
        };
        if large && strange && !held.ramp {
            self.stepped = true;
            return Passage::Doubted(Doubt::Step);
        }
        self.settle(value, at);
        self.surge = held.ramp.then(|| (at + SURGE, held.step.abs()));
        Passage::NewLevel { from: last }
    }

    /// The next reading after held ones: the same level, further on the same way, or something else again.
    fn follow(&self, held: Held, reach: Reach, value: f64, at: Mono, step: f64) -> Held {
        let on = value - held.value;
        let allowed = self.allowed(reach, at.since(held.at));
        let same_side = step * held.step > 0.0;
        let level = on.abs() <= allowed && same_side;
        // Steam at a probe: 8 K, then 5, 4, 4, 4 within five seconds each. Each further step is no larger than the first.
        let further = same_side && on * held.step > 0.0 && on.abs() <= held.step.abs();
        if !(level || further) {
            return fresh(value, at, step, at.since(self.last.map_or(at, |l| l.0)));
        }
        let ramp = held.ramp || (further && on.abs() > 0.15 * held.step.abs());
        Held { at, value, count: held.count.saturating_add(1), ramp, ..held }
    }
}

fn fresh(value: f64, at: Mono, step: f64, within: Span) -> Held {
    Held { first: at, at, value, count: 1, step, within, ramp: false }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Feeds readings `every` seconds; T through, N new level, h held, d doubted.
    fn run(every: i64, values: &[f64]) -> String {
        let mut gate = Gate::default();
        let feed = |(i, v): (usize, &f64)| match gate.judge(
            Quantity::Temperature,
            *v,
            Mono::from_ms(i as i64 * every * 1_000),
            false,
        ) {
            Passage::Through => 'T',
            Passage::NewLevel { .. } => 'N',
            Passage::Held => 'h',
            Passage::Doubted(_) => 'd',
        };
        values.iter().enumerate().map(feed).collect()
    }

    #[test]
    fn a_glitch_is_held_and_forgotten() {
        assert_eq!(run(5, &[18.9, 18.9, 6.1, 18.9, 19.0]), "TThTT");
        assert_eq!(run(5, &[19.1, 15.9, 15.9, 19.1, 12.7, 19.1]), "ThhThT", "two of them in a row");
        assert_eq!(run(60, &[30.0, 80.0, 12.0, 55.0, 30.0]), "ThhhT", "wild samples do not confirm one another");
    }

    #[test]
    fn steam_is_believed_because_it_goes_on() {
        // The recorded rise of the open set lwsndr (S. Suthaharan et al.), a reading every 5 s.
        assert_eq!(run(5, &[28.4, 36.39, 41.45, 45.53, 49.9, 54.08, 56.56, 51.55, 47.09]), "ThhNTTTTT");
    }

    #[test]
    fn a_probe_in_the_water_bowl_is_a_new_level() {
        assert_eq!(run(60, &[32.0, 32.1, 23.5, 23.4, 23.4]), "TThNT");
    }

    #[test]
    fn a_step_that_lies_still_is_doubted_until_it_is_gone() {
        let mut values = vec![30.0, 30.1];
        values.extend([52.0; 40]);
        values.extend([29.5, 29.6]);
        let said = run(60, &values);
        assert_eq!(said, format!("TTh{}TT", "d".repeat(39)));
    }

    #[test]
    fn a_held_level_stays_steady_however_many_readings_confirm_it() {
        let mut gate = Gate::default();
        gate.settle(30.0, Mono::default());
        // One every five seconds, for the hour after which a step is believed.
        for reading in 1..700 {
            gate.judge(Quantity::Temperature, 55.0, Mono::from_ms(reading * 5_000), true);
            assert_eq!(gate.is_steady(), reading >= i64::from(AGREE) - 1, "reading {reading}");
        }
    }

    #[test]
    fn the_way_back_from_a_fault_is_no_fault() {
        // Two days at 25, a drift to 60 within three hours, and back at once.
        let mut gate = Gate::default();
        let mut said = String::new();
        for minute in 0..3_100_i64 {
            let level =
                if (2_880..3_060).contains(&minute) { 25.0 + (minute - 2_880) as f64 * 35.0 / 180.0 } else { 25.0 };
            match gate.judge(Quantity::Temperature, level, Mono::from_ms(minute * 60_000), false) {
                Passage::Through => {}
                other => said.push_str(&format!("{minute} {other:?}; ")),
            }
        }
        assert_eq!(said, "3060 Held; 3061 NewLevel { from: 59.80555555555556 }; ");
    }

    #[test]
    fn a_lamp_over_a_basking_spot_needs_no_witness() {
        assert_eq!(run(60, &[24.0, 25.5, 27.2, 28.8, 30.0, 31.0]), "TTTTTT");
        assert_eq!(run(10, &[24.0, 25.0, 26.0, 27.0, 28.0]), "TTTTT");
        // Faster than the gate, then slowing: believed after the third reading.
        assert_eq!(run(30, &[24.0, 29.0, 33.0, 36.0, 38.0]), "ThhNT");
    }

    #[test]
    fn a_sparse_probe_moves_far_between_readings() {
        assert_eq!(run(600, &[22.0, 27.0, 31.0, 25.0, 24.0]), "TTTTT");
    }
}
