//! Round local times along a stretch: clock times within two days, dates beyond.

use crate::care::calendar::{Calendar, Date};
use crate::terms::time::{Span, Wall};

/// As many as fit on so many units of width.
pub fn ticks(calendar: &Calendar, (from, to): (Wall, Wall), width: f64) -> Vec<(Wall, String)> {
    let room = (width / 62.0).max(1.0);
    let span = to.since(from);
    let mut ticks = Vec::new();
    if span <= Span::h(48) {
        let every_min = [15, 30, 60, 120, 180, 360, 720].into_iter().find(|m| span.as_min() / f64::from(*m) <= room);
        let every = Span::min(i64::from(every_min.unwrap_or(1_440)));
        // From local midnight on, so that a change of clocks leaves round times round.
        let mut day = calendar.civil(from).date;
        for _ in 0..4 {
            let steps = 1_440 * 60_000 / every.as_ms().max(1);
            for i in 0..steps {
                let of_day = Span::ms(every.as_ms().saturating_mul(i));
                let min = of_day.as_ms() / 60_000;
                ticks.push((calendar.instant(day, of_day), format!("{:02}:{:02}", min / 60, min % 60)));
            }
            day = day.plus_days(1);
        }
    } else {
        let days = span.as_h() / 24.0;
        let every = [1, 2, 7, 14, 30, 60, 90, 180].into_iter().find(|d| days / f64::from(*d) <= room).unwrap_or(365);
        let mut day = calendar.civil(from).date;
        let first = day;
        while day.days_since(first) <= (days + 2.0) as i64 && ticks.len() < 60 {
            ticks.push((calendar.midnight(day), date_words(day)));
            day = day.plus_days(i64::from(every));
        }
    }
    ticks.retain(|(at, _)| (from..=to).contains(at));
    ticks
}

fn date_words(date: Date) -> String {
    const MONTHS: [&str; 12] = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
    let (_, month, day) = date.year_month_day();
    let month = usize::try_from(month - 1).ok().and_then(|m| MONTHS.get(m)).copied().unwrap_or("");
    format!("{day} {month}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_on_the_day_that_clocks_change() {
        let calendar = Calendar::new("Europe/Dublin", None).unwrap_or_else(Calendar::utc);
        let from = Wall::parse_rfc3339("2026-03-28T18:00:00Z").unwrap_or_default();
        let ticks = ticks(&calendar, (from, from + Span::h(24)), 550.0);
        let ticks: Vec<String> = ticks.into_iter().map(|(_, word)| word).collect();
        assert_eq!(ticks, ["18:00", "21:00", "00:00", "03:00", "06:00", "09:00", "12:00", "15:00", "18:00"]);
    }
}
