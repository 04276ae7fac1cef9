//! Whether the air is exchanged, wetted or at rest, by its vapour. How far an opening takes it is known from the driest air of late,
//! how fast it changes by itself, and how soon it comes back, from its own days.

use super::super::NEVER;
use super::super::front::quantile;
use super::{HEARD, Past, SLOT_MIN, Told};
use serde::{Deserialize, Serialize};

/// An opening shows within 12 minutes, behind a slow probe or a small gap within 30: steps, and the share of what an opening
/// could take that it takes then. A closed enclosure changes its air in half an hour or more, an open one in minutes.
const WINDOWS: [(usize, f64); 2] = [(4, 0.35), (10, 0.5)];
/// A fall that 97 of 100 windows stay below is usual; so many times that is none, nor what is within so much noise.
const USUAL: f64 = 0.97;
const UNUSUAL: f64 = 1.3;
const NOISES: f64 = 4.0;
/// A fall of relative humidity is one when it is so many steps of the probe, and so many per cent.
const STEPS: f64 = 2.5;
const LEAST_FALL_PERCENT: f64 = 1.5;
/// The place cools: by so much of its saturation pressure, a seventh of a kelvin.
const COOLED: f64 = 0.992;
/// A misting: so much more vapour within the short window, and so many per cent.
const WETTED: f64 = 0.12;
const WETTED_PERCENT: f64 = 4.0;
/// The driest air of late is forgotten with this time constant, min.
const BASE_MIN: f64 = 2_160.0;
/// What has come back by half is closed again; within a quarter it has not begun to.
const CLOSED: f64 = 0.5;
const OPEN: f64 = 0.25;
/// An opening that lasts has taken so much of what one can, and so many noises.
const DEEP: f64 = 0.5;
const DEEP_NOISES: f64 = 5.0;
/// An opening that lasts so long is how this air is now, min.
const LONGEST_MIN: f64 = 1_440.0;
/// Below this share of all readings an enclosure is as it is when nothing wets it; that is found within a day or two.
const DRY: f64 = 0.3;
const DRY_PACE: f64 = 1e-3;
/// A room that was aired warms again, and the enclosure with it: by this share of the fall, and K. A front that stands open does not.
const WARMS: f64 = 0.3;
const WARMS_K: f64 = 0.1;
/// A place sinks by so much a step by itself, K.
const SINKS_K: f64 = 0.02;
/// How long it takes to come back by half, before any opening has shown it, min.
const BACK_MIN: f64 = 25.0;
/// Whoever cleans has closed the front again after so long, min; and air that has not begun to come back so many half times after.
const CLEANED_MIN: f64 = 60.0;
const HALF_TIMES: f64 = 2.5;
/// An opening would show: vapour is over the driest of late by so many noises, and by this share.
const SHOWS_NOISES: f64 = 5.0;
const SHOWS: f64 = 0.08;

/// A step: hPa, %, °C; a reading's noise and saturation, hPa; the probe's step, %.
#[derive(Clone, Copy, Debug)]
pub struct Now {
    pub t: f64,
    pub hpa: f64,
    pub percent: f64,
    pub celsius: f64,
    pub noise: f64,
    pub full: f64,
    pub step: f64,
}

/// Air that was exchanged: since when, from and to which pressure, hPa, and how dry the driest was.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Opening {
    t: f64,
    from: f64,
    base: f64,
    low: f64,
    low_t: f64,
    /// Temperature before, and the lowest since, °C.
    from_c: f64,
    low_c: f64,
    stays: bool,
}

#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Air {
    pub base: f64,
    /// Vapour pressure where nothing has wetted it, hPa.
    dry: f64,
    /// The place's temperature of late, sinking slowly, °C.
    warm_c: f64,
    usual: [f64; WINDOWS.len()],
    pub opening: Option<Opening>,
    opened_t: f64,
    wetted_t: f64,
    pub back_min: f64,
    pub openings: u16,
    still: f64,
}

impl Default for Air {
    fn default() -> Air {
        Air {
            base: f64::INFINITY,
            dry: f64::NAN,
            warm_c: f64::NEG_INFINITY,
            usual: [0.4, 0.7],
            opening: None,
            opened_t: NEVER,
            wetted_t: NEVER,
            back_min: BACK_MIN,
            openings: 0,
            still: 0.0,
        }
    }
}

