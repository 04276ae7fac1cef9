//! Who moves with whom: a plug and the probe that its heat warms, a warm and a cool end of one enclosure.
//!
//! It is evidence for a human, in words, and links nothing: two enclosures on one thermostat move alike too.

use super::Survey;
use super::field::Field;
use super::guess::{Seems, guess};
use std::collections::BTreeMap;

/// The most minutes of a number that are kept, and how many two must share.
pub const MOST_MINUTES: usize = 240;
const LEAST_MINUTES: usize = 20;
/// The most temperatures and plugs that are compared with one another.
const MOST: usize = 200;
/// Heat shows at a probe this late, min.
const LATEST: usize = 8;
/// Correlation from which two move together, and by how much the best must beat the next.
const TOGETHER: f64 = 0.5;
const BEATS: f64 = 0.12;

/// Means of single minutes since the first reading; NaN where nothing came.
#[derive(Clone, Debug, Default)]
pub struct Minutes {
    first_min: Option<i64>,
    means: Vec<f32>,
    sum: f64,
    count: u32,
}

impl Minutes {
    pub fn hear(&mut self, value: f64, at_ms: i64) {
        let minute = at_ms.div_euclid(60_000);
        let first = *self.first_min.get_or_insert(minute);
        let Ok(ix) = usize::try_from(minute - first) else { return };
        if ix >= MOST_MINUTES {
            return;
        }
        if ix >= self.means.len() {
            self.means.resize(ix + 1, f32::NAN);
            (self.sum, self.count) = (0.0, 0);
        }
        self.sum += value;
        self.count += 1;
        if let Some(mean) = self.means.get_mut(ix) {
            *mean = (self.sum / f64::from(self.count)) as f32;
        }
    }

    fn at(&self, minute: i64) -> Option<f64> {
        let ix = usize::try_from(minute - self.first_min?).ok()?;
        self.means.get(ix).map(|v| f64::from(*v)).filter(|v| v.is_finite())
    }

    /// How far it moved over three minutes about this one.
    fn slope(&self, minute: i64) -> Option<f64> {
        Some(self.at(minute + 1)? - self.at(minute - 2)?)
    }
}

/// Correlation of pairs; `None`: too few, or one of them stands still.
fn correlation(pairs: &[(f64, f64)]) -> Option<f64> {
    if pairs.len() < LEAST_MINUTES {
        return None;
    }
    let n = pairs.len() as f64;
    let (ma, mb) = (pairs.iter().map(|p| p.0).sum::<f64>() / n, pairs.iter().map(|p| p.1).sum::<f64>() / n);
    let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
    for (a, b) in pairs {
        ab += (a - ma) * (b - mb);
        aa += (a - ma) * (a - ma);
        bb += (b - mb) * (b - mb);
    }
    (aa > 1e-9 && bb > 1e-9).then(|| ab / (aa * bb).sqrt())
}

/// How well a plug's watts or a relay explain how a temperature moves, at the best delay.
fn heats(plug: &Minutes, probe: &Minutes) -> Option<f64> {
    let minutes = plug.first_min?..plug.first_min? + plug.means.len() as i64;
    let at = |delay: i64| {
        let pairs = minutes.clone().filter_map(|m| Some((plug.at(m)?, probe.slope(m + delay)?)));
        correlation(&pairs.collect::<Vec<_>>())
    };
    (0..=LATEST as i64).filter_map(at).max_by(f64::total_cmp)
}

/// How well two temperatures move together, at the best delay of either.
fn together(a: &Minutes, b: &Minutes) -> Option<f64> {
    let minutes = a.first_min?..a.first_min? + a.means.len() as i64;
    let at = |delay: i64| {
        let pairs = minutes.clone().filter_map(|m| Some((a.slope(m)?, b.slope(m + delay)?)));
        correlation(&pairs.collect::<Vec<_>>())
    };
    (-(LATEST as i64)..=LATEST as i64).filter_map(at).max_by(f64::total_cmp)
}

/// A number by topic and pointer.
pub type At<'a> = (&'a str, &'a str);

