//! What a plug's watts and a relay say: heat that is called for and does not flow, that flows and does not arrive, that never stops.
//!
//! A plug may report an instant or a mean over its interval; neither is assumed. What is learned is how long power has stayed
//! away and how long it has stayed on by clock time: an absence or a presence that outlasts every one of its hour speaks, together
//! with a level that asks for the contrary. A source known to run without a thermostat is judged by its watts alone.

use super::cycle::Spread;
use super::rings::Habit;
use serde::{Deserialize, Serialize};

/// Less than this share of its usual power is none.
const NONE_SHARE: f64 = 0.05;
/// Reports before the plug is believed to be known.
const LEAST_REPORTS: u32 = 40;
/// This many times its highest power is not the same heater, or no longer the same control.
const SURGE: f64 = 1.3;
/// Runs of power this long, min, belong to no thermostat's cycle (and are as long as the habit can count).
const LONGEST_RUN_MIN: f64 = 300.0;
/// Reports with the relay on before an absence of power under it is believed.
const LEAST_ON_REPORTS: u32 = 500;
/// How the longest absence of power under a closed relay fades with each report: to a half in some ten thousand.
const FADE: f64 = 0.999_93;

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
    runs: Habit,
    full_runs: Habit,
    surge_since: Option<f64>,
    welded_since: Option<f64>,
    off_full_share: f64,
    /// Reports with the relay on, and the longest of them without power, min; fades over days.
    on_reports: u32,
    relay_moves: u32,
    longest_idle_on: f64,
    level_with_power: Spread,
    run_top: f64,
    run_since: f64,
    tops: Spread,
    low_tops: u32,
    pub switch: Option<bool>,
    switch_t: f64,
}

/// What the plug shows now.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Clue {
    /// No power although it always flows at this hour: of a source without a thermostat, or while its relay is on.
    pub missing: bool,
    /// No power for clearly longer than at this hour on any day.
    pub overdue: bool,
    /// The same, where power comes every few minutes: pulse, dimming.
    pub pulse_stopped: bool,
    /// Power flows at least as usual and has for minutes (a falling level then lacks its heat).
    pub flowing: bool,
    /// No power at all.
    pub none: bool,
    /// Full power for clearly longer than at this hour on any day.
    pub endless: bool,
    /// Clearly more power than it ever took, or full power while the relay is off.
    pub surges: bool,
    /// Full power, of a source whose power comes and goes.
    pub full: bool,
    /// Full power has sunk against its learned mean.
    pub weak: bool,
    pub watts: f64,
    pub usual: f64,
    /// Known to run without a thermostat: then its watts alone say whether it runs as planned.
    pub unsteered: bool,
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
    /// Whether habits by clock time are learned (always, but for hands in), and whether what is clean is.
    pub live: bool,
    pub learn: bool,
}

impl Plug {
    /// A relay or plug told that it switched.
    pub fn switched(&mut self, t: f64, on: bool) {
        if self.switch != Some(on) {
            self.switch_t = t;
            self.relay_moves = self.relay_moves.saturating_add(1);
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
            if watts > SURGE * self.high && self.count > LEAST_REPORTS {
                // More than it ever took: a fault, or another heater; believed when it has lasted for an hour.
                let since = *self.surge_since.get_or_insert(b.t);
                if b.t - since > 60.0 {
                    self.high = watts;
                }
            } else if watts > self.high {
                self.high = watts;
            } else if watts > 0.5 * self.high {
                self.high += (watts - self.high) * (dt / 600.0).min(1.0);
            }
        }
        if watts <= SURGE * self.high {
            self.surge_since = None;
        }
        let none = self.is_none(watts);
        self.none_share += (f64::from(u8::from(none)) - self.none_share) * (1.0 / f64::from(self.count)).max(0.002);
        self.run(none, b);
        self.learn_level(none, b);
    }

    fn is_none(&self, watts: f64) -> bool {
        watts < (NONE_SHARE * self.high).max(0.5)
    }

    fn is_full(&self, watts: f64) -> bool {
        self.high > 1.0 && watts > 0.7 * self.high
    }

    fn run(&mut self, none: bool, b: &Beside) {
        let off = self.switch == Some(false);
        if off && self.is_full(self.watts) {
            self.welded_since.get_or_insert(b.t);
        } else {
            self.welded_since = None;
        }
        if b.learn && off {
            self.off_full_share += 0.01 * (f64::from(u8::from(!none)) - self.off_full_share);
        }
        if self.switch == Some(true) && !none {
            self.on_reports = self.on_reports.saturating_add(1);
            self.longest_idle_on *= FADE;
        }
        if none && off {
            self.none_since = None; // told to be off: that is no absence
        } else if none {
            let since = *self.none_since.get_or_insert(b.t);
            let so_far = b.t - since;
            if b.live {
                self.runs.note(b.day, b.minute, -so_far);
            }
            if self.run_top > 0.0 {
                self.end_run(b.t);
            }
        } else {
            if b.live {
                self.runs.note(b.day, b.minute, 0.0);
            }
            if let Some(since) = self.none_since.take() {
                self.run_since = b.t;
                if b.live && self.switch == Some(true) {
                    self.longest_idle_on = self.longest_idle_on.max((b.t - since.max(self.switch_t)).min(60.0));
                }
            }
            self.run_top = self.run_top.max(self.watts);
        }
        if self.is_full(self.watts) {
            let since = *self.full_since.get_or_insert(b.t);
            if b.live {
                self.full_runs.note(b.day, b.minute, since - b.t);
            }
        } else {
            self.full_since = None;
            if b.live {
                self.full_runs.note(b.day, b.minute, 0.0);
            }
        }
    }