impl Air {
    pub fn look(&mut self, now: &Now, past: &Past) {
        let base =
            if self.base.is_finite() { self.base + (now.hpa - self.base) * SLOT_MIN / BASE_MIN } else { now.hpa };
        self.base = base.min(now.hpa);
        self.warm_c = (self.warm_c - SINKS_K).max(now.celsius);
        if self.dry.is_nan() {
            self.dry = now.hpa;
        }
        if past.filled >= HEARD {
            let opens = self.opens(now, past, base);
            if opens.is_some() {
                self.opened_t = now.t;
            }
            if wets(now, past) {
                self.wetted_t = now.t;
            }
            self.follow(now, opens);
            if self.opening.is_none() {
                quantile(&mut self.dry, now.hpa, DRY, DRY_PACE);
                for (usual, window) in self.usual.iter_mut().zip(WINDOWS) {
                    quantile(usual, (past.ago(window.0).hpa() - now.hpa).max(1e-3), USUAL, 0.03);
                }
            }
        }
        self.still = self.rested(now, past);
    }

    /// An exchange of air: since when and from which pressure.
    fn opens(&self, now: &Now, past: &Past, base: f64) -> Option<Opening> {
        let percent_noise = 100.0 * now.noise / now.full;
        let drier = (STEPS * now.step).max(LEAST_FALL_PERCENT).max(NOISES * percent_noise);
        let mut windows = WINDOWS.into_iter().zip(self.usual);
        windows.find_map(|((steps, share), usual)| {
            let then = past.ago(steps);
            // What a misting brought goes by itself: an opening goes below what is usual.
            let (from, percent) = (then.hpa().min(self.dry), then.percent());
            let enough = (share * (from - base)).max(NOISES * now.noise).max(UNUSUAL * usual);
            let cooled = now.hpa / now.percent < COOLED * then.hpa() / percent.max(0.5);
            let t = now.t - SLOT_MIN * steps as f64;
            (from - now.hpa > enough && percent - now.percent > drier && cooled).then_some(Opening {
                t,
                from,
                base,
                low: now.hpa,
                low_t: now.t,
                from_c: self.warm_c,
                low_c: now.celsius,
                stays: true,
            })
        })
    }

    /// What stands open, and whether it has been closed.
    fn follow(&mut self, now: &Now, opens: Option<Opening>) {
        let Some(opening) = &mut self.opening else {
            self.opening = opens;
            return;
        };
        if now.hpa < opening.low {
            (opening.low, opening.low_t) = (now.hpa, now.t);
        }
        opening.low_c = opening.low_c.min(now.celsius);
        let fell = opening.from - opening.low;
        let warms = now.celsius > opening.low_c + WARMS * (opening.from_c - opening.low_c) + WARMS_K;
        opening.stays = !warms
            && now.hpa <= opening.low + (OPEN * fell).max(now.noise)
            && fell > (DEEP * (opening.from - opening.base)).max(DEEP_NOISES * now.noise);
        if now.hpa > opening.low + (CLOSED * fell).max(2.0 * now.noise) {
            self.openings = self.openings.saturating_add(1);
            self.back_min += (now.t - opening.low_t - self.back_min) / f64::from(self.openings.min(4) + 1);
            self.opening = None;
        } else if now.t - opening.t > LONGEST_MIN {
            self.opening = None;
        }
    }

    /// For how long vapour has not fallen, where an opening would show.
    fn rested(&self, now: &Now, past: &Past) -> f64 {
        let over = now.hpa - self.base;
        if over < (SHOWS_NOISES * now.noise).max(SHOWS * now.hpa) {
            return 0.0;
        }
        let most = now.hpa + (2.0 * now.noise).max(0.2 * over);
        let still = (0..past.filled).take_while(|steps| past.ago(*steps).hpa() <= most).count();
        SLOT_MIN * still.saturating_sub(1) as f64
    }

    pub fn told(&self, t: f64) -> Told {
        let long = CLEANED_MIN.max(HALF_TIMES * self.back_min);
        Told {
            since_opened: since(t, self.opened_t) as f32,
            lasts: self.opening.is_some_and(|opening| opening.stays && t - opening.t > long),
            since_wetted: since(t, self.wetted_t) as f32,
            still: if self.opening.is_some() { 0.0 } else { self.still as f32 },
        }
    }
}

/// A misting.
fn wets(now: &Now, past: &Past) -> bool {
    let then = past.ago(WINDOWS[0].0);
    let hpa = then.hpa();
    now.hpa - hpa > (WETTED * hpa).max(6.0 * now.noise) && now.percent - then.percent() > WETTED_PERCENT
}

fn since(t: f64, then: f64) -> f64 {
    if then > NEVER { t - then } else { f64::INFINITY }
}
