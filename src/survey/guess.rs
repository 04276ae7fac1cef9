//! What a value seems to be, with its evidence in words: by its name first, and its values must agree.

use super::Topic;
use super::field::Field;
use super::thing::Described;
use crate::terms::quantity::{Quantity, Unit};

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Seems {
    Temperature(Unit),
    Humidity,
    Illuminance,
    Power,
    Switch,
    /// V or %.
    Battery(Unit),
    UvIndex,
    /// The payload's own time.
    Time,
    Counter,
    Constant,
    /// A quantity that Warmside does not read.
    Other,
    Unknown,
}

impl Seems {
    pub const fn quantity(self) -> Option<(Quantity, Unit)> {
        match self {
            Seems::Temperature(unit) => Some((Quantity::Temperature, unit)),
            Seems::Humidity => Some((Quantity::Humidity, Unit::Percent)),
            Seems::Illuminance => Some((Quantity::Illuminance, Unit::Lux)),
            Seems::Power => Some((Quantity::Power, Unit::Watt)),
            Seems::Switch => Some((Quantity::Switch, Unit::One)),
            Seems::Battery(unit) => Some((Quantity::Battery, unit)),
            Seems::UvIndex => Some((Quantity::UvIndex, Unit::One)),
            _ => None,
        }
    }

    pub const fn words(self) -> &'static str {
        match self {
            Seems::Temperature(Unit::Fahrenheit) => "temperature in °F",
            Seems::Temperature(Unit::Kelvin) => "temperature in K",
            Seems::Temperature(_) => "temperature in °C",
            Seems::Humidity => "relative humidity in %",
            Seems::Illuminance => "light in lx",
            Seems::Power => "power in W",
            Seems::Switch => "a switch",
            Seems::Battery(Unit::Percent) => "a battery in %",
            Seems::Battery(_) => "a battery in V",
            Seems::UvIndex => "UV index",
            Seems::Time => "the message's own time",
            Seems::Counter => "a counter",
            Seems::Constant => "a constant",
            Seems::Other => "nothing that Warmside reads",
            Seems::Unknown => "unknown",
        }
    }
}

#[derive(Clone, Debug, PartialEq)]
pub struct Guess {
    pub seems: Seems,
    /// Why it seems so.
    pub because: String,
    /// Why it is not certain; `None`: name and values agree.
    pub doubt: Option<String>,
}

/// The end of the doubt that leaves a temperature's unit open.
pub(super) const BOTH: &str = "fits both °C and °F";

/// Parts of names, and what they mean. The first that fits counts, so the special stand before the general.
const NAMES: &[(&[&str], Named)] = &[
    (&["battery", "batt", "bat", "voltage", "volt", "vcc", "vbat"], Named::Battery),
    (&["tempf", "fahrenheit", "degf"], Named::Temperature(Some(Unit::Fahrenheit))),
    (&["tempc", "celsius", "degc"], Named::Temperature(Some(Unit::Celsius))),
    (&["humidity", "hum", "rh", "relhum"], Named::Humidity),
    (&["lux", "lx", "illuminance", "light", "brightness"], Named::Light),
    (&["uv", "uvi", "uvindex"], Named::Uv),
    (&["power", "watt", "watts", "w"], Named::Power),
    (&["state", "relay", "switch", "on", "output", "heating", "lamp"], Named::Switch),
    (&["ts", "time", "timestamp", "date", "datetime", "epoch"], Named::Time),
    (
        &[
            "co2",
            "co",
            "lpg",
            "smoke",
            "pressure",
            "hpa",
            "moisture",
            "soil",
            "raw",
            "seq",
            "count",
            "rssi",
            "linkquality",
            "lqi",
            "snr",
            "uptime",
            "version",
            "mac",
            "ip",
            "occupied",
            "occupancy",
            "motion",
            "wind",
            "rain",
            "dewpoint",
            "dew",
            "energy",
            "wh",
            "kwh",
            "voc",
            "pm25",
            "noise",
            "target",
            "setpoint",
            "drive",
            "irradiance",
        ],
        Named::Other,
    ),
    (&["temperature", "temp", "tmp", "t", "probe"], Named::Temperature(None)),
    (&["plug", "socket", "outlet"], Named::Plug),
    (&["heater", "emitter"], Named::Heater),
];
/// Members whose name says nothing: the topic's does.
const GENERAL: &[&str] = &["value", "val", "v", "reading", "data", "payload", "measurement"];

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Named {
    Temperature(Option<Unit>),
    Humidity,
    Light,
    Uv,
    Power,
    Switch,
    /// What stands in a wall: watts, a switch, and more.
    Plug,
    /// Its watts, its switch, or how far it is driven.
    Heater,
    Battery,
    Time,
    Other,
}

