//! Causes on the hot side: heat without end, the sun, the room. The mirror of `low.rs`, with one difference: after a dip
//! (a door) every controller overshoots, so a rise that makes good for one says nothing.

use super::dial;
use super::low::{ANIMAL_K, Suspicion};
use super::picture::{HEATER_SHARE, Picture, Wait};
use super::verdict::{Cause, Way};
use super::watts::{ENOUGH, SHAKEN};

/// A gradient so many times its usual is more than weather makes it.
const WIDER: f64 = 1.25;

/// Longer than the sun shines through one window, min: what one probe alone must outlast before it is believed.
const SUN_MIN: f64 = 80.0;

/// The same where it is dark and the gradient agrees, or where a plug shows power.
const TOLD_MIN: f64 = 30.0;
/// How far above what the days have had at this hour heat without end leads at least, K: further than dials are turned by; in the
/// dark nobody turns one.
const ABOVE_K: f64 = 3.0;
pub const ABOVE_IN_DARK_K: f64 = 2.0;
/// The cool side has risen by less than this share of a rise: it has not gone along.
const ALONE_SHARE: f64 = 0.03;
/// So much of an excess is a rise of its own, and not the last of several steps.
const IN_ONE: f64 = 0.6;
/// For so long after such a rise an animal may lie there, min, and what is only warm for long is not told.
const ANIMAL_LIES_MIN: f64 = 120.0;
/// More than an animal warms the probe it lies on, K, by its own warmth and by what it keeps in. Common practice, no source.
const ANIMAL_WARMS_K: f64 = 3.0;
/// Share of an excess that the gradient must have where no thermostat holds the level.
const OWN_SHARE: f64 = 0.4;

/// Minutes of the local day at which the sun may be up and somebody about.
const SUN_MAY_SHINE: std::ops::Range<u16> = 300..1_380;
/// How long heat must have stayed past its hour, min, how little the level may sink, K/min, and how much of the gradient of the hours
/// before must still be there.
const STAYS_MIN: f64 = 25.0;
const STAYS_K_PER_MIN: f64 = 0.02;
const STAYS_SHARE: f64 = 0.8;
/// So many thresholds of the level and of the gradient, and so long, min: a rise that went on evenly that far is a heater's, however
/// fast: one that is dimmed, or hardly needed, is many times faster at full power than it ever was.
const GROSS: f64 = 3.0;
const GROSS_MIN: f64 = 10.0;

/// So many thresholds are asked for where no thermostat is known to hold the level; twice as many beside a single day.
const WEATHER: f64 = 1.5;
/// A level so many spreads below its highest has turned: noise alone reaches that far once in 30,000 readings.
const TURNED: f64 = 4.0;

/// The most specific cause on the hot side.
pub fn judge(p: &Picture) -> Option<Suspicion> {
    if p.high_waits == Wait::Never || p.lamp_warms() {
        return by_watts(p);
    }
    // Power as ever, and no thermostat that could let it run on: the heat comes from elsewhere, unless it should be off by now.
    if p.clue.is_some_and(|c| c.unsteered && !c.untimely) || p.burns_by_plan {
        return by_watts(p).or_else(|| from_outside(p));
    }
    by_watts(p)
        .or_else(|| stuck(p))
        .or_else(|| runs_away(p))
        .or_else(|| stuck_slowly(p))
        .or_else(|| stays(p))
        .or_else(|| from_outside(p))
}

/// What the plug says of heat without end.
pub fn by_watts(p: &Picture) -> Option<Suspicion> {
    // After a dip every controller heats past its mark; wet air cools, and the warm end overshoots.
    let calm = !cooled(p) && p.since_dip > 20.0 && p.v > 0.0 && p.high_waits != Wait::Never;
    let enough = if p.since_dip < 60.0 { SHAKEN * ENOUGH } else { ENOUGH };
    // Long spells of power come in health too: the level must say so as well, and more so where one probe stands alone.
    let level_agrees =
        p.high.past(if p.sees_doors { 0.7 } else { 1.2 }) && p.high.undercut > ANIMAL_K && !dial::turned_up_at_plug(p);
    // Words of a relay get lost: what it does not switch off soon leads past every turn of this hour.
    let leads_past = p.high.undercut > 0.0 && p.v > 0.0;
    // A time switch that stuck: whatever is planned, the power shows that it is not on its way.
    let runs_late = is_untimely(p) && p.above_min.is_some_and(|m| m >= TOLD_MIN);
    let stuck = p.clue.is_some_and(|c| {
        runs_late
            || (c.welded && leads_past)
            || c.surges
            || (c.endless >= enough && calm && p.even_rise && level_agrees)
    });
    stuck.then_some(Suspicion { cause: Cause::HeatStuckOn, way: Way::Watts, holds_first: true })
}

/// Wet air cools: the controller heats against it, and the warm end, nearer the heater, overshoots for a while after.
fn cooled(p: &Picture) -> bool {
    p.since_cool_dip < 45.0 && !p.high.past(4.0)
}

