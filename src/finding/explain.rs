//! Why a place is out of its band, where what was seen beside it tells: the room, a front that stands open, the sun, a probe
//! that fell out, the heat. A symptom that is explained is told by its explanation's name, from its first mail on where
//! possible, and never more urgently than the symptom itself.
//!
//! `heat/` names what it is sure of by itself and comes first; here something is wrong in any case, and the question is only
//! which name it gets. So far less evidence is asked for.

use super::cause::{Cause, Urgency};
use super::fact::Fact;
use super::room::{Says, Unlike};
use super::{Change, Finding, Key, Subject};
use crate::heat::picture::{ALONG, Gradient, HEATER_SHARE, Picture};
use crate::heat::{is_dark, looks_endless, looks_lost, widens};
use crate::terms::place::Place;
use crate::terms::time::{Now, Span};
use serde::{Deserialize, Serialize};

/// The cool side has left its usual level by so much with the warm end, K: both are moved from outside.
const TOGETHER_K: f64 = 1.0;
/// The gradient is as usual when so much of it is there: then the heat works.
const HEAT_WORKS: f64 = 0.8;
/// More than so much of the usual gradient: then it is the heat that warms, and above the second it warms without end.
const HEAT_WARMS: f64 = 1.15;
const HEAT_RUNS_ON: f64 = 1.3;
/// Or so many thresholds beyond every gradient of this hour, and as many with the ratio.
const HEAT_BEYOND: f64 = 0.7;
const HEAT_LEANS: f64 = 0.3;
/// A rise that went on evenly for so long is a heater's, however fast, min.
const HEATS_FOR_MIN: f64 = 8.0;
/// Less than so much of it where it is due: the heat is missing.
const HEAT_MISSING: f64 = 0.5;
/// Less than this share of the usual gradient is left of a probe that fell out, or of an enclosure that stands open.
const GRADIENT_GONE: f64 = 0.6;
/// What hurried longer ago explains nothing.
const HURRIED_WITHIN_MIN: f64 = 180.0;
/// A probe that fell has come to rest, and the others have been heard since, min.
const SETTLED_MIN: f64 = 5.0;
/// Sun moves faster than a room, K in an hour. As in `heat/`.
const SUN_K_AN_HOUR: f64 = 1.5;
/// What moves the whole room moves the others by this share of it at the least: what is in the sun goes alone.
const OTHERS_ALONG: f64 = 0.4;
/// The beginning of a course is believed no further back.
const LONGEST_COURSE_MIN: f64 = 720.0;

/// What is seen beside the symptom.
#[derive(Clone, Copy, Debug)]
pub struct Beside<'a> {
    /// The heated end by its own course, where it was heard lately.
    pub picture: Option<&'a Picture>,
    pub room: Says,
    /// How far the place went the symptom's way within an hour lately, K, and what of that others of its room did on the
    /// median; `None`: there are none.
    pub went_k: f64,
    pub others_went_k: Option<f64>,
    /// What `heat/` names, and where: then nothing is left to explain.
    pub named: &'a [(Cause, Place)],
}

/// What stands of one enclosure.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Judge {
    told: Option<(Cause, Place)>,
}

/// A symptom: where, and whether it is too warm there.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Symptom {
    pub place: Place,
    pub hot: bool,
    pub urgency: Urgency,
}

impl Beside<'_> {
    /// Whether the other enclosures of the room went along; `None`: nobody can say.
    fn others_along(&self) -> Option<bool> {
        let others = self.others_went_k.filter(|_| self.went_k >= TOGETHER_K)?;
        Some(others >= OTHERS_ALONG * self.went_k)
    }

    /// Whether what warms from outside is the sun and not the room, be that as warm as each afternoon.
    fn is_sun(&self) -> bool {
        self.others_along().map_or(self.went_k > SUN_K_AN_HOUR, |along| !along)
    }
}

impl Judge {
    pub fn stands(&self) -> bool {
        self.told.is_some()
    }

