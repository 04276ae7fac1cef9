//! Drift: a probe whose daily mean walks away, day by day, from where its neighbours stay.
//!
//! A thermostat that is turned, a season, a warm spell move the whole enclosure, though not by the same: what moves the
//! others or the room by more than a quarter as far is theirs too. Without a probe in the room nobody knows what the weather
//! does to a cool side, and only what is warmer than its neighbours is judged. A step is none: a drift takes several days.

use crate::terms::time::{Mono, Span};
use serde::{Deserialize, Serialize};

/// One value of all probes is taken this often.
const TAKEN_EVERY: Span = Span::min(10);
/// Values that a day must have, of 144.
const LEAST: u16 = 72;
/// Days that are remembered, and steps from day to day that make a drift.
const DAYS: usize = 6;
const STEPS: std::ops::RangeInclusive<usize> = 2..=4;
/// How far a day's step must go at least, all of them together, and the largest share that one of them may have, K.
const STEP_K: f32 = 0.5;
const DRIFT_K: f32 = 3.0;
const ONE_SHARE: f32 = 0.6;
/// What of it the others may have moved.
const OTHERS_SHARE: f32 = 0.25;
/// Where no room is known: how much warmer than its neighbours it must be, K.
const WARMER_K: f32 = 2.0;
/// Back within this of where it was, K.
const BACK_K: f32 = 1.2;

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Drift {
    taken: Option<Mono>,
    day: i64,
    sums: [f32; 2],
    /// The room's; `None`: not known all day.
    room: Option<f32>,
    count: u16,
    /// Daily means of this probe and of its neighbours, and of the room where it is known.
    days: Vec<([f32; 2], Option<f32>)>,
    /// While it stands: the daily mean that it walked away from.
    from: Option<f32>,
}

/// What a day's end showed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Turn {
    /// It has drifted by this, K.
    Drifted(f32),
    Back,
}

impl Drift {
    /// Whether the next value should be taken, so that the neighbours need not be asked each time.
    pub fn is_due(&self, at: Mono) -> bool {
        self.taken.is_none_or(|taken| at.since(taken) >= TAKEN_EVERY)
    }

    /// A trusted value, the mean of the neighbours' at the same time, and the room's where it is known.
    pub fn take(&mut self, values: [f64; 2], room: Option<f64>, at: Mono) -> Option<Turn> {
        self.taken = Some(at);
        let day = at.as_ms().div_euclid(Span::days(1).as_ms());
        let turn = if day == self.day { None } else { self.end_day() };
        self.day = day;
        for (sum, value) in self.sums.iter_mut().zip(values) {
            *sum += value as f32;
        }
        let so_far = if self.count == 0 { Some(0.0) } else { self.room };
        self.room = so_far.zip(room).map(|(sum, room)| sum + room as f32);
        self.count = self.count.saturating_add(1);
        turn
    }

    fn end_day(&mut self) -> Option<Turn> {
        let means = self.sums.map(|sum| sum / f32::from(self.count.max(1)));
        let whole = self.count >= LEAST;
        let room = self.room.map(|sum| sum / f32::from(self.count.max(1)));
        (self.sums, self.count) = ([0.0; 2], 0);
        if !whole {
            self.days.clear();
            return None;
        }
        if self.days.len() >= DAYS {
            self.days.remove(0);
        }
        self.days.push((means, room));
        if let Some(from) = self.from {
            let back = (means[0] - from).abs() <= BACK_K;
            return back.then(|| {
                self.forget();
                Turn::Back
            });
        }
        let (from, by) = STEPS.filter_map(|steps| self.walked(steps)).next()?;
        self.from = Some(from);
        Some(Turn::Drifted(by))
    }

    /// Over the last so many days, if all steps went one way: where it began, and how far it went.
    fn walked(&self, steps: usize) -> Option<(f32, f32)> {
        let days = self.days.get(self.days.len().checked_sub(steps + 1)?..)?;
        let (([first, others_first], room_first), ([last, others_last], room_last)) = (*days.first()?, *days.last()?);
        let by = last - first;
        let step = |pair: &[([f32; 2], Option<f32>)]| pair[1].0[0] - pair[0].0[0];
        let one_way = days.windows(2).all(|pair| step(pair) * by > 0.0 && step(pair).abs() >= STEP_K);
        let largest = days.windows(2).map(|pair| step(pair).abs()).fold(0.0, f32::max);
        let still = |moved: f32| moved.abs() <= OTHERS_SHARE * by.abs();
        let room = match room_last.zip(room_first) {
            Some((last, first)) => still(last - first),
            None => first - others_first >= WARMER_K,
        };
        let alone = room && still(others_last - others_first);
        let drifts = by.abs() >= DRIFT_K && one_way && largest <= ONE_SHARE * by.abs() && alone;
        drifts.then_some((first, by))
    }

    /// Days that were, and a drift that stood, count no more.
    pub fn forget(&mut self) {
        (self.days, self.from) = (Vec::new(), None);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Days at which it drifted or was back, of an own level and the others', both by day.
    fn run(days: i64, own: impl Fn(f64) -> f64, others: impl Fn(f64) -> f64) -> Vec<(i64, Turn)> {
        run_in(|_| None, days, own, others)
    }

    fn run_in(
        room: impl Fn(f64) -> Option<f64>,
        days: i64,
        own: impl Fn(f64) -> f64,
        others: impl Fn(f64) -> f64,
    ) -> Vec<(i64, Turn)> {
        let mut drift = Drift::default();
        let mut turns = Vec::new();
        for i in 0..days * 144 {
            let day = i as f64 / 144.0;
            let swing = if day.fract() < 0.5 { 3.0 } else { 0.0 };
            let at = Mono::from_ms(i * 600_000);
            assert!(drift.is_due(at));
            let values = [own(day) + swing, others(day) + swing / 3.0];
            turns.extend(drift.take(values, room(day), at).map(|turn| (i / 144, turn)));
        }
        turns
    }

    #[test]
    fn a_lone_walk_is_a_drift_until_it_is_back() {
        let walk = |day: f64| 30.0 + 1.2 * (day - 5.0).clamp(0.0, 6.0);
        let turns = run(20, |day| if day < 15.0 { walk(day) } else { 30.2 }, |_| 24.0);
        assert!(matches!(turns[..], [(8..=9, Turn::Drifted(by)), (16, Turn::Back)] if by > 2.9), "{turns:?}");
    }

    #[test]
    fn weather_at_a_cool_side_is_no_drift() {
        // The warm side is held by its thermostat, the cool side follows the room.
        let weather = |day: f64| -(day - 4.0).clamp(0.0, 5.0);
        assert_eq!(run_in(|day| Some(20.0 + weather(day)), 12, |day| 24.0 + 0.8 * weather(day), |_| 30.0), []);
        assert_eq!(run(12, |day| 24.0 + 0.8 * weather(day), |_| 30.0), [], "nor where nobody knows the room");
        assert!(!run_in(|_| Some(20.0), 12, |day| 24.0 + weather(day), |_| 30.0).is_empty());
    }

    #[test]
    fn what_moves_the_enclosure_is_no_drift_of_one_probe() {
        let season = |day: f64| -(day - 3.0).clamp(0.0, 12.0);
        assert_eq!(run(20, |day| 29.0 + season(day), |day| 24.0 + 0.6 * season(day)), []);
        assert_eq!(run(20, |day| if day < 6.0 { 29.0 } else { 33.0 }, |_| 24.0), [], "a lamp was changed: a step");
        assert_eq!(run(20, |day| 29.0 + 1.0 * (day as i64 % 3) as f64, |_| 24.0), [], "to and fro");
    }
}