/// The words of a name: `tempC` and `energy_wh` are looked at whole and in parts.
fn named(name: &str) -> Option<(Named, String)> {
    let low = name.to_lowercase();
    let parts: Vec<&str> = low.split(|c: char| !c.is_alphanumeric()).filter(|p| !p.is_empty()).collect();
    let squeezed: String = parts.concat();
    let found = NAMES.iter().find(|(words, _)| words.iter().any(|w| parts.contains(w) || *w == squeezed));
    let mut meaning = found.map(|(_, meaning)| *meaning)?;
    if let Named::Temperature(None) = meaning {
        meaning = match parts.last() {
            Some(&"f") => Named::Temperature(Some(Unit::Fahrenheit)),
            Some(&"c") => Named::Temperature(Some(Unit::Celsius)),
            _ => meaning,
        };
    }
    Some((meaning, name.to_owned()))
}

/// Whether a word names a quantity, and so no enclosure.
pub fn names_quantity(word: &str) -> bool {
    named(word).is_some()
}

/// The doubt in a temperature by its values alone.
pub const NAMELESS: &str = "its name does not say so; humidity moves alike";

/// What the value under a pointer of a topic seems to be.
pub fn guess(topic: &str, pointer: &str, field: &Field, of: &Topic) -> Guess {
    let from_pointer = pointer.rsplit('/').find(|part| part.parse::<usize>().is_err() && !part.is_empty());
    let name = match from_pointer {
        Some(part) if !GENERAL.contains(&part.to_lowercase().as_str()) => named(part),
        _ => topic.rsplit('/').find_map(named),
    };
    if let Some(described) = of.described.get(pointer) {
        return by_description(described, field);
    }
    let range = format!("{} to {}, {} changes", round(field.min), round(field.max), field.changes);
    let tell = |seems, because: String, doubt: Option<String>| Guess { seems, because, doubt };
    let fits = |low: f64, high: f64| field.numbers > 0 && field.min >= low && field.max <= high;
    let Some((name, word)) = name else {
        return nameless(field, &range);
    };
    let because = if field.numbers > 0 { format!("named `{word}`, {range}") } else { format!("named `{word}`") };
    let outside = |what: &str| Some(format!("named `{word}`, but {range} is {what}"));
    let of_few = (of.messages < 3).then(|| format!("heard only {} times", of.messages));
    match name {
        Named::Other => tell(Seems::Other, because, None),
        Named::Time => tell(Seems::Time, because, None),
        Named::Temperature(unit) => {
            let seems = unit.or_else(|| scale(field));
            let doubt = match seems {
                None if field.numbers == 0 => Some("it is no number".to_owned()),
                None => Some(format!("{range} {BOTH}")),
                Some(_) if field.is_constant() => Some("it never changed".to_owned()),
                Some(Unit::Celsius) if !fits(-30.0, 100.0) => outside("no temperature in °C"),
                Some(Unit::Fahrenheit) if !fits(-22.0, 212.0) => outside("no temperature in °F"),
                Some(_) => of_few,
            };
            tell(Seems::Temperature(seems.unwrap_or(Unit::Celsius)), because, doubt)
        }
        Named::Humidity => {
            tell(Seems::Humidity, because, if fits(0.0, 103.0) { of_few } else { outside("no humidity") })
        }
        Named::Light if field.is_state() => {
            tell(Seems::Switch, because, Some("is it a light that is seen, or a lamp that is switched?".to_owned()))
        }
        Named::Light => {
            tell(Seems::Illuminance, because, if fits(0.0, 200_000.0) { of_few } else { outside("no light in lx") })
        }
        Named::Uv => tell(Seems::UvIndex, because, if fits(0.0, 30.0) { of_few } else { outside("no UV index") }),
        Named::Power => {
            tell(Seems::Power, because, if fits(-5.0, 5_000.0) { of_few } else { outside("no power in W") })
        }
        Named::Plug | Named::Heater if fits(-5.0, 5_000.0) && !field.is_state() => {
            let or =
                if name == Named::Plug { "a plug tells volts and energy too" } else { "is it W, or % of full power?" };
            tell(Seems::Power, because, Some(or.to_owned()))
        }
        Named::Plug | Named::Heater if field.numbers > 0 && !field.is_state() => {
            tell(Seems::Unknown, because, outside("no power in W"))
        }
        Named::Switch | Named::Plug | Named::Heater if field.is_state() => tell(Seems::Switch, because, of_few),
        Named::Switch | Named::Plug | Named::Heater => tell(Seems::Unknown, because, outside("no switch")),
        Named::Battery if fits(0.5, 5.5) => tell(Seems::Battery(Unit::Volt), because, of_few),
        Named::Battery if fits(0.0, 100.0) => tell(Seems::Battery(Unit::Percent), because, of_few),
        Named::Battery => tell(Seems::Unknown, because, outside("neither V nor %")),
    }
}

