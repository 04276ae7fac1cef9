//! Two times: a monotonic clock for how long, a wall clock for when; spans between either.
//!
//! Dwell and silence are measured on [`Mono`]; rows, mails and pages carry [`Wall`]. Nothing here asks what time it is:
//! `clock.rs` does, and passes a [`Now`] in. All three types are whole milliseconds and saturate instead of overflowing.

use serde::{Deserialize, Serialize};
use std::fmt;
use std::ops::{Add, Sub};

/// A length of time in whole milliseconds; may be negative.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Span(i64);

impl Span {
    pub const ZERO: Span = Span(0);
    pub const MAX: Span = Span(i64::MAX);

    pub const fn ms(ms: i64) -> Span {
        Span(ms)
    }
    pub const fn s(s: i64) -> Span {
        Span(s.saturating_mul(1_000))
    }
    pub const fn min(min: i64) -> Span {
        Span(min.saturating_mul(60_000))
    }
    pub const fn h(h: i64) -> Span {
        Span(h.saturating_mul(3_600_000))
    }
    pub const fn days(d: i64) -> Span {
        Span(d.saturating_mul(86_400_000))
    }
    /// From seconds; NaN becomes zero, what does not fit saturates.
    pub fn from_s(s: f64) -> Span {
        Span((s * 1_000.0) as i64)
    }
    pub const fn as_ms(self) -> i64 {
        self.0
    }
    pub fn as_s(self) -> f64 {
        self.0 as f64 / 1_000.0
    }
    pub fn as_min(self) -> f64 {
        self.0 as f64 / 60_000.0
    }
    pub fn as_h(self) -> f64 {
        self.0 as f64 / 3_600_000.0
    }
    /// A whole number and its unit as keepers write it: `60s`, `15min`, `6h`, `90d`, `5y` (of 365 days). `None` where it is none.
    pub fn parse(text: &str) -> Option<Span> {
        let text = text.trim();
        let cut = text.find(|c: char| !c.is_ascii_digit())?;
        let (number, unit) = text.split_at(cut);
        let number: i64 = number.parse().ok()?;
        let ms = match unit.trim() {
            "s" => 1_000,
            "min" => 60_000,
            "h" => 3_600_000,
            "d" => 86_400_000,
            "y" => 365 * 86_400_000,
            _ => return None,
        };
        number.checked_mul(ms).map(Span)
    }
    pub fn times(self, factor: f64) -> Span {
        Span((self.0 as f64 * factor) as i64)
    }
}

impl Add for Span {
    type Output = Span;
    fn add(self, other: Span) -> Span {
        Span(self.0.saturating_add(other.0))
    }
}

impl Sub for Span {
    type Output = Span;
    fn sub(self, other: Span) -> Span {
        Span(self.0.saturating_sub(other.0))
    }
}

/// In words a keeper reads: `45 s`, `14 min`, `4 h 12 min`, `3 days`.
impl fmt::Display for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let s = self.0.abs() / 1_000;
        let sign = if self.0 < 0 { "-" } else { "" };
        match s {
            0..=119 => write!(f, "{sign}{s} s"),
            120..=7_199 => write!(f, "{sign}{} min", s / 60),
            7_200..=172_799 if s % 3_600 < 60 => write!(f, "{sign}{} h", s / 3_600),
            7_200..=172_799 => write!(f, "{sign}{} h {} min", s / 3_600, s % 3_600 / 60),
            _ => write!(f, "{sign}{} days", s / 86_400),
        }
    }
}

