//! Probes that cannot be believed, as findings: `probe-silent`, `probe-faulty`, `probe-stuck`, `unit-changed`, `probes-swapped`.
//!
//! `trust/` says what is wrong with which probe; here it becomes one finding a place and cause, however many probes of the
//! place are concerned, with its urgency: `today`, and `now` where no other sign tells that heat is in order.

use super::cause::{Cause, Urgency};
use super::fact::Fact;
use super::{Change, Finding, Key, Subject};
use crate::reading::{Slot, Target};
use crate::terms::id::ProbeIx;
use crate::terms::place::Place;
use crate::terms::quantity::Quantity;
use crate::trust::{Doubt, Event, Fault, Kind};
use serde::{Deserialize, Serialize};

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Standing {
    probe: ProbeIx,
    kind: Kind,
    /// It is urgent where nothing else tells that heat is in order.
    blinds: bool,
    finding: Finding,
}

/// What stands, of all probes.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Judge {
    standing: Vec<Standing>,
}

impl Judge {
    /// An edge from `trust/`. `heat_in_order`: another trusted sign (a probe, watts) tells that the heat of its enclosure is.
    pub fn hear(&mut self, event: &Event, heat_in_order: bool, out: &mut Vec<Change>) {
        let key = key(event);
        let told = self.telling(key).map(|s| s.finding.urgency);
        self.standing.retain(|s| !(s.probe == event.probe && s.kind == event.kind));
        if let Some(fault) = event.fault {
            let mut finding = finding(event, fault, key, heat_in_order);
            // Who is known to send nonsense and then falls silent changes nothing for the keeper.
            let unwatched = |s: &Standing| s.probe == event.probe && s.kind == Kind::Faulty;
            if event.kind == Kind::Silent && self.standing.iter().any(unwatched) {
                finding.urgency = Urgency::Note;
            }
            let blinds = finding.urgency == Urgency::Today && urgency(event, fault, false) == Urgency::Now;
            self.standing.push(Standing { probe: event.probe, kind: event.kind, blinds, finding });
        }
        match (told, self.telling(key)) {
            (Some(_), None) => out.push(Change::Calm(key)),
            (before, Some(now)) if before.is_none_or(|before| now.finding.urgency > before) => {
                out.push(Change::Stands(now.finding.clone()));
            }
            _ => {}
        }
    }

    /// What told that the heat of this enclosure is in order tells it no more, by this: what blinds there is urgent.
    pub fn doubt_heat(&mut self, subject: Subject, by: &Fact, out: &mut Vec<Change>) {
        for standing in self.standing.iter_mut().filter(|s| s.blinds && s.finding.key.subject == subject) {
            standing.blinds = false;
            standing.finding.urgency = Urgency::Now;
            standing.finding.facts.push(by.clone());
            out.push(Change::Stands(standing.finding.clone()));
        }
    }

    /// Whether any finding blinds this place now.
    pub fn blind(&self, subject: Subject, place: Place) -> bool {
        self.standing
            .iter()
            .any(|s| s.finding.key.subject == subject && s.finding.key.place == Some(place) && s.kind != Kind::Battery)
    }

    /// The gravest of a key: the first of the most urgent.
    fn telling(&self, key: Key) -> Option<&Standing> {
        let mut of_key = self.standing.iter().filter(|s| s.finding.key == key);
        let first = of_key.next()?;
        Some(of_key.fold(first, |best, s| if s.finding.urgency > best.finding.urgency { s } else { best }))
    }
}

fn key(event: &Event) -> Key {
    let subject = match event.target {
        Target::Enclosure(ix) => Subject::Enclosure(ix),
        Target::Room(ix) => Subject::Room(ix),
    };
    let (cause, place) = match event.kind {
        Kind::Silent => (Cause::ProbeSilent, event.place),
        Kind::Faulty | Kind::Noisy | Kind::Soaked | Kind::Battery | Kind::Drift => (Cause::ProbeFaulty, event.place),
        Kind::Displaced => (Cause::ProbeDisplaced, event.place),
        Kind::Stuck => (Cause::ProbeStuck, event.place),
        Kind::Unit => (Cause::UnitChanged, event.place),
        // Two places, one finding.
        Kind::Swapped => (Cause::ProbesSwapped, None),
    };
    Key { subject, cause, place }
}