    fn end_run(&mut self, t: f64) {
        let top = self.run_top;
        self.run_top = 0.0;
        // A mean over an interval shows full power only where the interval lies inside the run.
        if t - self.run_since < 3.0 * self.interval {
            return;
        }
        if self.tops.n > 30.0 && self.tops.dev < 0.03 * self.tops.mean && top < 0.85 * self.tops.mean {
            self.low_tops = (self.low_tops + 1).min(100);
        } else {
            self.low_tops = self.low_tops.saturating_sub(2);
            self.tops.learn(top, 0.02);
        }
    }

    fn learn_level(&mut self, none: bool, b: &Beside) {
        if let Some(x) = b.level.filter(|_| b.learn && !none) {
            self.level_with_power.learn(x, (self.interval / 45.0).clamp(0.002, 0.2));
        }
    }

    /// What the plug shows at this moment beside this level; `steered`: not known to run without a thermostat.
    pub fn clue(&mut self, b: &Beside, steered: bool) -> Clue {
        let fresh = self.count > 0 && b.t - self.t < (3.0 * self.interval).max(3.0);
        if !fresh {
            return Clue { watts: f64::NAN, usual: self.usual, ..Clue::default() };
        }
        let none = self.is_none(self.watts);
        let full = self.is_full(self.watts);
        let known = self.count > LEAST_REPORTS && self.high > 1.0;
        Clue {
            missing: known && none && ((!steered && self.missing(b)) || self.dead_while_on(b)),
            overdue: known && none && self.overdue(b),
            pulse_stopped: known && none && self.pulse_stopped(b),
            flowing: known && self.quick > 0.8 * self.usual && self.usual > NONE_SHARE * self.high,
            none: known && none,
            endless: known && steered && self.watts > 0.9 * self.high && self.modulates() && self.endless(b),
            surges: known && ((!steered && self.surges(b)) || self.welded(b)),
            full: known && full && self.modulates(),
            weak: self.low_tops >= 12,
            watts: self.watts,
            usual: self.usual,
            unsteered: known && !steered,
        }
    }

    /// Whether power comes and goes, so that its absence and its presence mean something.
    fn modulates(&self) -> bool {
        self.tops.n >= 3.0 || self.usual < 0.8 * self.high
    }

    /// No power although at this hour there was never a minute without it.
    fn missing(&mut self, b: &Beside) -> bool {
        let Some(since) = self.none_since else { return false };
        let (longest, days) = self.runs.lowest(b.day, b.minute);
        self.switch != Some(false) && days > 0 && -longest < 1.0 && b.t - since > self.interval + 0.2
    }

    /// No power for minutes, at an hour at which it always came every few.
    fn pulse_stopped(&mut self, b: &Beside) -> bool {
        let Some(since) = self.none_since else { return false };
        let (longest, days) = self.runs.lowest(b.day, b.minute);
        let longest = (-longest).max(0.0);
        self.switch != Some(false) && days > 0 && longest < 10.0 && b.t - since > 2.0 * longest + 3.0 * self.interval
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
        not_warm && b.t - since > 1.3 * longest + 2.0 * self.interval + 0.4
    }

    /// Full power for clearly longer than at this hour on any day, and the level not below what power usually keeps.
    fn endless(&mut self, b: &Beside) -> bool {
        let Some(since) = self.full_since else { return false };
        let (longest, days) = self.full_runs.lowest(b.day, b.minute);
        let longest = (-longest).max(0.0);
        let not_cold = b.level.is_none_or(|x| x > self.level_with_power.mean - 0.1 && b.v > 0.0);
        days > 0 && longest < LONGEST_RUN_MIN && not_cold && b.t - since > 1.5 * longest + 2.0 * self.interval + 2.0
    }

    /// No power although the relay is on, for longer than ever.
    fn dead_while_on(&self, b: &Beside) -> bool {
        let Some(since) = self.none_since.filter(|_| self.switch == Some(true)) else { return false };
        let since = since.max(self.switch_t);
        // A relay that never moves drives nothing: behind it a dimmer may rest for hours.
        self.on_reports > LEAST_ON_REPORTS
            && self.relay_moves > 6
            && self.longest_idle_on < 2.0
            && b.t - since > 1.5 * self.longest_idle_on + self.interval + 0.2
    }

    /// Full power while the relay is off, of a source that is always dark then.
    fn welded(&self, b: &Beside) -> bool {
        self.off_full_share < 0.05 && self.welded_since.is_some_and(|since| b.t - since > self.interval + 0.5)
    }

    /// Clearly more power than ever.
    fn surges(&self, b: &Beside) -> bool {
        self.surge_since.is_some_and(|since| b.t - since > self.interval) && b.v > 0.0
    }

    /// Minutes since the relay was told to be on; `None` when off or unknown.
    pub fn switched_on_for(&self, t: f64) -> Option<f64> {
        (self.switch == Some(true)).then_some(t - self.switch_t)
    }

    pub fn memory_bytes(&self) -> usize {
        size_of::<Plug>() + self.runs.heap_bytes() + self.full_runs.heap_bytes()
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
