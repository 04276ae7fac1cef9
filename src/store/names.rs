//! Stable names of probes: what is stored names ids, since indices change with the configuration.

use crate::engine;
use crate::reading::{Slot, Target};

/// What the indices in readings mean under the present configuration.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Names {
    /// Ids of enclosures, each with the ids of its heat sources, in the order of the configuration.
    pub enclosures: Vec<(String, Vec<String>)>,
    /// Ids of rooms, in the order of the configuration.
    pub rooms: Vec<String>,
}

impl Names {
    /// `enclosure/a3/warm_side.temperature`, `enclosure/a3/heat.main.power`, `enclosure/a3/lamp.switch`,
    /// `enclosure/a3/battery`, `room/back-room/air.temperature`. `None` for an index that the configuration has not.
    pub fn of(&self, target: Target, slot: Slot) -> Option<String> {
        let (whose, heat) = match target {
            Target::Enclosure(ix) => {
                let (id, heat) = self.enclosures.get(ix.index())?;
                (format!("enclosure/{id}"), heat.as_slice())
            }
            Target::Room(ix) => (format!("room/{}", self.rooms.get(ix.index())?), [].as_slice()),
        };
        Some(match slot {
            Slot::At(place, quantity) => format!("{whose}/{}.{}", place.word(), quantity.word()),
            Slot::Heat(source, quantity) => match heat.get(usize::from(source)) {
                Some(id) => format!("{whose}/heat.{id}.{}", quantity.word()),
                None => format!("{whose}/heat.{source}.{}", quantity.word()),
            },
            Slot::Lamp(quantity) => format!("{whose}/lamp.{}", quantity.word()),
            Slot::Battery => format!("{whose}/battery"),
        })
    }
}

impl From<&engine::settings::Settings> for Names {
    fn from(settings: &engine::settings::Settings) -> Names {
        let heat = |e: &engine::settings::Enclosure| e.heat.sources.iter().map(|s| s.id.clone()).collect();
        Names {
            enclosures: settings.enclosures.iter().map(|e| (e.id.clone(), heat(e))).collect(),
            rooms: settings.rooms.iter().map(|r| r.id.clone()).collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::terms::id::{EnclosureIx, RoomIx};
    use crate::terms::place::Place;
    use crate::terms::quantity::Quantity;

    #[test]
    fn a_probe_is_named_by_ids() {
        let names = Names {
            enclosures: vec![("a1".into(), vec![]), ("a3".into(), vec!["main".into()])],
            rooms: vec!["back".into()],
        };
        let a3 = Target::Enclosure(EnclosureIx(1));
        let name = |target, slot| names.of(target, slot).unwrap_or_default();
        assert_eq!(name(a3, Slot::At(Place::WarmSide, Quantity::Temperature)), "enclosure/a3/warm_side.temperature");
        assert_eq!(name(a3, Slot::Heat(0, Quantity::Power)), "enclosure/a3/heat.main.power");
        assert_eq!(name(a3, Slot::Heat(4, Quantity::Switch)), "enclosure/a3/heat.4.switch");
        assert_eq!(name(a3, Slot::Lamp(Quantity::Switch)), "enclosure/a3/lamp.switch");
        assert_eq!(name(a3, Slot::Battery), "enclosure/a3/battery");
        let room = Target::Room(RoomIx(0));
        assert_eq!(name(room, Slot::At(Place::Air, Quantity::Temperature)), "room/back/air.temperature");
        assert_eq!(names.of(Target::Enclosure(EnclosureIx(2)), Slot::Battery), None);
    }
}
