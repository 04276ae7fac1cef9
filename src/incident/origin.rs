//! Which findings have one origin. Every rule that joins, merges or keeps apart stands here, as pure functions.

use super::house::House;
use super::{Incident, Scope, enclosure_of};
use crate::finding::cause::{Cause, Urgency};
use crate::finding::fact::Fact;
use crate::finding::{Finding, Subject};
use crate::terms::id::EnclosureIx;
use crate::terms::time::Span;
use std::collections::BTreeSet;

/// What kind of thing is wrong: findings of one family of one enclosure explain one another.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Family {
    Heat,
    Light,
    Humidity,
    /// Something cannot be seen.
    Sight,
    /// The watcher itself.
    Watcher,
    Post,
}

pub const fn family(cause: Cause) -> Family {
    match cause {
        Cause::PowerLost
        | Cause::HeatFailed
        | Cause::HeatStuckOn
        | Cause::HeatWeak
        | Cause::OutsideHeat
        | Cause::LeftOpen
        | Cause::RoomHot
        | Cause::RoomCold
        | Cause::NoRetreat
        | Cause::TooHot
        | Cause::TooCold
        | Cause::GradientLost
        | Cause::NightDropMissing => Family::Heat,
        Cause::LightMissing | Cause::LightStuckOn | Cause::LightShifted | Cause::LightFlickering => Family::Light,
        Cause::HumidityHigh | Cause::HumidityLow => Family::Humidity,
        Cause::ProbeSilent
        | Cause::ProbeFaulty
        | Cause::ProbeStuck
        | Cause::ProbeDisplaced
        | Cause::ProbesSwapped
        | Cause::UnitChanged
        | Cause::FeedSilent => Family::Sight,
        // A disk and a mail server are mended by different hands: one must not hide the other.
        Cause::PostFailing => Family::Post,
        Cause::StoreFailing | Cause::ClockWrong | Cause::OutpostSilent | Cause::WatcherRestarted => Family::Watcher,
    }
}

/// What several enclosures can have in common.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kin {
    Power,
    Cold,
    Hot,
    Feed,
    Unit,
    Light(Cause),
    Humidity(Cause),
}

pub const fn kin(cause: Cause) -> Option<Kin> {
    match cause {
        Cause::PowerLost | Cause::HeatFailed => Some(Kin::Power),
        Cause::RoomCold | Cause::TooCold => Some(Kin::Cold),
        Cause::RoomHot | Cause::OutsideHeat | Cause::TooHot | Cause::NoRetreat | Cause::NightDropMissing => {
            Some(Kin::Hot)
        }
        Cause::ProbeSilent | Cause::FeedSilent => Some(Kin::Feed),
        Cause::UnitChanged => Some(Kin::Unit),
        Cause::LightMissing | Cause::LightStuckOn | Cause::LightShifted => Some(Kin::Light(cause)),
        Cause::HumidityHigh | Cause::HumidityLow => Some(Kin::Humidity(cause)),
        _ => None,
    }
}

/// A cause that comes from the room, so that it takes each enclosure at its own time.
const fn is_of_room(cause: Cause) -> bool {
    matches!(cause, Cause::RoomCold | Cause::RoomHot | Cause::OutsideHeat)
}

/// How far apart findings of a common origin may begin.
fn window(kin: Kin, a: &Finding, b: &Finding) -> Span {
    match kin {
        // A judge dates heat's end to the last peak, which lies up to a cycle before it. See also `POWER_WINDOW`.
        Kin::Power => Span::min(20),
        Kin::Cold | Kin::Hot => Span::min(15),
        // The last word before silence is up to one interval old, and a network that dies does not die in one moment.
        Kin::Feed => Span::min(15) + usual_interval(a).max(usual_interval(b)),
        Kin::Light(_) => Span::min(10),
        // A probe that reports on change shows its new unit when it has something to say.
        Kin::Unit => Span::h(1),
        Kin::Humidity(_) => Span::h(1),
    }
}

/// At least half of a circuit without heat within this: a thermostat's cycle hides the true moment.
pub const POWER_WINDOW: Span = Span::min(30);
/// Findings of different families of one enclosure that begin within this have one origin.
const NEAR: Span = Span::h(1);

fn usual_interval(finding: &Finding) -> Span {
    let usual = finding.facts.iter().find_map(|f| match f {
        Fact::Silent { usual: Some(usual), .. } => Some(*usual),
        _ => None,
    });
    usual.unwrap_or(Span::ZERO).clamp(Span::ZERO, Span::h(1))
}

