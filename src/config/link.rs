//! `[[link]]`: which topics bring whose readings, in which shape and unit.

use super::enclosure::Enclosures;
use super::names::Names;
use super::nearest::nearest;
use super::reads::{Whose, quantity, reads};
use super::shape;
use super::site::{Site, length};
use super::values::pointer;
use super::walk::{Table, Value, shown};
use crate::reading::Target;
use crate::reading::settings::{Link, Read, What};
use crate::terms::id::{EnclosureIx, RoomIx};
use crate::terms::place::Place;
use crate::terms::quantity::{Quantity, Unit};
use crate::terms::time::Span;
use std::ops::Range;

/// The longest topic in bytes.
const LONGEST_TOPIC: usize = 1_024;

/// A link, and where its parts stand.
#[derive(Debug)]
pub struct StatedLink {
    pub link: Link,
    pub topic: Range<usize>,
    /// Of each read.
    pub reads: Vec<Range<usize>>,
}

/// What links point at.
pub struct Wall<'w> {
    pub site: &'w Site,
    pub enclosures: &'w Enclosures,
    pub rooms: &'w Names,
}

/// A topic's levels in braces.
#[derive(Debug, Default)]
struct Captures {
    names: Vec<String>,
}

impl Captures {
    fn has(&self, name: &str) -> bool {
        self.names.iter().any(|n| n == name)
    }
}

/// What a link's own table says of whose readings it brings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Aim {
    Known(Target),
    /// The topic says which enclosure.
    Enclosure,
    /// The topic says which room.
    Room,
    /// Wrong, and told.
    Unknown,
}

/// Every link that can be obeyed, and whose readings those would bring that cannot.
pub fn links(root: &Table<'_>, wall: &Wall<'_>) -> (Vec<StatedLink>, Vec<Aim>) {
    let tables = root.tables("link", "[[link]]");
    let (mut good, mut broken) = (Vec::new(), Vec::new());
    for table in &tables {
        match link(table, wall) {
            Ok(link) => good.push(link),
            Err(aim) => broken.push(aim),
        }
    }
    (good, broken)
}

pub(super) fn link(table: &Table<'_>, wall: &Wall<'_>) -> Result<StatedLink, Aim> {
    let topic_value = table.need("topic", "topic = \"rack/{enclosure}/{place}/temperature\"");
    let topic = topic_value.as_ref().and_then(topic);
    let captures = topic.as_ref().map(|(_, c)| c);
    let target = target(table, captures, wall);
    let shape = shape::shape(table);
    let (reads, spans) = all_reads(table, captures, &target, &shape, wall);
    let offset_k = offset(table, captures, &target, &reads, wall.site);
    let names = captures.map(|c| names(table, c, wall)).unwrap_or_default();
    let time = table.get("time").and_then(|v| v.read("JSON Pointer", pointer));
    let every = length(table, "every");
    if let Some(value) = table.get("every").filter(|_| every.is_some_and(|e| e > Span::days(1))) {
        value.fault("a probe that reports less than once a day watches nothing", "as \"60s\"");
    }
    // Asked again, so that they are known where an earlier step had no need of them.
    for key in ["names", "offset", "unit", "pointer"] {
        let _ = table.get(key);
    }
    table.finish();
    shape::check(table, &shape, &reads, time.as_deref());
    let (Some((topic, _)), Some(topic_value), false) = (topic, topic_value, reads.is_empty()) else {
        return Err(target);
    };
    let target = match target {
        Aim::Known(target) => Some(target),
        Aim::Enclosure | Aim::Room => None,
        Aim::Unknown => return Err(Aim::Unknown),
    };
    let reads: Vec<Read> = reads.into_iter().map(|r| Read { offset_k: offset_k.unwrap_or(r.offset_k), ..r }).collect();
    let link = Link { topic, target, reads, names, time, every, shape };
    Ok(StatedLink { link, topic: topic_value.span, reads: spans })
}

