//! What incidents know of the house: which enclosures share a room or a circuit, who lives alone, who is watched.

use super::{Incident, Scope};
use crate::finding::Subject;
use crate::finding::cause::Cause;
use crate::terms::id::{CircuitIx, EnclosureIx, RoomIx};

/// Rooms, circuits and enclosures by their ids, in the order of the configuration.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct House {
    pub enclosures: Vec<Member>,
    pub rooms: Vec<String>,
    pub circuits: Vec<String>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Member {
    pub id: String,
    pub room: Option<RoomIx>,
    pub circuit: Option<CircuitIx>,
    /// Nobody lives in it: nothing is mailed `now`, and shelving holds everything.
    pub empty: bool,
    /// Whether an alarm can come from it at all (IEC 62682: otherwise out of service).
    pub watched: bool,
}

impl House {
    pub fn get(&self, ix: EnclosureIx) -> Option<&Member> {
        self.enclosures.get(ix.index())
    }
    pub fn id(&self, ix: EnclosureIx) -> &str {
        self.get(ix).map_or("", |m| m.id.as_str())
    }
    pub fn find(&self, id: &str) -> Option<EnclosureIx> {
        self.enclosures.iter().position(|m| m.id == id).and_then(|i| u16::try_from(i).ok()).map(EnclosureIx)
    }
    pub fn is_watched(&self, ix: EnclosureIx) -> bool {
        self.get(ix).is_some_and(|m| m.watched)
    }
    pub fn is_empty_enclosure(&self, ix: EnclosureIx) -> bool {
        self.get(ix).is_some_and(|m| m.empty)
    }

    pub fn all(&self) -> impl Iterator<Item = EnclosureIx> + '_ {
        (0..self.enclosures.len()).filter_map(|i| u16::try_from(i).ok()).map(EnclosureIx)
    }

    pub fn within(&self, scope: Scope) -> impl Iterator<Item = EnclosureIx> + '_ {
        self.all().filter(move |ix| match scope {
            Scope::Site => true,
            Scope::Room(room) => self.room(*ix) == Some(room),
            Scope::Circuit(circuit) => self.circuit(*ix) == Some(circuit),
        })
    }

    pub fn room(&self, ix: EnclosureIx) -> Option<RoomIx> {
        self.get(ix).and_then(|m| m.room)
    }
    pub fn circuit(&self, ix: EnclosureIx) -> Option<CircuitIx> {
        self.get(ix).and_then(|m| m.circuit)
    }

    /// Enclosures whose room is the same, or of which none is said.
    pub fn same_room(&self, a: EnclosureIx, b: EnclosureIx) -> bool {
        self.room(a) == self.room(b)
    }
    /// Enclosures whose circuit is the same, or of which none is said.
    pub fn same_circuit(&self, a: EnclosureIx, b: EnclosureIx) -> bool {
        self.circuit(a) == self.circuit(b)
    }

    /// The enclosures that a finding is about. A letter that cannot be sent concerns none of them.
    pub fn concerned(&self, subject: Subject, cause: Cause) -> Vec<EnclosureIx> {
        let scope = match subject {
            Subject::Enclosure(ix) => return if self.get(ix).is_some() { vec![ix] } else { Vec::new() },
            Subject::Room(room) => Scope::Room(room),
            Subject::Circuit(circuit) => Scope::Circuit(circuit),
            Subject::Site if matches!(cause, Cause::FeedSilent | Cause::PowerLost | Cause::UnitChanged) => Scope::Site,
            Subject::Site => return Vec::new(),
        };
        self.within(scope).collect()
    }

    /// The name of a room or circuit, as notices give it.
    pub fn room_id(&self, room: RoomIx) -> Option<&str> {
        self.rooms.get(room.index()).map(String::as_str)
    }
    pub fn circuit_id(&self, circuit: CircuitIx) -> Option<&str> {
        self.circuits.get(circuit.index()).map(String::as_str)
    }
}

/// What ties an incident together, for notices: (room, circuit) by id.
pub fn scope_names<'a>(incident: &Incident, house: &'a House) -> (Option<&'a str>, Option<&'a str>) {
    let of_room = matches!(incident.cause(), Some(Cause::RoomCold | Cause::RoomHot));
    match incident.shared {
        Some((Scope::Room(room), _)) => (house.room_id(room), None),
        Some((Scope::Circuit(circuit), _)) => (None, house.circuit_id(circuit)),
        None if of_room => {
            let first = incident.enclosures(house).first().copied();
            (first.and_then(|ix| house.room(ix)).and_then(|room| house.room_id(room)), None)
        }
        _ => (None, None),
    }
}