/// What is to be said of each number that moves with another, in words.
pub fn companions(survey: &Survey) -> BTreeMap<At<'_>, String> {
    let all = || {
        survey.topics().iter().flat_map(|(topic, of)| {
            of.fields.iter().map(move |(pointer, field)| {
                ((topic.as_str(), pointer.as_str()), field, guess(topic, pointer, field, of).seems)
            })
        })
    };
    let kind = |wanted: fn(Seems) -> bool| -> Vec<(At<'_>, &Field)> {
        all()
            .filter(|(_, field, seems)| wanted(*seems) && !field.is_constant())
            .map(|(at, f, _)| (at, f))
            .take(MOST)
            .collect()
    };
    let probes = kind(|seems| matches!(seems, Seems::Temperature(_)));
    let plugs = kind(|seems| matches!(seems, Seems::Power | Seems::Switch));
    let mut said = BTreeMap::new();
    let mut ends = BTreeMap::new();
    for (at, probe) in &probes {
        let others = probes.iter().filter(|(who, _)| who != at);
        let scores = others.filter_map(|(who, other)| Some((*who, together(&probe.minutes, &other.minutes)?)));
        let Some((best, r)) = clear(scores.collect(), &BTreeMap::new()) else { continue };
        ends.insert(*at, best);
        let Some(other) = probes.iter().find(|(who, _)| *who == best).map(|(_, f)| *f) else { continue };
        let middle = |f: &Field| (f.min + f.max) / 2.0;
        let end = if middle(probe) > middle(other) { "warmer" } else { "cooler" };
        said.insert(*at, format!("moves with {} (correlation {r:.2}) and is the {end} of the two", shown(best)));
    }
    for (at, plug) in &plugs {
        let scores = probes.iter().filter_map(|(who, probe)| Some((*who, heats(&plug.minutes, &probe.minutes)?)));
        if let Some((best, r)) = clear(scores.collect(), &ends) {
            said.insert(*at, format!("{} rises while it is on (correlation {r:.2})", shown(best)));
        }
    }
    said
}

fn shown((topic, pointer): At<'_>) -> String {
    if pointer.is_empty() { topic.to_owned() } else { format!("{topic} {pointer}") }
}

/// The best, if it moves together and clearly beats every other one but the other end of its own enclosure. Ties are no
/// evidence.
fn clear<'a>(mut scores: Vec<(At<'a>, f64)>, ends: &BTreeMap<At<'a>, At<'a>>) -> Option<(At<'a>, f64)> {
    scores.sort_by(|a, b| b.1.total_cmp(&a.1));
    let (best, r) = *scores.first()?;
    let next = scores.iter().find(|(who, _)| who.0 != best.0 && ends.get(who) != Some(&best)).map_or(0.0, |s| s.1);
    (r >= TOGETHER && r - next >= BEATS).then_some((best, r))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::terms::time::{Span, Wall};

    /// Three enclosures whose heat cycles at rhythms of their own, on topics that say nothing; and a plug for each.
    fn survey() -> Survey {
        let mut survey = Survey::default();
        let mut levels = [(28.0_f64, 23.0_f64); 3];
        for minute in 0..90_i64 {
            let at = Wall::from_ms(1_767_600_000_000) + Span::min(minute);
            for (i, (warm, cool)) in levels.iter_mut().enumerate() {
                let on = (minute + 3 * i as i64) % (11 + 4 * i as i64) < 5;
                *warm += if on { 0.35 } else { -0.25 };
                *cool += 0.12 * ((*warm - 5.0) - *cool);
                let mut say =
                    |topic: String, value: f64| survey.hear(&topic, format!("{value:.2}").as_bytes(), false, at);
                say(format!("x/{}/temp", 7 * i + 1), *warm);
                say(format!("x/{}/temp", 7 * i + 2), *cool);
                say(format!("y/{i}/watts"), if on { 60.0 } else { 0.0 });
            }
        }
        survey
    }

    #[test]
    fn plugs_find_their_probe_and_ends_find_each_other() {
        let survey = survey();
        let said = companions(&survey);
        for i in 0..3 {
            let (warm, cool) = (format!("x/{}/temp", 7 * i + 1), format!("x/{}/temp", 7 * i + 2));
            let of = |topic: &str| said.get(&(topic, "")).cloned().unwrap_or_default();
            assert!(of(&format!("y/{i}/watts")).starts_with(&format!("{warm} rises")), "{said:?}");
            assert!(
                of(&warm).contains(&format!("with {cool} ")) && of(&warm).ends_with("the warmer of the two"),
                "{said:?}"
            );
            assert!(of(&cool).ends_with("the cooler of the two"), "{said:?}");
        }
    }

    #[test]
    fn what_moves_alike_everywhere_pairs_with_nothing() {
        let mut survey = Survey::default();
        for minute in 0..90_i64 {
            let at = Wall::from_ms(0) + Span::min(minute);
            for i in 0..4 {
                let level = 20.0 + i as f64 + (minute % 20) as f64 / 10.0;
                survey.hear(&format!("z/{i}/temp"), format!("{level:.2}").as_bytes(), false, at);
            }
        }
        assert_eq!(companions(&survey), BTreeMap::new());
    }
}
