//! Who moves with whom: a plug and the probe that its heat warms, a warm and a cool end of one enclosure.
//!
//! It is evidence for a human, in words, and links nothing: two enclosures on one thermostat move alike too.

use super::Survey;
use super::draft::Names;
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
/// Correlation from which two move together, and by how much the best must beat the next. Among forty numbers at seventeen
/// delays over half an hour, what moves by chance reaches 0.6.
const TOGETHER: f64 = 0.65;
const BEATS: f64 = 0.12;
/// By so much it must beat even the other end of its own enclosure, which may be another enclosure that moves the same.
const BEATS_ITS_END: f64 = 0.02;

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

    /// Means of the minutes so far; NaN where nothing came.
    pub fn means(&self) -> &[f32] {
        &self.means
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

/// Whether two numbers are one reading in two scales, or told twice, K or °F.
fn is_copy(a: &Minutes, b: &Minutes) -> bool {
    let Some(first) = a.first_min else { return false };
    let pairs = || (first..first + a.means.len() as i64).filter_map(|m| Some((a.at(m)?, b.at(m)?)));
    let all = |same: fn(f64, f64) -> bool| pairs().all(|(a, b)| same(a, b));
    pairs().next().is_some()
        && (all(|a, b| (a - b).abs() < 0.2)
            || all(|a, b| (a * 1.8 + 32.0 - b).abs() < 0.6)
            || all(|a, b| (b * 1.8 + 32.0 - a).abs() < 0.6))
}

/// A number by topic and pointer.
pub type At<'a> = (&'a str, &'a str);

/// Which numbers move with which.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Companions<'a> {
    /// What is to be said of each number that moves with another, in words.
    pub said: BTreeMap<At<'a>, String>,
    /// What rises while a plug or a relay is on, and which.
    pub heated: BTreeMap<At<'a>, At<'a>>,
}

/// Where a topic names one of the keeper's, only what names the same one is compared: a rack on one kind of thermostat
/// moves alike.
pub fn companions<'a>(survey: &'a Survey, names: &Names) -> Companions<'a> {
    let whose = |(topic, _): At<'a>| topic.split('/').find(|word| names.is_known(word));
    let alike = |at: At<'a>, who: At<'a>| whose(at).is_none() || whose(at) == whose(who);
    let all = || {
        survey.topics().iter().flat_map(|(topic, of)| {
            of.fields.iter().map(move |(pointer, field)| {
                ((topic.as_str(), pointer.as_str()), field, guess(topic, pointer, field, of).seems)
            })
        })
    };
    let kind = |wanted: fn(Seems) -> bool| -> Vec<(At<'a>, &'a Field)> {
        all()
            .filter(|(_, field, seems)| wanted(*seems) && !field.is_constant())
            .map(|(at, f, _)| (at, f))
            .take(MOST)
            .collect()
    };
    let probes = kind(|seems| matches!(seems, Seems::Temperature(_)));
    let plugs = kind(|seems| matches!(seems, Seems::Power | Seems::Switch));
    let Companions { mut said, mut heated } = Companions::default();
    let mut ends = BTreeMap::new();
    for (at, probe) in &probes {
        let own = |who: At<'_>, other: &Field| who.0 == at.0 && is_copy(&probe.minutes, &other.minutes);
        let others = probes.iter().filter(|(who, other)| who != at && alike(*at, *who) && !own(*who, other));
        let scores = others.filter_map(|(who, other)| Some((*who, together(&probe.minutes, &other.minutes)?)));
        let Some((best, r)) = clear(scores.collect(), &probes, &BTreeMap::new()) else { continue };
        ends.insert(*at, best);
        let Some(other) = probes.iter().find(|(who, _)| *who == best).map(|(_, f)| *f) else { continue };
        let middle = |f: &Field| (f.min + f.max) / 2.0;
        let end = if middle(probe) > middle(other) { "warmer" } else { "cooler" };
        said.insert(*at, format!("moves with {} (correlation {r:.2}) and is the {end} of the two", shown(best)));
    }
    for (at, plug) in &plugs {
        let near = probes.iter().filter(|(who, _)| alike(*at, *who));
        let scores = near.filter_map(|(who, probe)| Some((*who, heats(&plug.minutes, &probe.minutes)?)));
        if let Some((best, r)) = clear(scores.collect(), &probes, &ends) {
            said.insert(*at, format!("{} rises while it is on (correlation {r:.2})", shown(best)));
            heated.insert(best, *at);
        }
    }
    Companions { said, heated }
}

pub fn shown((topic, pointer): At<'_>) -> String {
    if pointer.is_empty() { topic.to_owned() } else { format!("{topic} {pointer}") }
}

