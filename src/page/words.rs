//! Instants, degrees, bands and names as a keeper reads them: the site's zone, the site's degrees.

use crate::engine::view::{EnclosureView, View};
use crate::terms::quantity::{Degrees, Quantity};
use crate::terms::time::{Span, Wall};
use jiff::tz::{TimeZone, TimeZoneDatabase};
use jiff::{Timestamp, ZonedDateTime};

/// The longest part of a text from outside that a page shows; the rest is cut with an ellipsis.
pub const LONGEST_SHOWN: usize = 200;

/// How one site speaks.
#[derive(Clone, Debug)]
pub struct Words {
    zone: TimeZone,
    pub degrees: Degrees,
    now: Wall,
}

impl Words {
    /// The words of a view's site, at the view's own instant. An unknown zone speaks UTC.
    pub fn of(view: &View) -> Words {
        let zone = TimeZoneDatabase::bundled().get(&view.time_zone).unwrap_or(TimeZone::UTC);
        Words { zone, degrees: view.degrees, now: view.at.wall }
    }

    /// The instant of the view that these words speak of.
    pub const fn now(&self) -> Wall {
        self.now
    }

    fn zoned(&self, at: Wall) -> ZonedDateTime {
        Timestamp::from_millisecond(at.as_ms()).unwrap_or(Timestamp::UNIX_EPOCH).to_zoned_datetime(self.zone.clone())
    }

    /// `14:31`.
    pub fn clock(&self, at: Wall) -> String {
        self.zoned(at).strftime("%H:%M").to_string()
    }

    /// `Tue 3 March`.
    pub fn day(&self, at: Wall) -> String {
        self.zoned(at).strftime("%a %-d %B").to_string()
    }

    /// `Tue 3 March, 14:31`.
    pub fn day_and_clock(&self, at: Wall) -> String {
        self.zoned(at).strftime("%a %-d %B, %H:%M").to_string()
    }

    /// `14:31` today, `Tue 14:31` within six days, else `3 March 2026, 14:31`.
    pub fn when(&self, at: Wall) -> String {
        let (then, now) = (self.zoned(at), self.zoned(self.now));
        let format = if then.date() == now.date() {
            "%H:%M"
        } else if at.since(self.now).as_ms().abs() < Span::days(6).as_ms() {
            "%a %H:%M"
        } else {
            "%-d %B %Y, %H:%M"
        };
        then.strftime(format).to_string()
    }

    /// For `datetime`: RFC 3339 with the site's offset.
    pub fn machine(&self, at: Wall) -> String {
        self.zoned(at).strftime("%Y-%m-%dT%H:%M:%S%:z").to_string()
    }

    /// For a `datetime-local` field.
    pub fn field(&self, at: Wall) -> String {
        self.zoned(at).strftime("%Y-%m-%dT%H:%M").to_string()
    }

    /// For a `date` field.
    pub fn date_field(&self, at: Wall) -> String {
        self.zoned(at).strftime("%Y-%m-%d").to_string()
    }

    /// The end of the day of a `date` field, in the site's zone.
    pub fn read_day(&self, text: &str) -> Option<Wall> {
        Some(self.local_day(self.read_field(&format!("{text}T00:00"))?).1)
    }

    /// From a `datetime-local` field, in the site's zone; in a fold the earlier, in a gap the later instant.
    pub fn read_field(&self, text: &str) -> Option<Wall> {
        let civil: jiff::civil::DateTime = text.trim().parse().ok()?;
        let zoned = civil.to_zoned_datetime(self.zone.clone()).ok()?;
        Some(Wall::from_ms(zoned.timestamp().as_millisecond()))
    }

    /// Midnight at the start of the local day of an instant, and at its end.
    pub fn local_day(&self, at: Wall) -> (Wall, Wall) {
        let zoned = self.zoned(at);
        let edge =
            |z: Result<ZonedDateTime, jiff::Error>| z.map(|z| Wall::from_ms(z.timestamp().as_millisecond())).ok();
        let from = edge(zoned.start_of_day());
        let to = edge(zoned.tomorrow().and_then(|z| z.start_of_day()));
        (from.unwrap_or(at), to.unwrap_or(at + Span::h(24)))
    }

    /// How long ago, seen from the view: `6 s`, `14 min`. Never negative.
    pub fn age(&self, at: Wall) -> String {
        self.now.since(at).max(Span::ZERO).to_string()
    }

    /// A temperature without its unit: `27.2`.
    pub fn bare(&self, celsius: f64) -> String {
        number(self.degrees.show(celsius), 1)
    }

    /// `27.2 °C`.
    pub fn degrees(&self, celsius: f64) -> String {
        format!("{} {}", self.bare(celsius), self.unit())
    }

    /// `°C` or `°F`.
    pub fn unit(&self) -> String {
        format!("°{}", self.degrees.letter())
    }

    /// `30–32`, with a decimal only where it is not whole.
    pub fn band(&self, (low, high): (f64, f64)) -> String {
        let edge = |celsius| whole_or_one(self.degrees.show(celsius));
        format!("{}–{}", edge(low), edge(high))
    }

    /// A reading of any quantity with its unit.
    pub fn reading(&self, quantity: Quantity, value: f64) -> String {
        match quantity {
            Quantity::Temperature => self.degrees(value),
            Quantity::Humidity => format!("{} %", number(value, 0)),
            Quantity::Illuminance => format!("{} lx", number(value, 0)),
            Quantity::Power => format!("{} W", number(value, 0)),
            Quantity::Light | Quantity::Switch => if value >= 0.5 { "on" } else { "off" }.to_owned(),
            Quantity::UvIndex => number(value, 1),
            Quantity::Battery => number(value, 2),
        }
    }
}

