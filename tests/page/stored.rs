//! An invented past: days of readings with a gap, bands that step with day and night, a ledger, mails.

use crate::house::{at, now};
use warmside::page::past::{Entry, Heat, Mail, Past, Step, Ten, Told};
use warmside::terms::place::Place;
use warmside::terms::time::{Span, Wall};

/// How far back it goes, and whether the store answers at all.
pub struct Stored {
    pub days: i64,
    pub failing: bool,
}

impl Stored {
    fn fails<T>(&self, told: T) -> Told<T> {
        if self.failing { Err("the disk is full".to_owned()) } else { Ok(told) }
    }
}

fn level(probe: &str) -> f64 {
    [("basking", 38.0), ("warm", 31.0), ("hide", 28.6)]
        .iter()
        .find(|(p, _)| probe.contains(p))
        .map_or(25.2, |(_, c)| *c)
}

fn is_day(t: Wall) -> bool {
    (7 * 60 + 30..19 * 60 + 30).contains(&(t.as_ms() / 60_000 % 1_440))
}

/// Two degrees cooler at night; from 14:02 on it falls.
fn reading(probe: &str, t: Wall) -> f64 {
    let wave = ((t.as_ms() / 60_000 % 24) as f64 - 12.0).abs() / 12.0 - 0.5;
    let night = if is_day(t) { 0.0 } else { -2.8 };
    let lost = if probe.contains("/a3/") { (t.since(at("14:02")).as_min().max(0.0) * 0.13).min(8.0) } else { 0.0 };
    level(probe) + wave + night - lost * if probe.contains("cool") { 0.15 } else { 1.0 }
}

/// The router restarted at noon.
fn gap() -> (Wall, Wall) {
    (at("11:50"), at("12:20"))
}