/// The best, if it moves together and clearly beats every other one but its own copies and the other end of its own
/// enclosure. Ties are no evidence.
fn clear<'a>(
    mut scores: Vec<(At<'a>, f64)>,
    probes: &[(At<'a>, &Field)],
    ends: &BTreeMap<At<'a>, At<'a>>,
) -> Option<(At<'a>, f64)> {
    scores.sort_by(|a, b| b.1.total_cmp(&a.1));
    let (best, r) = *scores.first()?;
    let minutes = |at: At<'a>| probes.iter().find(|(who, _)| *who == at).map(|(_, field)| &field.minutes);
    let copies = |who: At<'a>| minutes(who).zip(minutes(best)).is_some_and(|(a, b)| is_copy(a, b));
    let beaten = scores.iter().skip(1).filter(|(who, _)| who.0 != best.0 || !copies(*who)).all(|(who, next)| {
        let by = if ends.get(who) == Some(&best) { BEATS_ITS_END } else { BEATS };
        r - next >= by
    });
    (r >= TOGETHER && beaten).then_some((best, r))
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
        let Companions { said, heated } = companions(&survey, &Names::default());
        for i in 0..3 {
            let (warm, cool) = (format!("x/{}/temp", 7 * i + 1), format!("x/{}/temp", 7 * i + 2));
            let of = |topic: &str| said.get(&(topic, "")).cloned().unwrap_or_default();
            assert!(of(&format!("y/{i}/watts")).starts_with(&format!("{warm} rises")), "{said:?}");
            assert!(
                of(&warm).contains(&format!("with {cool} ")) && of(&warm).ends_with("the warmer of the two"),
                "{said:?}"
            );
            assert!(of(&cool).ends_with("the cooler of the two"), "{said:?}");
            assert_eq!(heated.get(&(warm.as_str(), "")), Some(&(format!("y/{i}/watts").as_str(), "")));
        }
    }

    #[test]
    fn within_what_the_keeper_names_a_whole_rack_may_move_alike() {
        let mut survey = Survey::default();
        for minute in 0..90_i64 {
            let at = Wall::from_ms(0) + Span::min(minute);
            for id in ["a1", "a2"] {
                let phase = minute % 16;
                let warm = 28.0 + if phase < 8 { 0.2 * phase as f64 } else { 3.2 - 0.2 * phase as f64 };
                survey.hear(&format!("rack/{id}/end"), format!("{warm:.2}").as_bytes(), false, at);
                survey.hear(&format!("rack/{id}/watts"), if phase < 8 { b"60" } else { b"0" }, false, at);
            }
        }
        let names = Names { enclosures: ["a1", "a2"].map(str::to_owned).into(), ..Names::default() };
        let heated = companions(&survey, &names).heated;
        assert_eq!(heated.get(&("rack/a2/end", "")), Some(&("rack/a2/watts", "")), "{heated:?}");
        assert_eq!(companions(&survey, &Names::default()).heated, BTreeMap::new(), "nobody knows which is which");
    }

    /// A board that tells of two heaters and four probes in one message, one of them in both scales.
    #[test]
    fn of_one_message_the_clearly_best_probe_is_paired_or_none() {
        let survey = |apart: bool| {
            let (mut survey, mut levels) = (Survey::default(), [25.0_f64, 28.0]);
            for minute in 0..90_i64 {
                let on = [minute % 16 < 8, if apart { minute % 22 < 9 } else { minute % 16 < 8 }];
                for (level, on) in levels.iter_mut().zip(on) {
                    *level += if on { 0.3 } else { -0.25 };
                }
                let [a, b] = levels;
                let drive = on.map(|on| if on { 70 } else { 5 });
                let text = format!(
                    r#"{{"heater_1":{},"heater_2":{},"temp_1":{a:.2},"temp_1_f":{:.2},"temp_2":{b:.2}}}"#,
                    drive[0],
                    drive[1],
                    a * 1.8 + 32.0
                );
                survey.hear("board/state", text.as_bytes(), false, Wall::from_ms(0) + Span::min(minute));
            }
            survey
        };
        let apart = survey(true);
        let said = companions(&apart, &Names::default()).said;
        let of = |pointer: &str| said.get(&("board/state", pointer)).cloned().unwrap_or_default();
        assert!(of("/heater_1").starts_with("board/state /temp_1"), "{said:?}");
        assert!(of("/heater_2").starts_with("board/state /temp_2"), "{said:?}");
        assert!(!of("/temp_1").contains("/temp_1_f"), "one probe in two scales is no two ends: {said:?}");
        let alike = survey(false);
        let said = companions(&alike, &Names::default()).said;
        assert!(!said.contains_key(&("board/state", "/heater_1")), "both move alike: {said:?}");
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
        assert_eq!(companions(&survey, &Names::default()), Companions::default());
    }
}
