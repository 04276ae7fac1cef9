//! `[[enclosure]]`: who lives where, and what keeps them warm; one table may stand for a rack of alike ones.

use super::care::{StatedCare, overridden};
use super::names::Names;
use super::site::Site;
use super::walk::{Table, Value, shown};
use crate::care::settings::{Care, PlaceBands};
use crate::engine::settings::Enclosure;
use crate::heat::settings::{Kind, MOST_SOURCES, Settings as Heat, Source, Thermostat};
use crate::terms::id::{CircuitIx, RoomIx};
use crate::terms::place::Place;
use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;

/// The most enclosures of one file: a shop's worth, and far below what an index can count.
const MOST: usize = 2_000;

/// What enclosures point at.
pub struct House<'h> {
    pub site: &'h Site,
    pub rooms: &'h Names,
    pub circuits: &'h Names,
    pub cares: &'h [StatedCare],
    pub care_names: &'h Names,
}

/// All enclosures, their ids, and where each is stated.
pub struct Enclosures {
    pub all: Vec<Enclosure>,
    pub names: Names,
    pub spans: Vec<Range<usize>>,
}

pub fn enclosures(root: &Table<'_>, house: &House<'_>) -> Enclosures {
    let mut found = Enclosures { all: Vec::new(), names: Names::new("enclosure"), spans: Vec::new() };
    let tables = root.tables("enclosure", "[[enclosure]]");
    if tables.is_empty() {
        root.walk.missing(&(0..0), "there is no [[enclosure]]: nothing is watched", "add one with id and care");
    }
    // One care that many enclosures share is one value in memory too.
    let shared: Vec<Arc<Care>> = house.cares.iter().map(|c| Arc::new(c.care.clone())).collect();
    for table in &tables {
        enclosure(table, house, &shared, &mut found);
    }
    found
}

fn enclosure(table: &Table<'_>, house: &House<'_>, shared: &[Arc<Care>], found: &mut Enclosures) {
    let ids = ids(table);
    let mut animals = animals(table, &ids);
    let care_ix = table.get("care").and_then(|v| house.care_names.find(&v));
    let base = care_ix.and_then(|ix| house.cares.get(ix));
    let room = table.get("room").and_then(|v| house.rooms.find(&v)).map(|ix| RoomIx(ix as u16));
    let circuit = table.get("circuit").and_then(|v| house.circuits.find(&v)).map(|ix| CircuitIx(ix as u16));
    let place_words: Vec<String> =
        table.get("where").map(|v| v.list().iter().filter_map(Value::line).collect()).unwrap_or_default();
    let stated_heat = table.get("heat").map(|v| heat(&v));
    let what_to_do = table.get("what_to_do").and_then(|v| instructions(&v));
    let empty = table.get("empty").and_then(|v| v.flag()).unwrap_or(false);
    let own = table.table("override", "[enclosure.override]");
    let named = ids.first().map(|(id, _)| shown(id)).unwrap_or_default();
    let care = match own.is_there() {
        true => Some(Arc::new(overridden(&own, base, &format!("enclosure \"{named}\""), house.site))),
        false => care_ix.and_then(|ix| shared.get(ix).cloned()),
    };
    if table.get("care").is_none() && !own.is_there() && !empty {
        let right = "add `care = \"…\"`; `warmside care` drafts one";
        table.walk.doubt(&table.span, format!("nothing is wanted in \"{named}\": it has no `care`"), right);
    }
    table.finish();
    let heat = stated_heat.unwrap_or_else(|| if empty { Heat::default() } else { unstated_heat(care.as_deref()) });
    for (id, span) in ids {
        if found.all.len() >= MOST {
            table.walk.fault(&span, format!("more than {MOST} enclosures"), "");
            return;
        }
        found.names.add(table.walk, &id, &span, found.all.len());
        found.spans.push(span);
        found.all.push(Enclosure {
            animal: animals.remove(&id),
            room,
            circuit,
            where_: words(&place_words, &id),
            what_to_do: what_to_do.clone(),
            empty,
            care: care.clone(),
            heat: heat.clone(),
            id,
        });
    }
}

