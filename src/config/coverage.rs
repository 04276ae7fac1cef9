//! Who is watched by what, as far as a file can tell: which links can bring what is wanted, and what none brings.

use super::overlap::may_bring;
use crate::care::settings::Care;
use crate::engine::settings::{Enclosure, Settings};
use crate::heat::settings::Kind;
use crate::reading::settings::{Link, What};
use crate::reading::{Slot, Target};
use crate::terms::id::{EnclosureIx, RoomIx};
use crate::terms::place::Place;
use crate::terms::quantity::Quantity;

/// Something about an enclosure that can be watched.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Aspect {
    Temperature(Place),
    Humidity(Place),
    Light,
    /// A heat source, by its index.
    Heat(u8),
}

/// One aspect: whether anything is wanted of it, and the links that can bring it.
#[derive(Clone, Debug, PartialEq)]
pub struct Part<'s> {
    pub aspect: Aspect,
    pub wanted: bool,
    pub links: Vec<&'s Link>,
    /// No link brings the light, but the warmth of a lamp at a place that is read shows it.
    pub by_warmth: bool,
    /// No link reads humidity here, but another place's air is brought here by its dew point: both temperatures are read.
    pub by_dew_point: bool,
}

impl Part<'_> {
    /// Wanted, and nothing brings it.
    pub fn is_blind(&self) -> bool {
        self.wanted && self.links.is_empty() && !self.by_warmth && !self.by_dew_point
    }
}

/// One enclosure and all that is known of how it is watched.
#[derive(Clone, Debug, PartialEq)]
pub struct Watch<'s> {
    pub enclosure: &'s Enclosure,
    pub parts: Vec<Part<'s>>,
}

/// Every enclosure in the order of the file.
pub fn coverage(settings: &Settings) -> Vec<Watch<'_>> {
    let watch = |(ix, enclosure)| {
        let target = Target::Enclosure(EnclosureIx(ix as u16));
        let links: Vec<&Link> = settings.links.iter().filter(|l| may_bring(l, target)).collect();
        Watch { enclosure, parts: parts(enclosure, &links) }
    };
    settings.enclosures.iter().enumerate().map(watch).collect()
}

/// The links that bring a room's temperature.
pub fn room_links(settings: &Settings, room: RoomIx) -> Vec<&Link> {
    let links = settings.links.iter().filter(|l| may_bring(l, Target::Room(room)));
    links.filter(|l| brings(l, |w| is_at(w, Place::Air, Quantity::Temperature))).collect()
}

fn parts<'s>(enclosure: &Enclosure, links: &[&'s Link]) -> Vec<Part<'s>> {
    // A link whose topic names the enclosure could name any; unasked for, only what is plainly tied is worth a line.
    let by = |wanted: bool, test: &dyn Fn(What) -> bool| {
        let worth = |l: &&&Link| (wanted || l.target.is_some()) && brings(l, test);
        links.iter().filter(worth).copied().collect::<Vec<_>>()
    };
    let mut parts = Vec::new();
    let mut add = |aspect, wanted, links: Vec<&'s Link>| {
        if wanted || !links.is_empty() || matches!(aspect, Aspect::Heat(_)) {
            parts.push(Part { aspect, wanted, links, by_warmth: false, by_dew_point: false });
        }
    };
    let care = enclosure.care.as_deref();
    for place in Place::ALL {
        let wanted = care.is_some_and(|c| wants_temperature(c, place));
        let links = by(wanted, &|w| is_at(w, place, Quantity::Temperature) && (wanted || matches!(w, What::Slot(_))));
        add(Aspect::Temperature(place), wanted, links);
    }
    for place in Place::ALL {
        let wanted = care.is_some_and(|c| wants_humidity(c, place));
        let links = by(wanted, &|w| is_at(w, place, Quantity::Humidity) && (wanted || matches!(w, What::Slot(_))));
        add(Aspect::Humidity(place), wanted, links);
    }
    let lit = care.is_some_and(wants_light);
    add(Aspect::Light, lit, by(lit, &shows_light));
    for (ix, _) in enclosure.heat.sources.iter().enumerate() {
        let Ok(ix) = u8::try_from(ix) else { break };
        add(Aspect::Heat(ix), false, by(true, &|w| matches!(w, What::Slot(Slot::Heat(at, _)) if at == ix)));
    }
    let read = |parts: &[Part<'_>], at: Place| {
        parts.iter().any(|p| p.aspect == Aspect::Temperature(at) && !p.links.is_empty())
    };
    let lamps = enclosure.heat.sources.iter().filter(|s| s.kind == Kind::BaskingLamp);
    let by_warmth = lamps.into_iter().any(|lamp| read(&parts, lamp.at));
    for part in parts.iter_mut().filter(|p| p.aspect == Aspect::Light) {
        part.by_warmth = by_warmth && part.links.is_empty();
    }
    let moist = |at: Place| brings_any(links, at, Quantity::Humidity) && brings_any(links, at, Quantity::Temperature);
    let elsewhere = Place::ALL.into_iter().any(moist);
    let warm: Vec<Place> = Place::ALL.into_iter().filter(|at| read(&parts, *at)).collect();
    for part in &mut parts {
        if let Aspect::Humidity(at) = part.aspect {
            part.by_dew_point = part.links.is_empty() && elsewhere && warm.contains(&at);
        }
    }
    parts
}

fn brings_any(links: &[&Link], at: Place, quantity: Quantity) -> bool {
    links.iter().any(|l| brings(l, |w| is_at(w, at, quantity)))
}

/// Whether any read of a link passes.
fn brings(link: &Link, test: impl Fn(What) -> bool) -> bool {
    link.reads.iter().any(|r| test(r.what))
}

fn is_at(what: What, place: Place, quantity: Quantity) -> bool {
    match what {
        What::Slot(slot) => slot == Slot::At(place, quantity),
        What::AtPlaceOfTopic(q) => q == quantity,
    }
}

fn shows_light(what: What) -> bool {
    let quantity = match what {
        What::Slot(Slot::Lamp(_)) => return true,
        What::Slot(slot) => slot.quantity(),
        What::AtPlaceOfTopic(quantity) => quantity,
    };
    // An ultraviolet index is shown and judges no lamp: ageing lamps lose it long before they go dark.
    matches!(quantity, Quantity::Light | Quantity::Illuminance)
}

/// At any time of the year.
fn wants_temperature(care: &Care, place: Place) -> bool {
    let of = |bands: &[Option<_>; Place::COUNT]| {
        bands[place.index()]
            .is_some_and(|b: crate::care::settings::PlaceBands| b.judged != Some(false) && b.wanted.is_some())
    };
    of(&care.places) || care.seasons.iter().any(|s| of(&s.places))
}

fn wants_humidity(care: &Care, place: Place) -> bool {
    care.humidity.iter().chain(care.seasons.iter().filter_map(|s| s.humidity.as_ref())).any(|h| h.place == place)
}

fn wants_light(care: &Care) -> bool {
    care.light.is_some() || care.seasons.iter().any(|s| s.light.is_some())
}