fn apart(a: &Finding, b: &Finding) -> Span {
    let d = a.since.mono.since(b.since.mono).as_ms();
    Span::ms(d.saturating_abs())
}

/// The finding that explains most, of the most urgent family. A probe that lies explains a symptom at its own place.
pub fn leading<'a>(findings: impl Iterator<Item = &'a Finding>) -> Option<&'a Finding> {
    let all: Vec<&Finding> = findings.collect();
    let most = all.iter().map(|f| f.urgency).max()?;
    let urgent: BTreeSet<Family> = all.iter().filter(|f| f.urgency == most).map(|f| family(f.key.cause)).collect();
    // What is past a `never` limit keeps its own name unless the probe went wrong with it: a low battery of last week may
    // be beside the point.
    let explains = |f: &Finding, s: &Finding| s.urgency < Urgency::Now || apart(f, s) <= NEAR;
    let explains_symptom = |f: &Finding| {
        let symptom = |s: &&Finding| s.urgency == most && s.key.cause.explains() == 1 && s.key.place == f.key.place;
        f.key.cause.blinds() && all.iter().copied().filter(symptom).any(|s| explains(f, s))
    };
    let mut best: Option<&Finding> = None;
    for f in all.iter().filter(|f| urgent.contains(&family(f.key.cause)) || explains_symptom(f)) {
        let rank = |f: &Finding| {
            (f.key.cause.explains(), f.urgency, std::cmp::Reverse(f.act_by.map_or(i64::MAX, |w| w.as_ms())))
        };
        if best.is_none_or(|b| rank(f) > rank(b)) {
            best = Some(f);
        }
    }
    best
}

/// Whether a finding belongs to an open incident.
pub fn joins(incident: &Incident, finding: &Finding, house: &House) -> bool {
    if only_waits(incident, finding) && !comes_back(incident, finding) {
        return false;
    }
    match finding.key.subject {
        Subject::Enclosure(ix) => joins_own(incident, finding, ix) || joins_others(incident, finding, ix, house),
        subject => joins_scope(incident, finding, subject, house),
    }
}

/// Long calm, and open only because a crossed limit waits for its answer: what breaks days later is a fault of its own.
fn only_waits(incident: &Incident, finding: &Finding) -> bool {
    incident.latched && incident.calm.is_some_and(|calm| finding.since.mono.since(calm.mono) > NEAR)
}

/// Same enclosure: the same family; or something near in time; or what heat does to the air's humidity.
fn joins_own(incident: &Incident, finding: &Finding, ix: EnclosureIx) -> bool {
    let new = family(finding.key.cause);
    let has_power = || incident.findings.iter().any(|s| kin(s.finding.key.cause) == Some(Kin::Power));
    let breaks_itself = finding.key.cause.explains() >= 3;
    if incident.members().len() > 1 && breaks_itself && !(kin(finding.key.cause) == Some(Kin::Power) && has_power()) {
        // A heater that breaks in a cold room is a fault of its own.
        return false;
    }
    incident.findings.iter().any(|s| {
        let old = &s.finding;
        if old.key.subject != Subject::Enclosure(ix) {
            return false;
        }
        let was = family(old.key.cause);
        if matches!(new, Family::Sight) || matches!(was, Family::Sight) {
            // Two faults of probes are two faults, unless it is the same probe; a probe that lies explains its own symptom,
            // however long it has been lying.
            let lies = was == Family::Sight && s.stands;
            return new == was && same_probe(old, finding)
                || new != was
                    && old.key.place.is_some()
                    && same_probe(old, finding)
                    && (lies || apart(old, finding) <= NEAR);
        }
        new == was || (was == Family::Heat && new == Family::Humidity && s.stands) || apart(old, finding) <= NEAR
    })
}

fn same_probe(a: &Finding, b: &Finding) -> bool {
    a.key.place == b.key.place || a.key.place.is_none() || b.key.place.is_none() || {
        // Swapped probes are two places of one fault, and a whole enclosure falls silent at once.
        let both = [a.key.cause, b.key.cause];
        both.contains(&Cause::ProbesSwapped)
            || (both == [Cause::ProbeSilent; 2] && apart(a, b) <= window(Kin::Feed, a, b))
            || (both == [Cause::UnitChanged; 2] && apart(a, b) <= window(Kin::Unit, a, b))
    }
}

