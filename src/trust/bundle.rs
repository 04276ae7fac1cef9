//! Probes tied together for a while: how far each one is from the median of all, and which of them to replace.

use crate::terms::id::ProbeIx;
use crate::terms::time::{Span, Wall};
use std::collections::BTreeMap;

/// Further than this from the median is flagged, K.
pub const FLAGGED_K: f64 = 0.5;
/// How the ledger's marks of a bundle begin, and what stands behind a probe that is refused: `bundle: warm_side +0.12 K,
/// cool_side -2.30 K (replace)`.
pub const BUNDLE: &str = "bundle: ";
pub const REPLACED: &str = " (replace)";

/// Further than this no offset makes good, K: the probe is to be replaced.
pub const REPLACE_K: f64 = 2.0;
/// Fewer probes have no median that means anything.
pub const LEAST_PROBES: usize = 3;
/// Readings of a probe in the second half of the time, at least; and how far it may still move there, K.
const LEAST_READINGS: usize = 3;
const SETTLED_K: f64 = 0.5;
/// The most readings of one probe that are kept.
const MOST: usize = 20_000;

/// What is heard of every probe.
#[derive(Clone, Debug, Default)]
pub struct Bundle(BTreeMap<ProbeIx, Vec<(Wall, f64)>>);

/// Why there is no offset, or what to make of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Finding {
    Fits,
    Flagged,
    Replace,
    /// It still moved: not at rest with the others, or too noisy.
    NotSettled,
    TooFewReadings,
}

/// One probe's result.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Outcome {
    pub probe: ProbeIx,
    /// Its mean in the second half of the time, °C.
    pub mean_c: f64,
    /// How far that is above the median of all, K.
    pub off_k: f64,
    pub readings: usize,
    pub finding: Finding,
}

impl Bundle {
    pub fn hear(&mut self, probe: ProbeIx, celsius: f64, at: Wall) {
        let readings = self.0.entry(probe).or_default();
        if celsius.is_finite() && readings.len() < MOST {
            readings.push((at, celsius));
        }
    }

    /// The median of the probes' means, °C, and what is to be said of each. `None`: too few have settled.
    pub fn outcome(&self) -> Option<(f64, Vec<Outcome>)> {
        let all = || self.0.values().flatten().map(|(at, _)| *at);
        let (first, last) = (all().min()?, all().max()?);
        let half = first + Span::ms(last.since(first).as_ms() / 2);
        let mut outcomes: Vec<Outcome> = self.0.iter().map(|(probe, of)| settle(*probe, of, half)).collect();
        let mut means: Vec<f64> = outcomes.iter().filter(|o| o.finding == Finding::Fits).map(|o| o.mean_c).collect();
        if means.len() < LEAST_PROBES {
            return None;
        }
        means.sort_by(f64::total_cmp);
        let (upper, lower) = (means.get(means.len() / 2)?, means.get((means.len() - 1) / 2)?);
        let median = (upper + lower) / 2.0;
        for outcome in &mut outcomes {
            outcome.off_k = outcome.mean_c - median;
            if outcome.finding == Finding::Fits {
                outcome.finding = match outcome.off_k.abs() {
                    off if off > REPLACE_K => Finding::Replace,
                    off if off > FLAGGED_K => Finding::Flagged,
                    _ => Finding::Fits,
                };
            }
        }
        Some((median, outcomes))
    }
}

/// A probe by its second half alone: in the first it came to rest. `Fits` stands for: it has a mean.
fn settle(probe: ProbeIx, readings: &[(Wall, f64)], half: Wall) -> Outcome {
    let late: Vec<f64> = readings.iter().filter(|(at, _)| *at >= half).map(|(_, c)| *c).collect();
    let mean = |of: &[f64]| of.iter().sum::<f64>() / of.len().max(1) as f64;
    let (early, later) = late.split_at(late.len() / 2);
    let finding = match () {
        () if late.len() < LEAST_READINGS => Finding::TooFewReadings,
        () if (mean(later) - mean(early)).abs() > SETTLED_K => Finding::NotSettled,
        () => Finding::Fits,
    };
    let mean_c = if late.is_empty() { f64::NAN } else { mean(&late) };
    Outcome { probe, mean_c, off_k: f64::NAN, readings: late.len(), finding }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Twenty minutes of readings, each probe a function of the minute.
    fn bundle(probes: &[&dyn Fn(f64) -> f64]) -> Vec<(f64, Finding)> {
        let mut bundle = Bundle::default();
        for minute in 0..20_i64 {
            for (ix, probe) in probes.iter().enumerate() {
                bundle.hear(ProbeIx(ix as u32), probe(minute as f64), Wall::from_ms(minute * 60_000));
            }
        }
        let rounded = |o: &Outcome| ((o.off_k * 10.0).round() / 10.0, o.finding);
        bundle.outcome().map(|(_, all)| all.iter().map(rounded).collect()).unwrap_or_default()
    }

    #[test]
    fn offsets_are_to_the_median_and_a_liar_does_not_move_it() {
        let told = bundle(&[&|_| 21.0, &|_| 21.1, &|_| 20.9, &|_| 21.8, &|_| 18.7]);
        let want = [
            (0.0, Finding::Fits),
            (0.1, Finding::Fits),
            (-0.1, Finding::Fits),
            (0.8, Finding::Flagged),
            (-2.3, Finding::Replace),
        ];
        assert_eq!(told, want);
    }

    #[test]
    fn what_comes_to_rest_in_the_first_half_counts_and_what_does_not_is_said() {
        let cools = |tau: f64| move |m: f64| 21.0 + 9.0 * libm::exp(-m / tau);
        let (soon, late) = (cools(1.5), cools(12.0));
        let told = bundle(&[&soon, &|_| 21.0, &|_| 21.1, &late]);
        assert_eq!(
            told.iter().map(|t| t.1).collect::<Vec<_>>(),
            [Finding::Fits, Finding::Fits, Finding::Fits, Finding::NotSettled]
        );
        assert!(told[0].0.abs() < 0.1);
    }

    #[test]
    fn two_probes_have_no_median() {
        assert_eq!(bundle(&[&|_| 21.0, &|_| 22.0]), []);
    }
}