    /// Call after the judges of symptoms; `symptom` is the gravest that stands.
    pub fn hear(
        &mut self,
        subject: Subject,
        symptom: Option<Symptom>,
        beside: &Beside,
        now: Now,
        out: &mut Vec<Change>,
    ) {
        let over = symptom.is_none() || !beside.named.is_empty();
        if let Some((cause, place)) = self.told.filter(|_| over) {
            self.told = None;
            // What `heat/` has come to say itself is its own to end.
            if !beside.named.contains(&(cause, place)) {
                out.push(Change::Calm(Key { subject, cause, place: Some(place) }));
            }
        }
        let Some(symptom) = symptom.filter(|_| !over && self.told.is_none()) else { return };
        let Some(cause) = cause(symptom.hot, beside) else { return };
        self.told = Some((cause, symptom.place));
        let since = beside.picture.map_or(now, |p| began(p, symptom.hot, now));
        let mut finding = Finding::new(subject, cause, Some(symptom.place), since);
        finding.urgency = symptom.urgency.min(cause.usual_urgency());
        if let Says::Unlike(Unlike { now_c, usual_c }) = beside.room {
            finding.facts.push(Fact::Room { now: now_c, usual: Some(usual_c) });
        }
        if let Some(g) = beside.picture.and_then(|p| p.gradient) {
            finding.facts.push(Fact::Gradient { now: g.now, usual: g.usual });
        }
        out.push(Change::Stands(finding));
    }
}

fn began(p: &Picture, hot: bool, now: Now) -> Now {
    let peak_t = if hot { p.high.peak_t } else { p.low.peak_t };
    let minutes = (p.t - peak_t).clamp(0.0, LONGEST_COURSE_MIN);
    let back = Span::from_s(if minutes.is_finite() { minutes * 60.0 } else { 0.0 });
    Now { mono: now.mono - back, wall: now.wall_of(now.mono - back) }
}

fn cause(hot: bool, beside: &Beside) -> Option<Cause> {
    if beside.picture.is_some_and(swapped) {
        return Some(Cause::ProbesSwapped);
    }
    if hot { why_hot(beside) } else { why_cold(beside) }
}

fn why_cold(beside: &Beside) -> Option<Cause> {
    let gradient = beside.picture.and_then(|p| p.gradient);
    if let Some(cause) = beside.picture.and_then(hurried_fall) {
        return Some(cause);
    }
    let heat_works = gradient.is_none_or(|g| g.of_this_hour() > HEAT_WORKS);
    if matches!(beside.room, Says::Unlike(room) if room.is_cold()) && heat_works {
        return Some(Cause::RoomCold);
    }
    let (p, g) = beside.picture.zip(gradient)?;
    let along = p.low.share.is_none_or(|share| share > 0.5);
    if g.cool_lift < -TOGETHER_K && heat_works && along {
        // Both ends are cooled from outside; where it began at once, or only here, the outside has come in.
        return match (beside.room, beside.others_along()) {
            _ if p.hurried_within_fall() => Some(Cause::LeftOpen),
            (_, Some(false)) => Some(Cause::LeftOpen),
            // A night as the nights before.
            (Says::AsUsual, _) => None,
            _ => Some(Cause::RoomCold),
        };
    }
    let opened = p.hurried_within_fall() || p.looks_open();
    // What is held for an hour becomes a return; the days still know what it was like.
    let below_the_days = p.low.days > 1 && p.low.lowest - p.x > 2.0 * p.low.threshold;
    let below = p.low.past(1.0) || below_the_days;
    let own_doing = !p.narrowed_from_outside() && g.due() && below && !opened;
    match g.of_this_hour() {
        ratio if !own_doing || ratio > HEAT_WORKS => None,
        ratio if ratio < HEAT_MISSING || looks_lost(p) => Some(Cause::HeatFailed),
        _ => Some(Cause::HeatWeak),
    }
}

/// The gradient stands on its head since a fall that was no heat's, and the cool side has risen by as much as one that only lies
/// elsewhere would not make it.
fn swapped(p: &Picture) -> bool {
    let upside_down = |g: &Gradient| g.now < -0.5 * g.usual;
    let rose = p.low.share.is_some_and(|share| share < -ALONG);
    p.gradient.as_ref().is_some_and(upside_down) && rose && p.hurried_within_fall() && p.low.past(1.0)
}

/// A fall that began faster than heat can go: an open front, or a probe that fell out of its place.
fn hurried_fall(p: &Picture) -> Option<Cause> {
    let hurried = p.hurried_within_fall() && p.since_hurried_fall < HURRIED_WITHIN_MIN;
    if p.stands_open() {
        return Some(Cause::LeftOpen);
    }
    if p.low.share.is_none() && p.low.past(1.0) && p.looks_open() {
        // One probe alone: most often it is somebody's hands.
        return Some(Cause::LeftOpen);
    }
    let (share, g) = p.low.share.zip(p.gradient)?;
    (hurried && p.low.past(1.0) && g.ratio() < GRADIENT_GONE).then_some(())?;
    if share >= ALONG {
        return (!p.is_shut()).then_some(Cause::LeftOpen);
    }
    // The cool side may not have spoken since.
    (p.since_hurried_fall >= SETTLED_MIN).then_some(Cause::ProbeDisplaced)
}