/// The sun is down in any season, and nobody has drawn a curtain.
pub fn is_dark(p: &Picture) -> bool {
    !SUN_MAY_SHINE.contains(&p.minute)
}

fn gradient_up(p: &Picture, factor: f64) -> bool {
    p.gradient.is_none_or(|g| g.high.past(factor) || (g.high.undercut > 0.0 && g.ratio() > WIDER))
}

/// Heat without end warms the cool side as well, be it by a fiftieth; under an animal that lies on the probe it stays as it was. There
/// it takes a rise that no animal makes.
fn may_be_an_animal(p: &Picture) -> bool {
    rises_alone(p) && p.high.undercut < ANIMAL_WARMS_K
}

/// Whether the cool side has not risen with it, and no plug shows full power. Of a level that was reached by steps the last one's
/// share says little.
pub fn rises_alone(p: &Picture) -> bool {
    let in_one = p.high.past(1.0) && p.high.drop(-p.x) > IN_ONE * p.high.undercut;
    let alone = p.sees_doors && p.high.share.is_some_and(|share| share < ALONE_SHARE);
    in_one && alone && !p.clue.is_some_and(|c| c.full)
}

fn stuck(p: &Picture) -> Option<Suspicion> {
    let shaken = if p.since_hurried_rise < 60.0 || p.since_odd_rise < 60.0 { 2.0 } else { 1.0 };
    let full = p.clue.is_some_and(|c| c.full);
    let first_day = if p.young { 1.5 } else { 1.0 };
    // Without a cool side the sun looks the same, for as long as it shines: only what the sun hardly does counts.
    let blind = !p.sees_doors && !full && !is_dark(p);
    let factor = if full { 1.0 } else { shaken * first_day };
    // Near an hour at which the level is always higher, the gradient knows first: beyond all that this hour had, and the
    // warm end above every crest of late.
    let by_gradient = p.gradient.is_some_and(|g| g.high.past(2.0 * factor))
        && -p.high.recent + factor * p.high.threshold < p.x
        && p.high.recent.is_finite();
    let deep = (p.high.past(factor) && p.high.undercut >= p.healed.high && !p.high.is_known(-p.x)) || by_gradient;
    // On the first day a slow cycle's last crest may be forgotten before the next.
    let as_ever = p.young && p.x <= f64::from(p.top);
    let outshines = !blind || (p.high.past(2.0) && p.high.undercut > 3.0 && p.high.past_for(SUN_MIN));
    (deep && !as_ever && outshines && !may_be_an_animal(p) && widens(p) && looks_endless(p) && !dial::turned_up(p))
        .then_some(())?;
    Some(Suspicion { cause: Cause::HeatStuckOn, way: Way::Course, holds_first: true })
}

/// What no thermostat holds goes up in the sun as well: its gradient must have enough of what the level has too much.
pub fn widens(p: &Picture) -> bool {
    p.held || p.cycler || p.gradient.is_none_or(|g| g.high.undercut > OWN_SHARE * p.high.undercut)
}

/// Whether all but the height of the rise speaks for heat without end.
pub fn looks_endless(p: &Picture) -> bool {
    // No power: whatever warms, it is not the heater.
    if p.unpowered() {
        return false;
    }
    let (low, high) = p.rise_speed;
    let in_speed = -p.fall >= low && -p.fall <= high + p.fall_slack && p.v > -p.s_v;
    let share = p.high.share.is_none_or(|s| s < HEATER_SHARE);
    let fresh = p.high.past_min.is_none_or(|m| m < 5.0);
    let even = if p.cycler && fresh { p.strict_rise } else { p.even_rise };
    let unhurried = p.since_hurried_rise > 12.0 && !p.hurried_within_rise();
    let dip = if p.clue.is_some_and(|c| c.full) { 60.0 } else { 100.0 };
    !cooled(p) && gradient_up(p, 0.3) && in_speed && even && share && unhurried && p.since_dip > dip
}

/// Heat that goes off every day at this hour and has not. A warm evening keeps the level up as well, but not the gradient.
fn stays(p: &Picture) -> Option<Suspicion> {
    let g = p.gradient.filter(|_| p.sees_doors)?;
    let sinks = p.fall > STAYS_K_PER_MIN;
    let as_by_day = g.ratio() > STAYS_SHARE;
    // A night that a thermostat did not make is a night's missing drop (`finding/night.rs`).
    (!p.held
        && p.stays_min.is_some_and(|m| m >= STAYS_MIN)
        && as_by_day
        && !sinks
        && !p.unpowered()
        && p.since_dip > 60.0)
        .then_some(())?;
    Some(Suspicion { cause: Cause::HeatStuckOn, way: Way::Slow, holds_first: false })
}

