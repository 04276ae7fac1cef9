//! Causes on the cold side: told apart by the speed of the fall, its evenness in time, and the share that the cool side takes.

use super::dial;
use super::elsewhere;
use super::picture::{OPEN_SHARE, Picture, Wait};
use super::verdict::{Cause, Way};
use super::watts::{ENOUGH, SHAKEN};

/// How long a level must be past its threshold where a relay speaks without watts, min.
const RELAY_ALONE_MIN: f64 = 10.0;

/// What a reading speaks for, and how long that must hold.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Suspicion {
    pub cause: Cause,
    pub way: Way,
    /// Whether it must hold for the configured minutes first.
    pub holds_first: bool,
}

/// How long one probe alone must be past its threshold before a course is believed, min: longer than a cleaning or a misting.
const BLIND_MIN: f64 = 32.0;
/// How long what belongs to this hour must be missing where one probe alone says so, min.
const ALONE_MIN: f64 = 60.0;
/// More than lost heat takes of the cool side, where no open front can be meant.
const OF_HEAT_LOSS_AT_NIGHT: f64 = 0.45;
/// How long heat that every day brings at this hour must be late, min; and where hands may be in, unseen or seen.
const LATE_MIN: f64 = 6.0;
const LATE_HANDLED_MIN: f64 = 32.0;
/// No enclosure warms so fast without its heat, K/min: a room or the day takes hours for a kelvin.
const RISES_K_PER_MIN: f64 = 0.04;
/// So much of the usual gradient, and so many K of it, say that there is heat.
const LATE_GRADIENT: f64 = 0.8;
const LATE_GRADIENT_K: f64 = 1.5;
/// It has not only stayed away: it has fallen by so much, K.
const HANDLED_K: f64 = 2.0;
/// How long a level must be past its threshold where the plug shows its usual power, min: longer than a cleaning.
const ASTRAY_MIN: f64 = 45.0;
/// The cool side sinks now: it has within so many minutes.
const SINKS_MIN: f64 = 5.0;
/// What must be missing, K, where one probe alone speaks: more than dials are turned by and rooms are aired by.
const BLIND_K: f64 = 4.0;
/// For so long after a misting wet surfaces cool, min. Common practice, no source.
const WET_MIN: f64 = 45.0;
/// More than an animal on the probe makes, K.
pub const ANIMAL_K: f64 = 0.9;

/// Where another enclosure on the circuit has just lost its heat, this much of a threshold tells that the power went: what is
/// expected needs less evidence. One healthy excess in some 40 to 150 goes as far as half of it (`levels.rs`: e^(−h/2β) at h = 7.5 β to 10 β).
const BESIDE: f64 = 0.5;

const fn at_once(cause: Cause, way: Way) -> Option<Suspicion> {
    Some(Suspicion { cause, way, holds_first: false })
}

pub const fn if_it_holds(cause: Cause, way: Way) -> Option<Suspicion> {
    Some(Suspicion { cause, way, holds_first: true })
}

/// The most specific cause on the cold side.
pub fn judge(p: &Picture) -> Option<Suspicion> {
    // A plug without a thermostat that shows no power is off as planned, or missing: its watts alone decide.
    if p.low_waits == Wait::Never || p.clue.is_some_and(|c| c.unsteered && c.none) {
        // Nor is what every day brings at this hour the plan's doing.
        return by_watts(p).or_else(|| late(p));
    }
    if p.lamp_cools() {
        return by_watts(p);
    }
    by_watts(p)
        .or_else(|| together(p))
        .or_else(|| elsewhere::colder(p))
        .or_else(|| by_course(p))
        .or_else(|| slow(p))
        .or_else(|| absent(p))
        .or_else(|| late(p))
        .or_else(|| elsewhere::gone(p))
        .or_else(|| left_open(p))
        .or_else(|| room(p))
        .or_else(|| weak(p))
}

