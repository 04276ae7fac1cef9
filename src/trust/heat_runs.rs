//! How long an enclosure's heat stays on at a time: heat that does not go off is a witness for a rise.

use crate::terms::time::{Mono, Span};

/// Heat that stays on for this long, and times its longest run of so many, witnesses for a rise.
const RUNS_ON_LEAST: Span = Span::min(10);
const RUNS_ON_TIMES: f64 = 1.5;
const RUNS_KNOWN: u16 = 20;

/// How long the heat of an enclosure usually stays on, by its watts or relay.
#[derive(Clone, Copy, Debug, Default)]
pub struct HeatRuns {
    on_since: Option<Mono>,
    longest: Span,
    runs: u16,
}

impl HeatRuns {
    pub fn switched(&mut self, on: bool, at: Mono) {
        let since = if on { self.on_since.replace(at) } else { self.on_since.take() };
        if let (false, Some(since)) = (on, since) {
            self.longest = self.longest.max(at.since(since));
            self.runs = self.runs.saturating_add(1);
        }
    }

    /// Whether it has been on for longer than it ever was, and that is known.
    pub fn runs_on(&self, now: Mono) -> bool {
        let on = self.on_since.map(|since| now.since(since));
        self.runs >= RUNS_KNOWN && on.is_some_and(|on| on >= RUNS_ON_LEAST.max(self.longest.times(RUNS_ON_TIMES)))
    }
}