macro_rules! instant {
    ($name:ident, $doc:literal) => {
        #[doc = $doc]
        #[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(i64);

        impl $name {
            pub const MIN: $name = $name(i64::MIN);
            pub const MAX: $name = $name(i64::MAX);

            pub const fn from_ms(ms: i64) -> $name {
                $name(ms)
            }
            pub const fn as_ms(self) -> i64 {
                self.0
            }
            /// How long since `earlier`; negative when `earlier` is later.
            pub fn since(self, earlier: $name) -> Span {
                Span(self.0.saturating_sub(earlier.0))
            }
        }

        impl Add<Span> for $name {
            type Output = $name;
            fn add(self, span: Span) -> $name {
                $name(self.0.saturating_add(span.0))
            }
        }

        impl Sub<Span> for $name {
            type Output = $name;
            fn sub(self, span: Span) -> $name {
                $name(self.0.saturating_sub(span.0))
            }
        }
    };
}

instant!(
    Mono,
    "An instant of the monotonic clock, ms since an origin that the process chose. It goes on over restarts: the clock of a restored engine starts where the stored one stopped, plus the time away."
);
instant!(Wall, "An instant of the wall clock, ms since 1970-01-01T00:00:00Z.");

/// Both clocks at one moment: what every entry into the engine carries.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Now {
    pub mono: Mono,
    pub wall: Wall,
}

impl Now {
    /// Both clocks equal, as in replay and simulation without clock faults.
    pub const fn at(ms: i64) -> Now {
        Now { mono: Mono(ms), wall: Wall(ms) }
    }
    /// The wall time of a monotonic instant, as the two clocks stand now.
    pub fn wall_of(self, then: Mono) -> Wall {
        self.wall - self.mono.since(then)
    }
}

impl Add<Span> for Now {
    type Output = Now;
    fn add(self, span: Span) -> Now {
        Now { mono: self.mono + span, wall: self.wall + span }
    }
}

impl Wall {
    /// RFC 3339 in UTC with milliseconds: `2026-01-05T07:00:12.345Z`. Years outside 0–9999 are clamped.
    pub fn rfc3339(self) -> String {
        const FIRST: i64 = -62_167_219_200_000; // 0000-01-01
        const LAST: i64 = 253_402_300_799_999; // 9999-12-31
        let ms = self.0.clamp(FIRST, LAST);
        let (days, of_day) = (ms.div_euclid(86_400_000), ms.rem_euclid(86_400_000));
        let (y, m, d) = civil_from_days(days);
        format!(
            "{y:04}-{m:02}-{d:02}T{:02}:{:02}:{:02}.{:03}Z",
            of_day / 3_600_000,
            of_day / 60_000 % 60,
            of_day / 1_000 % 60,
            of_day % 1_000
        )
    }

    /// Reads RFC 3339 (any offset, any number of fractional digits, `T` or a blank between). `None` where it is none.
    pub fn parse_rfc3339(text: &str) -> Option<Wall> {
        // Up to the second everything has its place: known lengths, so that nothing is looked for (each line of a recording has one).
        let (b, rest) = text.as_bytes().split_first_chunk::<19>()?;
        let num = |part: &[u8]| -> Option<i64> {
            part.iter().all(u8::is_ascii_digit).then(|| part.iter().fold(0, |n, c| n * 10 + i64::from(c - b'0')))
        };
        if !(b[4] == b'-' && b[7] == b'-' && b"Tt ".contains(&b[10]) && b[13] == b':' && b[16] == b':') {
            return None;
        }
        let (y, m, d) = (num(&b[..4])?, num(&b[5..7])?, num(&b[8..10])?);
        let (h, min, s) = (num(&b[11..13])?, num(&b[14..16])?, num(&b[17..])?);
        let leap = y % 4 == 0 && (y % 100 != 0 || y % 400 == 0);
        let longest = match m {
            2 if leap => 29,
            2 => 28,
            4 | 6 | 9 | 11 => 30,
            1..=12 => 31,
            _ => return None,
        };
        if !(1..=longest).contains(&d) || h > 23 || min > 59 || s > 60 {
            return None;
        }
        let (mut rest, mut ms) = (rest, 0);
        if let [b'.' | b',', fraction @ ..] = rest {
            let digits = fraction.iter().take_while(|c| c.is_ascii_digit()).count();
            let (fraction, after) = fraction.split_at(digits);
            ms = fraction.iter().zip([100, 10, 1]).map(|(c, scale)| i64::from(c - b'0') * scale).sum();
            rest = after;
        }
        let offset_min = match rest {
            b"Z" | b"z" => 0,
            [sign @ (b'+' | b'-'), h1, h2, b':', m1, m2] => {
                let offset = num(&[*h1, *h2])? * 60 + num(&[*m1, *m2])?;
                if *sign == b'-' { -offset } else { offset }
            }
            _ => return None,
        };
        let minutes = days_from_civil(y, m, d) * 1_440 + h * 60 + min - offset_min;
        Some(Wall(minutes * 60_000 + s * 1_000 + ms))
    }
}

