//! Causes on the cold side: told apart by the speed of the fall, its evenness in time, and the share that the cool side takes.

use super::picture::{Picture, Wait};
use super::verdict::{Cause, Way};

/// What a reading speaks for, and how long that must hold.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Suspicion {
    pub cause: Cause,
    pub way: Way,
    /// Whether it must hold for the configured minutes first.
    pub holds_first: bool,
}

const fn at_once(cause: Cause, way: Way) -> Option<Suspicion> {
    Some(Suspicion { cause, way, holds_first: false })
}

const fn if_it_holds(cause: Cause, way: Way) -> Option<Suspicion> {
    Some(Suspicion { cause, way, holds_first: true })
}

/// The most specific cause on the cold side.
pub fn judge(p: &Picture) -> Option<Suspicion> {
    // A plug without a thermostat that shows no power is off as planned, or missing: its watts alone decide.
    if p.low_waits == Wait::Never || p.clue.is_some_and(|c| c.unsteered && c.none) {
        return by_watts(p);
    }
    by_watts(p)
        .or_else(|| by_course(p))
        .or_else(|| slow(p))
        .or_else(|| absent(p))
        .or_else(|| displaced(p))
        .or_else(|| left_open(p))
        .or_else(|| room(p))
        .or_else(|| weak(p))
}

/// Twice the threshold is asked for within an hour of a door or of heat from outside, which leave their own way down.
fn factor(p: &Picture) -> f64 {
    let shaken = p.since_hurried_fall < 60.0 || p.since_odd_rise < 60.0;
    let base = if shaken { 2.0 } else { 1.0 };
    // A plug that shows the usual power speaks against lost heat: only what is gross can then be heat astray.
    let told = if p.powered() { 1.7 * base } else { base };
    // Without a cool side a door can only be told by its speed.
    let blind = if p.gradient.is_none() { 1.5 * told } else { told };
    // The whole room is unlike itself: then its air explains much.
    if p.neighbours_ok == Some(false) { 1.5 * blind } else { blind }
}

/// What the plug says of lost heat.
pub fn by_watts(p: &Picture) -> Option<Suspicion> {
    let clue = p.clue?;
    let calm = p.since_hurried_fall > 12.0;
    if clue.missing {
        return at_once(Cause::HeatFailed, Way::Watts);
    }
    if p.low_waits == Wait::Never || !calm || !clue.none || p.v >= 0.0 {
        return None;
    }
    let shaken = p.since_odd_rise < 60.0 || p.hurried_within_fall();
    // Sun, lamp or room may do the heater's work; then the cool side is warm, and nobody calls for heat.
    let outside = p.gradient.is_some_and(|g| g.narrowed_from_outside()) || p.low.share.is_some_and(|s| s < -0.08);
    let along = p.gradient.is_none_or(|g| g.low.past(0.2));
    let enough = if clue.pulse_stopped {
        p.low.past(0.4)
    } else if clue.overdue {
        p.low.past(0.6)
    } else {
        p.low.past(1.0) && p.even_fall
    };
    (enough && along && !outside && !shaken && !clue.unsteered).then_some(())?;
    if_it_holds(Cause::HeatFailed, Way::Watts)
}

fn in_speed(p: &Picture) -> bool {
    let (low, high) = p.fall_speed;
    p.fall >= low && p.fall <= high + p.fall_slack && p.v < p.s_v
}

fn share_fits(p: &Picture) -> bool {
    let Some(share) = p.low.share else { return true };
    let drop = p.low.drop(p.x).max(0.1);
    let run = p.t - p.low.peak_t;
    let of_heat_loss = if run < 10.0 {
        0.20
    } else if run < 16.0 {
        0.25
    } else if run < 30.0 {
        0.30
    } else {
        0.37
    };
    let limit = if p.cycler { p.share_limit.max(of_heat_loss) } else { of_heat_loss };
    // A cool side that rises while the warm end falls is warmed from outside: the heat has been let go, not lost.
    share <= limit + p.s_x / drop && share >= -0.08 - p.s_x / drop
}

fn by_course(p: &Picture) -> Option<Suspicion> {
    let f = factor(p);
    // The sun on the cool side narrows the gradient too, but then the cool side rises.
    let cool_falls = p.low.share.is_none_or(|s| s > 0.0);
    let by_gradient = !p.cycler
        && cool_falls
        && p.since_odd_rise > 120.0
        && p.gradient.is_some_and(|g| g.low.past(1.2 * f))
        && p.low.past(0.4 * f);
    let deep = p.low.past(f) || by_gradient || depth_trigger(p);
    let gradient_goes_along = p.gradient.is_none_or(|g| p.cycler || (g.low.past(0.3) && g.due()));
    let fresh = p.low.past_min.is_none_or(|m| m < 5.0);
    let even = if p.cycler && fresh { p.strict_fall } else { p.even_fall };
    let unhurried = p.since_hurried_fall > 12.0 && (!p.hurried_within_fall() || p.ratio().is_some_and(|r| r < 0.4));
    // Without a cool side wet air and a lid off for cleaning look like lost heat for as long as they last.
    let waited = p.gradient.is_some() || p.low.past_for(20.0);
    if deep && waited && in_speed(p) && even && share_fits(p) && gradient_goes_along && unhurried {
        return if_it_holds(Cause::HeatFailed, Way::Course);
    }
    None
}