/// Twice the threshold is asked for within an hour of a door or of heat from outside, which leave their own way down.
fn factor(p: &Picture) -> f64 {
    let wet = p.vapour.is_some_and(|v| f64::from(v.since_wetted) < WET_MIN);
    let shaken = wet || p.since_hurried_fall < 60.0 || p.since_odd_rise < 60.0;
    let base = if shaken { 2.0 } else { 1.0 };
    // A plug that shows the usual power speaks against lost heat: only what is gross can then be heat astray.
    let told = if p.powered() { 1.7 * base } else { base };
    // The thermostat itself does not call: a turned dial, or a thermostat that is wrong by a lot.
    let told = if p.clue.is_some_and(|c| c.told_on == Some(false)) { 2.0 * told } else { told };
    // Without a cool side a door can only be told by its speed.
    let blind = match p.sees_doors {
        true => told,
        false if !p.held => 2.0 * told,
        false => 1.5 * told,
    };
    let blind = first_day(p) * blind;
    match (p.circuit_lost, p.neighbours_ok) {
        (true, _) => BESIDE * blind,
        // The whole room is unlike itself: then its air explains much.
        (_, Some(false)) => 1.5 * blind,
        _ => blind,
    }
}

/// On the first day nothing is known of other hours.
fn first_day(p: &Picture) -> f64 {
    if p.young { 2.0 } else { 1.0 }
}

/// What the plug says of lost heat.
pub fn by_watts(p: &Picture) -> Option<Suspicion> {
    let clue = p.clue?;
    let calm = p.since_hurried_fall > 12.0;
    // Words of a relay get lost: where it is off after all, the level is far above where heat is called for.
    if clue.missing && (clue.unsteered || p.low.past(-1.0)) {
        return at_once(Cause::HeatFailed, Way::Watts);
    }
    if p.low_waits == Wait::Never || p.since_hurried_fall < 4.0 || !(clue.none || clue.lost > 0.0) {
        return None;
    }
    let shaken = p.since_odd_rise < 60.0 || p.hurried_within_fall();
    // Sun, lamp or room may do the heater's work; then the cool side is warm, and nobody calls for heat.
    let outside = p.gradient.is_some_and(|g| g.narrowed_from_outside()) || p.low.share.is_some_and(|s| s < -0.08);
    let along = p.gradient.is_none_or(|g| g.low.past(0.2));
    let first_day = first_day(p);
    let falls = p.v < 0.0;
    let by_level = calm
        && falls
        && !shaken
        && clue.none
        && clue.told_on != Some(false)
        && p.low.past(first_day * if p.sees_doors { 1.0 } else { 1.5 })
        && p.low.undercut > ANIMAL_K
        && p.even_fall
        && along
        && !outside;
    // A noisy probe shows no even fall; but no power, and a level below every return for longer than a cleaning, is enough.
    let by_standing = clue.none
        && clue.told_on != Some(false)
        && p.low.past(first_day)
        && p.low.past_for(ASTRAY_MIN)
        && p.low.undercut > ANIMAL_K
        && p.sees_doors
        && p.gradient.is_some_and(|g| g.low.days > 1 && g.due() && g.of_this_hour() < 0.5)
        && !outside;
    let dial = clue.told_on != Some(true) && dial::turned_down_at_plug(p);
    // A relay without watts: an open front and wet air look the same to it, for as long as they last.
    let relay_alone = calm && !shaken && p.low.past(1.0) && p.low.past_for(RELAY_ALONE_MIN) && share_fits(p);
    // A door cools the thermostat too: no power long after it is no answer to a door.
    let by_spell = clue.lost >= if shaken { SHAKEN * ENOUGH } else { ENOUGH };
    // Long pauses come in health too, in the sun or with an animal on the probe: the level must say so as well, but for a
    // relay's own word.
    let level_agrees = clue.told_on == Some(true) || (p.low.past(first_day) && p.low.undercut > ANIMAL_K && !outside);
    // At an hour that has no gradient to lose, no power is nothing missing.
    let due = p.cycler || clue.told_on == Some(true) || p.gradient.is_none_or(|g| g.due());
    let by_spell = by_spell && falls && p.even_fall && due && (clue.none || relay_alone) && level_agrees;
    (!clue.unsteered && !dial && !may_be_hands(p) && (by_spell || by_level || by_standing)).then_some(())?;
    if_it_holds(Cause::HeatFailed, Way::Watts)
}

