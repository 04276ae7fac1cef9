//! The first day of an enclosure: at an hour that was never seen before, a planned change looks like a fault.

use super::Context;
use super::picture::{OUT_K, Wait};
use super::settings::{Source, Thermostat};

/// Until so long after a planned change, and from so long before it, min, what happens is its doing.
const AFTER_MIN: f64 = 180.0;
const BEFORE_MIN: f64 = 20.0;
/// A move that begins later than this after a planned change is not the change's, min; nor one to where it is wanted, when a
/// large box has long been at its new level.
const BEGINS_WITHIN_MIN: f64 = 60.0;
const REACHES_MIN: f64 = 360.0;
/// No lamp and no dial is turned, minutes of the local day.
const ASLEEP: std::ops::Range<f64> = 0.0..300.0;
/// Thermostats that have a clock of their own, of which nobody told us, warm up for the day and cool down for the night at these
/// hours, minutes of the local day; what stays where it is wanted meanwhile harms nobody.
const WARMS_UP: std::ops::Range<u16> = 180..720;
const COOLS_DOWN: std::ops::Range<u16> = 960..1_440;

/// What a first day knows of the moment.
pub struct Moment {
    pub minute: u16,
    /// Level, °C, and what is wanted there.
    pub x: f64,
    pub wanted: Option<(f64, f64)>,
    /// Minutes since the move that goes on began.
    pub moves_min: f64,
    /// A thermostat holds the level: it is told, or was seen at work.
    pub steered: bool,
}