/// By a Thing Description; what was heard must not speak against it.
fn by_description(described: &Described, field: &Field) -> Guess {
    let because = format!("its Thing Description says so: `{}`", described.name);
    let (low, high) = (field.min, field.max);
    let strange = match described.seems() {
        Some(Seems::Temperature(unit)) if field.numbers > 0 => {
            let (low, high) = (unit.to_ours(low), unit.to_ours(high));
            (low < -30.0 || high > 100.0)
                .then(|| format!("{} to {} °C is none of an enclosure", round(low), round(high)))
        }
        Some(Seems::Humidity) if low < 0.0 || high > 103.0 => Some(format!("{} to {} %", round(low), round(high))),
        Some(_) => None,
        None => Some(match &described.unit {
            Some(unit) => format!("the unit `{unit}` is none that Warmside reads"),
            None => "it states no unit".to_owned(),
        }),
    };
    Guess { seems: described.seems().unwrap_or(Seems::Unknown), because, doubt: strange }
}

/// °C or °F, where the values leave no choice: below 41 °F no reptile is kept, and only lit stones are above 48 °C, none
/// of them always above 66.
fn scale(field: &Field) -> Option<Unit> {
    match () {
        () if field.numbers == 0 => None,
        () if field.max < 48.0 && field.min < 41.0 => Some(Unit::Celsius),
        () if field.min > 66.0 && field.max < 130.0 => Some(Unit::Fahrenheit),
        () if field.min < 35.0 && field.max < 75.0 => Some(Unit::Celsius),
        () => None,
    }
}

fn nameless(field: &Field, range: &str) -> Guess {
    let tell = |seems, because: String, doubt: &str| Guess { seems, because, doubt: Some(doubt.to_owned()) };
    match () {
        () if (field.is_words() && field.words.len() == 2) || field.flags > 0 => {
            tell(Seems::Switch, "it has two states".to_owned(), "its name does not say of what")
        }
        () if field.words.len() == 1 && field.numbers == 0 => {
            tell(Seems::Constant, "always the same text".to_owned(), "it never changed")
        }
        () if field.numbers == 0 => tell(Seems::Unknown, "it is text".to_owned(), "it is no number"),
        () if field.is_constant() => tell(Seems::Constant, range.to_owned(), "it never changed"),
        () if field.is_counter() => tell(Seems::Counter, range.to_owned(), "it only grows"),
        () if field.min > 10.0 && field.max < 48.0 && field.step() < 2.0 => {
            tell(Seems::Temperature(Unit::Celsius), range.to_owned(), NAMELESS)
        }
        () => tell(Seems::Unknown, range.to_owned(), "neither its name nor its values tell"),
    }
}

pub(super) fn round(n: f64) -> f64 {
    (n * 100.0).round() / 100.0
}