/// Another enclosure: same kind, a room or circuit in common, begun together; or the common cause is already known.
fn joins_others(incident: &Incident, finding: &Finding, ix: EnclosureIx, house: &House) -> bool {
    let Some(new) = kin(finding.key.cause) else { return false };
    if known_to_cover(incident, new, finding, ix, house) {
        return true;
    }
    incident.findings.iter().any(|s| {
        let old = &s.finding;
        let (Some(other), Some(was)) = (enclosure_of(old.key.subject), kin(old.key.cause)) else { return false };
        if other == ix || was != new {
            return false;
        }
        let near = apart(old, finding) <= window(new, old, finding);
        match new {
            Kin::Power => near && house.same_circuit(other, ix),
            Kin::Cold | Kin::Hot => {
                let of_room = is_of_room(old.key.cause) || is_of_room(finding.key.cause);
                house.same_room(other, ix) && (near || of_room && s.stands)
            }
            // A probe that had its own fault before it fell silent with all the others does not make them its own.
            Kin::Feed => near && incident.findings.iter().all(|s| kin(s.finding.key.cause) == Some(Kin::Feed)),
            Kin::Unit => near,
            Kin::Light(_) => near && (house.same_circuit(other, ix) || house.same_room(other, ix)),
            Kin::Humidity(_) => near && house.same_room(other, ix),
        }
    })
}

/// The incident is already known to be of a circuit, a room or the house that this enclosure is part of.
fn known_to_cover(incident: &Incident, new: Kin, finding: &Finding, ix: EnclosureIx, house: &House) -> bool {
    // That some part of the house is not heard, concluded from its silence, says nothing of the rest.
    let inferred = incident.shared.and_then(|(scope, cause)| Some((scope, cause.filter(|c| *c != Cause::FeedSilent)?)));
    let told = incident.standing().filter_map(|f| Some((scope_of(f.key.subject)?, f.key.cause)));
    inferred.into_iter().chain(told).any(|(scope, cause)| {
        let covers = house.within(scope).any(|m| m == ix);
        let after = finding.since.mono + POWER_WINDOW >= incident.since().mono;
        covers
            && match cause {
                // Without power heat, light and sensors end together.
                Cause::PowerLost => {
                    after && matches!(new, Kin::Power | Kin::Cold | Kin::Feed | Kin::Light(Cause::LightMissing))
                }
                Cause::FeedSilent => after && new == Kin::Feed,
                Cause::RoomCold => new == Kin::Cold,
                Cause::RoomHot | Cause::OutsideHeat => new == Kin::Hot,
                other => Some(new) == kin(other) && after,
            }
    })
}

/// A finding about a room, a circuit or the house: the same again, or what it explains.
fn joins_scope(incident: &Incident, finding: &Finding, subject: Subject, house: &House) -> bool {
    let new = finding.key.cause;
    if incident.findings.iter().any(|s| s.finding.key.subject == subject && family(s.finding.key.cause) == family(new))
    {
        return true;
    }
    let Some(scope) = scope_of(subject) else { return false };
    if incident.shared.is_some_and(|(known, cause)| known == scope && cause.is_some_and(|c| kin(c) == kin(new))) {
        return true;
    }
    let members = incident.members();
    let covered: BTreeSet<EnclosureIx> = house.within(scope).collect();
    let explains = |f: &Finding| {
        kin(f.key.cause).is_some()
            && kin(f.key.cause) == kin(new)
            && (is_of_room(new) || apart(f, finding) <= POWER_WINDOW + usual_interval(f))
    };
    !members.is_empty()
        && members.is_subset(&covered)
        && !house.concerned(subject, new).is_empty()
        && incident.leading().is_some_and(explains)
}

pub fn scope_of(subject: Subject) -> Option<Scope> {
    match subject {
        Subject::Enclosure(_) => None,
        Subject::Room(room) => Some(Scope::Room(room)),
        Subject::Circuit(circuit) => Some(Scope::Circuit(circuit)),
        Subject::Site => Some(Scope::Site),
    }
}

fn ever_spoke(finding: &Finding) -> bool {
    !finding.facts.iter().any(|f| matches!(f, Fact::Silent { last: None, .. }))
}

