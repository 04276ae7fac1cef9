//! Times and numbers as a keeper reads them: the site's clocks, the site's degrees, one decimal.

use crate::care::calendar::Calendar;
use crate::terms::quantity::Degrees;
use crate::terms::time::{Span, Wall};

const WEEKDAYS: [&str; 7] = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"];
const MONTHS: [&str; 12] = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
];

/// The site's clocks and degrees.
#[derive(Clone, Debug)]
pub struct Local {
    pub calendar: Calendar,
    pub degrees: Degrees,
}

impl Local {
    /// An unknown zone is UTC.
    pub fn new(time_zone: &str, degrees: Degrees) -> Local {
        Local { calendar: Calendar::new(time_zone, None).unwrap_or_else(Calendar::utc), degrees }
    }

    /// `14:55`
    pub fn time(&self, at: Wall) -> String {
        let min = self.calendar.civil(at).of_day.as_ms() / 60_000;
        format!("{:02}:{:02}", min / 60, min % 60)
    }

    /// `14:55`, or with its day where that is another than `now`'s: `Wed 14:55`, `Wed 4 March 14:55`.
    pub fn when(&self, at: Wall, now: Wall) -> String {
        let (then, today) = (self.calendar.civil(at).date, self.calendar.civil(now).date);
        match then.days_since(today).abs() {
            0 => self.time(at),
            1..=6 => format!("{} {}", weekday(then.weekday()), self.time(at)),
            _ => format!("{} {}", self.date(at), self.time(at)),
        }
    }

    /// `Wed 4 March`
    pub fn date(&self, at: Wall) -> String {
        let date = self.calendar.civil(at).date;
        let (_, month, day) = date.year_month_day();
        let month = usize::try_from(month - 1).ok().and_then(|m| MONTHS.get(m)).copied().unwrap_or("");
        format!("{} {day} {month}", weekday(date.weekday()))
    }

    /// How far the site's clocks are from UTC: `UTC`, `UTC+1`, `UTC-3:30`.
    pub fn zone(&self, at: Wall) -> String {
        let min = self.calendar.offset(at).as_ms() / 60_000;
        let sign = if min < 0 { '-' } else { '+' };
        match (min.abs() / 60, min.abs() % 60) {
            (0, 0) => "UTC".to_owned(),
            (h, 0) => format!("UTC{sign}{h}"),
            (h, m) => format!("UTC{sign}{h}:{m:02}"),
        }
    }

    /// `29.7` in the site's degrees.
    pub fn bare(&self, celsius: f64) -> String {
        one_decimal(self.degrees.show(celsius))
    }

    /// `29.7 °C` with a blank that does not break.
    pub fn temp(&self, celsius: f64) -> String {
        format!("{}\u{a0}°{}", self.bare(celsius), self.degrees.letter())
    }

    /// A difference: `0.3 °C`.
    pub fn diff(&self, kelvin: f64) -> String {
        format!("{}\u{a0}°{}", one_decimal(self.degrees.show_difference(kelvin)), self.degrees.letter())
    }

    /// `30–32`, whole where they are whole.
    pub fn range(&self, (low, high): (f64, f64)) -> String {
        format!("{}–{}", short(self.degrees.show(low)), short(self.degrees.show(high)))
    }

    /// `0.15 °C a minute`, or by the hour where that is slow.
    pub fn slope(&self, k_per_min: f64) -> String {
        let per_min = self.degrees.show_difference(k_per_min).abs();
        let unit = self.degrees.letter();
        if per_min >= 0.05 {
            format!("{per_min:.2}\u{a0}°{unit} a minute")
        } else {
            format!("{:.1}\u{a0}°{unit} an hour", per_min * 60.0)
        }
    }
}

fn weekday(day: usize) -> &'static str {
    WEEKDAYS.get(day).copied().unwrap_or("")
}

/// One decimal; never `-0.0`.
pub fn one_decimal(value: f64) -> String {
    if !value.is_finite() {
        return "?".to_owned();
    }
    let text = format!("{value:.1}");
    if text == "-0.0" { "0.0".to_owned() } else { text }
}

/// Without a decimal where there is none to tell.
pub fn short(value: f64) -> String {
    let text = one_decimal(value);
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

/// A length with blanks that do not break: `4 h 12 min`.
pub fn length(span: Span) -> String {
    span.to_string().replace(' ', "\u{a0}")
}

/// `a`, `a and b`, `a, b and c`.
pub fn list(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_the_sites() {
        let local = Local::new("Europe/Dublin", Degrees::C);
        let at = |t: &str| Wall::parse_rfc3339(t).expect("a time");
        let winter = at("2026-01-05T14:55:30Z");
        assert_eq!(local.time(winter), "14:55");
        assert_eq!(local.zone(winter), "UTC");
        assert_eq!(local.when(at("2026-01-06T00:10:00Z"), winter), "Tue 00:10");
        assert_eq!(local.when(at("2026-07-01T14:55:00Z"), winter), "Wed 1 July 15:55");
        assert_eq!(local.zone(at("2026-07-01T00:00:00Z")), "UTC+1");
        assert_eq!(Local::new("America/St_Johns", Degrees::C).zone(winter), "UTC-3:30");
    }

    #[test]
    fn numbers_are_in_the_sites_degrees() {
        let (c, f) = (Local::new("UTC", Degrees::C), Local::new("UTC", Degrees::F));
        assert_eq!(c.temp(29.66), "29.7\u{a0}°C");
        assert_eq!(f.temp(29.4444), "85.0\u{a0}°F");
        assert_eq!(f.diff(5.0), "9.0\u{a0}°F");
        assert_eq!(c.range((30.0, 32.5)), "30–32.5");
        assert_eq!(c.slope(-0.15), "0.15\u{a0}°C a minute");
        assert_eq!(c.slope(-0.02), "1.2\u{a0}°C an hour");
        assert_eq!(c.bare(-0.04), "0.0");
        assert_eq!(c.bare(f64::NAN), "?");
        assert_eq!(list(&["a".into(), "b".into(), "c".into()]), "a, b and c");
    }
}