/// For heat whose level follows the room: a fall deeper than falls ever are, though not far past the returns.
fn depth_trigger(p: &Picture) -> bool {
    let (mean, excess, a_day) = p.depth;
    if p.cycler || a_day <= 0.0 || mean <= 0.0 || !p.low.past(0.3) {
        return false;
    }
    let habitual_change = p.low.recent - p.low.habit > (mean / 5.0).max(0.3);
    let l = libm::log((365.0 * a_day * 0.4 / 0.03).max(400.0));
    !habitual_change
        && p.since_odd_rise > 120.0
        && p.since_hurried_fall > 60.0
        && p.low.drop(p.x) > mean + excess.max(0.1) * l
}

fn slow(p: &Picture) -> Option<Suspicion> {
    let g = p.gradient?;
    let patience = if p.since_hurried_fall < 90.0 { 45.0 } else { 20.0 };
    let long = p.low.past_for(patience) && p.low.past(factor(p).min(1.7));
    (long && g.due() && g.missing() > 1.5 && !g.narrowed_from_outside() && g.low.past(1.0) && g.ratio() < 0.5)
        .then_some(())?;
    at_once(Cause::HeatFailed, Way::Slow)
}

fn absent(p: &Picture) -> Option<Suspicion> {
    let g = p.gradient?;
    let due = g.low.habit.is_finite() && g.low.habit > (0.35 * g.usual).max(1.2);
    let missing = g.now < 0.4 * g.low.habit
        && g.low.habit - g.now > 1.2
        && g.cool_lift < 0.5 * (g.low.habit - g.now)
        && p.x < p.low.habit - 0.7 * p.low.threshold;
    let patience = if p.since_hurried_fall < 90.0 { 45.0 } else { 15.0 };
    let long = p.low.past_for(patience);
    // After a night without heat the usual gradient has faded: what belongs to this hour is the measure.
    let rising = p.v > g.low.habit / 40.0;
    (due && missing && long && !rising && !p.frozen).then_some(())?;
    at_once(Cause::HeatFailed, Way::Absent)
}

fn displaced(p: &Picture) -> Option<Suspicion> {
    let g = p.gradient?;
    let lately = p.since_hurried_fall > 1.5 && p.since_hurried_fall < 15.0;
    let share = p.low.share?;
    (p.low.past(1.0) && lately && -p.v < 0.5 * p.fall_speed.1 && share < 0.15 && g.ratio() < 0.35 && g.low.past(1.0))
        .then_some(())?;
    if_it_holds(Cause::ProbeDisplaced, Way::Course)
}

fn left_open(p: &Picture) -> Option<Suspicion> {
    let share = p.low.share?;
    let bottom = p.x - p.low.min < p.low.undercut / 5.0;
    let hurried_at_start = p.since_hurried_fall < 60.0 || p.hurried_within_fall();
    (p.low.past_for(45.0) && p.low.past(1.5) && hurried_at_start && share > 0.15 && bottom).then_some(())?;
    at_once(Cause::LeftOpen, Way::Slow)
}

fn room(p: &Picture) -> Option<Suspicion> {
    let share = p.low.share?;
    let gradient_stays = p.gradient.is_some_and(|g| !g.low.past(1.0));
    (p.low.past_for(45.0)
        && p.low.undercut > 2.5
        && p.low.past(2.5)
        && share > 0.5
        && gradient_stays
        && !p.hurried_within_fall()
        && p.neighbours_ok != Some(true))
    .then_some(())?;
    at_once(Cause::RoomCold, Way::Slow)
}

fn weak(p: &Picture) -> Option<Suspicion> {
    if p.clue.is_some_and(|c| c.weak) {
        return at_once(Cause::HeatWeak, Way::Watts);
    }
    if p.weak_cycles {
        return at_once(Cause::HeatWeak, Way::Cycles);
    }
    let g = p.gradient?;
    let ratio = g.ratio();
    let long = g.low.past_for(60.0) && p.low.past_for(20.0);
    let own_doing = !g.narrowed_from_outside();
    (!p.cycler && own_doing && long && ratio > 0.4 && ratio < 0.85 && p.since_hurried_fall > 150.0).then_some(())?;
    at_once(Cause::HeatWeak, Way::Slow)
}
