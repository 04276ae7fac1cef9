//! How far a probe is off: what its link adds, and what the last `warmside bundle` measured, read from the ledger's marks.

use super::past::Entry;
use super::standing::House;
use super::words;
use crate::engine::view::ProbeView;
use crate::terms::place::Place;
use crate::terms::quantity::Quantity;
use crate::terms::time::Wall;
use crate::trust::bundle::{BUNDLE, FLAGGED_K, REPLACED};
use std::collections::BTreeMap;

/// Marks of bundles that are looked through: each tells of one enclosure.
pub const MOST_BUNDLES: usize = 2_000;

/// What the last bundle of a probe came to.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Measured {
    at: Wall,
    off_k: f64,
    replace: bool,
}

/// By enclosure and place.
#[derive(Debug, Default)]
pub struct Offsets(BTreeMap<(String, Place), Measured>);

impl Offsets {
    /// `marks`: newest first.
    pub fn of(marks: &[Entry]) -> Offsets {
        let mut last = BTreeMap::new();
        for mark in marks.iter().filter(|mark| !mark.struck) {
            let [enclosure] = mark.enclosures.as_slice() else { continue };
            let said = mark.words.strip_prefix(BUNDLE).unwrap_or_default();
            for (place, off_k, replace) in said.split(", ").filter_map(one) {
                last.entry((enclosure.clone(), place)).or_insert(Measured { at: mark.at, off_k, replace });
            }
        }
        Offsets(last)
    }

    /// What a keeper should know of a probe's offset; empty where nothing is known.
    pub fn words(&self, house: &House, probe: &ProbeView) -> String {
        let added = if probe.offset_k == 0.0 { String::new() } else { format!("{} K added", signed(probe.offset_k)) };
        let key = probe.enclosure.clone().zip(probe.place).filter(|_| probe.quantity == Quantity::Temperature);
        let measured = key.and_then(|key| self.0.get(&key)).map_or(String::new(), |m| {
            let todo = match m {
                Measured { replace: true, .. } => ": replace it".to_owned(),
                // With an offset in the link nobody can tell whether it was set after this.
                Measured { off_k, .. } if off_k.abs() > FLAGGED_K && probe.offset_k == 0.0 => {
                    format!(": its link wants offset = {:.2}", house.words.degrees.show_difference(-off_k))
                }
                _ => String::new(),
            };
            format!("{} K off when bundled on {}{todo}", signed(m.off_k), house.words.day(m.at))
        });
        [added, measured].into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(", ")
    }
}

fn signed(k: f64) -> String {
    let sign = if k < 0.0 { "\u{2212}" } else { "+" };
    format!("{sign}{}", words::number(k.abs(), 2))
}

/// `warm_side +0.12 K`.
fn one(said: &str) -> Option<(Place, f64, bool)> {
    let (said, replace) = said.strip_suffix(REPLACED).map_or((said, false), |rest| (rest, true));
    let (place, off) = said.strip_suffix(" K")?.split_once(' ')?;
    Some((Place::from_word(place)?, off.parse().ok().filter(|k: &f64| k.is_finite())?, replace))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_newest_bundle_of_each_probe_counts() {
        let mark = |ms: i64, words: &str, struck: bool| Entry {
            at: Wall::from_ms(ms),
            kind: "mark".into(),
            enclosures: vec!["a3".into()],
            words: words.into(),
            by: Some("ines".into()),
            struck,
        };
        let marks = [
            mark(9, "bundle: warm_side +9.99 K", true),
            mark(8, "bundle: cool_side -2.30 K (replace), ? +0.10 K, hide nan K, floor", false),
            mark(7, "bundle: warm_side +0.12 K, cool_side +0.01 K", false),
        ];
        let known: Vec<_> =
            Offsets::of(&marks).0.into_iter().map(|((_, p), m)| (p, m.at.as_ms(), m.off_k, m.replace)).collect();
        assert_eq!(known, [(Place::WarmSide, 7, 0.12, false), (Place::CoolSide, 8, -2.3, true)]);
    }
}