/// How long a first day waits: while the level is where it is wanted, around planned changes where they are known, else at the
/// hours at which homes change. Heat that a thermostat holds returns within the hour, wanted or not.
pub fn wait(c: &Context, sources: &[Source], m: &Moment, low: bool) -> Wait {
    let unsteered = sources.iter().any(|s| s.kind.gives_light() || matches!(s.thermostat, Some(Thermostat::None)));
    if low && c.lights_planned == Some(false) && unsteered {
        return Wait::Never;
    }
    // What leads to where it shall be is as likely this hour's habit; the keeper's own limits are watched from the start.
    let within = |(from, to)| if low { m.x >= from } else { m.x <= to };
    let as_wanted = m.wanted.is_some_and(within);
    let steered = m.steered && !unsteered;
    let told = c.since_planned_change.is_some() || c.until_planned_change.is_some();
    // Clearly out of what is wanted, where a thermostat should hold it, is no habit of this hour. But where nothing is told of
    // nights, a night's drop may be meant.
    let astray = m.wanted.is_some_and(|(from, to)| if low { told && m.x < from - OUT_K } else { m.x > to + OUT_K });
    if steered && astray {
        return Wait::No;
    }
    let own_clock = if low { COOLS_DOWN } else { WARMS_UP };
    if as_wanted && own_clock.contains(&m.minute) {
        return Wait::Never;
    }
    let (since, until) = (c.since_planned_change.map(|s| s.as_min()), c.until_planned_change.map(|u| u.as_min()));
    let waits = if !told {
        // What began when everybody was asleep is nobody's doing; but where no thermostat holds the level, what cools since the
        // evening may do so for half the night, and an animal may lie down on the probe.
        let minute = f64::from(m.minute);
        let asleep = steered && ASLEEP.contains(&minute) && ASLEEP.contains(&(minute - m.moves_min));
        let evening = !(240..1_020).contains(&m.minute) || (unsteered && m.minute < 660);
        !asleep && (!low || evening || (as_wanted && !steered))
    } else if c.lights_planned == Some(low) {
        // Lights that came on make nothing colder, and those that went out nothing warmer.
        until.is_some_and(|u| u < BEFORE_MIN) || (!low && !steered && as_wanted)
    } else if steered {
        let begun = |s: f64| s - m.moves_min < BEGINS_WITHIN_MIN || (m.wanted.is_none_or(within) && s < REACHES_MIN);
        until.is_some_and(|u| u < BEFORE_MIN) || since.is_some_and(begun)
    } else {
        as_wanted || until.is_some_and(|u| u < BEFORE_MIN) || since.is_some_and(|s| s < AFTER_MIN)
    };
    if waits { Wait::Never } else { Wait::No }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::terms::time::Span;

    #[test]
    fn what_stays_where_it_is_wanted_waits_and_what_leaves_it_long_after_a_change_does_not() {
        let c = Context {
            since_planned_change: Some(Span::min(200)),
            until_planned_change: Some(Span::min(300)),
            ..Context::default()
        };
        let wanted = Some((26.0, 31.0));
        let m = |x, wanted| Moment { minute: 700, x, wanted, moves_min: 20.0, steered: false };
        for (x, low, waits) in
            [(28.0, false, Wait::Never), (28.0, true, Wait::Never), (31.5, false, Wait::No), (25.5, true, Wait::No)]
        {
            assert_eq!(wait(&c, &[], &m(x, wanted), low), waits, "{x} {low}");
        }
        assert_eq!(wait(&c, &[], &m(28.0, None), true), Wait::No, "nobody said what is wanted");
    }

    #[test]
    fn heat_that_a_thermostat_holds_is_watched_from_the_first_day_but_for_what_a_planned_change_began() {
        let planned = |since| Context {
            since_planned_change: Some(Span::min(since)),
            until_planned_change: Some(Span::min(300)),
            ..Context::default()
        };
        let m = |minute, moves_min, steered| Moment { minute, x: 28.0, wanted: Some((26.0, 31.0)), moves_min, steered };
        for (c, m, low, waits) in [
            (planned(400), m(700, 20.0, true), true, Wait::No),
            (planned(400), m(800, 20.0, true), false, Wait::No),
            (planned(400), m(300, 20.0, true), false, Wait::Never),
            (planned(400), Moment { x: 31.5, ..m(300, 20.0, true) }, false, Wait::No),
            (planned(400), m(1_000, 20.0, true), true, Wait::Never),
            (planned(400), Moment { x: 25.5, ..m(1_000, 20.0, true) }, true, Wait::No),
            (planned(100), m(700, 20.0, true), false, Wait::Never),
            (planned(100), m(700, 90.0, true), true, Wait::Never),
            (planned(100), m(700, 20.0, false), true, Wait::Never),
            (Context { lights_planned: Some(true), ..planned(30) }, m(700, 20.0, false), true, Wait::No),
            (Context { lights_planned: Some(true), ..planned(30) }, m(700, 20.0, true), false, Wait::Never),
            (Context { lights_planned: Some(false), ..planned(30) }, m(1_200, 20.0, true), false, Wait::No),
            (Context { lights_planned: Some(false), ..planned(30) }, m(1_200, 20.0, true), true, Wait::Never),
            (Context::default(), m(700, 20.0, true), true, Wait::No),
            (Context::default(), m(700, 20.0, false), true, Wait::Never),
            (Context::default(), m(1_100, 20.0, true), true, Wait::Never),
            (Context::default(), m(100, 20.0, true), false, Wait::No),
            (Context::default(), m(100, 20.0, true), true, Wait::No),
            (Context::default(), m(100, 20.0, false), true, Wait::Never),
            (Context::default(), m(100, 110.0, true), true, Wait::Never),
            (Context::default(), m(700, 20.0, true), false, Wait::Never),
            (Context::default(), Moment { x: 32.5, ..m(700, 20.0, true) }, false, Wait::No),
            (Context::default(), Moment { x: 32.5, ..m(700, 20.0, false) }, false, Wait::Never),
            (Context::default(), Moment { x: 24.5, ..m(1_200, 20.0, true) }, true, Wait::Never),
        ] {
            assert_eq!(wait(&c, &[], &m, low), waits, "{} {} {} {low}", m.minute, m.moves_min, m.steered);
        }
    }
}
