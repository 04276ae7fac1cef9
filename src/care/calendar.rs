//! The site's civil time: dates, times of day and their instants over clock changes, by the time zone data in the binary.

use crate::nature::sun::Position;
use crate::terms::time::{Span, Wall, civil_from_days, days_from_civil};
use jiff::Timestamp;
use jiff::civil::{Date as JiffDate, DateTime, Time};
use jiff::tz::{TimeZone, TimeZoneDatabase};
use serde::{Deserialize, Serialize};
use std::fmt;

/// A civil date; the days since 1970-01-01.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Date(i64);

impl Date {
    /// `None` where there is no such date in the years 0 to 9999.
    pub fn new(year: i64, month: i64, day: i64) -> Option<Date> {
        if !(0..=9_999).contains(&year) || !(1..=12).contains(&month) || !(1..=31).contains(&day) {
            return None;
        }
        let days = days_from_civil(year, month, day);
        (civil_from_days(days) == (year, month, day)).then_some(Date(days))
    }
    /// Reads `2026-12-01`.
    pub fn parse(text: &str) -> Option<Date> {
        Wall::parse_rfc3339(&format!("{text}T00:00:00Z")).map(|at| Date(at.as_ms().div_euclid(86_400_000)))
    }
    pub fn year_month_day(self) -> (i64, i64, i64) {
        civil_from_days(self.0)
    }
    pub fn plus_days(self, days: i64) -> Date {
        Date(self.0.saturating_add(days))
    }
    /// Days since `earlier`.
    pub fn days_since(self, earlier: Date) -> i64 {
        self.0.saturating_sub(earlier.0)
    }
    /// 0 Monday to 6 Sunday.
    pub fn weekday(self) -> usize {
        (self.0 + 3).rem_euclid(7) as usize
    }
}

impl fmt::Display for Date {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (y, m, d) = self.year_month_day();
        write!(f, "{y:04}-{m:02}-{d:02}")
    }
}

/// A day of every year.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct MonthDay {
    month: u8,
    day: u8,
}

impl MonthDay {
    /// 29 February is one.
    pub fn new(month: u8, day: u8) -> Option<MonthDay> {
        Date::new(2_024, month.into(), day.into()).map(|_| MonthDay { month, day })
    }
    /// Reads `11-15`.
    pub fn parse(text: &str) -> Option<MonthDay> {
        let b = text.as_bytes();
        let fine = b.len() == 5 && b[2] == b'-' && [0, 1, 3, 4].iter().all(|&i| b[i].is_ascii_digit());
        let two = |i: usize| (b[i] - b'0') * 10 + (b[i + 1] - b'0');
        if fine { MonthDay::new(two(0), two(3)) } else { None }
    }
    /// Its date in a year; 29 February is 1 March where there is none.
    pub fn in_year(self, year: i64) -> Date {
        Date(days_from_civil(year, self.month.into(), self.day.into()))
    }
}

impl fmt::Display for MonthDay {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:02}-{:02}", self.month, self.day)
    }
}

/// Date and time of day on the site's clocks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Civil {
    pub date: Date,
    /// ms since civil midnight.
    pub of_day: Span,
}

/// `2026-12-01 08:05`
impl fmt::Display for Civil {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let min = self.of_day.as_ms() / 60_000;
        write!(f, "{} {:02}:{:02}", self.date, min / 60, min % 60)
    }
}

/// The zone and the place of the site.
#[derive(Clone, Debug)]
pub struct Calendar {
    zone: TimeZone,
    position: Option<Position>,
}

impl Calendar {
    /// `None` for a zone that the IANA database does not name. The database is the one in the binary, so that a recording
    /// replays to the same bytes on every machine.
    pub fn new(zone: &str, position: Option<Position>) -> Option<Calendar> {
        let zone = TimeZoneDatabase::bundled().get(zone).ok()?;
        Some(Calendar { zone, position })
    }

    pub fn utc() -> Calendar {
        Calendar { zone: TimeZone::UTC, position: None }
    }

    pub fn position(&self) -> Option<Position> {
        self.position
    }

    /// How far the site's clocks are ahead of UTC.
    pub fn offset(&self, at: Wall) -> Span {
        Span::s(self.zone.to_offset(timestamp(at)).seconds().into())
    }

    /// What the site's clocks show.
    pub fn civil(&self, at: Wall) -> Civil {
        let local = (at + self.offset(at)).as_ms();
        Civil { date: Date(local.div_euclid(86_400_000)), of_day: Span::ms(local.rem_euclid(86_400_000)) }
    }

    /// When the site's clocks show this date and time after midnight (a day or more runs into later dates).
    ///
    /// In an hour that a clock change skips: as long after the change as the time lies in the skipped hour. In a repeated
    /// hour: the first time. A timer that is on or off by its own clock does the same.
    pub fn instant(&self, date: Date, after_midnight: Span) -> Wall {
        let ms = date.0.saturating_mul(86_400_000).saturating_add(after_midnight.as_ms());
        let (days, of_day) = (ms.div_euclid(86_400_000), ms.rem_euclid(86_400_000));
        let civil = civil_date(days).map(|date| DateTime::from_parts(date, time(of_day)));
        let at = civil.and_then(|civil| self.zone.to_ambiguous_timestamp(civil).compatible().ok());
        at.map_or(Wall::from_ms(ms), |at| Wall::from_ms(at.as_millisecond()))
    }

