//! Runs of equal values: when repeating itself is a fault and not a coarse sensor in still air.
//!
//! A healthy probe repeats itself for hours where nothing moves. It is stuck when it stands still although the rest of the
//! enclosure moved so far that, by its own share in such movements, it should have moved well beyond its steps; or, whatever the
//! rest does, when its own noise never stood still for so long (`restless.rs`).

use super::restless::Restless;
use crate::terms::time::{Mono, Now, Span};
use serde::{Deserialize, Serialize};

/// No run is a fault before this.
const SHORTEST: Span = Span::min(30);
/// Nor before so many repeats.
const LEAST: u16 = 3;
/// Times the longest healthy run, once three days were seen, and after one day: a tightly held warm side stands still for
/// a whole night while the room moves the cool side, and the first such night is no fault.
const TIMES: f64 = 3.0;
const TIMES_YOUNG: f64 = 12.0;
const OLD: Span = Span::days(3);
const YOUNG: Span = Span::days(1);
/// How far it should have moved by its habit, K, and in steps of its own.
const SHOULD_K: f32 = 0.8;
const SHOULD_STEPS: f32 = 3.0;
/// Movement of the others, K, that must have been seen before its share is known.
const KNOWN_AFTER_K: f32 = 15.0;
/// So it is, however young, and one that reports on change is missed, when it should have moved so far since its last word, K, in steps of its own, and
/// times the furthest that it ever should have and did not; and what it takes to know that, K of the others' movement.
const MISSED_K: f32 = 1.6;
const MISSED_STEPS: f32 = 8.0;
const MISSED_TIMES: f32 = 2.0;
const MISSED_KNOWN_AFTER_K: f32 = 60.0;
/// A change smaller than this is no movement, K, nor is one smaller than so many standard deviations of the probe's own noise.
/// Noise that is larger would walk all day, and what rests beside it would seem to stand still while it moves.
const STILL_K: f32 = 0.3;
const STILL_DEVIATIONS: f32 = 6.0;
/// How long the longest run is remembered: one to two of these.
const EPOCH: Span = Span::days(4);

#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Run {
    value: f32,
    since: Option<Now>,
    count: u16,
    /// The others' travel when the run began, and when this probe was first heard.
    others_then: f32,
    others_first: f32,
    /// Smallest change ever seen.
    step: f32,
    /// Where the last counted movement ended, and all movements so far, K.
    anchor: f32,
    travel: f32,
    /// Own and others' travel over the same time.
    share: [f32; 2],
    longest: [f32; 2],
    /// The furthest that it should have moved between two changes and did not, K, in this epoch and the last.
    furthest: [f32; 2],
    epoch: Option<Mono>,
    first: Option<Mono>,
    changes_after: u8,
    stands: bool,
    #[serde(default)]
    noise: Restless,
}

impl Run {
    /// A plausible temperature. `noise_k`: its usual standard deviation; `others`: the travel of the other probes of the same
    /// target so far. Whether it is stuck.
    pub fn hear(&mut self, value: f64, noise_k: f32, others: f32, now: Now) -> bool {
        let value = value as f32;
        let Some(since) = self.since else {
            (self.value, self.anchor, self.since) = (value, value, Some(now));
            (self.others_then, self.others_first, self.first) = (others, others, Some(now.mono));
            return false;
        };
        if others < self.others_then {
            // A probe beside this one was taken away or begins anew.
            (self.others_then, self.others_first, self.share) = (others, others - self.share[1], self.share);
        }
        if value == self.value {
            self.count = self.count.saturating_add(1);
            if !self.stands && self.is_stuck(now.mono.since(since.mono), others, now.mono) {
                self.stands = true;
                self.changes_after = 0;
            }
            return self.stands;
        }
        let change = (value - self.value).abs();
        self.step = if self.step == 0.0 { change } else { self.step.min(change) };
        self.learn(now.mono, now.mono.since(since.mono), others, value);
        if (value - self.anchor).abs() >= STILL_K.max(3.0 * self.step.min(0.5)).max(STILL_DEVIATIONS * noise_k) {
            self.travel += (value - self.anchor).abs();
            self.anchor = value;
        }
        (self.value, self.since, self.count, self.others_then) = (value, Some(now), 0, others);
        if self.stands {
            self.changes_after += 1;
            self.stands = self.changes_after < 3;
        }
        self.stands
    }

    fn learn(&mut self, at: Mono, lasted: Span, others: f32, value: f32) {
        if self.stands {
            return;
        }
        let wide = (value - self.value).abs() > 1.5 * self.step;
        self.noise.ended(self.count, value > self.value, wide);
        let epoch = *self.epoch.get_or_insert(at);
        if at.since(epoch) >= EPOCH {
            self.longest = [0.0, self.longest[0]];
            self.furthest = [0.0, self.furthest[0]];
            self.epoch = Some(at);
            self.noise.fade();
        }
        self.longest[0] = self.longest[0].max(lasted.as_s() as f32);
        self.furthest[0] = self.furthest[0].max(self.should(others).unwrap_or(0.0));
        self.share = [self.travel, others - self.others_first];
    }

