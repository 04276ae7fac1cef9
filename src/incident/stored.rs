//! Incidents and shelves as rows: dense indices are stored beside the ids they meant, so that a changed configuration
//! cannot turn one animal's incident into another's.

use super::house::House;
use super::shelf::Shelf;
use super::{Incident, Scope};
use crate::finding::{Finding, Subject};
use crate::terms::id::{CircuitIx, EnclosureIx, RoomIx};
use crate::terms::time::Now;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A value with indices in it, and what they meant.
#[derive(Serialize, Deserialize)]
struct Stored<T> {
    enclosures: BTreeMap<u16, String>,
    rooms: BTreeMap<u16, String>,
    circuits: BTreeMap<u16, String>,
    value: T,
}

#[derive(Deserialize)]
struct Next {
    next: u64,
}

fn names<'a>(ids: impl Iterator<Item = &'a str>) -> Vec<(u16, String)> {
    ids.enumerate().filter_map(|(i, id)| Some((u16::try_from(i).ok()?, id.to_owned()))).collect()
}

fn store<T: Serialize>(value: &T, house: &House, uses: impl Fn(EnclosureIx) -> bool) -> Option<String> {
    let enclosures = names(house.enclosures.iter().map(|m| m.id.as_str()));
    let stored = Stored {
        enclosures: enclosures.into_iter().filter(|(i, _)| uses(EnclosureIx(*i))).collect(),
        rooms: names(house.rooms.iter().map(String::as_str)).into_iter().collect(),
        circuits: names(house.circuits.iter().map(String::as_str)).into_iter().collect(),
        value,
    };
    serde_json::to_string(&stored).ok()
}

pub fn incident(incident: &Incident, house: &House) -> Option<String> {
    let all = incident.all_enclosures(house);
    store(incident, house, |ix| all.contains(&ix))
}

pub fn shelf(shelf: &Shelf, house: &House) -> Option<String> {
    let used = |ix| shelf.held.iter().any(|f| f.key.subject == Subject::Enclosure(ix));
    store(shelf, house, used)
}

/// Old indices → today's.
struct Renamed {
    enclosures: BTreeMap<EnclosureIx, EnclosureIx>,
    rooms: BTreeMap<RoomIx, RoomIx>,
    circuits: BTreeMap<CircuitIx, CircuitIx>,
}

impl Renamed {
    fn new<T>(stored: &Stored<T>, house: &House) -> Renamed {
        let at = |list: &[String], id: &String| list.iter().position(|i| i == id).and_then(|i| u16::try_from(i).ok());
        let rooms = stored.rooms.iter().filter_map(|(old, id)| Some((RoomIx(*old), RoomIx(at(&house.rooms, id)?))));
        let circuits =
            stored.circuits.iter().filter_map(|(old, id)| Some((CircuitIx(*old), CircuitIx(at(&house.circuits, id)?))));
        let enclosures = stored.enclosures.iter().filter_map(|(old, id)| Some((EnclosureIx(*old), house.find(id)?)));
        Renamed { enclosures: enclosures.collect(), rooms: rooms.collect(), circuits: circuits.collect() }
    }

    fn subject(&self, subject: Subject) -> Option<Subject> {
        Some(match subject {
            Subject::Enclosure(ix) => Subject::Enclosure(*self.enclosures.get(&ix)?),
            Subject::Room(ix) => Subject::Room(*self.rooms.get(&ix)?),
            Subject::Circuit(ix) => Subject::Circuit(*self.circuits.get(&ix)?),
            Subject::Site => Subject::Site,
        })
    }

    fn finding(&self, mut finding: Finding) -> Option<Finding> {
        finding.key.subject = self.subject(finding.key.subject)?;
        Some(finding)
    }

    fn scope(&self, scope: Scope) -> Option<Scope> {
        Some(match scope {
            Scope::Room(ix) => Scope::Room(*self.rooms.get(&ix)?),
            Scope::Circuit(ix) => Scope::Circuit(*self.circuits.get(&ix)?),
            Scope::Site => Scope::Site,
        })
    }
}

/// What no longer exists is left out; an open incident of which nothing is left has ended.
pub fn read_incident(json: &str, house: &House, now: Now) -> Option<Incident> {
    let stored: Stored<Incident> = serde_json::from_str(json).ok()?;
    let renamed = Renamed::new(&stored, house);
    let mut incident = stored.value;
    let findings = std::mem::take(&mut incident.findings).into_iter();
    incident.findings = findings
        .filter_map(|mut s| {
            s.finding = renamed.finding(s.finding)?;
            Some(s)
        })
        .collect();
    incident.shared = incident.shared.and_then(|(scope, cause)| Some((renamed.scope(scope)?, cause)));
    if let Some(told) = &mut incident.told {
        let old = std::mem::take(&mut told.enclosures);
        told.enclosures = old.iter().filter_map(|ix| renamed.enclosures.get(ix).copied()).collect();
        let old = std::mem::take(&mut told.nevers);
        let rename = |(ix, place, high): (EnclosureIx, _, _)| Some((*renamed.enclosures.get(&ix)?, place, high));
        told.nevers = old.into_iter().filter_map(rename).collect();
    }
    if incident.findings.is_empty() && incident.is_open() && !incident.drill {
        incident.ended = Some(now);
        incident.record(now, "warmside", "ended: what it was about is no longer configured");
    }
    Some(incident)
}

pub fn read_shelf(json: &str, house: &House) -> Option<Shelf> {
    let stored: Stored<Shelf> = serde_json::from_str(json).ok()?;
    let renamed = Renamed::new(&stored, house);
    let mut shelf = stored.value;
    shelf.held = shelf.held.into_iter().filter_map(|f| renamed.finding(f)).collect();
    Some(shelf)
}

pub fn read_next(json: &str) -> Option<u64> {
    serde_json::from_str::<Next>(json).ok().map(|n| n.next)
}