/// The topic and what it captures.
fn topic(value: &Value<'_>) -> Option<(String, Captures)> {
    const KNOWN: [&str; 3] = ["enclosure", "room", "place"];
    let text = value.line()?;
    let mut captures = Captures::default();
    let mut right = None;
    for level in text.split('/') {
        let inner = level.strip_prefix('{').and_then(|l| l.strip_suffix('}'));
        match inner {
            _ if level.contains(['+', '#']) => {
                right =
                    Some("a level that varies is a {name}: {enclosure}, {place}, or any other word in braces".into());
            }
            Some(name) if captures.has(name) => right = Some(format!("{{{name}}} stands twice")),
            Some(name) if !name.is_empty() && name.bytes().all(|b| b.is_ascii_lowercase() || b == b'_') => {
                if let Some(near) = nearest(name, KNOWN).filter(|near| *near != name) {
                    right = Some(format!("did you mean {{{near}}}?"));
                }
                captures.names.push(name.to_owned());
            }
            Some(_) => right = Some("a name in braces is of letters a to z and _".into()),
            None if level.contains(['{', '}']) => right = Some("a {name} takes a whole level between slashes".into()),
            None => {}
        }
    }
    if text.len() > LONGEST_TOPIC {
        right = Some("a shorter one".into());
    }
    match right {
        Some(right) => {
            value.fault(format!("\"{}\" is no topic to listen to", shown(&text)), right);
            None
        }
        None => Some((text, captures)),
    }
}

/// Whose readings: said by the table or by the topic, and by one of them only.
fn target(table: &Table<'_>, captures: Option<&Captures>, wall: &Wall<'_>) -> Aim {
    let (enclosure, room) = (table.get("enclosure"), table.get("room"));
    if let (Some(_), Some(room)) = (&enclosure, &room) {
        room.walk.fault(&room.key_span, "this link fits two: an enclosure and a room", "one of the two");
        return Aim::Unknown;
    }
    let said = enclosure.as_ref().or(room.as_ref());
    let captured = captures.and_then(|c| ["enclosure", "room"].into_iter().filter(|n| c.has(n)).reduce(|_, _| "both"));
    match (said, captured) {
        (Some(said), Some(_)) => {
            let what = format!("this link fits two: the topic says which, and `{}` says it too", said.key);
            said.walk.fault(&said.key_span, what, "take one of them out");
            Aim::Unknown
        }
        (Some(said), None) => {
            let found = match room {
                Some(_) => wall.rooms.find(said).map(|ix| Target::Room(RoomIx(ix as u16))),
                None => wall.enclosures.names.find(said).map(|ix| Target::Enclosure(EnclosureIx(ix as u16))),
            };
            found.map_or(Aim::Unknown, Aim::Known)
        }
        (None, Some("enclosure")) => Aim::Enclosure,
        (None, Some("room")) => Aim::Room,
        (None, Some(_)) => {
            let right = "an enclosure's readings or a room's";
            table.walk.fault(&table.span, "this link fits two: {enclosure} and {room} in one topic", right);
            Aim::Unknown
        }
        (None, None) => {
            if captures.is_some() {
                let right = "add `enclosure = \"…\"` or `room = \"…\"`, or put {enclosure} into the topic";
                table.walk.missing(&table.span, "nothing says whose readings these are", right);
            }
            Aim::Unknown
        }
    }
}

