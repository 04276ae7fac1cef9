//! Scripted days: which mails, when, of what comes back within the week.

use super::fixture::{Day, at, found, settings};
use crate::finding::Finding;
use crate::finding::cause::{Cause, Urgency};
use crate::notice::settings::Settings;
use crate::terms::time::{Span, Wall};

const NOON: &str = "2026-03-02T12:00:00Z";

fn noon(day: i64) -> Wall {
    at(NOON) + Span::days(day)
}

fn sun(day: i64) -> Finding {
    let mut sun = found(0, Cause::OutsideHeat, noon(day));
    sun.urgency = Urgency::Today;
    sun
}

/// A house with or without a daily letter, on which the sun shone for an hour on each of these days.
fn sunny(daily: bool, days: &[i64]) -> Day {
    let daily = daily.then_some(7 * 60);
    let mut d = Day::new(14, Settings { daily, ..settings() }, "2026-03-02T06:00:00Z");
    for day in days {
        d.stands(noon(*day), sun(*day));
        d.calm(noon(*day) + Span::h(1), 0, Cause::OutsideHeat);
    }
    d.until(noon(*days.last().unwrap_or(&0)) + Span::h(6));
    d
}

/// Day and event of each mail that is no letter.
fn mails(d: &Day) -> Vec<String> {
    let read = |row: &crate::notice::NoticeRow| {
        let n: serde_json::Value = serde_json::from_str(&row.json).expect("a notice");
        let day = Wall::parse_rfc3339(n["at"].as_str()?)?.since(at("2026-03-02T00:00:00Z")).as_ms() / 86_400_000;
        let (event, urgency) = (n["event"].as_str()?, n["urgency"].as_str()?);
        (event != "digest").then(|| format!("{day} {event} {urgency}"))
    };
    d.mails.iter().filter_map(read).collect()
}

#[test]
fn the_sun_of_each_fine_day_is_a_mail_once_a_week_and_a_line_in_the_letter() {
    let d = sunny(true, &[0, 1, 3, 5, 8]);
    assert_eq!(mails(&d), ["0 raised today", "0 ended today", "8 raised today", "8 ended today"]);
    let letters =
        |day: &str| d.mails.iter().filter(|m| m.id == format!("daily.{day}")).map(|m| m.text.clone()).collect();
    let after: String = letters("2026-03-06");
    assert!(after.contains("heated from outside"), "the third day's is told next morning: {after}");
    let quiet: String = letters("2026-03-05");
    assert!(!quiet.is_empty() && !quiet.contains("a1 Sorrel, warm side: heated from outside"), "nothing came: {quiet}");
}

#[test]
fn without_a_daily_letter_each_is_a_mail() {
    let raised = mails(&sunny(false, &[0, 3, 5])).iter().filter(|m| m.ends_with("raised today")).count();
    assert_eq!(raised, 3);
}

#[test]
fn what_is_known_and_gets_urgent_is_raised_like_anything_new() {
    let mut d = sunny(true, &[0]);
    d.stands(noon(3), sun(3));
    let mut worse = sun(3);
    worse.urgency = Urgency::Now;
    d.stands(noon(3) + Span::min(30), worse);
    d.until(noon(3) + Span::min(40));
    assert_eq!(mails(&d)[2..], ["3 raised now"]);
}

#[test]
fn what_came_back_within_the_day_and_gets_urgent_is_told() {
    let mut d = sunny(true, &[0]);
    let mut urgent = sun(0);
    urgent.urgency = Urgency::Now;
    d.stands(noon(0) + Span::h(6), urgent.clone());
    d.calm(noon(0) + Span::h(7), 0, Cause::OutsideHeat);
    d.stands(noon(1), sun(1));
    urgent.since = sun(1).since;
    d.stands(noon(1) + Span::min(30), urgent);
    d.until(noon(1) + Span::min(50));
    let news = |m: &String| m.contains("raised") || m.contains("worse");
    let asked: Vec<String> = mails(&d).into_iter().filter(news).collect();
    assert_eq!(asked[1..], ["0 worse now", "1 worse now"], "as urgent as it was told of yesterday is urgent today");
}

