//! What the numbers of one tract come to: the picture of this instant, and which verdicts it turns.

use super::super::clue::{Beside, Clue};
use super::super::due::is_late;
use super::super::front::Sample;
use super::super::history::even;
use super::super::picture::{self, Gradient, Picture, Side, Wait};
use super::super::settings::{Source, Thermostat};
use super::super::standing::{Standing, Turn};
use super::super::tracker::Tracker;
use super::super::verdict::Cause;
use super::super::young::{Moment, wait};
use super::super::{Context, high, low};
use super::{Company, LEARNING_MIN, Tract};

/// After the clocks were changed, nobody knows for this many days at which hour a timer comes: it may not have been told.
const CLOCK_DAYS: f64 = 3.0;

/// A heater that has aged stays weak; a cold day or a room that is aired goes by, min.
const WEAK_FOR_MIN: f64 = 720.0;

/// A lamp that has burnt for so long warms no more, min.
const LIT_MIN: f64 = 120.0;

impl Tract {
    pub(super) fn judge(&mut self, s: &Sample, cool: Option<Sample>, b: &mut Company, out: &mut Vec<Turn>) {
        let mut picture = self.draw(s, cool, b);
        self.doubts.weigh(&mut picture);
        self.picture = Some(picture);
        if picture.low.past(0.4) {
            self.dip = s.t;
        }
        if high::rises_alone(&picture) {
            self.rose_alone = s.t;
        }
        if picture.low.past(1.0) || picture.high.past(1.0) {
            self.suspected_until = self.suspected_until.max(s.t);
        }
        if self.learned_min < LEARNING_MIN || s.t < self.settle_until {
            return;
        }
        let ratio = picture.ratio();
        let turns = |standing: &Standing| standing.now.is_some_and(|n| n.turns >= 2);
        let low_back = picture.low.undercut < 0.0
            && picture.absent_min.is_none()
            && !picture.late
            && match self.low.now.map(|n| n.cause) {
                Some(Cause::HeatFailed | Cause::ProbeDisplaced) => ratio.is_none_or(|r| r > 0.5),
                Some(Cause::LeftOpen) => !picture.stands_open(),
                Some(Cause::HeatWeak) => !self.vigour.weak() && ratio.is_none_or(|r| r > 0.85),
                _ => true,
            };
        let high_back = picture.high.undercut < 0.0
            && picture.above_min.is_none()
            && !picture.stays
            && (ratio.is_none_or(|r| r < 1.3)
                || turns(&self.high)
                || self.high.now.is_some_and(|n| n.cause != Cause::HeatStuckOn));
        let low = low::judge(&picture);
        let high = high::judge(&picture);
        for turn in [
            self.low.hear(low, low_back, self.w_low.peak_t, &picture, b.tuning),
            self.high.hear(high, high_back, self.w_high.peak_t, &picture, b.tuning),
        ] {
            if turn != Turn::Nothing {
                self.suspected_until = s.t + 30.0;
                out.push(turn);
            }
        }
    }

    /// The plug reported: what watts alone can say is said now, not at the next level.
    pub fn powered(&mut self, t: f64, b: &mut Company, out: &mut Vec<Turn>) {
        let Some(level) = self.warm.at(t, 10.0) else { return };
        if self.picture.is_none() || self.learned_min < LEARNING_MIN || t < self.settle_until || b.context.hands_in {
            return;
        }
        let clue = self.clue(&level, b);
        let (Some(mut picture), true) = (self.picture, clue.is_some_and(|c| c.speaks())) else { return };
        (picture.t, picture.x, picture.v) = (t, level.x, level.v);
        picture.clue = clue;
        for (standing, suspicion, since) in [
            (&mut self.low, low::by_watts(&picture), self.w_low.peak_t),
            (&mut self.high, high::by_watts(&picture), self.w_high.peak_t),
        ] {
            let turn = match suspicion {
                Some(_) => standing.hear(suspicion, false, since, &picture, b.tuning),
                None => Turn::Nothing,
            };
            if turn != Turn::Nothing {
                self.suspected_until = t + 30.0;
                // What is told must be what it was judged by.
                self.picture = Some(picture);
                out.push(turn);
            }
        }
    }

