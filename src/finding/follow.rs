//! How long an enclosure takes to follow a planned change of its bands, from its own changes at lights on and lights off.
//!
//! A change is followed when every place that was outside its new band by it is within. A place that was within from the start,
//! or never gets there, tells nothing: a night that does not come makes nobody more patient.

use crate::care::plan::Wanted;
use crate::terms::place::Place;
use crate::terms::time::{Now, Span, Wall};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// The last changes of each kind that are remembered: a week of nights, so that summer and winter each have their own. Ours.
const KEPT: usize = 7;
/// Changes of a kind before they say anything.
const ENOUGH: usize = 3;
/// The second slowest of them, and so much more: the next night may be warmer than the last. Ours, no source.
const MORE: f64 = 1.25;
/// However fast it is, a keeper is not mailed for less; however slow, a change that takes longer did not come. Ours.
pub const LEAST: Span = Span::min(45);
pub const MOST: Span = Span::h(4);
/// A change followed later than this was helped by something else.
const LONGEST: Span = Span::h(6);
/// A place must be heard this soon after a change to have followed it.
const HEARD_WITHIN: Span = Span::min(20);
/// So many readings in a row within the new band.
const AGREE: u8 = 3;
const ROUNDED_TO: Span = Span::min(5);

/// How far one place has come.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
enum Step {
    #[default]
    Unheard,
    /// It tells nothing of this change.
    Aside,
    Outside,
    Inside {
        since: Wall,
        readings: u8,
    },
}

/// A change that is being followed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Open {
    at: Wall,
    steps: [Step; Place::COUNT],
    over: bool,
}

/// What one enclosure has shown.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Follow {
    /// After lights off, after lights on; newest last.
    took: [VecDeque<Span>; 2],
    open: Option<Open>,
}

impl Follow {
    /// A trusted temperature. `undisturbed`: no hands are in and its heat is as usual. Whether a change has now been followed.
    pub fn hear(&mut self, wanted: &Wanted, place: Place, celsius: f64, undisturbed: bool, now: Now) -> bool {
        let (Some(on), Some(at)) = (wanted.light_on, wanted.changed_at) else { return false };
        let Some(place_wanted) = wanted.place(place).filter(|_| celsius.is_finite()) else { return false };
        if self.open.is_none_or(|open| open.at != at) {
            self.open = Some(Open { at, steps: Default::default(), over: false });
        }
        let Some(open) = self.open.as_mut().filter(|open| !open.over) else { return false };
        let passed = now.wall.since(at);
        if !undisturbed || wanted.season_moves || passed > LONGEST {
            open.over = true;
            return false;
        }
        let band = place_wanted.settled.wanted;
        let inside = celsius <= band.high && (celsius >= band.low || !place_wanted.settled.low_judged);
        let step = &mut open.steps[place.index()];
        *step = match (*step, inside) {
            (Step::Unheard, false) if passed <= HEARD_WITHIN => Step::Outside,
            (Step::Unheard | Step::Aside, _) => Step::Aside,
            (_, false) => Step::Outside,
            (Step::Inside { since, readings }, true) => Step::Inside { since, readings: readings.saturating_add(1) },
            (Step::Outside, true) => Step::Inside { since: now.wall, readings: 1 },
        };
        let Some(took) = open.took() else { return false };
        open.over = true;
        let kept = &mut self.took[usize::from(on)];
        if kept.len() == KEPT {
            kept.pop_front();
        }
        kept.push_back(took);
        true
    }

    /// How long it may take; `None` until it has shown that.
    pub fn within(&self) -> Option<Span> {
        let slowest = self.took.iter().filter_map(second_slowest).max()?;
        let steps = (slowest.times(MORE).as_ms() + ROUNDED_TO.as_ms() - 1) / ROUNDED_TO.as_ms();
        Some(Span::ms(steps * ROUNDED_TO.as_ms()).clamp(LEAST, MOST))
    }

    /// Of how many changes that is known.
    pub fn changes(&self) -> usize {
        self.took.iter().map(VecDeque::len).filter(|n| *n >= ENOUGH).sum()
    }

    /// The keeper changed something: it is learned anew.
    pub fn forget(&mut self) {
        *self = Follow::default();
    }
}

impl Open {
    /// How long the slowest place took, once all that were outside have arrived.
    fn took(&self) -> Option<Span> {
        let mut slowest = None;
        for step in self.steps {
            match step {
                Step::Outside => return None,
                Step::Inside { readings, .. } if readings < AGREE => return None,
                Step::Inside { since, .. } => slowest = slowest.max(Some(since.since(self.at))),
                Step::Unheard | Step::Aside => {}
            }
        }
        slowest
    }
}

/// One slow night is forgiven.
fn second_slowest(took: &VecDeque<Span>) -> Option<Span> {
    let mut all: Vec<Span> = took.iter().copied().collect();
    all.sort_unstable();
    if all.len() < ENOUGH { None } else { all.get(all.len() - 2).copied() }
}
