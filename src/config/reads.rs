//! The words of `reads`: what a link's number is of, as `basking_spot.temperature` or `heat.main.power`.

use super::nearest::nearest;
use super::walk::shown;
use crate::engine::settings::Enclosure;
use crate::reading::Slot;
use crate::reading::settings::What;
use crate::terms::place::Place;
use crate::terms::quantity::Quantity;

/// Who is read.
#[derive(Clone, Copy, Debug)]
pub enum Whose<'e> {
    Room,
    /// One enclosure, or (a captured one) any of these.
    Enclosures(&'e [Enclosure]),
}

const PLACE_QUANTITIES: [Quantity; 5] =
    [Quantity::Temperature, Quantity::Humidity, Quantity::Illuminance, Quantity::Light, Quantity::UvIndex];

/// `place.quantity`, `heat.power`, `heat.ID.switch`, `lamp.power`, `battery`.
pub fn reads(text: &str, whose: Whose<'_>) -> Result<What, String> {
    if text == "battery" {
        return Ok(What::Slot(Slot::Battery));
    }
    let Some((what, quantity)) = text.rsplit_once('.') else { return Err(unknown(text)) };
    let quantity = Quantity::from_word(quantity).ok_or_else(|| unknown(text))?;
    let is_output = matches!(quantity, Quantity::Power | Quantity::Switch);
    let first = what.split('.').next().unwrap_or_default();
    match (first, Place::from_word(what)) {
        ("heat" | "lamp", _) if matches!(whose, Whose::Room) => {
            Err("a room has `air` only, as \"air.temperature\"".into())
        }
        ("lamp", _) if what == "lamp" && is_output => Ok(What::Slot(Slot::Lamp(quantity))),
        ("heat", _) if is_output => Ok(What::Slot(Slot::Heat(source(what, quantity, whose)?, quantity))),
        (_, Some(place)) if PLACE_QUANTITIES.contains(&quantity) => match whose {
            Whose::Room if place != Place::Air => Err(format!("a room has `air` only: \"air.{}\"", quantity.word())),
            _ => Ok(What::Slot(Slot::At(place, quantity))),
        },
        _ => Err(unknown(text)),
    }
}

/// The index of a heat source: the only one, or the one that `heat.ID` names, at the same index in each enclosure.
fn source(what: &str, quantity: Quantity, whose: Whose<'_>) -> Result<u8, String> {
    let enclosures = match whose {
        Whose::Room => &[],
        Whose::Enclosures(all) => all,
    };
    let id = what.strip_prefix("heat").and_then(|rest| rest.strip_prefix('.'));
    let Some(id) = id else {
        let several = enclosures.iter().find(|e| e.heat.sources.len() > 1);
        return match several.and_then(|e| e.heat.sources.first().map(|s| (e, s))) {
            Some((e, s)) => {
                let of = shown(&e.id);
                Err(format!("\"{of}\" has several heat sources: say which, as \"heat.{}.{}\"", s.id, quantity.word()))
            }
            None => Ok(0),
        };
    };
    let mut at: Vec<usize> = enclosures.iter().filter_map(|e| e.heat.sources.iter().position(|s| s.id == id)).collect();
    at.sort_unstable();
    at.dedup();
    match at[..] {
        [at] => u8::try_from(at).map_err(|_| "too many heat sources".into()),
        [] => {
            let known = enclosures.iter().flat_map(|e| &e.heat.sources).map(|s| s.id.as_str());
            Err(match nearest(id, known) {
                Some(near) => format!("no heat source is called \"{}\": did you mean \"{near}\"?", shown(id)),
                None => format!("no heat source is called \"{}\": `heat` of the enclosure names them", shown(id)),
            })
        }
        _ => Err(format!(
            "\"{}\" is not at the same place in the `heat` of all enclosures: one link for each",
            shown(id)
        )),
    }
}

/// A bare quantity at the place that the topic names.
pub fn quantity(text: &str) -> Result<Quantity, String> {
    let words = PLACE_QUANTITIES.map(Quantity::word);
    match Quantity::from_word(text).filter(|q| PLACE_QUANTITIES.contains(q)) {
        Some(quantity) => Ok(quantity),
        None => Err(match nearest(text, words) {
            Some(near) => format!("did you mean \"{near}\"?"),
            None => format!("one of {}", words.join(", ")),
        }),
    }
}

fn unknown(text: &str) -> String {
    let places = Place::ALL.into_iter().flat_map(|p| PLACE_QUANTITIES.map(|q| format!("{}.{}", p.word(), q.word())));
    let others = ["heat.power", "heat.switch", "lamp.power", "lamp.switch", "battery"].map(str::to_owned);
    let known: Vec<String> = places.chain(others).collect();
    match nearest(text, known.iter().map(String::as_str)) {
        Some(near) => format!("did you mean \"{near}\"?"),
        None => "a place and a quantity, as \"warm_side.temperature\"; or heat.power, lamp.switch, battery".into(),
    }
}