/// `id = "a3"`, or `ids = ["a1..a8", "b1", "b2"]`.
fn ids(table: &Table<'_>) -> Vec<(String, Range<usize>)> {
    let (one, many) = (table.get("id"), table.get("ids"));
    match (one, many) {
        (Some(one), None) => one.text().map(|id| (id, one.span.clone())).into_iter().collect(),
        (None, Some(many)) => {
            let expand = |v: &Value<'_>| {
                let all = v.read("range of ids", range).unwrap_or_default();
                all.into_iter().map(|id| (id, v.span.clone())).collect::<Vec<_>>()
            };
            many.list().iter().flat_map(expand).collect()
        }
        (Some(_), Some(many)) => {
            many.walk.fault(&many.key_span, "`id` and `ids` at once", "one of the two");
            Vec::new()
        }
        (None, None) => {
            let right = "add `id = \"a3\"`, or `ids = [\"a1..a8\"]` for alike ones";
            table.walk.missing(&table.span, "[[enclosure]] has no `id`", right);
            Vec::new()
        }
    }
}

/// `a1..a8` → a1 to a8; `a01..a40` keeps its zeros; anything without two dots is itself.
fn range(text: &str) -> Result<Vec<String>, String> {
    let Some((from, to)) = text.split_once("..") else { return Ok(vec![text.to_owned()]) };
    let right = || "write the first and the last with the same beginning, as \"a1..a8\"".to_owned();
    let (stem, first) = stem_and_number(from);
    let (other, last) = stem_and_number(to);
    if stem != other || first.is_empty() || last.is_empty() {
        return Err(right());
    }
    let width = if first.starts_with('0') { first.len() } else { 0 };
    let (Ok(first), Ok(last)) = (first.parse::<u32>(), last.parse::<u32>()) else { return Err(right()) };
    if first > last || last - first >= MOST as u32 {
        return Err(right());
    }
    Ok((first..=last).map(|n| format!("{stem}{n:0width$}")).collect())
}

/// What stands before the digits at the end, and those digits.
fn stem_and_number(id: &str) -> (&str, &str) {
    let stem = id.trim_end_matches(|c: char| c.is_ascii_digit());
    id.split_at(stem.len())
}

/// `where`, in which `{id}`, `{stem}` and `{number}` stand for the parts of an enclosure's own id.
fn words(template: &[String], id: &str) -> Vec<String> {
    let (stem, number) = stem_and_number(id);
    let filled = |t: &String| t.replace("{id}", id).replace("{stem}", stem).replace("{number}", number);
    template.iter().map(filled).collect()
}

/// `animal = "Juno"`, or `animals = { a1 = "Juno", a2 = "Pip" }` beside `ids`.
fn animals(table: &Table<'_>, ids: &[(String, Range<usize>)]) -> BTreeMap<String, String> {
    let mut found = BTreeMap::new();
    if let Some(value) = table.get("animal") {
        match ids {
            [_, _, ..] => {
                let right = "write `animals = { a1 = \"Juno\" }`";
                value.walk.fault(&value.key_span, "one `animal` for several enclosures", right);
            }
            [(id, _)] => found.extend(value.line().map(|name| (id.clone(), name))),
            [] => {}
        }
    }
    if let Some(value) = table.get("animals") {
        for entry in value.table("animals").entries() {
            if !ids.iter().any(|(id, _)| *id == entry.key) {
                let what = format!("`ids` of this table has no \"{}\"", shown(&entry.key));
                value.walk.missing(&entry.key_span, what, "each animal is named beside the id of its enclosure");
            }
            found.extend(entry.line().map(|name| (entry.key.clone(), name)));
        }
    }
    found
}

/// The keeper's own words: several lines are fine, other control characters are not.
fn instructions(value: &Value<'_>) -> Option<String> {
    const LONGEST: usize = 2_000;
    let text = value.text()?.replace("\r\n", "\n");
    if text.len() > LONGEST || text.chars().any(|c| c.is_control() && c != '\n') {
        value.fault("these words cannot go into a mail as they are", "plain text of 2000 bytes at the most");
        return None;
    }
    Some(text)
}

/// Rooms that people live in are kept at 18 to 24 °C (common practice, no source): a band whose middle lies above this is no room's.
const WARMER_THAN_A_ROOM_C: f64 = 26.0;