/// What the members of an incident have in common, and the cause that it shows, if any.
pub fn shared(incident: &Incident, house: &House) -> Option<(Scope, Option<Cause>)> {
    let members = incident.members();
    // A room's own probe that falls silent with those of its enclosures is one silent probe more.
    let says_more = |f: &&Finding| f.key.cause != Cause::ProbeSilent || members.len() < 2;
    let scoped = |f: &&Finding| scope_of(f.key.subject).is_some() && says_more(f);
    if let Some(f) = incident.findings.iter().map(|s| &s.finding).find(scoped) {
        let concerns = !house.concerned(f.key.subject, f.key.cause).is_empty();
        return scope_of(f.key.subject).filter(|_| concerns).map(|scope| (scope, None));
    }
    if members.len() < 2 {
        return None;
    }
    let of = |kind: Kin| -> BTreeSet<EnclosureIx> {
        let alike = incident.findings.iter().filter(|s| kin(s.finding.key.cause) == Some(kind));
        alike.filter_map(|s| enclosure_of(s.finding.key.subject)).collect()
    };
    let (powerless, silent) = (of(Kin::Power), of(Kin::Feed));
    let circuit = common_circuit(&powerless, house);
    // Three that failed together on one circuit are no coincidence; of small circuits two are, unless they are half.
    let three_together = powerless.len() >= 3 && matches!(circuit, Scope::Circuit(_));
    if three_together || (powerless.len() >= 2 && is_half_of_each_circuit(&powerless, house)) {
        return Some((circuit, Some(Cause::PowerLost)));
    }
    let watched = house.all().filter(|ix| house.is_watched(*ix)).count();
    if silent.len() >= 3 || (silent.len() >= 2 && silent.len() >= watched) {
        // Links on which nothing ever came are a matter of the configuration; a feed falls silent only after it spoke.
        let spoke = incident.findings.iter().filter(|s| ever_spoke(&s.finding)).count();
        return Some((Scope::Site, (spoke >= 2).then_some(Cause::FeedSilent)));
    }
    let mut rooms = members.iter().map(|ix| house.room(*ix));
    let first = rooms.next().flatten();
    let one_room = first.filter(|_| rooms.all(|r| r == first));
    if let Some(cause) = of_room(&of(Kin::Cold), &of(Kin::Hot), house).filter(|_| powerless.is_empty()) {
        return Some((one_room.map_or(Scope::Site, Scope::Room), Some(cause)));
    }
    match (powerless.len() >= 2, common_circuit(&members, house), one_room) {
        (true, scope @ Scope::Circuit(_), _) => Some((scope, None)),
        (_, _, Some(room)) => Some((Scope::Room(room), None)),
        (_, scope, None) => Some((scope, None)),
    }
}

/// Half of a room's enclosures cold or hot together, and no heater among them that failed: the room.
fn of_room(cold: &BTreeSet<EnclosureIx>, hot: &BTreeSet<EnclosureIx>, house: &House) -> Option<Cause> {
    let is_half = |those: &BTreeSet<EnclosureIx>| {
        let Some(first) = those.first() else { return false };
        let watched = house.all().filter(|ix| house.same_room(*ix, *first) && house.is_watched(*ix)).count();
        let here = those.iter().filter(|ix| house.same_room(**ix, *first)).count();
        here >= 2 && here == those.len() && 2 * here >= watched
    };
    match (is_half(cold), is_half(hot)) {
        (true, false) => Some(Cause::RoomCold),
        (false, true) => Some(Cause::RoomHot),
        _ => None,
    }
}

/// At least half of the watched enclosures of every circuit that is touched.
pub fn is_half_of_each_circuit(powerless: &BTreeSet<EnclosureIx>, house: &House) -> bool {
    let circuits: BTreeSet<_> = powerless.iter().map(|ix| house.circuit(*ix)).collect();
    circuits.iter().all(|circuit| {
        let on = |ix: &EnclosureIx| house.circuit(*ix) == *circuit;
        let watched = house.all().filter(|ix| on(ix) && house.is_watched(*ix)).count();
        2 * powerless.iter().filter(|ix| on(ix)).count() >= watched
    })
}

fn common_circuit(members: &BTreeSet<EnclosureIx>, house: &House) -> Scope {
    let mut circuits = members.iter().map(|ix| house.circuit(*ix));
    match circuits.next().flatten() {
        Some(first) if circuits.all(|c| c == Some(first)) => Scope::Circuit(first),
        _ => Scope::Site,
    }
}

/// Whether a new finding is an ended incident come back.
pub fn comes_back(ended: &Incident, finding: &Finding) -> bool {
    let several = ended.members().len() > 1;
    // A symptom is of its place; what happened may show itself at another this time.
    let place = |f: &Finding| f.key.place == finding.key.place || f.key.cause.explains() > 1;
    let same = |f: &Finding| f.key.subject == finding.key.subject && f.key.cause == finding.key.cause && place(f);
    ended.findings.iter().any(|s| same(&s.finding)) && (!several || is_of_room(finding.key.cause))
}
