//! From what `heat/` says of one enclosure to findings: the same causes, urgency, numbers in a keeper's order, a deadline.

use super::bands::Course;
use super::cause::{Cause, Urgency};
use super::fact::Fact;
use super::{Change, Finding, Key, Subject, bands};
use crate::heat::verdict::{self, Evidence, Verdict};
use crate::terms::place::Place;
use crate::terms::time::{Now, Span, Wall};

/// The limits of the place that must never be crossed, °C, where care states them.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Never {
    pub low: Option<f64>,
    pub high: Option<f64>,
}

pub const fn cause(of: verdict::Cause) -> Cause {
    match of {
        verdict::Cause::HeatFailed => Cause::HeatFailed,
        verdict::Cause::HeatStuckOn => Cause::HeatStuckOn,
        verdict::Cause::HeatWeak => Cause::HeatWeak,
        verdict::Cause::OutsideHeat => Cause::OutsideHeat,
        verdict::Cause::RoomHot => Cause::RoomHot,
        verdict::Cause::RoomCold => Cause::RoomCold,
        verdict::Cause::LeftOpen => Cause::LeftOpen,
        verdict::Cause::ProbeDisplaced => Cause::ProbeDisplaced,
    }
}

/// `source`: the keeper's name of the heat source, for its watts.
pub fn change(of: &verdict::Change, subject: Subject, source: &str, never: Never, now: Now) -> Change {
    match of {
        verdict::Change::Calm(why, place) => Change::Calm(Key { subject, cause: cause(*why), place: Some(*place) }),
        verdict::Change::Stands(verdict) => Change::Stands(finding(verdict, subject, source, never, now)),
    }
}

fn finding(verdict: &Verdict, subject: Subject, source: &str, never: Never, now: Now) -> Finding {
    let since = Now { mono: verdict.since, wall: now.wall_of(verdict.since) };
    let mut finding = Finding::new(subject, cause(verdict.cause), Some(verdict.place), since);
    if verdict.cause.is_urgent() {
        finding.urgency = Urgency::Now;
    }
    let limit = if verdict.cause.is_hot() { never.high } else { never.low };
    let said = &verdict.evidence;
    finding.act_by = limit.and_then(|limit| deadline(verdict, limit, now));
    finding.facts = facts(said, verdict.place, verdict.cause.is_hot(), source);
    if let (Some(limit), Some(at)) = (limit, finding.act_by) {
        finding.facts.push(Fact::Heading { place: verdict.place, level: limit, at });
    }
    finding
}

fn facts(said: &Evidence, place: Place, hot: bool, source: &str) -> Vec<Fact> {
    let moved = |from| Fact::Moved { place, from, to: said.level_now, over: said.over };
    let mut facts: Vec<Fact> = said.level_then.map(moved).into_iter().collect();
    if let Some(power_w) = said.power_now_w {
        let source = source.to_owned();
        facts.push(Fact::Watts { source, power_w, usual_w: said.power_usual_w, told_on: said.told_on });
    }
    if let Some(level) = said.furthest_known.filter(|l| l.is_finite()) {
        facts.push(Fact::NeverBefore { place, level, days: f64::from(said.days_known), below: !hot });
    }
    if let (Some(now), Some(usual)) = (said.gradient_now_k, said.gradient_usual_k) {
        facts.push(Fact::Gradient { now, usual });
    }
    if let Some(now) = said.room_c {
        facts.push(Fact::Room { now, usual: None });
    }
    facts.push(Fact::Slope { place, k_per_min: said.slope_k_per_min });
    facts
}

/// When the limit is crossed: along the learned approach to where the level leads, else at the present slope.
fn deadline(verdict: &Verdict, limit: f64, now: Now) -> Option<Wall> {
    let level = verdict.evidence.level_now;
    let past = if verdict.cause.is_hot() { level >= limit } else { level <= limit };
    if past {
        return Some(now.wall);
    }
    if let (Some(tau), Some(toward)) = (verdict.tau, verdict.toward) {
        // T(t) = toward + (level − toward)·e^(−t/τ), so the limit is reached after τ·ln((level − toward)/(limit − toward)).
        let ratio = (level - toward) / (limit - toward);
        if ratio.is_finite() && ratio > 1.0 && tau > Span::ZERO {
            let span = tau.times(libm::log(ratio));
            return (span <= Span::h(24)).then(|| now.wall + span);
        }
        if ratio.is_finite() && ratio <= 0.0 {
            return None; // It comes to rest before the limit.
        }
    }
    bands::crossing(level, limit, Course { k_per_min: verdict.evidence.slope_k_per_min }, now)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::heat::verdict::Way;
    use crate::terms::id::EnclosureIx;

    /// A box that lost its heat: from 28 °C in a room of 18 °C with τ = 0.9 h it reaches 24 °C after 27.6 min. The check value
    /// is 28 min in "Cooling of a box that has lost its heat" (computed from λ of EN ISO 10456).
    #[test]
    fn the_deadline_follows_the_cooling_of_a_box() {
        let evidence = Evidence {
            way: Way::Course,
            level_then: Some(30.0),
            level_now: 28.0,
            over: Span::min(10),
            furthest_known: Some(29.0),
            days_known: 3,
            undercut_k: 1.0,
            threshold_k: 0.7,
            slope_k_per_min: -0.18,
            gradient_now_k: None,
            gradient_usual_k: None,
            power_now_w: Some(0.0),
            power_usual_w: Some(60.0),
            told_on: None,
            room_c: Some(18.0),
        };
        let mut verdict = Verdict {
            cause: verdict::Cause::HeatFailed,
            place: Place::WarmSide,
            since: Now::at(0).mono,
            sure: 0.9,
            evidence,
            tau: Some(Span::min(54)),
            toward: Some(18.0),
        };
        let subject = Subject::Enclosure(EnclosureIx(0));
        let at = |verdict: &Verdict, low| {
            let never = Never { low: Some(low), high: None };
            finding(verdict, subject, "main", never, Now::at(0)).act_by.map(|w| (w.as_ms() + 30_000) / 60_000)
        };
        assert_eq!(at(&verdict, 24.0), Some(28));
        assert_eq!(at(&verdict, 17.0), None, "it comes to rest at 18");
        assert_eq!(at(&verdict, 29.0), Some(0), "it is past it already");
        verdict.tau = None;
        assert_eq!(at(&verdict, 24.0), Some(22), "at the present slope");
    }
}
