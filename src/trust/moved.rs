//! A probe that lies elsewhere: it left its level alone and at once, and now keeps company with another place.
//!
//! Heat that fails takes the enclosure along and never brings a probe to the room's air within half an hour. What a probe
//! does alone within ten minutes, to a level that it never had, and where the room's probe or another enclosure's reads the
//! same for as long as we look, is a probe that fell out, fell into the water or was put back into the wrong box.

use crate::terms::time::{Now, Span};
use std::collections::BTreeMap;

/// How far it must have gone within ten minutes, K.
pub const GOES_K: f64 = 2.5;
/// The same where no other probe of its enclosure tells whether that went along: an open front takes the air toward the room's,
/// not to it.
const GOES_ALONE_K: f64 = 5.0;
/// What of that the other probes of its enclosure may go along.
const ALONG: f64 = 0.25;
/// After so long it has come to rest; until then nothing is compared.
const RESTS_AFTER: Span = Span::min(12);
/// How long the company must last, in how many readings, and how near it must be on the mean and always, K.
const COMPANY_LASTS: Span = Span::min(18);
const COMPANY_READINGS: u16 = 8;
const COMPANY_K: f64 = 0.6;
const COMPANY_FAR_K: f64 = 1.3;
/// Alone, it must have stayed there so long while heat went on around it; after the last of these nobody wonders any more.
const ALONE_LASTS: Span = Span::min(50);
const WONDERS: Span = Span::h(4);
/// What it moved there, of what it should have by its habit; and how much that must be, K.
const STILL: f32 = 0.35;
const SHOULD_K: f32 = 1.2;
/// The most probes that are looked after at the same time, and the most companions of each.
pub const MOST: usize = 64;
pub const MOST_COMPANIONS: usize = 256;

/// A probe that was as near as this before went the same way, or always did: it proves nothing, K.
const APART_K: f64 = 2.0;

/// Whether a probe that reads this was elsewhere when the other one left its level.
pub fn is_apart(companion: f64, from: f64) -> bool {
    (companion - from).abs() >= APART_K
}

/// One that left its level.
#[derive(Clone, Debug)]
pub struct Moved {
    pub probe: usize,
    pub since: Now,
    pub from: f64,
    to: f64,
    /// Own and others' travel when it had come to rest.
    rested: Option<[f32; 2]>,
    readings: u16,
    /// Sum and largest of the distances to each companion, and how many.
    companions: BTreeMap<usize, (f64, f64, u16)>,
    /// Where the neighbours were when it left; `None`: it has none, and the room alone can be its company.
    neighbours_then: Option<f64>,
}

/// What a reading showed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Look {
    NotYet,
    /// It is back, or its enclosure went along, or it lasts too long to say.
    Nothing,
    /// It keeps company with this probe.
    Follows(usize),
    /// Nobody knows where, but not where heat comes and goes.
    Elsewhere,
}

/// What surrounds it at a reading.
#[derive(Clone, Copy, Debug)]
pub struct Around {
    /// Mean of the other probes of the enclosure, where there are any.
    pub neighbours: Option<f64>,
    /// Own and others' travel so far, K, and the usual share of the own one in the others'.
    pub travel: [f32; 2],
    pub share: Option<f32>,
    /// The level is none that it ever had.
    pub strange: bool,
}

impl Moved {
    /// `companions`: who may turn out to be where it lies now, see [`is_apart`].
    pub fn new(
        probe: usize,
        (from, to): (f64, f64),
        since: Now,
        neighbours: Option<f64>,
        companions: impl Iterator<Item = usize>,
    ) -> Moved {
        let companions = companions.take(MOST_COMPANIONS).map(|companion| (companion, (0.0, 0.0, 0))).collect();
        Moved { probe, since, from, to, rested: None, readings: 0, companions, neighbours_then: neighbours }
    }

    /// Whether the distance to others matters already.
    pub fn compares(&self, now: Now) -> bool {
        now.mono.since(self.since.mono) >= RESTS_AFTER
    }

    pub fn compare(&mut self, companion: usize, distance: f64) {
        if let Some((sum, far, count)) = self.companions.get_mut(&companion) {
            (*sum, *far, *count) = (*sum + distance.abs(), far.max(distance.abs()), count.saturating_add(1));
        }
    }

