//! Causes on the hot side: heat without end, the sun, the room. The mirror of `low.rs`, with one difference: after a dip
//! (a door) every controller overshoots, so a rise that makes good for one says nothing.

use super::low::Suspicion;
use super::picture::{Picture, Wait};
use super::verdict::{Cause, Way};

/// The most specific cause on the hot side.
pub fn judge(p: &Picture) -> Option<Suspicion> {
    if p.high_waits == Wait::Never {
        return by_watts(p);
    }
    // Power as ever, and no thermostat that could let it run on: the heat comes from elsewhere.
    if p.clue.is_some_and(|c| c.unsteered) {
        return by_watts(p).or_else(|| from_outside(p));
    }
    by_watts(p).or_else(|| stuck(p)).or_else(|| stuck_slowly(p)).or_else(|| from_outside(p))
}

/// What the plug says of heat without end.
pub fn by_watts(p: &Picture) -> Option<Suspicion> {
    let blind = if p.gradient.is_none() { 2.5 } else { 1.0 };
    let above = p.high.past(0.6 * blind)
        && !cooled(p)
        && gradient_up(p, 0.2)
        && p.since_dip > 60.0
        && p.v > 0.0
        && p.high_waits != Wait::Never;
    let stuck = p.clue.is_some_and(|c| c.surges || (c.endless && above));
    stuck.then_some(Suspicion { cause: Cause::HeatStuckOn, way: Way::Watts, holds_first: true })
}

/// Wet air cools: the controller heats against it, and the warm end, nearer the heater, overshoots.
fn cooled(p: &Picture) -> bool {
    p.cool_drop > 0.3 + 3.0 * p.s_x && !p.high.past(4.0)
}

fn gradient_up(p: &Picture, factor: f64) -> bool {
    p.gradient.is_none_or(|g| g.high.past(factor))
}

fn stuck(p: &Picture) -> Option<Suspicion> {
    // No power: whatever warms, it is not the heater.
    if p.unpowered() {
        return None;
    }
    let (low, high) = p.rise_speed;
    let in_speed = -p.fall >= low && -p.fall <= high + p.fall_slack && p.v > -p.s_v;
    let share = p.high.share.is_none_or(|s| s < 0.45);
    let fresh = p.high.past_min.is_none_or(|m| m < 5.0);
    let even = if p.cycler && fresh { p.strict_rise } else { p.even_rise };
    let shaken = if p.since_hurried_rise < 60.0 || p.since_odd_rise < 60.0 { 2.0 } else { 1.0 };
    let unhurried = p.since_hurried_rise > 12.0 && !p.hurried_within_rise();
    let full = p.clue.is_some_and(|c| c.full);
    let dip = if full { 60.0 } else { 100.0 };
    // Without a cool side the sun looks the same: only what the sun hardly does counts.
    let blind = if p.gradient.is_none() { (3.0 / p.high.threshold).max(2.0) } else { 1.0 };
    let factor = if full { 1.0 } else { shaken * blind };
    (!cooled(p)
        && p.high.past(factor)
        && gradient_up(p, 0.3)
        && in_speed
        && even
        && share
        && unhurried
        && p.since_dip > dip)
        .then_some(())?;
    Some(Suspicion { cause: Cause::HeatStuckOn, way: Way::Course, holds_first: true })
}

fn stuck_slowly(p: &Picture) -> Option<Suspicion> {
    if p.unpowered() {
        return None;
    }
    let g = p.gradient?;
    let patience = if p.since_dip < 100.0 { 60.0 } else { 20.0 };
    (p.high.past_for(patience) && g.high.past(1.0) && g.ratio() > 1.25).then_some(())?;
    Some(Suspicion { cause: Cause::HeatStuckOn, way: Way::Slow, holds_first: false })
}

fn from_outside(p: &Picture) -> Option<Suspicion> {
    let share = p.high.share?;
    let gradient_stays = p.gradient.is_some_and(|g| !g.high.past(1.0));
    (p.high.past_for(40.0) && p.high.past(3.0) && p.high.undercut > 3.0 && gradient_stays && share > 0.5)
        .then_some(())?;
    let minutes = (p.t - p.high.peak_t).max(1.0);
    let speed = p.high.drop(-p.x) / minutes;
    let cause = if speed > 1.5 / 60.0 { Cause::OutsideHeat } else { Cause::RoomHot };
    Some(Suspicion { cause, way: Way::Slow, holds_first: false })
}