    fn is_stuck(&self, lasted: Span, others: f32, now: Mono) -> bool {
        let longest = f64::from(self.longest[0].max(self.longest[1]));
        let times = match self.first.map(|first| now.since(first)) {
            Some(age) if age >= OLD => TIMES,
            Some(age) if age >= YOUNG => TIMES_YOUNG,
            _ => return false,
        };
        if self.count < LEAST || lasted < SHORTEST {
            return false;
        }
        if self.noise.is_broken_by(self.count) {
            return true;
        }
        if !self.should(others).is_some_and(|should| should >= self.owed()) {
            return false;
        }
        lasted.as_s() >= times * longest || self.is_missed(others)
    }

    fn owed(&self) -> f32 {
        SHOULD_K.max(SHOULD_STEPS * self.step)
    }

    /// How far it should have moved since its last change by its usual share in the others' movements, K.
    fn should(&self, others: f32) -> Option<f32> {
        let [own, theirs] = self.share;
        (theirs >= KNOWN_AFTER_K).then(|| (others - self.others_then) * own / theirs)
    }

    /// Whether one that reports on change should have spoken long ago, by what moved around it.
    pub fn is_missed(&self, others: f32) -> bool {
        let furthest = self.furthest[0].max(self.furthest[1]);
        let bound = MISSED_K.max(MISSED_STEPS * self.step).max(MISSED_TIMES * furthest);
        self.share[1] >= MISSED_KNOWN_AFTER_K && self.should(others).is_some_and(|should| should >= bound)
    }

    /// Nobody listened for a while: what moved meanwhile says nothing.
    pub fn listen_anew(&mut self, others: f32) {
        self.others_then = others;
    }

    pub fn stands(&self) -> bool {
        self.stands
    }

    /// The usual share of its movements in the others'.
    pub fn share(&self) -> Option<f32> {
        let [own, theirs] = self.share;
        (theirs >= KNOWN_AFTER_K).then(|| own / theirs)
    }

    /// All movement so far, K.
    pub fn travel(&self) -> f32 {
        self.travel
    }

    /// Since when it has read the same.
    pub fn since(&self) -> Option<Now> {
        self.since
    }
}

#[cfg(test)]
mod tests {
    use super::super::noise::Noise;
    use super::*;

    /// One reading a minute of a probe and of the rest of its enclosure; when it was first called stuck.
    fn run(minutes: i64, own: impl Fn(f64) -> f64, other: impl Fn(f64) -> f64) -> Option<i64> {
        let (mut probe, mut rest) = (Run::default(), Run::default());
        let mut noises = [Noise::default(); 2];
        for i in 0..minutes {
            let now = Now::at(i * 60_000);
            let (own, other) = (own(i as f64), other(i as f64));
            noises[0].hear(own, 1.0, now.mono);
            noises[1].hear(other, 1.0, now.mono);
            rest.hear(other, noises[1].deviation(), 0.0, now);
            if probe.hear(own, noises[0].deviation(), rest.travel(), now) {
                return Some(i);
            }
        }
        None
    }

    /// Normal noise of one standard deviation, as twelve dice make it, another each minute.
    fn dice(minute: f64) -> f64 {
        let mut state = (minute as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15);
        (0..12).fold(-6.0, |sum, _| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            sum + (state >> 40) as f64 / (1_u64 << 24) as f64
        })
    }

    #[test]
    fn the_noise_of_one_probe_is_no_movement_that_another_owes() {
        // Both follow the day; at night all rests, and only the one beside is too noisy to show it.
        let day = |m: f64| (4.0 - (m.rem_euclid(1_440.0) - 1_080.0).abs() / 90.0).max(0.0);
        let rounded = |level: f64| (level * 10.0).round() / 10.0;
        let own = |m: f64| rounded(25.0 + day(m));
        assert_eq!(run(6 * 1_440, own, |m| rounded(23.0 + day(m) + 0.15 * dice(m))), None);
    }

    /// A thermostat's triangle of 2 K in 20 min, in steps.
    fn cycle(minute: f64, step: f64) -> f64 {
        let x = minute.rem_euclid(20.0);
        let level = 30.0 + if x < 10.0 { 0.2 * x } else { 4.0 - 0.2 * x };
        (level / step).round() * step
    }

    #[test]
    fn a_frozen_probe_is_found_while_the_rest_moves() {
        let found = run(6_000, |m| cycle(m.min(5_000.0), 0.1), |m| cycle(m + 3.0, 0.1));
        assert!(found.is_some_and(|m| (5_030..5_045).contains(&m)), "{found:?}");
    }

    #[test]
    fn standing_still_with_the_rest_is_health() {
        let night = |m: f64| if (1_500.0..2_300.0).contains(&m) { 1_500.0 } else { m };
        assert_eq!(run(4_000, |m| cycle(night(m), 0.1), |m| cycle(night(m) + 3.0, 0.1)), None);
        assert_eq!(run(4_000, |m| cycle(m, 0.5), |m| cycle(m, 0.1)), None, "half degrees in a dead-band");
        assert_eq!(
            run(4_000, |m| (24.0 + cycle(m, 0.1) / 300.0).floor(), |m| cycle(m, 0.1)),
            None,
            "a cool end that hardly moves"
        );
    }
}