/// A number with so many decimals; what is no number is a question mark, and zero has no sign.
pub fn number(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return "?".to_owned();
    }
    let text = format!("{value:.decimals$}");
    let zero = text.starts_with('-') && text.bytes().all(|b| b"-0.".contains(&b));
    if zero { text[1..].to_owned() } else { text }
}

fn whole_or_one(value: f64) -> String {
    let text = number(value, 1);
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

/// A deadline rounded down to five minutes: people aim at it, so it must not be later than the truth.
pub fn deadline(act_by: Wall) -> Wall {
    const FIVE_MIN: i64 = 300_000;
    Wall::from_ms(act_by.as_ms().div_euclid(FIVE_MIN).saturating_mul(FIVE_MIN))
}

/// `24 min`, `5 h 10 min`; `now` when nothing is left.
pub fn left(span: Span) -> String {
    match span.as_ms() / 60_000 {
        ..=0 => "now".to_owned(),
        min @ 1..=119 => format!("{min} min"),
        min => Span::min(min).to_string(),
    }
}

/// `a3 Juno`.
pub fn name(enclosure: &EnclosureView) -> String {
    match &enclosure.animal {
        Some(animal) => format!("{} {animal}", enclosure.id),
        None => enclosure.id.clone(),
    }
}

/// `Back room, left rack, shelf 3, left`.
pub fn stands(view: &View, enclosure: &EnclosureView) -> String {
    let room = enclosure.room.iter().map(|id| room_name(view, id));
    let rest = enclosure.where_.iter().map(String::as_str);
    room.chain(rest).collect::<Vec<_>>().join(", ")
}

/// The name of a room by its id.
pub fn room_name<'a>(view: &'a View, id: &'a str) -> &'a str {
    view.rooms.iter().find(|r| r.id == id).map_or(id, |r| r.name.as_str())
}

/// The name of a circuit by its id.
pub fn circuit_name<'a>(view: &'a View, id: &'a str) -> &'a str {
    view.circuits.iter().find(|c| c.id == id).map_or(id, |c| c.name.as_str())
}

/// The name of a keeper by its id, or how else somebody is known.
pub fn keeper_name<'a>(view: &'a View, id: &'a str) -> &'a str {
    view.keepers.iter().find(|k| k.id == id).map_or(id, |k| k.name.as_str())
}

/// `1 reading`, `2 readings`.
pub fn many(n: u64, one: &str, more: &str) -> String {
    if n == 1 { format!("1 {one}") } else { format!("{} {more}", thousands(n)) }
}

/// `338,760`.
pub fn thousands(n: u64) -> String {
    let digits = n.to_string();
    let mut out = String::with_capacity(digits.len() + digits.len() / 3);
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push(',');
        }
        out.push(digit);
    }
    out
}

/// First letter large.
pub fn sentence(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or(String::new(), |first| first.to_uppercase().chain(chars).collect())
}

/// At most [`LONGEST_SHOWN`] characters of a text that came from outside.
pub fn cut(text: &str) -> String {
    short(text, LONGEST_SHOWN)
}

/// At most so many characters, and a sign that there were more.
pub fn short(text: &str, at_most: usize) -> String {
    let mut out: String = text.chars().take(at_most).collect();
    if out.len() < text.len() {
        out.truncate(out.trim_end().len());
        out.push('…');
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn dublin() -> Words {
        let zone = TimeZoneDatabase::bundled().get("Europe/Dublin").unwrap();
        Words { zone, degrees: Degrees::C, now: Wall::parse_rfc3339("2026-03-29T12:00:00Z").unwrap() }
    }

    #[test]
    fn local_days_know_the_change_of_clocks() {
        // Ireland goes to summer time at 01:00 UTC on the last Sunday of March (Directive 2000/84/EC): that day has 23 hours.
        let words = dublin();
        let (from, to) = words.local_day(Wall::parse_rfc3339("2026-03-29T12:00:00Z").unwrap());
        assert_eq!(to.since(from), Span::h(23));
        assert_eq!(words.clock(Wall::parse_rfc3339("2026-03-29T12:00:00Z").unwrap()), "13:00");
        let read = words.read_field("2026-03-29T13:00").unwrap();
        assert_eq!(read.rfc3339(), "2026-03-29T12:00:00.000Z");
        assert_eq!(words.field(read), "2026-03-29T13:00");
        assert_eq!(words.read_field("<script>"), None);
        assert_eq!(words.read_day("2026-03-29"), Some(to));
        assert_eq!(words.read_day("2026-02-30"), None);
        assert_eq!(words.date_field(from), "2026-03-29");
    }

    #[test]
    fn numbers_and_bands_are_short() {
        let words = dublin();
        assert_eq!(words.band((30.0, 32.5)), "30–32.5");
        assert_eq!([0, 999, 1_000, 338_760, 1_234_567].map(thousands), ["0", "999", "1,000", "338,760", "1,234,567"]);
        assert_eq!(words.bare(-0.04), "0.0");
        assert_eq!(words.bare(f64::NAN), "?");
        let fahrenheit = Words { degrees: Degrees::F, ..dublin() };
        assert_eq!(fahrenheit.degrees(30.0), "86.0 °F");
    }

    #[test]
    fn deadlines_round_down_and_run_out() {
        let at = Wall::parse_rfc3339("2026-03-03T14:57:59Z").unwrap();
        assert_eq!(deadline(at).rfc3339(), "2026-03-03T14:55:00.000Z");
        assert_eq!(left(Span::s(59)), "now");
        assert_eq!(left(Span::s(-900)), "now");
        assert_eq!(left(Span::s(119)), "1 min");
        assert_eq!(left(Span::s(125)), "2 min");
        assert_eq!(left(Span::min(24)), "24 min");
        assert_eq!(left(Span::min(190)), "3 h 10 min");
    }
}
