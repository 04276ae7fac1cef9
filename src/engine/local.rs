//! The site's clock at a reading's price: the offset from UTC is looked up once a quarter of an hour.
//!
//! Every zone of the IANA database changes its offset on a quarter of an hour of UTC (since 1972), so that within one the
//! offset holds.

use crate::care::calendar::Calendar;
use crate::terms::time::{Span, Wall};
use std::sync::Arc;

const QUARTER_MS: i64 = 15 * 60_000;

#[derive(Clone, Debug)]
pub struct LocalClock {
    calendar: Arc<Calendar>,
    quarter: i64,
    offset: Span,
}

/// What the site's clocks show.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Local {
    /// Days since 1970-01-01.
    pub day: i32,
    /// 0 to 1439.
    pub minute: u16,
}

impl LocalClock {
    pub fn new(calendar: Arc<Calendar>) -> LocalClock {
        LocalClock { calendar, quarter: i64::MIN, offset: Span::ZERO }
    }

    pub fn calendar(&self) -> &Arc<Calendar> {
        &self.calendar
    }

    pub fn at(&mut self, wall: Wall) -> Local {
        let quarter = wall.as_ms().div_euclid(QUARTER_MS);
        if quarter != self.quarter {
            (self.quarter, self.offset) = (quarter, self.calendar.offset(wall));
        }
        let local = (wall + self.offset).as_ms();
        Local {
            day: i32::try_from(local.div_euclid(86_400_000)).unwrap_or(i32::MAX),
            minute: (local.rem_euclid(86_400_000) / 60_000) as u16,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_shows_what_the_calendar_shows() {
        for zone in ["Europe/Dublin", "Asia/Kathmandu", "Australia/Lord_Howe"] {
            let calendar = Arc::new(Calendar::new(zone, None).unwrap_or_else(Calendar::utc));
            let mut clock = LocalClock::new(calendar.clone());
            let start = Wall::parse_rfc3339("2026-03-27T00:00:00Z").unwrap_or_default();
            for step in 0..2_000 {
                let at = start + Span::min(step * 7);
                let (civil, local) = (calendar.civil(at), clock.at(at));
                assert_eq!(civil.of_day.as_ms() / 60_000, i64::from(local.minute), "{zone} {}", at.rfc3339());
            }
        }
    }
}