/// Far past every level and every gradient, evenly, the cool side hardly going along: no sun and no probe that moved does that.
fn runs_away(p: &Picture) -> Option<Suspicion> {
    let own = p.high.share.is_some_and(|share| share < HEATER_SHARE);
    // What makes good for a dip ends where heat is let go.
    let out = p.out_above();
    (p.sees_doors
        && own
        && !p.unpowered()
        && (!p.young || out)
        && p.since_dip > if out { 20.0 } else { 100.0 }
        && !cooled(p)
        && p.even_rise
        && p.high.past(GROSS)
        && p.high.past_for(GROSS_MIN)
        && p.gradient.is_some_and(|g| g.high.past(GROSS))
        && !may_be_an_animal(p)
        && widens(p)
        && !dial::turned_up(p))
    .then_some(())?;
    Some(Suspicion { cause: Cause::HeatStuckOn, way: Way::Course, holds_first: true })
}

fn stuck_slowly(p: &Picture) -> Option<Suspicion> {
    if p.unpowered() || p.young || p.since_rose_alone < ANIMAL_LIES_MIN {
        return None;
    }
    // Longer than the sun shines through a window.
    if p.above_min.is_some_and(|m| m >= if is_dark(p) && p.sees_doors { TOLD_MIN } else { SUN_MIN }) {
        return Some(Suspicion { cause: Cause::HeatStuckOn, way: Way::Slow, holds_first: false });
    }
    let g = p.gradient.filter(|_| p.sees_doors)?;
    let patience = if p.since_dip < 100.0 { 60.0 } else { 20.0 };
    // Without a thermostat the level is the day's: weather and sun move it for hours.
    let one_day = if p.high.days < 2 { 2.0 } else { 1.0 };
    let enough = if p.held { 1.0 } else { one_day * WEATHER };
    // What has turned is being steered.
    let turned = p.cycler && p.x < -p.high.min - TURNED * p.s_x;
    (p.high.past_for(patience)
        && !turned
        && p.high.past(enough)
        && g.high.past(enough)
        && g.ratio() > WIDER
        && widens(p)
        && p.high.undercut >= p.healed.high
        && !dial::held_higher(p))
    .then_some(())?;
    Some(Suspicion { cause: Cause::HeatStuckOn, way: Way::Slow, holds_first: false })
}

fn is_untimely(p: &Picture) -> bool {
    p.clue.is_some_and(|c| c.untimely)
}

/// Whether the rise began in the dark: neither the sun nor a hand on the dial.
fn rose_in_dark(p: &Picture) -> bool {
    let since = i32::from(p.minute) - i32::from(SUN_MAY_SHINE.end);
    let dark_for = f64::from(since.rem_euclid(1_440));
    is_dark(p) && p.high.past_min.is_some_and(|m| m < dark_for)
}

/// Whether the level is now further above what the days have had at this hour than dials and sun make it. Levels that are held for
/// an hour become returns: it is the days that know that heat which rises step by step was never let go.
pub fn is_above(p: &Picture) -> bool {
    if p.high.days < 2 {
        return false;
    }
    if is_untimely(p) {
        return p.x + p.high.lowest > (2.0 * p.high.threshold).max(ABOVE_IN_DARK_K);
    }
    let over = p.x + p.high.lowest;
    // What is held as by day is a night that never came (`finding/night.rs`).
    let held_as_by_day = !rose_in_dark(p) && p.x < f64::from(p.top) + p.high.threshold;
    let Some(g) = p.gradient.filter(|_| p.sees_doors) else {
        let enough = (2.0 * p.high.threshold).max(3.0).max(p.healed.high);
        let enough = if p.held { enough } else { enough.max(2.0 * p.high.range).max(6.0) };
        return p.x + p.high.usual > enough && !(p.held && held_as_by_day);
    };
    let middle = 0.5 * (g.low.usual - g.high.usual);
    let steered = p.held || p.cycler;
    let enough = (2.0 * p.high.threshold).max(if rose_in_dark(p) { ABOVE_IN_DARK_K } else { ABOVE_K });
    let enough = if steered { enough } else { enough.max(2.0 * p.high.range).max(6.0) };
    // Whatever else warms a level that is held takes its gradient away: the thermostat lets go.
    let own = if steered { g.now > middle && !held_as_by_day } else { g.now - middle > OWN_SHARE * over };
    over > enough && own
}

fn from_outside(p: &Picture) -> Option<Suspicion> {
    (looks_outside(p) && p.high.past(3.0) && p.high.undercut > p.healed.outside.max(3.0)).then_some(())?;
    let minutes = (p.t - p.high.peak_t).max(1.0);
    let speed = p.high.drop(-p.x) / minutes;
    let cause = if speed > 1.5 / 60.0 { Cause::OutsideHeat } else { Cause::RoomHot };
    Some(Suspicion { cause, way: Way::Slow, holds_first: false })
}

/// Whether both ends are warm for long, the gradient as ever.
pub fn looks_outside(p: &Picture) -> bool {
    let gradient_stays = p.gradient.is_some_and(|g| !g.high.past(1.0));
    p.high.past_for(40.0) && gradient_stays && p.high.share.is_some_and(|s| s > 0.5)
}