fn in_speed(p: &Picture) -> bool {
    let (low, high) = p.fall_speed;
    p.fall >= low && p.fall <= high + p.fall_slack && p.v < p.s_v
}

fn share_fits(p: &Picture) -> bool {
    let drop = p.low.drop(p.x).max(0.1);
    // A cool side that was not heard at the peak is known by what the fall has left of the gradient.
    let kept = || p.gradient.map(|g| 1.0 - g.low.drop(g.now) / drop);
    let Some(share) = p.low.share.or_else(kept) else { return true };
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
    // At night no front is opened: what takes the cool side along is the heat of a small box.
    let limit = if dial::awake(p) || !p.low.past(2.0) { limit } else { limit.max(OF_HEAT_LOSS_AT_NIGHT) };
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
    // Near an hour at which the level is always lower, the gradient knows first.
    let by_gradient = by_gradient
        || (cool_falls
            && p.since_odd_rise > 120.0
            && p.gradient.is_some_and(|g| g.low.past(2.0 * f))
            && p.low.recent.is_finite()
            && p.low.recent - p.x > f * p.low.threshold);
    let deep =
        !p.low.is_known(p.x) && p.low.undercut >= p.healed.low && (p.low.past(f) || by_gradient || depth_trigger(p));
    // Without a cool side wet air and a lid off for cleaning look like lost heat for as long as they last.
    // At night nobody cleans.
    let waited = p.sees_doors || !dial::awake(p) || p.low.past_for(BLIND_MIN);
    if deep && waited && !settles(p, f) && !astray_waits(p) && looks_lost(p) && !dial::turned_down(p) {
        return if_it_holds(Cause::HeatFailed, Way::Course);
    }
    None
}

/// It finds its level: an animal on the probe, as far as one makes it fall.
fn settles(p: &Picture, factor: f64) -> bool {
    p.fades && !p.cycler && !p.low.past(2.0 * factor)
}

/// Heat that flows by its plug and does not arrive is rarer by far than a front that stands open: it waits longer than that.
fn astray_waits(p: &Picture) -> bool {
    p.powered() && !p.low.past_for(ASTRAY_MIN)
}

/// The cool side sinks faster than lost heat makes it: somebody cleans, and may have taken the heat off meanwhile.
fn may_be_hands(p: &Picture) -> bool {
    let sinks = p.sees_doors && p.since_cool_dip < SINKS_MIN && !share_fits(p);
    sinks && dial::awake(p) && !p.low.past_for(ASTRAY_MIN)
}

/// One of several that fall at once: no dial, no front, no heater of its own.
fn together(p: &Picture) -> Option<Suspicion> {
    (p.falls_together && p.lean() > 0.0).then_some(())?;
    if_it_holds(Cause::HeatFailed, Way::Course)
}