/// The numbers of each message: `reads`, `quantity`, or `[link.read]`.
fn all_reads(
    table: &Table<'_>,
    captures: Option<&Captures>,
    target: &Aim,
    shape: &crate::reading::settings::Shape,
    wall: &Wall<'_>,
) -> (Vec<Read>, Vec<Range<usize>>) {
    let forms = [table.get("reads"), table.get("quantity"), table.get("read")];
    let mut given = forms.iter().flatten();
    let (first, second) = (given.next(), given.next());
    if let (Some(first), Some(second)) = (first, second) {
        let what = format!("this link fits two: `{}` and `{}`", first.key, second.key);
        table.walk.fault_beside(&second.key_span, what, "one of them", &first.key_span, "the other");
        return Default::default();
    }
    let place_of_topic = captures.is_some_and(|c| c.has("place"));
    let reader = Reader { target, place_of_topic, wall };
    match forms {
        [_, _, Some(many)] => {
            for key in ["unit", "pointer"] {
                if let Some(value) = table.get(key) {
                    let right = "each reading has its own there";
                    value.walk.fault(&value.key_span, format!("`{key}` beside [link.read]"), right);
                }
            }
            let mut found: Vec<(Read, Range<usize>)> = Vec::new();
            for entry in many.table("[link.read]").entries() {
                let own = entry.table(&format!("\"{}\"", shown(&entry.key)));
                let what = reader.what(&entry.key).map_err(|right| {
                    let what = format!("\"{}\" is nothing to read", shown(&entry.key));
                    entry.walk.fault(&entry.key_span, what, right);
                });
                let read = reader.read(&own, what.ok(), shape.senml || shape.pick.is_some());
                own.finish();
                found.extend(read.map(|r| (r, entry.key_span.clone())));
            }
            found.into_iter().unzip()
        }
        [None, None, None] => {
            let right = "add `reads = \"warm_side.temperature\"`, or {place} in the topic and `quantity`";
            table.walk.missing(&table.span, "nothing says what this link reads", right);
            Default::default()
        }
        [reads, quantity, None] => {
            let Some(value) = reads.or(quantity) else { return Default::default() };
            let what = value.read("reading", |text| match value.key.as_str() {
                "reads" => reader.what(text),
                _ => reader.of_quantity(text),
            });
            let read = reader.read(table, what, true);
            read.map(|r| (vec![r], vec![value.span.clone()])).unwrap_or_default()
        }
    }
}

struct Reader<'r> {
    target: &'r Aim,
    place_of_topic: bool,
    wall: &'r Wall<'r>,
}

impl Reader<'_> {
    fn is_room(&self) -> bool {
        matches!(self.target, Aim::Room | Aim::Known(Target::Room(_)))
    }

    /// `warm_side.temperature` and the like; a bare `temperature` where the topic or the room says the place.
    fn what(&self, text: &str) -> Result<What, String> {
        if Quantity::from_word(text).is_some() && text != "battery" {
            return self.of_quantity(text);
        }
        let all = &self.wall.enclosures.all[..];
        let whose = match self.target {
            Aim::Known(Target::Enclosure(ix)) => {
                Whose::Enclosures(all.get(ix.index()..=ix.index()).unwrap_or_default())
            }
            _ if self.is_room() => Whose::Room,
            _ => Whose::Enclosures(all),
        };
        let what = reads(text, whose)?;
        match what {
            What::Slot(slot) if slot.place().is_some() && self.place_of_topic => {
                let quantity = slot.quantity().word();
                Err(format!(
                    "this link fits two places: {{place}} in the topic, and this one; write `{quantity}` alone"
                ))
            }
            what => Ok(what),
        }
    }

    fn of_quantity(&self, text: &str) -> Result<What, String> {
        let quantity = quantity(text)?;
        match (self.is_room(), self.place_of_topic) {
            (true, true) => Err("a room has `air` only: no {place} in its topic".into()),
            (true, false) => Ok(What::Slot(crate::reading::Slot::At(Place::Air, quantity))),
            (false, true) => Ok(What::AtPlaceOfTopic(quantity)),
            (false, false) => Err(format!(
                "where? put {{place}} into the topic, or write `reads = \"warm_side.{}\"`",
                quantity.word()
            )),
        }
    }

    /// Pointer and unit of one number.
    fn read(&self, table: &Table<'_>, what: Option<What>, whole_is_fine: bool) -> Option<Read> {
        let pointer_value = table.get("pointer");
        let pointer = pointer_value.as_ref().and_then(|v| v.read("JSON Pointer", pointer));
        if pointer_value.is_none() && !whole_is_fine {
            table.need("pointer", "pointer = \"/warm/t\"");
        }
        let unit = unit(table, what.map(What::quantity));
        Some(Read { what: what?, pointer, unit: unit?, offset_k: 0.0 })
    }
}

