//! `[site]`, `[letters]`, `[repeat]`, `[vet]`, `[[keeper]]`, `[[room]]`, `[[circuit]]`: the house and its people.

use super::names::Names;
use super::nearest::nearest;
use super::values::{clock, date, mailbox, span, weekly};
use super::walk::{Table, Value, shown};
use crate::engine::settings::{Circuit, Room};
use crate::notice::settings::{Keeper, Weekly};
use crate::terms::quantity::Degrees;
use crate::terms::time::Span;
use jiff::tz::TimeZoneDatabase;
use toml::de::DeValue;

/// `[site]`.
#[derive(Debug)]
pub struct Site {
    pub name: String,
    pub time_zone: String,
    pub degrees: Degrees,
    pub position: Option<(f64, f64)>,
}

pub fn site(root: &Table<'_>) -> Site {
    let table = root.table("site", "[site]");
    let name = table.get("name").and_then(|v| v.line()).unwrap_or_else(|| "Warmside".into());
    let time_zone = match table.get("time_zone") {
        Some(value) => zone(&value).unwrap_or_else(|| "UTC".into()),
        None => {
            let right = "write `time_zone = \"Europe/Dublin\"` under [site]";
            let what = "the site has no `time_zone`: nights, lamps and letters are reckoned in UTC";
            root.walk.doubt(&table.span, what, right);
            "UTC".into()
        }
    };
    let degrees = table.get("unit").and_then(|v| v.word(&[("C", Degrees::C), ("F", Degrees::F)]));
    let position = table.get("position").and_then(|v| position(&v));
    table.finish();
    Site { name, time_zone, degrees: degrees.unwrap_or_default(), position }
}

/// A zone of the database that the binary carries: the same on every machine.
fn zone(value: &Value<'_>) -> Option<String> {
    let name = value.text()?;
    let zones = TimeZoneDatabase::bundled();
    if zones.get(&name).is_ok() {
        return Some(name);
    }
    let known: Vec<String> = zones.available().map(|z| z.to_string()).collect();
    // A city alone is the usual slip.
    let city = known.iter().find(|z| z.rsplit('/').next().is_some_and(|c| c.eq_ignore_ascii_case(name.trim())));
    let near = city.map(String::as_str).or_else(|| nearest(&name, known.iter().map(String::as_str)));
    let right = near.map_or_else(|| "an IANA name, as \"Europe/Dublin\"".into(), |z| format!("did you mean \"{z}\"?"));
    value.fault(format!("there is no time zone \"{}\"", shown(&name)), right);
    None
}

fn position(value: &Value<'_>) -> Option<(f64, f64)> {
    let items = value.list();
    let numbers: Vec<f64> = items.iter().filter_map(Value::number).collect();
    match numbers[..] {
        [north, east] if north.abs() <= 90.0 && east.abs() <= 180.0 => Some((north, east)),
        _ if numbers.len() != items.len() => None,
        _ => {
            let right = "degrees north (-90 to 90) and east (-180 to 180), as [53.35, -6.26]";
            value.fault("`position` is no place on earth", right);
            None
        }
    }
}

/// `[letters]`: (daily, weekly). Sent at the usual times unless told otherwise; `false` turns one off.
pub fn letters(root: &Table<'_>) -> (Option<u16>, Option<Weekly>) {
    let table = root.table("letters", "[letters]");
    let off = |v: &Value<'_>| matches!(v.value, DeValue::Boolean(false));
    let daily = match table.get("daily") {
        Some(v) if off(&v) => None,
        Some(v) => v.read("time of day", clock),
        None => Some(7 * 60),
    };
    let sunday = Weekly { weekday: 6, minute: 18 * 60 };
    let weekly = match table.get("weekly") {
        Some(v) if off(&v) => None,
        Some(v) => v.read("day and time", weekly).map(|(weekday, minute)| Weekly { weekday, minute }),
        None => Some(sunday),
    };
    table.finish();
    (daily, weekly)
}