    /// The level for a plug to look at.
    pub fn beside(&self, t: f64, context: &Context) -> Beside {
        let level = self.warm.at(t, self.warm.holds_min());
        let past = |tracker: &Tracker, sign: f64| {
            level.map(|s| tracker.reference.level - sign * s.x).filter(|u| u.is_finite())
        };
        Beside {
            level: level.map(|s| s.x),
            below: past(&self.w_low, 1.0),
            above: past(&self.w_high, -1.0),
            s_x: level.map_or(0.1, |s| s.s_x),
            v: level.map_or(0.0, |s| s.v),
            every: self.warm.interval(),
            cycles: level.is_some_and(|s| self.cycler(&s)),
            live: true,
            learn: !context.hands_in && self.low.now.is_none() && self.high.now.is_none(),
            ..Beside::nothing(t, context)
        }
    }

    /// Its own lamp has been seen to burn for long: what falls then is no evening that nobody told of.
    fn burns(&self, b: &Company) -> bool {
        b.lamp.is_some_and(|l| l.on && (LIT_MIN..1_440.0).contains(&f64::from(l.since_change)))
            && all_give_light(b.sources)
    }

    fn clue(&self, s: &Sample, b: &mut Company) -> Option<Clue> {
        let beside = Beside { live: false, learn: false, ..self.beside(s.t, b.context) };
        let steered = !b.sources.iter().all(|s| matches!(s.thermostat, Some(Thermostat::None)));
        b.plugs.iter_mut().find(|p| p.speaks()).map(|p| p.clue(&beside, steered))
    }

