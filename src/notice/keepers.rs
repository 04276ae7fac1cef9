//! Who is at home: keepers by their `after` and `away`.

use super::local::Local;
use super::settings::Keeper;
use crate::terms::time::{Mono, Now, Span, Wall};

pub fn is_away(keeper: &Keeper, now: Wall, local: &Local) -> bool {
    let today = local.calendar.civil(now).date;
    let epoch = crate::care::calendar::Date::new(1970, 1, 1);
    let Some(day) = epoch.and_then(|e| i32::try_from(today.days_since(e)).ok()) else { return false };
    keeper.away.iter().any(|(from, to)| (*from..=*to).contains(&day))
}

/// Who is told first: those without `after` who are not away. If nobody is left, those with the shortest `after`; if all
/// are away, everybody: somebody must know.
pub fn first<'a>(keepers: &'a [Keeper], now: Wall, local: &Local) -> Vec<&'a Keeper> {
    let here: Vec<&Keeper> = keepers.iter().filter(|k| !is_away(k, now, local)).collect();
    if here.is_empty() {
        return keepers.iter().collect();
    }
    let soonest = here.iter().map(|k| k.after.unwrap_or(Span::ZERO)).min();
    here.into_iter().filter(|k| Some(k.after.unwrap_or(Span::ZERO)) == soonest).collect()
}

/// When a keeper joins who has not been told: after `after` (for what can wait, not before `patience`), or when half the
/// time to the deadline has gone.
pub fn joins_at(keeper: &Keeper, unanswered_since: Now, act_by: Option<Wall>, patience: Span) -> Mono {
    let after = unanswered_since.mono + keeper.after.unwrap_or(Span::ZERO).max(patience);
    let half = act_by.map(|by| unanswered_since.mono + Span::ms(by.since(unanswered_since.wall).as_ms().max(0) / 2));
    half.map_or(after, |half| half.min(after))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::terms::quantity::Degrees;

    fn keeper(id: &str, after: Option<i64>, away: &[(i32, i32)]) -> Keeper {
        let (name, mail) = (id.to_owned(), format!("{id}@example.org"));
        Keeper { id: id.to_owned(), name, mail, after: after.map(Span::min), phone: None, away: away.to_vec() }
    }

    #[test]
    fn somebody_is_always_told_first() {
        let local = Local::new("Pacific/Auckland", Degrees::C);
        let ids = |k: &[Keeper], at: &str| -> Vec<String> {
            let at = Wall::parse_rfc3339(at).expect("a time");
            first(k, at, &local).iter().map(|k| k.id.clone()).collect()
        };
        // 2026-08-01 is day 20666; in Auckland it begins at noon UTC of the day before.
        let all = [keeper("ines", None, &[(20_666, 20_666)]), keeper("tom", Some(20), &[(20_667, 20_668)])];
        assert_eq!(ids(&all, "2026-07-31T11:59:59Z"), ["ines"]);
        assert_eq!(ids(&all, "2026-07-31T12:00:00Z"), ["tom"]);
        assert_eq!(ids(&all, "2026-08-01T12:00:00Z"), ["ines"]);
        assert_eq!(ids(&[keeper("ines", None, &[(0, 99_999)])], "2026-08-01T12:00:00Z"), ["ines"]);
    }

    #[test]
    fn half_the_time_left_hands_on_sooner() {
        let tom = keeper("tom", Some(20), &[]);
        let since = Now::at(0);
        let by = |min: i64| Some(Wall::from_ms(min * 60_000));
        assert_eq!(joins_at(&tom, since, None, Span::ZERO), Mono::from_ms(20 * 60_000));
        assert_eq!(joins_at(&tom, since, by(300), Span::ZERO), Mono::from_ms(20 * 60_000));
        assert_eq!(joins_at(&tom, since, by(30), Span::ZERO), Mono::from_ms(15 * 60_000));
        assert_eq!(joins_at(&tom, since, by(-5), Span::ZERO), Mono::from_ms(0));
        assert_eq!(joins_at(&tom, since, by(30), Span::h(6)), Mono::from_ms(15 * 60_000));
    }
}