    pub fn look(&mut self, value: f64, now: Now, around: &Around) -> Look {
        let lasted = now.mono.since(self.since.mono);
        let went = self.to - self.from;
        if lasted < RESTS_AFTER {
            // It may still be on its way.
            if (value - self.from) * went > 0.0 && (value - self.from).abs() > went.abs() {
                self.to = value;
            }
            return Look::NotYet;
        }
        self.readings = self.readings.saturating_add(1);
        let back = (value - self.from).abs() < 0.5 * went.abs();
        let along = match (self.neighbours_then, around.neighbours) {
            (Some(then), Some(now)) => (now - then) * went > 0.0 && (now - then).abs() > ALONG * went.abs(),
            _ => false,
        };
        let may_be_open = self.neighbours_then.is_none() && went.abs() < GOES_ALONE_K;
        if back || along || may_be_open || lasted > WONDERS {
            return Look::Nothing;
        }
        let rested = *self.rested.get_or_insert(around.travel);
        if !around.strange || self.readings < COMPANY_READINGS || lasted < RESTS_AFTER + COMPANY_LASTS {
            return Look::NotYet;
        }
        let near = |(_, (sum, far, count)): &(&usize, &(f64, f64, u16))| {
            *count >= COMPANY_READINGS && sum / f64::from(*count) <= COMPANY_K && *far <= COMPANY_FAR_K
        };
        let nearest = |(_, (sum, _, count)): &(&usize, &(f64, f64, u16))| sum / f64::from(*count);
        let best = self.companions.iter().filter(near).min_by(|a, b| nearest(a).total_cmp(&nearest(b)));
        if let Some((companion, _)) = best {
            return Look::Follows(*companion);
        }
        let [own, others] = [0, 1].map(|i| around.travel[i] - rested[i]);
        let should = around.share.map_or(0.0, |share| share * others);
        let beside = self.neighbours_then.is_some();
        let alone = beside && lasted >= ALONE_LASTS && should >= SHOULD_K && own <= STILL * should;
        if alone { Look::Elsewhere } else { Look::NotYet }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A reading a minute; the neighbours' level, the companion's, and whether heat goes on around it.
    fn run(own: impl Fn(f64) -> f64, neighbours: impl Fn(f64) -> f64, companion: f64, cycles: bool) -> (i64, Look) {
        let apart = [7].into_iter().filter(|_| is_apart(companion, 30.0));
        let mut moved = Moved::new(0, (30.0, own(5.0)), Now::at(0), Some(neighbours(0.0)), apart);
        for minute in 1..300_i64 {
            let (m, now) = (minute as f64, Now::at(minute * 60_000));
            if moved.compares(now) {
                moved.compare(7, own(m) - companion);
            }
            let others = if cycles { 0.1 * m as f32 } else { 0.0 };
            let around =
                Around { neighbours: Some(neighbours(m)), travel: [0.0, others], share: Some(1.0), strange: true };
            match moved.look(own(m), now, &around) {
                Look::NotYet => {}
                look => return (minute, look),
            }
        }
        (300, Look::NotYet)
    }

    #[test]
    fn a_probe_in_the_room_keeps_the_room_company() {
        assert_eq!(run(|m| 20.0 + 10.0 * libm::exp(-m / 3.0), |_| 24.0, 20.2, true), (30, Look::Follows(7)));
    }

    #[test]
    fn a_twin_that_stood_beside_it_before_proves_nothing() {
        assert_eq!(run(|_| 29.0 - 4.0, |_| 24.0, 29.0, false), (241, Look::Nothing));
    }

    #[test]
    fn a_probe_in_the_bowl_lies_still_while_heat_goes_on() {
        assert_eq!(run(|_| 23.0, |_| 24.0, 40.0, true).1, Look::Elsewhere);
        assert_eq!(run(|_| 23.0, |_| 24.0, 40.0, false), (241, Look::Nothing), "without heat nobody can say");
    }

    #[test]
    fn what_takes_the_enclosure_along_or_comes_back_is_no_place() {
        assert_eq!(run(|_| 22.0, |m| 24.0 - 0.1 * m.min(30.0), 22.1, true).1, Look::Nothing, "the front stands open");
        assert_eq!(run(|m| if m < 20.0 { 22.0 } else { 29.0 }, |_| 24.0, 22.1, true), (20, Look::Nothing));
    }
}
