//! What a plug's watts and a relay say: heat that is called for and does not flow, that flows and does not arrive, that never stops.
//!
//! A plug may report an instant or a mean over its interval; neither is assumed. Beside the watts this file learns the levels at
//! which power has always come on and gone off: with no power below the first, or full power above the second, nobody
//! calls for heat who should, or nobody stops it.

use super::cycle::Spread;
use super::levels::Levels;
use super::rings::Habit;
use super::tuning::Tuning;
use serde::{Deserialize, Serialize};

/// Less than this share of its usual power is none.
const NONE_SHARE: f64 = 0.05;
/// Reports before the plug is believed to be known.
const LEAST_REPORTS: u32 = 40;

#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Plug {
    pub watts: f64,
    t: f64,
    count: u32,
    interval: f64,
    /// Highest power that comes again and again, W.
    pub high: f64,
    /// Mean over minutes and over hours, W.
    quick: f64,
    pub usual: f64,
    none_share: f64,
    none_since: Option<f64>,
    full_since: Option<f64>,
    longest_today: f64,
    runs: Habit,
    on_levels: Levels,
    off_levels: Levels,
    level_with_power: Spread,
    run_top: f64,
    tops: Spread,
    low_tops: u32,
    was_none: bool,
    was_full: bool,
    pub switch: Option<bool>,
    switch_t: f64,
}

/// What the plug shows now.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Clue {
    /// No power although at this hour, level or switch it always flows.
    pub dead: bool,
    /// Power flows at least as usual and has for minutes (a falling level then lacks its heat).
    pub flowing: bool,
    /// No power at all.
    pub none: bool,
    /// Full power above every level at which it always stopped.
    pub stuck: bool,
    /// Full power, of a source whose power comes and goes.
    pub full: bool,
    /// Full power has sunk against its learned mean.
    pub weak: bool,
    pub watts: f64,
    pub usual: f64,
}

/// The enclosure's level beside a report: °C, spread, and what time it is.
#[derive(Clone, Copy, Debug)]
pub struct Beside {
    pub t: f64,
    pub day: i32,
    pub minute: u16,
    pub level: Option<f64>,
    pub s_x: f64,
    pub v: f64,
    pub learn: bool,
}

impl Plug {
    /// A relay or plug told that it switched.
    pub fn switched(&mut self, t: f64, on: bool) {
        if self.switch != Some(on) {
            self.switch_t = t;
        }
        self.switch = Some(on);
    }

    /// A report of power.
    pub fn report(&mut self, watts: f64, rated: Option<f64>, b: &Beside) {
        if !watts.is_finite() || watts < -1.0 || (self.count > 0 && b.t <= self.t) {
            return;
        }
        let watts = watts.clamp(0.0, 20_000.0);
        let dt = if self.count == 0 { 1.0 } else { (b.t - self.t).clamp(0.0, 60.0) };
        if self.count == 0 {
            self.high = rated.filter(|w| w.is_finite() && *w > 0.0).map_or(0.0, |w| w * 0.2);
        }
        if self.count > 0 && b.t - self.t > 30.0 {
            (self.none_since, self.full_since) = (None, None);
        }
        self.count = self.count.saturating_add(1);
        self.interval += (dt - self.interval) * (1.0 / f64::from(self.count)).max(0.02);
        self.watts = watts;
        self.t = b.t;
        self.quick += (watts - self.quick) * (dt / 4.0).min(1.0);
        if b.learn {
            self.usual += (watts - self.usual) * (dt / (f64::from(self.count) * dt).clamp(10.0, 600.0)).min(1.0);
            if watts > self.high {
                self.high = watts;
            } else if watts > 0.5 * self.high {
                self.high += (watts - self.high) * (dt / 600.0).min(1.0);
            }
        }
        let none = self.is_none(watts);
        self.none_share += (f64::from(u8::from(none)) - self.none_share) * (1.0 / f64::from(self.count)).max(0.002);
        self.run(none, dt, b);
        self.learn_levels(none, b);
    }

    fn is_none(&self, watts: f64) -> bool {
        watts < (NONE_SHARE * self.high).max(0.5)
    }

    fn is_full(&self, watts: f64) -> bool {
        self.high > 1.0 && watts > 0.7 * self.high
    }

    fn run(&mut self, none: bool, dt: f64, b: &Beside) {
        if none {
            let since = *self.none_since.get_or_insert(b.t);
            let so_far = b.t - since;
            if b.learn && self.switch != Some(false) {
                self.runs.note(b.day, b.minute, -so_far);
                self.longest_today = self.longest_today.max(so_far) * libm::exp(-dt / 2_880.0);
            }
            if self.run_top > 0.0 {
                self.end_run();
            }
        } else {
            if b.learn {
                self.runs.note(b.day, b.minute, 0.0);
            }
            self.none_since = None;
            self.run_top = self.run_top.max(self.watts);
        }
        if self.is_full(self.watts) {
            self.full_since.get_or_insert(b.t);
        } else {
            self.full_since = None;
        }
    }