    /// The first instant of a date.
    pub fn midnight(&self, date: Date) -> Wall {
        self.instant(date, Span::ZERO)
    }

    /// The next instant, after `at`, at which the site's clocks show this time of day.
    pub fn next(&self, at: Wall, of_day: Span) -> Wall {
        let today = self.civil(at).date;
        let days = (0..4).map(|d| self.instant(today.plus_days(d), of_day));
        days.into_iter().find(|&then| then > at).unwrap_or(Wall::MAX)
    }
}

fn civil_date(days: i64) -> Option<JiffDate> {
    let (y, m, d) = civil_from_days(days.clamp(-4_000_000, 4_000_000));
    JiffDate::new(i16::try_from(y).ok()?, i8::try_from(m).ok()?, i8::try_from(d).ok()?).ok()
}

/// `of_day` is 0 to 86,399,999 ms by construction.
fn time(of_day: i64) -> Time {
    let part = |n: i64| i8::try_from(n).unwrap_or(0);
    let ns = i32::try_from(of_day % 1_000).unwrap_or(0) * 1_000_000;
    let (h, min, s) = (of_day / 3_600_000, of_day / 60_000 % 60, of_day / 1_000 % 60);
    Time::new(part(h), part(min), part(s), ns).unwrap_or(Time::MIN)
}

fn timestamp(at: Wall) -> Timestamp {
    Timestamp::from_millisecond(at.as_ms()).unwrap_or(if at.as_ms() < 0 { Timestamp::MIN } else { Timestamp::MAX })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Wall {
        Wall::parse_rfc3339(text).unwrap()
    }

    #[test]
    fn clock_changes_of_two_zones() {
        // European Union: Directive 2000/84/EC, last Sundays of March and October at 01:00 UTC. United States: 15 U.S.C. 260a,
        // second Sunday of March and first Sunday of November at 02:00 local.
        let dublin = Calendar::new("Europe/Dublin", None).unwrap();
        let denver = Calendar::new("America/Denver", None).unwrap();
        let h = Span::h;
        let spring = Date::new(2026, 3, 29).unwrap();
        assert_eq!(dublin.instant(spring, h(8)), at("2026-03-29T07:00:00Z"));
        assert_eq!(dublin.instant(spring, Span::min(90)), at("2026-03-29T01:30:00Z"), "the skipped half hour");
        assert_eq!(dublin.midnight(spring.plus_days(1)).since(dublin.midnight(spring)), h(23));
        let autumn = Date::new(2026, 10, 25).unwrap();
        assert_eq!(
            dublin.instant(autumn, Span::min(90)),
            at("2026-10-25T00:30:00Z"),
            "the repeated half hour: the first"
        );
        assert_eq!(dublin.midnight(autumn.plus_days(1)).since(dublin.midnight(autumn)), h(25));
        let denver_autumn = Date::new(2026, 11, 1).unwrap();
        assert_eq!(denver.instant(denver_autumn, h(8)), at("2026-11-01T15:00:00Z"));
        assert_eq!(denver.instant(denver_autumn.plus_days(-1), h(32)), at("2026-11-01T15:00:00Z"), "hours run on");
        assert_eq!(dublin.civil(at("2026-07-01T23:30:00Z")).to_string(), "2026-07-02 00:30");
    }

    #[test]
    fn midnight_that_is_skipped_is_the_first_instant() {
        // Santiago goes ahead at midnight (24:00 of the Saturday), IANA time zone database, file southamerica.
        let santiago = Calendar::new("America/Santiago", None).unwrap();
        let date = Date::new(2026, 9, 6).unwrap();
        let first = santiago.midnight(date);
        assert_eq!(santiago.civil(first).date, date);
        assert_eq!(santiago.civil(first - Span::ms(1)).date, date.plus_days(-1));
    }

    #[test]
    fn dates_and_days_of_the_year() {
        assert_eq!(Date::parse("2026-02-29"), None);
        assert_eq!(Date::parse("2028-02-29").map(|d| d.to_string()).as_deref(), Some("2028-02-29"));
        assert_eq!(Date::new(2026, 11, 25).map(Date::weekday), Some(2), "a Wednesday");
        assert_eq!(MonthDay::parse("02-29").map(|m| m.in_year(2027)), Date::new(2027, 3, 1));
        assert_eq!(MonthDay::parse("02-29").map(|m| m.in_year(2028)), Date::new(2028, 2, 29));
        for bad in ["02-30", "13-01", "1-1", "", "11/15", "00-01"] {
            assert_eq!(MonthDay::parse(bad), None, "{bad}");
        }
    }

    #[test]
    fn the_next_letter() {
        let dublin = Calendar::new("Europe/Dublin", None).unwrap();
        assert_eq!(dublin.next(at("2026-03-28T08:00:00Z"), Span::h(7)), at("2026-03-29T06:00:00Z"));
        assert_eq!(dublin.next(at("2026-03-28T06:59:59Z"), Span::h(7)), at("2026-03-28T07:00:00Z"));
    }

    #[test]
    fn nothing_breaks_at_the_ends_of_time() {
        let dublin = Calendar::new("Europe/Dublin", None).unwrap();
        for end in [Wall::MIN, Wall::MAX] {
            let civil = dublin.civil(end);
            let _ = dublin.instant(civil.date, Span::MAX);
            let _ = dublin.next(end, Span::h(7));
        }
        assert!(Calendar::new("Europe/Nowhere", None).is_none());
    }
}
