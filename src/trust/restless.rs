//! A probe whose own noise never lets it stand still: how long it repeats itself in health, reading by reading.
//!
//! Where readings go up and down by noise alone, a run of equal ones has a length that can be counted on, whatever moves or
//! rests around the probe. Independent noise turns at two of three readings (Bienaymé's turning points), a random walk at one
//! of two, a course that is truly followed hardly ever: only the first kind is judged here.

use serde::{Deserialize, Serialize};

/// Share of changes that go back on the one before: from here on it is noise.
const TURNS: f32 = 0.5;
/// More repeats than this share and it is the steps that show a thermostat's cycle, whose levels go back and forth as well.
const MOST_REPEATS: f32 = 0.7;
/// Share of changes that go further than one step. Noise that is small beside the step shows only while the level lies between
/// two steps, and is still for hours where it does not.
const WIDE: f32 = 0.01;
/// Changes, and readings, that must have been seen.
const KNOWN_AFTER: f32 = 300.0;
/// `−ln P` of a run in health: one in 10¹³ of them, for a day has thousands and readings lean on one another.
const SURPRISE: f32 = 30.0;
/// And so many times the longest run there was.
const TIMES: f32 = 3.0;
/// What was seen is halved beyond so many readings: some days.
const FADES_AT: f32 = 20_000.0;
/// What is left of the longest run after each epoch of `run.rs`: a gateway that hung once for a night is forgotten in weeks.
const LONGEST_LEFT: f32 = 0.7;

#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Restless {
    rose: Option<bool>,
    changes: f32,
    turns: f32,
    #[serde(default)]
    wide: f32,
    readings: f32,
    repeats: f32,
    longest: f32,
}

impl Restless {
    /// A run of so many repeats ended in health with a rise or a fall, `wide` if it was of more than the smallest step.
    pub fn ended(&mut self, repeats: u16, rises: bool, wide: bool) {
        let repeats = f32::from(repeats);
        if let Some(rose) = self.rose.replace(rises) {
            self.changes += 1.0;
            self.turns += f32::from(u8::from(rose != rises));
            self.wide += f32::from(u8::from(wide));
        }
        self.readings += repeats + 1.0;
        self.repeats += repeats;
        self.longest = self.longest.max(repeats);
        if self.readings > FADES_AT {
            for sum in [&mut self.changes, &mut self.turns, &mut self.wide, &mut self.readings, &mut self.repeats] {
                *sum *= 0.5;
            }
        }
    }

    /// An epoch is over.
    pub fn fade(&mut self) {
        self.longest *= LONGEST_LEFT;
    }

    /// Whether so many repeats are none of its noise.
    pub fn is_broken_by(&self, repeats: u16) -> bool {
        let repeats = f32::from(repeats);
        let known = self.changes >= KNOWN_AFTER && self.readings >= KNOWN_AFTER;
        // One repeat more than were seen: a probe that never repeated itself may yet do so.
        let again = (self.repeats + 1.0) / (self.readings + 1.0);
        known
            && self.turns >= TURNS * self.changes
            && self.wide >= WIDE * self.changes
            && again <= MOST_REPEATS
            && repeats > TIMES * self.longest
            && -libm::logf(again) * repeats >= SURPRISE
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Hears values; the repeats at which it was first called broken.
    fn broken_after(values: impl Iterator<Item = i32>) -> Option<u16> {
        let (mut restless, mut last, mut repeats) = (Restless::default(), 0, 0);
        for value in values {
            if value == last {
                repeats += 1;
                if restless.is_broken_by(repeats) {
                    return Some(repeats);
                }
            } else {
                restless.ended(repeats, value > last, (value - last).abs() > 1);
                (last, repeats) = (value, 0);
            }
        }
        None
    }

    #[test]
    fn a_run_that_was_no_noise_is_forgotten_in_weeks() {
        let mut restless = Restless::default();
        let learn = |restless: &mut Restless| {
            let mut last = 0;
            let mut repeats = 0;
            for value in noise(1.0).take(4 * 1_440) {
                if value == last {
                    repeats += 1;
                } else {
                    restless.ended(repeats, value > last, (value - last).abs() > 1);
                    (last, repeats) = (value, 0);
                }
            }
        };
        learn(&mut restless);
        restless.ended(600, true, false);
        learn(&mut restless);
        assert!(!restless.is_broken_by(600), "it stood still for that long before");
        for _ in 0..9 {
            restless.fade();
            learn(&mut restless);
        }
        assert!(restless.is_broken_by(120), "{restless:?}");
        assert!(!restless.is_broken_by(20), "{restless:?}");
    }

    /// Noise of so many steps: the sum of four dice, rounded, as a sensor rounds.
    fn noise(steps: f64) -> impl Iterator<Item = i32> {
        let mut state = 7_u64;
        std::iter::repeat_with(move || {
            let mut dice = 0.0;
            for _ in 0..4 {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                dice += (state >> 40) as f64 / (1_u64 << 24) as f64 - 0.5;
            }
            (dice * 1.7 * steps).round() as i32
        })
    }

    #[test]
    fn noise_that_stops_is_known_within_an_hour_of_readings() {
        for steps in [0.6, 1.0, 3.0] {
            assert_eq!(broken_after(noise(steps).take(60_000)), None, "{steps}: a healthy year of hours");
            let stopped = noise(steps).take(3_000).chain(std::iter::repeat_n(5, 400));
            let after = broken_after(stopped);
            assert!(after.is_some_and(|n| n < 60), "{steps}: {after:?}");
        }
    }

    #[test]
    fn noise_that_shows_only_between_two_steps_may_rest_on_one() {
        // Noise of a fifth of a step, and a thermostat that was turned by half of one.
        let level = |i: usize| if i < 2_000 { 0.5 } else { 0.0 };
        let mut fine = noise(20.0).map(|n| f64::from(n) / 100.0);
        let values = (0..8_640).map(|i| (level(i) + fine.next().unwrap_or(0.0)).round() as i32);
        assert_eq!(broken_after(values.collect::<Vec<_>>().into_iter()), None);
    }

    #[test]
    fn a_course_that_is_followed_may_come_to_rest() {
        // A triangle of twenty steps; then the heat is off for a day.
        let cycle = (0..20_000).map(|i: i32| (i % 40 - 20).abs());
        assert_eq!(broken_after(cycle.chain(std::iter::repeat_n(7, 1_440))), None);
    }

    #[test]
    fn a_coarse_step_that_hides_most_of_the_noise_is_waited_for() {
        let rests = (0..40_000).map(|i: i32| i32::from(i % 90 == 0));
        assert_eq!(broken_after(rests.chain(std::iter::repeat_n(0, 240))), None);
    }
}