#[test]
fn what_is_known_and_stands_through_day_and_night_is_told() {
    let mut d = sunny(true, &[0]);
    d.stands(noon(3), sun(3));
    d.until(noon(3) + Span::h(17));
    assert_eq!(mails(&d)[2..], [""; 0], "it may be as each day");
    d.until(noon(3) + Span::h(19));
    assert_eq!(mails(&d)[2..], ["4 raised today"]);
    d.calm(noon(3) + Span::h(20), 0, Cause::OutsideHeat);
    d.until(noon(3) + Span::h(21));
    assert_eq!(mails(&d)[3..], ["4 ended today"], "whoever was told of it is told of its end");
}

#[test]
fn a_limit_that_the_lamp_leads_over_each_day_is_a_mail_once_a_week() {
    let mut d = Day::new(14, Settings { daily: Some(7 * 60), ..settings() }, "2026-03-02T06:00:00Z");
    for day in 0..7 {
        let mut hot = found(0, Cause::TooHot, noon(day));
        hot.urgency = Urgency::Today;
        d.stands(noon(day), hot);
        d.calm(noon(day) + Span::h(10), 0, Cause::TooHot);
    }
    d.until(noon(7) - Span::h(1));
    assert_eq!(mails(&d), ["0 raised today", "0 repeated today", "0 handed-on today", "0 ended today"]);
}

#[test]
fn another_place_another_enclosure_and_what_breaks_are_news() {
    for (ix, cause) in [(1, Cause::OutsideHeat), (0, Cause::TooCold), (0, Cause::HeatWeak)] {
        let mut d = sunny(true, &[0]);
        let mut other = found(ix, cause, noon(3));
        other.urgency = Urgency::Today;
        d.stands(noon(3), other);
        d.until(noon(3) + Span::min(10));
        assert_eq!(mails(&d)[2..], ["3 raised today"], "{ix} {cause:?}");
    }
    let mut d = sunny(true, &[0]);
    let mut elsewhere = sun(3);
    elsewhere.key.place = Some(crate::terms::place::Place::CoolSide);
    d.stands(noon(3), elsewhere);
    d.until(noon(3) + Span::min(10));
    assert_eq!(mails(&d)[2..], ["3 raised today"]);
}

#[test]
fn what_is_calm_and_waits_to_be_looked_at_does_not_cry_every_quarter_of_an_hour() {
    let mut d = Day::new(14, settings(), "2026-03-02T06:00:00Z");
    let mut burnt = found(0, Cause::TooHot, noon(0));
    (burnt.urgency, burnt.latched) = (Urgency::Now, true);
    d.stands(noon(0), burnt);
    d.calm(noon(0) + Span::min(10), 0, Cause::TooHot);
    d.until(noon(0) + Span::h(24));
    let repeats = mails(&d).iter().filter(|m| m.contains("repeated")).count();
    assert!((2..=4).contains(&repeats), "{:?}", mails(&d));
}

#[test]
fn whose_heat_is_in_doubt_while_nobody_sees_it_is_not_called_well() {
    let means = |urgency: Urgency| {
        let mut d = Day::new(14, settings(), "2026-03-02T06:00:00Z");
        d.stands(noon(0), Finding { urgency, ..found(3, Cause::ProbeSilent, noon(0)) });
        d.until(noon(0) + Span::h(1));
        let words: Vec<&str> = d.mails.iter().flat_map(|mail| mail.text.split_whitespace()).collect();
        let text = words.join(" ");
        (text.contains("may be perfectly well"), text.contains("tells that there is heat"))
    };
    assert_eq!(means(Urgency::Today), (true, false));
    assert_eq!(means(Urgency::Now), (false, true));
}