fn urgency(event: &Event, fault: Fault, heat_in_order: bool) -> Urgency {
    let temperature = matches!(event.slot, Slot::At(_, Quantity::Temperature));
    let lives_there = matches!(event.target, Target::Enclosure(_));
    match fault {
        Fault::NeverHeard { a_day: false } => Urgency::Note,
        _ if matches!(event.slot, Slot::At(_, Quantity::UvIndex)) => Urgency::Note,
        // The place is still seen, or was never promised to be.
        Fault::NeverHeard { a_day: true }
        | Fault::Battery { .. }
        | Fault::Noisy
        | Fault::Soaked
        | Fault::Drifted { .. } => Urgency::Today,
        _ if temperature && lives_there && !heat_in_order => Urgency::Now,
        _ => Urgency::Today,
    }
}

fn finding(event: &Event, fault: Fault, key: Key, heat_in_order: bool) -> Finding {
    let mut finding = Finding::new(key.subject, key.cause, key.place, event.since);
    finding.urgency = urgency(event, fault, heat_in_order);
    let quantity = event.slot.quantity();
    let plain = |text: String| Fact::Plain { text };
    let what = match fault {
        Fault::NeverHeard { .. } | Fault::Silent => Fact::Silent {
            place: event.place,
            quantity: Some(quantity),
            last: event.last.map(|(_, at)| at.wall),
            usual: event.usual,
            value: event.last.map(|(value, _)| value),
        },
        Fault::Stuck { for_ } => match (event.place, event.heard) {
            (Some(place), Some(value)) => Fact::Repeated { place, quantity, value, for_ },
            _ => plain("it repeats one value".to_owned()),
        },
        Fault::Unbelievable(Doubt::Dying) => {
            plain("its battery is low and it has left every level that it had before".to_owned())
        }
        Fault::Unbelievable(_) => match event.heard {
            Some(value) => Fact::Impossible { place: event.place, quantity, value },
            None => plain("its values cannot be".to_owned()),
        },
        Fault::Unreadable(why) => plain(format!("it sends what cannot be read: {}", why.words())),
        Fault::Noisy => plain("its readings jump about far more than they used to".to_owned()),
        Fault::Soaked => {
            plain("humidity has stood at the end of its scale for half a day: wet sensor, or fog".to_owned())
        }
        Fault::Battery { level } => {
            plain(format!("its battery is low ({level:.2}): sensors misread before they fall silent"))
        }
        Fault::UnitChanged => plain("its readings fit the other scale of temperature now".to_owned()),
        Fault::LiesElsewhere { like: Some(Target::Room(_)) } => {
            plain("it left its level at once and alone, and has read what the room reads since".to_owned())
        }
        Fault::LiesElsewhere { like: Some(Target::Enclosure(_)) } => {
            plain("it left its level at once and alone, and has read what another enclosure reads since".to_owned())
        }
        Fault::LiesElsewhere { like: None } => plain(
            "it left its level at once and alone, and lies still since while heat comes and goes: in the water, or buried?"
                .to_owned(),
        ),
        Fault::Drifted { by_k } => plain(format!("it has walked {by_k:+.1} K away from its neighbours or your own thermometer")),
        Fault::SwappedWith(other) => plain(format!("it reads what the {} read before, and the reverse", other.label())),
    };
    finding.facts.push(what);
    // Where nothing was just told of the last good value, tell it.
    if let (Some((value, _)), Some(place), false) = (event.last, event.place, matches!(fault, Fault::Silent)) {
        finding.facts.push(Fact::Reading { place, quantity, value, limit: None, never: false });
    }
    finding
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::terms::id::EnclosureIx;
    use crate::terms::time::Now;

    fn event(probe: u32, quantity: Quantity, kind: Kind, fault: Option<Fault>) -> Event {
        Event {
            probe: ProbeIx(probe),
            target: Target::Enclosure(EnclosureIx(0)),
            slot: Slot::At(Place::WarmSide, quantity),
            place: Some(Place::WarmSide),
            kind,
            fault,
            since: Now::at(0),
            last: Some((31.0, Now::at(0))),
            heard: Some(31.0),
            usual: None,
        }
    }

    fn said(judge: &mut Judge, event: &Event, in_order: bool) -> Vec<Option<Urgency>> {
        let mut out = Vec::new();
        judge.hear(event, in_order, &mut out);
        let urgency = |change| if let Change::Stands(f) = change { Some(f.urgency) } else { None };
        out.into_iter().map(urgency).collect()
    }

    #[test]
    fn one_place_is_one_finding_until_all_its_probes_are_well() {
        let mut judge = Judge::default();
        let silent = |probe, quantity, on: bool| event(probe, quantity, Kind::Silent, on.then_some(Fault::Silent));
        use Quantity::{Humidity, Temperature};
        assert_eq!(said(&mut judge, &silent(1, Humidity, true), false), [Some(Urgency::Today)]);
        assert_eq!(said(&mut judge, &silent(0, Temperature, true), true), [], "same place, same cause, no more urgent");
        assert!(judge.blind(Subject::Enclosure(EnclosureIx(0)), Place::WarmSide));
        assert_eq!(said(&mut judge, &silent(1, Humidity, false), true), []);
        assert_eq!(said(&mut judge, &silent(0, Temperature, false), true), [None]);
    }

    #[test]
    fn a_faulty_probe_that_falls_silent_is_only_noted() {
        let mut judge = Judge::default();
        let faulty = event(0, Quantity::Temperature, Kind::Faulty, Some(Fault::Unbelievable(Doubt::Dying)));
        let silent = event(0, Quantity::Temperature, Kind::Silent, Some(Fault::Silent));
        assert_eq!(said(&mut judge, &faulty, true), [Some(Urgency::Today)]);
        assert_eq!(said(&mut judge, &silent, true), [Some(Urgency::Note)]);
    }

    #[test]
    fn blind_to_heat_is_now() {
        let mut judge = Judge::default();
        let fault = |a_day| Some(Fault::NeverHeard { a_day });
        let never = |a_day| event(0, Quantity::Temperature, Kind::Silent, fault(a_day));
        assert_eq!(said(&mut judge, &never(false), false), [Some(Urgency::Note)]);
        assert_eq!(said(&mut judge, &never(true), false), [Some(Urgency::Today)]);
        let stuck = event(0, Quantity::Temperature, Kind::Faulty, Some(Fault::Unbelievable(Doubt::Sentinel)));
        assert_eq!(said(&mut judge, &stuck, false), [Some(Urgency::Now)], "no other sign of heat");
    }

    #[test]
    fn a_sign_of_heat_that_goes_makes_it_urgent_once() {
        let mut judge = Judge::default();
        let silent = event(0, Quantity::Temperature, Kind::Silent, Some(Fault::Silent));
        let worn = event(1, Quantity::Temperature, Kind::Battery, Some(Fault::Battery { level: 2.1 }));
        for event in [&silent, &worn] {
            assert_eq!(said(&mut judge, event, true), [Some(Urgency::Today)]);
        }
        let mut out = Vec::new();
        let by = Fact::Plain { text: "the cool side sinks".into() };
        judge.doubt_heat(Subject::Enclosure(EnclosureIx(1)), &by, &mut out);
        assert_eq!(out, [], "another enclosure's");
        let mine = Subject::Enclosure(EnclosureIx(0));
        judge.doubt_heat(mine, &by, &mut out);
        judge.doubt_heat(mine, &by, &mut out);
        let told =
            out.iter().filter_map(|c| if let Change::Stands(f) = c { Some((f.key.cause, f.urgency)) } else { None });
        assert_eq!(told.collect::<Vec<_>>(), [(Cause::ProbeSilent, Urgency::Now)]);
    }
}
