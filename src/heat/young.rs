//! The first day of an enclosure: at an hour that was never seen before, a planned change looks like a fault.

use super::Context;
use super::picture::Wait;
use super::settings::{Source, Thermostat};

/// How long a first day waits: while the level `x` is where it is wanted, around planned changes where they are known, else at
/// the hours at which homes change.
pub fn wait(c: &Context, sources: &[Source], minute: u16, x: f64, wanted: Option<(f64, f64)>, low: bool) -> Wait {
    // What leads to where it shall be is as likely this hour's habit; the keeper's own limits are watched from the start.
    if wanted.is_some_and(|(from, to)| if low { x >= from } else { x <= to }) {
        return Wait::Never;
    }
    let unsteered = sources.iter().any(|s| s.kind.gives_light() || matches!(s.thermostat, Some(Thermostat::None)));
    let near = match (c.since_planned_change, c.until_planned_change) {
        (None, None) => None,
        (since, until) => Some(since.is_some_and(|s| s.as_min() < 180.0) || until.is_some_and(|u| u.as_min() < 20.0)),
    };
    if low && c.lights_planned == Some(false) && unsteered {
        return Wait::Never;
    }
    let evening = !(240..1_020).contains(&minute) || (unsteered && minute < 660);
    match near {
        Some(true) => Wait::Never,
        Some(false) => Wait::No,
        None if !low || evening => Wait::Never,
        None => Wait::No,
    }
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
        for (x, low, waits) in
            [(28.0, false, Wait::Never), (28.0, true, Wait::Never), (31.5, false, Wait::No), (25.5, true, Wait::No)]
        {
            assert_eq!(wait(&c, &[], 700, x, wanted, low), waits, "{x} {low}");
        }
        assert_eq!(wait(&c, &[], 700, 28.0, None, true), Wait::No, "nobody said what is wanted");
    }
}