impl Past for Stored {
    fn readings(&self, probe: &str, from: Wall, to: Wall, at_most: usize) -> Told<Vec<(Wall, f64)>> {
        let first = from.max(now() - Span::days(self.days));
        let times = (0..at_most as i64).map(|i| first + Span::s(i * 30)).take_while(|t| *t < to.min(now()));
        self.fails(times.map(|t| (t, reading(probe, t))).collect())
    }
    fn summaries(&self, probe: &str, from: Wall, to: Wall) -> Told<Vec<Ten>> {
        let first = from.max(now() - Span::days(self.days)).as_ms() / 600_000 * 600_000;
        let times = (0..).map(|i| Wall::from_ms(first + i * 600_000)).take_while(|t| *t < to.min(now()));
        let ten = |t: Wall| Ten {
            from: t,
            min: reading(probe, t) - 0.5,
            mean: reading(probe, t),
            max: reading(probe, t) + 0.5,
        };
        self.fails(times.filter(|t| !(gap().0..gap().1).contains(t)).map(ten).collect())
    }
    fn gaps(&self, _: Wall, _: Wall) -> Told<Vec<(Wall, Option<Wall>, String)>> {
        self.fails(vec![(gap().0, Some(gap().1), "link lost".to_owned())])
    }
    fn wanted(&self, _: &str, place: Place, from: Wall, to: Wall) -> Vec<Step> {
        let (low, high) = match place {
            Place::BaskingSpot => (36.0, 40.0),
            Place::WarmSide => (30.0, 32.0),
            Place::Hide => (27.0, 30.0),
            _ => (24.0, 26.0),
        };
        let first = from.as_ms() / 86_400_000;
        let steps = (first..=to.as_ms() / 86_400_000).flat_map(|day| {
            let at = |min: i64| Wall::from_ms(day * 86_400_000 + min * 60_000);
            [(at(0), 3.0), (at(450), 0.0), (at(1_170), 3.0)]
        });
        steps
            .map(|(from, off)| Step {
                from,
                wanted: Some((low - off, high - off)),
                never: Some((low - 5.0, high + 4.0)),
            })
            .collect()
    }
    fn light_planned(&self, _: &str, from: Wall, to: Wall) -> Vec<(Wall, Wall)> {
        let days = from.as_ms() / 86_400_000..=to.as_ms() / 86_400_000;
        days.map(|d| (Wall::from_ms(d * 86_400_000 + 27_000_000), Wall::from_ms(d * 86_400_000 + 70_200_000))).collect()
    }
    fn heat(&self, enclosure: &str, from: Wall, to: Wall) -> Told<Option<Heat>> {
        // A relay calls all day; watts come until two. The others tell nothing.
        let day = |t: &Wall| is_day(*t) && *t < to.min(now());
        let first = from.max(now() - Span::days(self.days)).as_ms() / 600_000 * 600_000;
        let tens = (0..).map(|i| Wall::from_ms(first + i * 600_000)).take_while(|t| *t < to.min(now()));
        let arrived = tens.map(|t| (t, if day(&t) && t < at("14:02") { 0.6 } else { 0.0 })).collect();
        let called = vec![(at("07:30").max(from), now().min(to))];
        Ok((enclosure == "a3").then_some(Heat { called, arrived }))
    }
    fn ledger(&self, enclosure: Option<&str>, before: Wall, at_most: usize) -> Told<Vec<Entry>> {
        let entry = |clock: &str, kind: &str, of: &str, words: &str, by: Option<&str>| Entry {
            at: at(clock),
            kind: kind.to_owned(),
            enclosures: vec![of.to_owned()],
            words: words.to_owned(),
            by: by.map(str::to_owned),
            struck: false,
        };
        let all = vec![
            entry("14:26", "mail", "a3", "Reminder: no heat", None),
            entry("14:11", "mail", "a3", "First mail: no heat, incident 7Q", None),
            entry("13:05", "answer", "c1", "I have it", Some("ines")),
            entry("12:40", "mark", "a3", "water-changed", Some("tom")),
            entry("09:30", "mark", "a3", "spare <emitter> tested", Some("ines")),
        ];
        let kept = all
            .into_iter()
            .filter(|e| e.at < before && enclosure.is_none_or(|id| e.enclosures.iter().any(|x| x == id)));
        self.fails(kept.take(at_most).collect())
    }
    fn marks(&self, beginning: &str, at_most: usize) -> Told<Vec<Entry>> {
        let bundle = Entry {
            at: at("09:00"),
            kind: "mark".to_owned(),
            enclosures: vec!["a3".to_owned()],
            words: "bundle: warm_side +0.12 K, cool_side +0.62 K".to_owned(),
            by: Some("ines".to_owned()),
            struck: false,
        };
        let found = [bundle].into_iter().filter(|mark| mark.words.starts_with(beginning));
        self.fails(found.take(at_most).collect())
    }
    fn mails(&self, at_most: usize) -> Told<Vec<Mail>> {
        let mail = |notice: &str, clock: &str, subject: &str, fate: &str| Mail {
            notice: notice.to_owned(),
            queued_at: at(clock),
            subject: subject.to_owned(),
            text: format!("{subject}\nACT BY ABOUT 14:55\n\nWHAT: Heat is called for & none arrives. <b>"),
            json: format!("{{\"incident\":\"7Q\",\"subject\":\"{subject}\"}}"),
            to: vec![("ines".to_owned(), fate.to_owned(), "250 2.0.0 kept".to_owned())],
        };
        let all = vec![
            mail("7Q.2", "14:26", "a3 Juno: no heat, still open", "waiting"),
            mail("7Q.1", "14:11", "a3 Juno: no heat, 29.7 C and falling", "accepted"),
            mail("daily.2026-03-03", "07:00", "All well: 24 of 24 in band", "accepted"),
        ];
        self.fails(all.into_iter().take(at_most).collect())
    }
    fn mail(&self, notice: &str) -> Told<Option<Mail>> {
        Ok(self.mails(10)?.into_iter().find(|m| m.notice == notice))
    }
}
