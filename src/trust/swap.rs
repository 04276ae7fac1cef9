//! Two probes of an enclosure that changed places: on one bus after a reboot, or by the keeper's hand.
//!
//! Both jump to one another's level, and stay there. A jump and its counterpart make a suspicion; ten minutes on the other's
//! side make it sure; an hour on the own side, or the jump back, ends it.

use crate::terms::id::ProbeIx;
use crate::terms::time::{Mono, Now, Span};

/// The two jumps come within this of one another, end this near to where the other began, from this far apart, K.
const WITHIN: Span = Span::min(15);
const NEAR_K: f64 = 1.0;
const APART_K: f64 = 2.5;
/// How long a suspicion must hold, and in how many readings of each.
const SURE_AFTER: Span = Span::min(10);
const SURE_READINGS: u16 = 3;
/// How long both must be back without a jump.
const BACK_AFTER: Span = Span::h(1);

/// A jump of one probe.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Jump {
    probe: usize,
    from: f64,
    to: f64,
    at: Now,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct End {
    probe: usize,
    /// Its level before the jump, and after: the other's.
    before: f64,
    after: f64,
    readings: u16,
    last: f64,
}

/// A suspected or certain exchange.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Swap {
    ends: [End; 2],
    pub since: Now,
    sure: bool,
    back_since: Option<Mono>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Step {
    #[default]
    Nothing,
    Sure,
    /// Back, or it was none.
    Over,
}

/// Remembers a jump, and finds the one that mirrors it. `members`: the temperatures of the enclosure.
pub fn pair(jumps: &mut Vec<Jump>, members: &[ProbeIx], ix: usize, (from, to): (f64, f64), at: Now) -> Option<Swap> {
    if (from - to).abs() < APART_K - NEAR_K || members.len() < 2 {
        return None;
    }
    let jump = Jump { probe: ix, from, to, at };
    jumps.retain(|j| j.probe != ix && at.mono.since(j.at.mono) <= WITHIN);
    let near = |a: f64, b: f64| (a - b).abs() <= NEAR_K;
    let mirrors = |j: &&Jump| near(j.to, from) && near(to, j.from) && (from - j.from).abs() >= APART_K;
    let found = jumps.iter().find(mirrors).copied();
    jumps.push(jump);
    let other = found?;
    jumps.clear();
    let end = |j: Jump| End { probe: j.probe, before: j.from, after: j.to, readings: 0, last: j.to };
    Some(Swap { ends: [end(jump), end(other)], since: other.at, sure: false, back_since: None })
}

impl Swap {
    pub fn concerns(&self, ix: usize) -> bool {
        self.ends.iter().any(|end| end.probe == ix)
    }

    pub fn ends(&self) -> [usize; 2] {
        self.ends.map(|end| end.probe)
    }

    /// A reading that passed the gate.
    pub fn hear(&mut self, ix: usize, value: f64, at: Mono) -> Step {
        let Some(end) = self.ends.iter_mut().find(|end| end.probe == ix) else { return Step::Nothing };
        end.readings = end.readings.saturating_add(1);
        end.last = value;
        let home = |end: &End| (end.last - end.before).abs() < (end.last - end.after).abs();
        if !self.sure {
            if self.ends.iter().any(home) {
                return Step::Over;
            }
            let long = at.since(self.since.mono) >= SURE_AFTER;
            self.sure = long && self.ends.iter().all(|end| end.readings >= SURE_READINGS);
            return if self.sure { Step::Sure } else { Step::Nothing };
        }
        // By their order, for levels wander over days.
        let [a, b] = self.ends;
        let (was, is) = (a.before - b.before, a.last - b.last);
        if was * is < 0.0 || is.abs() < was.abs() / 2.0 {
            self.back_since = None;
            return Step::Nothing;
        }
        let since = *self.back_since.get_or_insert(at);
        if at.since(since) >= BACK_AFTER { Step::Over } else { Step::Nothing }
    }
}
