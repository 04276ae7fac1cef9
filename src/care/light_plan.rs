//! When lamps are due on a date: a timer in civil time, or the sun's hours within bounds.

use crate::care::calendar::{Calendar, Date};
use crate::care::settings::LightPlan;
use crate::nature::sun::sun_day;
use crate::terms::time::{Span, Wall};

/// From when to when lamps are due that come on on `date`; empty where they stay off. `None` where the plan follows the sun and
/// the site has no position.
pub fn lit(plan: LightPlan, date: Date, calendar: &Calendar) -> Option<(Wall, Wall)> {
    match plan {
        LightPlan::Fixed { on_min, hours } => {
            let on = Span::min(on_min.into());
            let off = on + Span::from_s(hours.clamp(0.0, 24.0) * 3_600.0);
            Some((calendar.instant(date, on), calendar.instant(date, off)))
        }
        LightPlan::Sun { shortest_h, longest_h } => {
            let sun = sun_day(calendar.position()?, calendar.instant(date, Span::h(12)))?;
            let hours = sun.length().as_h().min(longest_h).max(shortest_h).clamp(0.0, 24.0);
            let half = Span::from_s(hours * 1_800.0);
            Some((sun.noon() - half, sun.noon() + half))
        }
    }
}

/// The changes of the lamps, in order, that follow from the plans of the dates from `first` to `last`, and whether they are due
/// before the first. What runs on past midnight and meets the next date's light is one light.
pub fn changes(
    plan_on: impl Fn(Date) -> Option<LightPlan>,
    first: Date,
    last: Date,
    calendar: &Calendar,
) -> Vec<(Wall, bool)> {
    let mut found: Vec<(Wall, bool)> = Vec::new();
    for day in 0..=last.days_since(first) {
        let date = first.plus_days(day);
        let Some((on, off)) = plan_on(date).and_then(|plan| lit(plan, date, calendar)) else { continue };
        if off <= on {
            continue;
        }
        match found.last_mut() {
            Some((until, false)) if *until >= on => *until = off.max(*until),
            _ => found.extend([(on, true), (off, false)]),
        }
    }
    found
}