    fn draw(&mut self, s: &Sample, cool: Option<Sample>, b: &mut Company) -> Picture {
        let cycler = self.cycler(s);
        // Windows as wide as the noise asks for at the speed of the last minutes.
        let pace = self.history.mean_fall(s.t, s.x, 10.0).map_or(0.0, f64::abs).max(1e-3);
        let w = (1.4 * self.warm.interval()).max(3.0 * s.s_x / pace).clamp(2.5, 10.0);
        let drops = self.history.drops(s.t, s.x, w);
        let speed = drops.map_or(-s.v, |d| (d[1] + d[2]) / (2.0 * w));
        let test = |sign: f64, strict: bool| drops.is_some_and(|d| even(d, sign, s.s_x, strict));
        let other = b.other(cool);
        let side = |tracker: &Tracker, x: f64, other: f64| Side {
            undercut: tracker.undercut,
            threshold: tracker.threshold,
            past_min: tracker.past_since.map(|since| s.t - since),
            habit: tracker.reference.habit,
            usual: tracker.reference.usual,
            lowest: tracker.reference.lowest,
            recent: tracker.reference.recent,
            days: tracker.reference.days,
            range: tracker.reference.range,
            peak: tracker.peak,
            peak_t: tracker.peak_t,
            min: tracker.min,
            share: tracker.share(x, other),
        };
        let gradient = cool.filter(|_| self.usual_gradient.n > 10.0).map(|c| Gradient {
            now: s.x - c.x,
            usual: self.usual_gradient.mean,
            low: side(&self.d_low, s.x - c.x, f64::NAN),
            high: side(&self.d_high, c.x - s.x, f64::NAN),
            cool_lift: c.x - self.usual_cool.mean,
        });
        let share = self.falls.share;
        let clue = self.clue(s, b);
        let minute = b.context.local_minute.min(1_439);
        let young = self.w_low.reference.days == 0;
        let wanted = self.heard_at.and_then(|place| b.context.wanted[place.index()]);
        let told_hours = s.t - self.clock_moved > CLOCK_DAYS * 1_440.0;
        let (low, high) = (&self.w_low.levels, &self.w_high.levels);
        let held = b.sources.iter().any(|s| !matches!(s.thermostat, None | Some(Thermostat::None)));
        // One probe alone cannot tell an aired room from heat that is lost.
        let sees_doors = cool.is_some() && !b.beside_room;
        let moment = |peak_t: f64| Moment {
            minute,
            x: s.x,
            wanted,
            moves_min: s.t - peak_t,
            steered: (held || cycler) && sees_doors,
        };
        self.pace.hear(s.t, self.w_low.peak_t, speed);
        Picture {
            t: s.t,
            minute,
            interval: self.warm.interval(),
            x: s.x,
            v: s.v,
            s_x: s.s_x,
            s_v: s.s_v,
            fall: speed,
            fades: self.pace.fades(s.t, speed),
            fall_slack: (1.4 * s.s_x / w).min(2.0 * s.s_v),
            low: side(&self.w_low, s.x, other),
            high: side(&self.w_high, -s.x, -other),
            gradient,
            cycler,
            dial: self.may_cycle,
            wanted,
            held,
            burns_by_plan: b.context.lights_planned == Some(true) && all_give_light(b.sources) && !self.may_cycle,
            top: if young {
                if cycler { self.falls.peak.mean as f32 } else { f32::NEG_INFINITY }
            } else if s.x + self.w_high.reference.lowest > high::ABOVE_IN_DARK_K {
                -high.of_all_hours(b.context.day) as f32
            } else {
                f32::INFINITY
            },
            fall_speed: self.speeds(s, cycler, &self.falls),
            rise_speed: self.speeds(s, cycler, &self.rises),
            even_fall: test(1.0, false),
            even_rise: test(-1.0, false),
            strict_fall: test(1.0, true),
            strict_rise: test(-1.0, true),
            since_hurried_fall: s.t - self.hurried_fall,
            since_hurried_rise: s.t - self.hurried_rise,
            since_odd_rise: s.t - self.odd_rise,
            since_dip: s.t - self.dip,
            since_rose_alone: s.t - self.rose_alone,
            share_limit: (share.mean + 3.0 * share.dev + 0.03).clamp(0.2, 0.5),
            since_cool_dip: s.t - self.cool_dip,
            absent_min: None,
            late: told_hours
                && b.context.lights_planned != Some(false)
                && is_late(low, high, b.context.day, minute, s.x, 6.0 * s.s_x),
            stays: told_hours
                && b.context.lights_planned != Some(true)
                && is_late(high, low, b.context.day, minute, -s.x, 6.0 * s.s_x),
            stays_min: None,
            late_min: None,
            above_min: None,
            healed: picture::Healed::default(),
            frozen: self.equal_run > 30,
            depth: (
                self.falls.depth.mean,
                self.falls.excess,
                if self.falls.n > 10.0 { self.falls.a_day(s.t) } else { 0.0 },
            ),
            weak_cycles: self.weak_since.is_some_and(|since| s.t - since >= WEAK_FOR_MIN),
            clue,
            vapour: b.vapour,
            lamp: b.lamp.filter(|_| !b.sources.iter().any(|s| s.kind.shines())),
            young,
            neighbours_ok: b.context.neighbours_ok,
            circuit_lost: b.context.circuit_lost,
            falls_together: b.context.falls_together,
            sees_doors,
            low_waits: match b.context.on_its_way[self.place.index()] {
                Some((low, _)) if s.x >= low => Wait::Never,
                // Lamps that are dark by plan have no heat to lose.
                _ if b.context.lights_planned == Some(false) && all_give_light(b.sources) => Wait::Never,
                _ if young && self.burns(b) => Wait::No,
                _ if young => wait(b.context, b.sources, &moment(self.w_low.peak_t), true),
                _ => Wait::No,
            },
            high_waits: match b.context.on_its_way[self.place.index()] {
                Some((_, high)) if s.x <= high => Wait::Never,
                _ if young => wait(b.context, b.sources, &moment(self.w_high.peak_t), false),
                _ => Wait::No,
            },
        }
    }
}

fn all_give_light(sources: &[Source]) -> bool {
    !sources.is_empty() && sources.iter().all(|s| s.kind.gives_light())
}