/// Whether all but the depth of the fall speaks for lost heat: speed, evenness, the cool side's share, the gradient.
pub fn looks_lost(p: &Picture) -> bool {
    let gradient_goes_along = p.gradient.is_none_or(|g| p.cycler || (g.low.past(0.3) && g.due()));
    let fresh = p.low.past_min.is_none_or(|m| m < 5.0);
    let even = if p.cycler && fresh { p.strict_fall } else { p.even_fall };
    // How this heat falls is known where it cycles; elsewhere a hurried fall by day may be hands, for as long as a cleaning.
    let hands_min = if p.cycler || !dial::awake(p) { 12.0 } else { BLIND_MIN };
    let unhurried =
        p.since_hurried_fall > hands_min && (!p.hurried_within_fall() || p.ratio().is_some_and(|r| r < 0.4));
    in_speed(p) && even && share_fits(p) && gradient_goes_along && unhurried
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
    let patience = match p.sees_doors {
        // The room's air stays as it is when a front is opened: longer than most cleanings.
        false => ALONE_MIN,
        // Readings minutes apart do not show that a door's fall was hurried.
        true if p.since_hurried_fall < 90.0 || p.interval > 2.5 => 45.0,
        true => 20.0,
    };
    // An animal that lies on the probe narrows the gradient for hours, but not by this much.
    let long = p.low.past_for(patience) && p.low.past(factor(p).min(1.7)) && p.low.undercut > ANIMAL_K;
    (long
        && !astray_waits(p)
        && !dial::held_lower(p)
        // Hands and an open front take both ends down for as long as they last.
        && p.low.share.is_none_or(|share| share < OPEN_SHARE)
        && g.due()
        && g.missing() > 1.5
        && !g.narrowed_from_outside()
        && g.low.past(1.0)
        && g.ratio() < 0.5)
        .then_some(())?;
    at_once(Cause::HeatFailed, Way::Slow)
}

/// Heat that should have come back at its hour and has not: only a habit by clock time can know that it is due.
fn absent(p: &Picture) -> Option<Suspicion> {
    let patience = match p.sees_doors {
        false => ALONE_MIN,
        true if p.since_hurried_fall < 90.0 => 45.0,
        true if dial::may_be_lower(p, p.low.lowest - p.x) => 60.0,
        true => 15.0,
    };
    (p.absent_min.is_some_and(|m| m >= patience) && !p.frozen).then_some(())?;
    at_once(Cause::HeatFailed, Way::Absent)
}

/// Heat that comes every day at this hour and has not.
fn late(p: &Picture) -> Option<Suspicion> {
    let fell = p.low.drop(p.x) > HANDLED_K;
    let handled = p.since_hurried_fall < 90.0 || !p.sees_doors || fell;
    let patience = if handled { LATE_HANDLED_MIN } else { LATE_MIN };
    // What rises has its heat, late as it is.
    let rises = -p.fall > RISES_K_PER_MIN && p.v >= 0.0;
    // A misting holds the level back, while the gradient shows the heat.
    let warms = p.gradient.is_some_and(|g| g.now > (LATE_GRADIENT * g.usual).max(LATE_GRADIENT_K));
    p.late_min.filter(|m| *m >= patience && !p.frozen && !rises && !warms)?;
    at_once(Cause::HeatFailed, Way::Absent)
}

/// Whether the warm end and its gradient are now far below what the days have had at this hour.
pub fn is_absent(p: &Picture) -> bool {
    if p.low.days < 2 {
        return false;
    }
    let lacks = p.low.lowest - p.x;
    let Some(g) = p.gradient else {
        // One probe alone: much is missing, for long, and nothing brings it back.
        // What nobody is known to hold goes with room and weather: there it takes far more than days differ by.
        let enough = if p.held { BLIND_K } else { (2.0 * p.low.range).max(2.0 * BLIND_K) };
        return lacks > (3.0 * p.low.threshold).max(enough) && -p.fall < 0.05 && p.since_hurried_fall > 90.0;
    };
    let missing = g.low.lowest - g.now;
    let due = g.low.lowest > (0.35 * g.usual).max(1.2);
    // The warm end itself must lack it: a cool side in the sun narrows the gradient too.
    let its_own = lacks > 0.5 * missing && lacks > p.low.threshold;
    let rising = -p.fall > g.low.lowest / 40.0;
    due && missing > g.low.threshold.max(1.2) && g.now < 0.4 * g.low.lowest && its_own && !rising
}

fn left_open(p: &Picture) -> Option<Suspicion> {
    // Where the power is gone both ends sink for hours.
    if p.circuit_lost {
        return None;
    }
    if p.stands_open() {
        return at_once(Cause::LeftOpen, Way::Slow);
    }
    let share = p.low.share.filter(|_| !p.is_shut())?;
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
    // One day does not know what is usual.
    if p.low.days < 2 {
        return None;
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