fn why_hot(beside: &Beside) -> Option<Cause> {
    let gradient = beside.picture.and_then(|p| p.gradient);
    let heat_warms = gradient.is_some_and(|g| g.ratio() > HEAT_WARMS);
    if matches!(beside.room, Says::Unlike(room) if !room.is_cold()) && !heat_warms {
        return Some(Cause::RoomHot);
    }
    // One probe alone, in the dark: no sun.
    let alone = beside.picture.filter(|_| gradient.is_none());
    if alone.is_some_and(|p| is_dark(p) && p.high.past(1.0) && looks_endless(p)) {
        return Some(Cause::HeatStuckOn);
    }
    let (p, g) = beside.picture.zip(gradient)?;
    let from_outside = |g: Gradient| g.cool_lift > TOGETHER_K && !heat_warms;
    let its_own = p.high.share.is_none_or(|share| share < HEATER_SHARE);
    // Large enclosures and lively ones seldom go so far: beyond all that this hour ever had says as much. The usual gradient is
    // that of the last hours: at the hour at which heat comes it is passed each day.
    let more_than_ever =
        (g.ratio() > HEAT_RUNS_ON && g.high.past(HEAT_LEANS)) || (g.high.past(HEAT_BEYOND) && g.ratio() > 1.0);
    // At full power a heater that is dimmed rises faster than it ever did; a probe that moved does so for minutes only.
    let as_heat = !p.hurried_within_rise() || (p.even_rise && p.t - p.high.peak_t >= HEATS_FOR_MIN);
    // Whatever warmed it has let go.
    let sinks = p.v < -2.0 * p.s_v;
    let runs_on = more_than_ever && its_own && widens(p) && p.high.past(1.0) && as_heat && !sinks;
    if runs_on && !p.unpowered() && p.since_dip > 60.0 {
        return Some(Cause::HeatStuckOn);
    }
    from_outside(g).then_some(())?;
    // The warm end hides what comes from outside as long as its heater gives way: the place itself and the others tell.
    match (beside.is_sun(), beside.room) {
        (true, _) => Some(Cause::OutsideHeat),
        // Its own lamp, or a dial: a room that is as on other days is not too warm, and the others' lamps come on with its own.
        (false, Says::AsUsual) => None,
        _ => Some(Cause::RoomHot),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::heat::settings::{Kind, Settings, Source, Thermostat};
    use crate::heat::{Context, Input, Watch, vapour};

    /// Three days of a thermostat's saw-tooth of 2 K in 40 min over a cool side at rest.
    fn sound() -> Picture {
        let main = Source {
            id: "main".into(),
            kind: Kind::CeramicEmitter,
            at: Place::WarmSide,
            watts: None,
            thermostat: Some(Thermostat::OnOff),
        };
        let mut watch = Watch::new(&Settings { sources: vec![main] });
        let end = 3 * 1_440_i64;
        for minute in 0..=end {
            let saw = (minute % 40 - 20).abs() as f64 / 10.0;
            let local_minute = u16::try_from(minute % 1_440).unwrap_or_default();
            let context = Context { local_minute, day: (minute / 1_440) as i32, ..Context::default() };
            for (place, celsius) in [(Place::CoolSide, 24.0), (Place::WarmSide, 29.0 + saw)] {
                watch.hear(Input::Level { place, celsius }, Now::at(minute * 60_000), &context, &mut Vec::new());
            }
        }
        *watch.picture(Place::WarmSide, Now::at(end * 60_000).mono).expect("it was just heard")
    }

    #[test]
    fn an_open_front_is_named_unless_the_air_has_not_changed() {
        let mut p = sound();
        // Both ends fell faster than heat can go, and the gradient with them.
        p.low.undercut = 2.0 * p.low.threshold;
        (p.since_hurried_fall, p.low.peak_t, p.low.share) = (20.0, p.t - 30.0, Some(0.5));
        let g = p.gradient.as_mut().expect("both ends are heard");
        g.now = 0.3 * g.usual;
        assert_eq!(hurried_fall(&p), Some(Cause::LeftOpen));
        let still = |still| vapour::Told { since_opened: f32::INFINITY, lasts: false, since_wetted: 1e6, still };
        p.vapour = Some(still(60.0));
        assert_eq!(hurried_fall(&p), None);
        p.vapour = Some(still(20.0));
        assert_eq!(hurried_fall(&p), Some(Cause::LeftOpen), "it was not looked at for long enough");
    }

    #[test]
    fn heat_that_runs_on_is_past_its_hour_and_does_not_sink() {
        let mut p = sound();
        // Far above its crests, the cool side not along, and twice the gradient of the last hours.
        (p.since_dip, p.since_hurried_rise, p.v, p.high.share) = (f64::INFINITY, f64::INFINITY, 0.1, Some(0.1));
        p.high.undercut = 3.0 * p.high.threshold;
        let g = p.gradient.as_mut().expect("both ends are heard");
        (g.now, g.high.undercut) = (2.0 * g.usual, 2.0 * g.high.threshold);
        let why = |p: &Picture| {
            let room = Says::AsUsual;
            cause(true, &Beside { picture: Some(p), room, went_k: 0.0, others_went_k: None, named: &[] })
        };
        assert_eq!(why(&p), Some(Cause::HeatStuckOn));
        let sinking = Picture { v: -0.2, ..p };
        assert_eq!(why(&sinking), None, "whatever warmed it has let go");
        p.gradient.as_mut().expect("both ends are heard").high.undercut = -0.1;
        assert_eq!(why(&p), None, "so it is each day at this hour");
    }

    #[test]
    fn probes_are_swapped_when_the_one_rose_as_the_other_fell() {
        let mut p = sound();
        p.low.undercut = 9.0 * p.low.threshold;
        (p.since_hurried_fall, p.low.peak_t, p.low.share) = (6.0, p.t - 7.0, Some(-0.9));
        let g = p.gradient.as_mut().expect("both ends are heard");
        g.now = -0.8 * g.usual;
        let why = |p: &Picture| {
            cause(
                false,
                &Beside { picture: Some(p), room: Says::Nothing, went_k: 0.0, others_went_k: None, named: &[] },
            )
        };
        assert_eq!(why(&p), Some(Cause::ProbesSwapped));
        p.low.share = Some(0.0);
        assert_eq!(why(&p), Some(Cause::ProbeDisplaced), "it lies where it is colder than the cool side");
    }

    #[test]
    fn a_lamp_that_gives_less_than_on_the_days_before_is_weak_and_not_unexplained() {
        // Noon: the hours before were a night of hardly any gradient, and the level has been held for an hour.
        let mut p = sound();
        (p.low.undercut, p.low.days, p.low.lowest, p.low.usual) = (-0.3, 3, p.x + 4.0, p.x + 4.2);
        let g = p.gradient.as_mut().expect("both ends are heard");
        (g.usual, g.now, g.low.days, g.low.usual, g.cool_lift) = (3.0, 9.0, 3, 13.0, 2.0);
        (g.low.habit, g.low.recent) = (13.0, 9.0);
        let why = |p: &Picture| {
            let room = Says::AsUsual;
            cause(false, &Beside { picture: Some(p), room, went_k: 0.0, others_went_k: None, named: &[] })
        };
        assert_eq!(why(&p), Some(Cause::HeatWeak));
        let g = p.gradient.as_mut().expect("both ends are heard");
        g.low.usual = 9.5;
        assert_eq!(why(&p), None, "the gradient is as on the days before");
    }

    #[test]
    fn a_room_that_is_as_usual_is_not_too_warm() {
        let mut p = sound();
        p.high.undercut = 0.0;
        let g = p.gradient.as_mut().expect("both ends are heard");
        (g.cool_lift, g.now) = (2.0, g.usual);
        let why = |room: Says, others_went_k: Option<f64>| {
            cause(true, &Beside { picture: Some(&p), room, went_k: 1.2, others_went_k, named: &[] })
        };
        assert_eq!(why(Says::AsUsual, None), None, "both ends are above their mean of the day: a lamp does that");
        assert_eq!(why(Says::AsUsual, Some(1.0)), None, "so do the lamps of all");
        assert_eq!(why(Says::Nothing, None), Some(Cause::RoomHot));
    }

    #[test]
    fn the_sun_takes_one_and_a_room_takes_all() {
        let beside = |went_k: f64, others_went_k: Option<f64>| Beside {
            picture: None,
            room: Says::AsUsual,
            went_k,
            others_went_k,
            named: &[],
        };
        let along = |went_k: f64, others_went_k: Option<f64>| beside(went_k, others_went_k).others_along();
        assert_eq!(along(4.0, Some(0.5)), Some(false));
        assert_eq!(along(4.0, Some(2.0)), Some(true));
        assert_eq!(along(4.0, None), None, "there are no others");
        assert_eq!(along(0.5, Some(0.1)), None, "it did not go far enough to tell");
        assert!(beside(4.0, Some(0.5)).is_sun() && beside(4.0, None).is_sun());
        assert!(!beside(4.0, Some(2.0)).is_sun(), "a room that does so each afternoon is a room still");
        assert!(!beside(0.9, None).is_sun(), "too slow");
    }
}
