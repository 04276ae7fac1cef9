//! What water vapour tells of an enclosure's air: exchanged with the room's (a front stands open), wetted (a misting), or as it was.
//!
//! Vapour pressure `e = RH · e_s(T)` of a humidity probe and the thermometer at its place (`nature/moist_air.rs`, source and check
//! values there). Heat that comes or goes moves relative humidity and leaves `e` alone; air that is exchanged takes `e` and
//! relative humidity down together, while the place cools: neither a stuck probe nor a dead heater does that. Here it is kept as a
//! past of an hour and a half; `vapour/air.rs` judges it.

mod air;

use super::NEVER;
use super::front::{Front, Sample};
use crate::nature::moist_air::{saturation_hpa, vapour_hpa};
use crate::terms::place::Place;
use air::Air;
use serde::{Deserialize, Serialize};

/// The past is kept at steps of so many minutes.
const SLOT_MIN: f64 = 3.0;
const SLOTS: usize = 32;
/// Steps before anything is said: an hour.
const HEARD: usize = 20;
/// A probe whose value does not move for so long may be stuck, min.
const STUCK_MIN: f64 = 180.0;
/// A thermometer that was heard this long ago tells nothing of now, min; another place is taken where a probe fell silent for an hour.
const OLD_MIN: f64 = 30.0;
const SILENT_MIN: f64 = 60.0;
/// Where humidity is silent because it reports changes, the place's temperature moves vapour: looked at so often, min.
const HELD_MIN: f64 = 6.0;

#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Slot {
    /// In 1/500 hPa, and in 1/100 %.
    hpa: u16,
    percent: u16,
}

impl Slot {
    fn new(hpa: f64, percent: f64) -> Slot {
        Slot { hpa: (hpa * 500.0) as u16, percent: (percent * 100.0) as u16 }
    }
    fn hpa(self) -> f64 {
        f64::from(self.hpa) / 500.0
    }
    fn percent(self) -> f64 {
        f64::from(self.percent) / 100.0
    }
}

/// The last steps, newest first.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
struct Past {
    slots: [Slot; SLOTS],
    filled: usize,
    newest: usize,
}

#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Vapour {
    place: Option<Place>,
    celsius: f64,
    celsius_t: f64,
    percent: f64,
    heard_t: f64,
    moved_t: f64,
    /// Smallest difference between readings, %.
    step: f64,
    front: Front,
    past: Past,
    slot_t: f64,
    air: Air,
}

/// What is told at a moment; minutes, infinite where it never was.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Told {
    /// Since the air was last seen to be exchanged.
    pub since_opened: f32,
    /// It has been so for longer than a cleaning, and than this air takes to begin to come back.
    pub lasts: bool,
    pub since_wetted: f32,
    /// For how long vapour has not fallen, where an opening would show; 0: it would not.
    pub still: f32,
}

/// What was learned, for `explain`: hPa and minutes.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Learned {
    pub place: Place,
    pub now_hpa: f64,
    pub driest_hpa: f64,
    pub openings: u16,
    pub back_min: f64,
}

impl Past {
    fn push(&mut self, slot: Slot) {
        self.newest = (self.newest + 1) % SLOTS;
        if let Some(newest) = self.slots.get_mut(self.newest) {
            *newest = slot;
        }
        self.filled = (self.filled + 1).min(SLOTS);
    }

    /// So many steps ago; the oldest there is.
    fn ago(&self, steps: usize) -> Slot {
        let back = steps.min(self.filled.saturating_sub(1));
        self.slots.get((self.newest + SLOTS - back) % SLOTS).copied().unwrap_or_default()
    }
}

impl Default for Vapour {
    fn default() -> Vapour {
        Vapour {
            place: None,
            celsius: 0.0,
            celsius_t: NEVER,
            percent: 0.0,
            heard_t: NEVER,
            moved_t: NEVER,
            step: 1.0,
            front: Front::default(),
            past: Past::default(),
            slot_t: NEVER,
            air: Air::default(),
        }
    }
}

impl Vapour {
    /// A trusted temperature.
    pub fn level(&mut self, place: Place, t: f64, celsius: f64) {
        if self.place != Some(place) {
            return;
        }
        (self.celsius, self.celsius_t) = (celsius, t);
        if t - self.heard_t > HELD_MIN && t - self.slot_t > HELD_MIN && t - self.heard_t < self.holds_min() {
            self.weigh(t);
        }
    }

    /// A trusted relative humidity, %. Soaked and impossible values say nothing of the air.
    pub fn hear(&mut self, place: Place, t: f64, percent: f64) {
        if !(0.5..99.5).contains(&percent) {
            return;
        }
        if self.place != Some(place) {
            if self.place.is_some() && t - self.heard_t < SILENT_MIN {
                return;
            }
            *self = Vapour { place: Some(place), ..Vapour::default() };
        }
        let moved = (percent - self.percent).abs();
        if moved > 0.05 {
            self.step = self.step.min(moved);
            self.moved_t = t;
        }
        (self.percent, self.heard_t) = (percent, t);
        if t - self.celsius_t < OLD_MIN {
            self.weigh(t);
        }
    }

    fn holds_min(&self) -> f64 {
        self.front.holds_min().min(SILENT_MIN)
    }

    fn weigh(&mut self, t: f64) {
        let mut samples = [Sample::default(); 2];
        let n = self.front.hear(t, vapour_hpa(self.celsius, self.percent), &mut samples);
        let Some(sample) = n.checked_sub(1).and_then(|last| samples.get(last)) else { return };
        let passed = (t - self.slot_t) / SLOT_MIN;
        if passed < 1.0 {
            return;
        }
        if passed > SLOTS as f64 {
            (self.past.filled, self.air.opening) = (0, None);
        }
        // What was not heard was as before.
        let held = self.past.ago(0);
        for _ in 1..if self.past.filled > 0 { passed as usize } else { 1 } {
            self.past.push(held);
        }
        self.slot_t = t;
        self.past.push(Slot::new(sample.x, self.percent));
        let full = saturation_hpa(self.celsius);
        // What is seen of noise, and at least that of the probe's steps.
        let noise = self.front.sigma().max(0.29 * self.step / 100.0 * full);
        let now =
            air::Now { t, hpa: sample.x, percent: self.percent, celsius: self.celsius, noise, full, step: self.step };
        self.air.look(&now, &self.past);
    }

    /// What it tells now; `None`: no probe, silent, perhaps stuck, or not heard for long enough.
    pub fn told(&self, t: f64) -> Option<Told> {
        let fresh = t - self.heard_t < self.holds_min() && t - self.celsius_t < OLD_MIN;
        (self.past.filled >= HEARD && fresh && t - self.moved_t < STUCK_MIN).then(|| self.air.told(t))
    }

    pub fn learned(&self) -> Option<Learned> {
        let place = self.place.filter(|_| self.past.filled >= HEARD)?;
        let Air { base, openings, back_min, .. } = self.air;
        Some(Learned { place, now_hpa: self.past.ago(0).hpa(), driest_hpa: base, openings, back_min })
    }
}

#[cfg(test)]
mod tests;
