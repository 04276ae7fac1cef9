//! The tables of a mail: what is read now against what is wanted, and who passes a limit first.

use super::Telling;
use super::doc::{Hue, ReadingRow, Table};
use super::facts::{value, whole};
use crate::finding::Subject;
use crate::notice::local::{Local, short};
use crate::notice::round_down;
use crate::notice::scene::{PlaceNow, Scene};
use crate::terms::id::EnclosureIx;
use crate::terms::place::Place;
use crate::terms::quantity::Quantity;
use crate::terms::time::Wall;

/// Rows of one mail.
const MOST_ROWS: usize = 10;
const MOST_DEADLINES: usize = 40;
/// Slower is not worth a word, K/min: 1.2 K an hour.
const STEADY: f64 = 0.02;

pub fn readings(scene: &Scene, local: &Local, now: Wall) -> Vec<ReadingRow> {
    let shown = |p: &&PlaceNow| matches!(p.quantity, Quantity::Temperature | Quantity::Humidity);
    scene.places.iter().filter(shown).take(MOST_ROWS).map(|p| row(p, local, now)).collect()
}

fn row(p: &PlaceNow, local: &Local, now: Wall) -> ReadingRow {
    let humidity = p.quantity == Quantity::Humidity;
    let show = |v: f64| if humidity { v } else { local.degrees.show(v) };
    let number = |v: f64| if humidity { format!("{}\u{a0}%", whole(v)) } else { local.bare(v) };
    let label = if humidity { "humidity".to_owned() } else { p.place.label().to_owned() };
    let wanted = p.wanted.map_or(String::new(), |(lo, hi)| format!("{}–{}", short(show(lo)), short(show(hi))));
    let seen = p.value.filter(|v| v.is_finite() && !p.silent);
    let (remark, hue) = match (seen, p.value) {
        (None, Some(last)) => (format!("last {}{}", number(last), at(p.at, local, now)), Some(Hue::Ink)),
        (None, None) => ("never heard".to_owned(), Some(Hue::Ink)),
        (Some(v), _) => judged(v, p, humidity, local),
    };
    let bullet = p.wanted.filter(|_| !humidity).map(|(lo, hi)| (seen.map(show), (show(lo), show(hi))));
    ReadingRow { label, now: seen.map_or("silent".to_owned(), number), wanted, remark, hue, bullet }
}

fn at(at: Option<Wall>, local: &Local, now: Wall) -> String {
    at.map_or(String::new(), |at| format!(" at {}", local.when(at, now)))
}

fn judged(v: f64, p: &PlaceNow, humidity: bool, local: &Local) -> (String, Option<Hue>) {
    let course = match p.slope.filter(|s| s.is_finite()) {
        Some(s) if s < -STEADY => ", falling",
        Some(s) if s > STEADY => ", rising",
        _ => "",
    };
    let by = |d: f64| if humidity { whole(d) } else { short_diff(d, local) };
    match p.wanted {
        None => (course.trim_start_matches(", ").to_owned(), None),
        Some((lo, _)) if v < lo => {
            (format!("{} under{course}", by(lo - v)), Some(if humidity { Hue::Ink } else { Hue::Cold }))
        }
        Some((_, hi)) if v > hi => {
            (format!("{} over{course}", by(v - hi)), Some(if humidity { Hue::Ink } else { Hue::Hot }))
        }
        Some(_) => (format!("in band{course}"), None),
    }
}

fn short_diff(kelvin: f64, local: &Local) -> String {
    crate::notice::local::one_decimal(local.degrees.show_difference(kelvin))
}

/// Which place of an enclosure an incident is about: that of its finding, else the hot end.
fn telling_place<'a>(t: &Telling, ix: EnclosureIx, scene: &'a Scene) -> Option<&'a PlaceNow> {
    let finding = t.incident.standing().find(|f| f.key.subject == Subject::Enclosure(ix));
    let place = finding.and_then(|f| f.key.place);
    let temperature = |place: Place| scene.at(place, Quantity::Temperature);
    place.and_then(temperature).or_else(|| Place::ALL.into_iter().find_map(temperature))
}

/// First past their limit, if left.
pub fn deadlines(t: &Telling) -> Table {
    let (local, now) = (t.local, t.now.wall);
    let mut rows = Vec::new();
    for (ix, scene) in t.scenes.iter().take(MOST_DEADLINES) {
        let own = t.incident.standing().filter(|f| f.key.subject == Subject::Enclosure(*ix));
        let by = own.filter_map(|f| f.act_by).min().map_or("-".to_owned(), |by| local.when(round_down(by), now));
        let place = telling_place(t, *ix, scene);
        let seen = place.map(|p| match p.value.filter(|_| !p.silent) {
            Some(v) => {
                value(Quantity::Temperature, v, local).replace(&format!("\u{a0}°{}", local.degrees.letter()), "")
            }
            None => "silent".to_owned(),
        });
        let limit = place.and_then(|p| p.never).map(|(lo, hi)| {
            let high = place.and_then(|p| Some(p.value? > p.wanted?.1)).unwrap_or(false);
            short(local.degrees.show(if high { hi } else { lo }))
        });
        let place = place.map_or("", |p| p.place.label());
        rows.push(vec![by, scene.label(), place.to_owned(), seen.unwrap_or_default(), limit.unwrap_or_default()]);
    }
    if t.scenes.len() > MOST_DEADLINES {
        let more = format!("and {} more", t.scenes.len() - MOST_DEADLINES);
        rows.push(vec![String::new(), more, String::new(), String::new(), String::new()]);
    }
    let title = format!("First past their limit, if left ({})", local.degrees.letter());
    let columns =
        vec![("by", 9, false), ("where", 18, false), ("place", 12, false), ("now", 6, true), ("never", 5, true)];
    Table { title, columns, rows }
}

/// From where to where several readings are, and the room beside them.
pub fn spread(t: &Telling) -> String {
    let values: Vec<f64> = t
        .scenes
        .iter()
        .filter_map(|(ix, s)| telling_place(t, *ix, s).filter(|p| !p.silent).and_then(|p| p.value))
        .filter(|v| v.is_finite())
        .collect();
    let (lo, hi) = values.iter().fold((f64::MAX, f64::MIN), |(lo, hi), v| (lo.min(*v), hi.max(*v)));
    let range = match (t.local.bare(lo), t.local.bare(hi)) {
        _ if values.is_empty() => String::new(),
        (low, high) if low == high => format!("They read {} now.", t.local.temp(hi)),
        (low, _) => format!("They read {low} to {} now.", t.local.temp(hi)),
    };
    let room = t.scenes.first().and_then(|(_, s)| s.room_celsius).filter(|c| c.is_finite());
    let room = room.map_or(String::new(), |c| format!("Room {}.", t.local.temp(c)));
    super::phrase::join(&[&range, &room])
}