/// A keeper who says nothing of heat has some all the same: one source of which nothing is told, watched by what is learned of
/// it, at the first of these places that is wanted; at a basking spot it is a lamp, which is off by night. Not where no more is
/// wanted than a room gives (but for a basking spot): then nothing shows that there is heat at all, and an evening with the window open would look like
/// its failure. `heat = []` says that there is none.
fn unstated_heat(care: Option<&Care>) -> Heat {
    let warm = |place: &Place, bands: &PlaceBands| {
        // Nobody basks at a spot that is not heated, however wide its band.
        let of_band = |low: f64, high: f64| if *place == Place::BaskingSpot { high } else { (low + high) / 2.0 };
        bands.wanted.or(bands.never).is_some_and(|band| of_band(band.low, band.high) >= WARMER_THAN_A_ROOM_C)
    };
    let wanted = |place: &Place| care.is_none_or(|c| c.places[place.index()].as_ref().is_some_and(|b| warm(place, b)));
    let at = [Place::WarmSide, Place::Floor, Place::Hide, Place::Water, Place::BaskingSpot].into_iter().find(wanted);
    let kind = if at == Some(Place::BaskingSpot) { Kind::BaskingLamp } else { Kind::Other };
    let source = |at| Source { id: "main".into(), kind, at, watts: None, thermostat: None };
    Heat { sources: at.map(source).into_iter().collect() }
}

fn heat(value: &Value<'_>) -> Heat {
    let mut sources: Vec<Source> = Vec::new();
    let items = value.list();
    if let Some(over) = items.get(MOST_SOURCES) {
        over.fault(format!("more than {MOST_SOURCES} heat sources"), "");
    }
    for item in items.iter().take(MOST_SOURCES) {
        let Some(source) = source(item) else { continue };
        if sources.iter().any(|s| s.id == source.id) {
            item.fault(format!("two heat sources are called \"{}\"", shown(&source.id)), "give each an id of its own");
        }
        sources.push(source);
    }
    Heat { sources }
}

fn source(value: &Value<'_>) -> Option<Source> {
    const MOST_W: f64 = 5_000.0;
    let table = value.table("a heat source");
    if !table.is_there() {
        return None;
    }
    let mut alone = Names::new("heat source");
    let id = match table.get("id") {
        Some(v) => v.text().inspect(|id| alone.add(v.walk, id, &v.span, 0)).unwrap_or_default(),
        None => "main".into(),
    };
    let kind = table.need("kind", "kind = \"ceramic-emitter\"").and_then(|v| v.word(&Kind::ALL.map(|k| (k.word(), k))));
    let at = table.need("at", "at = \"warm_side\"").and_then(|v| v.word(&Place::ALL.map(|p| (p.word(), p))));
    let watts = table.get("watts").and_then(|v| {
        let watts = v.number()?;
        if !(watts > 0.0 && watts <= MOST_W) {
            v.fault("this is no rated power", format!("watts, more than 0 and at most {MOST_W}"));
            return None;
        }
        Some(watts)
    });
    let thermostat = table.get("thermostat").and_then(|v| v.word(&Thermostat::ALL.map(|t| (t.word(), t))));
    table.finish();
    // A wrong word has been told; the source keeps its index, so that links to it are judged all the same.
    Some(Source { id, kind: kind.unwrap_or(Kind::Other), at: at.unwrap_or(Place::WarmSide), watts, thermostat })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_of_ids() {
        let ids = |text| range(text).map(|ids| ids.join(" "));
        assert_eq!(ids("a1..a4"), Ok("a1 a2 a3 a4".into()));
        assert_eq!(ids("rack-08..rack-11"), Ok("rack-08 rack-09 rack-10 rack-11".into()));
        assert_eq!(ids("7..9"), Ok("7 8 9".into()));
        assert_eq!(ids("b3"), Ok("b3".into()));
        for bad in ["a1..b4", "a..b", "a4..a1", "a1..", "..", "a1..a99999999", "a1...a4", "a1..a999999999999999999999"]
        {
            assert!(range(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn words_take_the_parts_of_an_id() {
        let template = ["rack {stem}".to_owned(), "tub {number}".to_owned(), "{id}".to_owned()];
        assert_eq!(words(&template, "b07"), ["rack b", "tub 07", "b07"]);
    }
}