    fn end_run(&mut self) {
        let top = self.run_top;
        self.run_top = 0.0;
        if self.tops.n > 12.0 && self.tops.dev < 0.05 * self.tops.mean && top < 0.85 * self.tops.mean {
            self.low_tops = (self.low_tops + 1).min(100);
        } else {
            self.low_tops = self.low_tops.saturating_sub(2);
            self.tops.learn(top, 0.02);
        }
    }

    fn learn_levels(&mut self, none: bool, b: &Beside) {
        let Some(x) = b.level.filter(|_| b.learn) else { return };
        if none {
            self.on_levels.live(b.day, b.minute, x);
        } else {
            self.level_with_power.learn(x, (self.interval / 45.0).clamp(0.002, 0.2));
            if self.was_none {
                let reference = self.on_levels.reference(b.t, b.day, b.minute);
                self.on_levels.returned(b.t, x, reference, true);
            }
        }
        if self.is_full(self.watts) {
            self.off_levels.live(b.day, b.minute, -x);
        } else if self.was_full {
            let reference = self.off_levels.reference(b.t, b.day, b.minute);
            self.off_levels.returned(b.t, -x, reference, true);
        }
        (self.was_none, self.was_full) = (none, self.is_full(self.watts));
    }

    /// What the plug shows at this moment. `beside` carries the level to which it is held.
    pub fn clue(&mut self, b: &Beside, tuning: &Tuning) -> Clue {
        let fresh = self.count > 0 && b.t - self.t < (3.0 * self.interval).max(3.0);
        if !fresh {
            return Clue { watts: f64::NAN, usual: self.usual, ..Clue::default() };
        }
        let none = self.is_none(self.watts);
        let full = self.is_full(self.watts);
        let known = self.count > LEAST_REPORTS && self.high > 1.0;
        Clue {
            dead: known && none && (self.overdue(b) || self.below_calling(b, tuning)),
            flowing: known && self.quick > 0.8 * self.usual && self.usual > NONE_SHARE * self.high,
            none: known && none,
            stuck: known && full && self.modulates() && self.above_letting_go(b, tuning),
            full: known && full && self.modulates(),
            weak: self.low_tops >= 6,
            watts: self.watts,
            usual: self.usual,
        }
    }

    /// Whether power comes and goes, so that its absence and its presence mean something.
    fn modulates(&self) -> bool {
        self.tops.n >= 3.0 || self.usual < 0.8 * self.high
    }

    /// No power for clearly longer than at this hour on any day, and the level not above what power usually keeps.
    fn overdue(&mut self, b: &Beside) -> bool {
        let Some(since) = self.none_since else { return false };
        if self.switch == Some(false) {
            return false;
        }
        let (longest, days) = self.runs.lowest(b.day, b.minute);
        if days == 0 {
            return false;
        }
        let longest = (-longest).max(0.0);
        // The level may stay high without power (sun, another heater): then nobody needs to call for heat.
        let not_warm = b.level.is_none_or(|x| x < self.level_with_power.mean + 0.1 && b.v < 0.0);
        not_warm && b.t - since > 1.5 * longest + self.interval + 0.4
    }

    /// No power below every level at which it has always come on.
    fn below_calling(&mut self, b: &Beside, tuning: &Tuning) -> bool {
        let Some(x) = b.level else { return false };
        let reference = self.on_levels.reference(b.t, b.day, b.minute);
        let h = self.on_levels.threshold(b.s_x, tuning);
        self.on_levels.count() > 4.0 && reference.level.is_finite() && b.v < 0.0 && reference.level - x > 0.6 * h
    }

    /// Full power above every level at which it has always stopped.
    fn above_letting_go(&mut self, b: &Beside, tuning: &Tuning) -> bool {
        let Some(x) = b.level else { return false };
        let reference = self.off_levels.reference(b.t, b.day, b.minute);
        let h = self.off_levels.threshold(b.s_x, tuning);
        self.off_levels.count() > 4.0 && reference.level.is_finite() && b.v > 0.0 && reference.level + x > 0.6 * h
    }

    /// Minutes since the relay was told to be on; `None` when off or unknown.
    pub fn switched_on_for(&self, t: f64) -> Option<f64> {
        (self.switch == Some(true)).then_some(t - self.switch_t)
    }

    pub fn memory_bytes(&self) -> usize {
        size_of::<Plug>() + self.runs.heap_bytes() + self.on_levels.heap_bytes() + self.off_levels.heap_bytes()
    }

    pub fn reports(&self) -> u32 {
        self.count
    }

    /// Share of the reports without power.
    pub fn idle_share(&self) -> f64 {
        self.none_share
    }

    pub fn forget(&mut self) {
        let (switch, switch_t) = (self.switch, self.switch_t);
        *self = Plug { switch, switch_t, ..Plug::default() };
    }
}