/// Days since 1970-01-01 of a proleptic Gregorian date (Howard Hinnant's published algorithm, `days_from_civil`).
pub const fn days_from_civil(y: i64, m: i64, d: i64) -> i64 {
    let y = if m <= 2 { y - 1 } else { y };
    let era = y.div_euclid(400);
    let yoe = y - era * 400;
    let doy = (153 * (if m > 2 { m - 3 } else { m + 9 }) + 2) / 5 + d - 1;
    let doe = yoe * 365 + yoe / 4 - yoe / 100 + doy;
    era * 146_097 + doe - 719_468
}

/// The reverse of [`days_from_civil`]: year, month 1–12, day 1–31 (same source).
pub const fn civil_from_days(days: i64) -> (i64, i64, i64) {
    let z = days + 719_468;
    let era = z.div_euclid(146_097);
    let doe = z - era * 146_097;
    let yoe = (doe - doe / 1_460 + doe / 36_524 - doe / 146_096) / 365;
    let doy = doe - (365 * yoe + yoe / 4 - yoe / 100);
    let mp = (5 * doy + 2) / 153;
    let m = if mp < 10 { mp + 3 } else { mp - 9 };
    (yoe + era * 400 + if m <= 2 { 1 } else { 0 }, m, doy - (153 * mp + 2) / 5 + 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rfc3339_there_and_back() {
        // The examples of RFC 3339, section 5.8.
        let cases = [
            ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520Z"),
            ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57.000Z"),
            ("1990-12-31T23:59:60Z", "1991-01-01T00:00:00.000Z"),
            ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.870Z"),
            ("2024-02-29 00:00:00Z", "2024-02-29T00:00:00.000Z"),
        ];
        for (text, want) in cases {
            assert_eq!(Wall::parse_rfc3339(text).map(Wall::rfc3339).as_deref(), Some(want), "{text}");
        }
        for bad in
            ["", "2023-02-29T00:00:00Z", "2024-01-01T24:00:00Z", "2024-01-01T00:00:00", "2024-01-01T00:00:00+1:00"]
        {
            assert_eq!(Wall::parse_rfc3339(bad), None, "{bad}");
        }
    }

    #[test]
    fn civil_days_are_inverse() {
        for days in (-800_000..800_000).step_by(37) {
            let (y, m, d) = civil_from_days(days);
            assert_eq!(days_from_civil(y, m, d), days);
        }
    }

    #[test]
    fn spans_saturate_and_speak() {
        assert_eq!(Mono::MAX + Span::s(1), Mono::MAX);
        assert_eq!(Span::from_s(f64::NAN), Span::ZERO);
        assert_eq!([Span::parse("40min"), Span::parse("90 d")], [Some(Span::min(40)), Some(Span::days(90))]);
        assert!(["", "min", "1m", "-1min", "1.5h", "9999999999999999y"].iter().all(|t| Span::parse(t).is_none()));
        let words = [(45, "45 s"), (840, "14 min"), (15_120, "4 h 12 min"), (259_200, "3 days"), (7_200, "2 h")];
        for (s, want) in words {
            assert_eq!(Span::s(s).to_string(), want);
        }
    }
}