/// UCUM, and fitting the quantity; states need none.
fn unit(table: &Table<'_>, quantity: Option<Quantity>) -> Option<Unit> {
    let fits = quantity.map_or(&Unit::ALL[..], Quantity::units);
    let codes = || fits.iter().map(|u| format!("\"{}\"", u.code())).collect::<Vec<_>>().join(" or ");
    let value = match (table.get("unit"), quantity) {
        (Some(value), _) => value,
        (None, Some(q)) if q.units() == [Unit::One] => return Some(Unit::One),
        (None, None) => return None,
        (None, Some(q)) => {
            let what = format!("{} has no `unit`: {} in what?", table.name, q.word());
            table.walk.missing(&table.span, what, format!("add `unit`: {}", codes()));
            return None;
        }
    };
    let text = value.text()?;
    let found = Unit::from_code(&text).filter(|u| fits.contains(u));
    if found.is_none() {
        let right = match text.trim_start_matches('°').to_ascii_lowercase().as_str() {
            "c" | "celsius" | "cel" | "degc" if fits.contains(&Unit::Celsius) => "UCUM writes it \"Cel\"".into(),
            "f" | "fahrenheit" | "degf" | "[degf]" if fits.contains(&Unit::Fahrenheit) => {
                "UCUM writes it \"[degF]\"".into()
            }
            "rh" | "%rh" | "percent" if fits.contains(&Unit::Percent) => "UCUM writes it \"%\"".into(),
            "lux" if fits.contains(&Unit::Lux) => "UCUM writes it \"lx\"".into(),
            _ => format!("write {}", codes()),
        };
        let of = quantity.map(|q| format!(" of {}", q.word())).unwrap_or_default();
        value.fault(format!("\"{}\" is no unit{of} that is known", shown(&text)), right);
    }
    found
}

/// `offset`, where one probe at one place is meant.
fn offset(table: &Table<'_>, captures: Option<&Captures>, target: &Aim, reads: &[Read], site: &Site) -> Option<f64> {
    const MOST_K: f64 = 2.0;
    let value = table.get("offset")?;
    let kelvin = site.degrees.read_difference(value.number()?);
    let one = matches!(target, Aim::Known(_)) && captures.is_some_and(|c| c.names.is_empty());
    match reads {
        [] => return None,
        [read] if one && read.what.quantity() == Quantity::Temperature => {}
        _ => {
            let right = "an offset belongs to one probe: give that probe a link of its own";
            value.walk.fault(&value.key_span, "`offset` where the link reads more than one place's temperature", right);
            return None;
        }
    }
    if kelvin.abs() > MOST_K {
        let most = super::band::short(site.degrees.show_difference(MOST_K));
        value.fault(
            "an offset of this size hides a broken probe",
            format!("at most {most} degrees; beyond that, replace it"),
        );
        return None;
    }
    Some(kelvin)
}

/// `names`: words of the topic to ours.
fn names(table: &Table<'_>, captures: &Captures, wall: &Wall<'_>) -> Vec<(String, String)> {
    let Some(value) = table.get("names") else { return Vec::new() };
    if !["enclosure", "room", "place"].iter().any(|n| captures.has(n)) {
        let right = "put {place}, {enclosure} or {room} into the topic, or take `names` out";
        value.walk.fault(&value.key_span, "`names` where the topic captures none", right);
    }
    let mut ours: Vec<&str> = Vec::new();
    if captures.has("place") {
        ours.extend(Place::ALL.map(Place::word));
    }
    if captures.has("enclosure") {
        ours.extend(wall.enclosures.names.ids());
    }
    if captures.has("room") {
        ours.extend(wall.rooms.ids());
    }
    let mut found = Vec::new();
    for entry in value.table("names").entries() {
        let Some(word) = entry.text() else { continue };
        if !ours.contains(&word.as_str()) {
            let right = match nearest(&word, ours.iter().copied()) {
                Some(near) => format!("did you mean \"{near}\"?"),
                None => "on the left the topic's word, on the right ours, as { w = \"warm_side\" }".into(),
            };
            entry.walk.missing(&entry.span, format!("\"{}\" is none of our words here", shown(&word)), right);
        }
        found.push((entry.key.clone(), word));
    }
    found
}