/// `[repeat]`: now, today, pause.
pub fn repeat(root: &Table<'_>) -> (Span, Span, Span) {
    let table = root.table("repeat", "[repeat]");
    let now = length(&table, "now").unwrap_or(Span::min(15));
    let today = length(&table, "today").unwrap_or(Span::h(6));
    let pause = length(&table, "pause").unwrap_or(Span::min(60));
    if let Some(value) = table.get("now").filter(|_| now < Span::min(1)) {
        value.fault("a mail more often than once a minute is noise", "write 1min or more, as \"15min\"");
    }
    table.finish();
    (now, today, pause)
}

/// A length of time, where the key is there.
pub fn length(table: &Table<'_>, key: &'static str) -> Option<Span> {
    table.get(key)?.read("length of time", span)
}

/// `[vet]`.
pub fn vet(root: &Table<'_>) -> Option<String> {
    let table = root.table("vet", "[vet]");
    let phone = table.get("phone").and_then(|v| v.line());
    table.finish();
    phone
}

/// Every `[[keeper]]`.
pub fn keepers(root: &Table<'_>) -> (Vec<Keeper>, Names) {
    let mut names = Names::new("keeper");
    let tables = root.tables("keeper", "[[keeper]]");
    let keepers: Vec<Keeper> =
        tables.iter().enumerate().map(|(index, table)| keeper(table, &mut names, index)).collect();
    match tables.first() {
        None => {
            let right = "add a [[keeper]] with id, name and mail";
            root.walk.doubt(&(0..0), "there is no [[keeper]]: nobody would be told of anything", right);
        }
        Some(first) if keepers.iter().all(|k| k.after.is_some()) => {
            let right = "leave `after` out for whoever is to be told first";
            root.walk.doubt(&first.span, "every keeper has an `after`: nobody is told at once", right);
        }
        Some(_) => {}
    }
    (keepers, names)
}

fn keeper(table: &Table<'_>, names: &mut Names, index: usize) -> Keeper {
    let id = names.take(table, index);
    let name = table.get("name").and_then(|v| v.line()).unwrap_or_else(|| id.clone());
    let mail = table.need("mail", "mail = \"ines@example.org\"").and_then(|v| {
        let mailbox = v.read("mail address", mailbox)?;
        if mailbox.name.is_some() {
            v.fault("a name stands beside the mail address", format!("write only \"{}\"", mailbox.address));
        }
        Some(mailbox.address)
    });
    let after = length(table, "after");
    let phone = table.get("phone").and_then(|v| v.line());
    let away = table.get("away").map(|v| v.list().iter().filter_map(absence).collect()).unwrap_or_default();
    table.finish();
    Keeper { id, name, mail: mail.unwrap_or_default(), after, phone, away }
}

fn absence(value: &Value<'_>) -> Option<(i32, i32)> {
    let table = value.table("a time away");
    if !table.is_there() {
        return None;
    }
    let from = table.need("from", "from = \"2026-08-01\"").and_then(|v| v.read("date", date));
    let to = table.need("to", "to = \"2026-08-14\"").and_then(|v| v.read("date", date));
    table.finish();
    let (from, to) = (from?, to?);
    if to < from {
        value.fault("this time away ends before it begins", "`from` is the first day away, `to` the last");
        return None;
    }
    Some((from, to))
}

/// Every `[[room]]`.
pub fn rooms(root: &Table<'_>) -> (Vec<Room>, Names) {
    let (rooms, names) = named(root, "room", "[[room]]");
    (rooms.into_iter().map(|(id, name)| Room { id, name }).collect(), names)
}

/// Every `[[circuit]]`.
pub fn circuits(root: &Table<'_>) -> (Vec<Circuit>, Names) {
    let (circuits, names) = named(root, "circuit", "[[circuit]]");
    (circuits.into_iter().map(|(id, name)| Circuit { id, name }).collect(), names)
}

fn named(root: &Table<'_>, kind: &'static str, shown: &str) -> (Vec<(String, String)>, Names) {
    let mut names = Names::new(kind);
    let one = |(index, table): (usize, &Table<'_>)| {
        let id = names.take(table, index);
        let name = table.get("name").and_then(|v| v.line()).unwrap_or_else(|| id.clone());
        table.finish();
        (id, name)
    };
    (root.tables(kind, shown).iter().enumerate().map(one).collect(), names)
}
