//! Since when a probe's silence counts: only while somebody listened, and not from the beginning after each short gap.

use super::probe::Probe;
use crate::terms::time::{Now, Span};

/// A gap is short within this part of the silence that a probe is granted.
const SHORT_GAP: f64 = 0.1;
/// After it at least this part of the grant is left. A message that fell into the gap costs one interval, and the grant is of several.
const LEFT: f64 = 0.1;

impl Probe {
    /// Nobody listens any more: what is missed is a gap and no silence.
    pub fn link_lost(&mut self) {
        self.deaf = true;
        let listening = self.listening_since.take();
        self.listened_since = self.listened_since.or(listening);
    }

    /// Taken up from a store: listened to from now on, as after a loss that ends when the link comes up.
    pub fn restored(&mut self, now: Now) {
        self.link_lost();
        self.listening_since = Some(now.mono);
    }

    /// Somebody listens again, or from the start. `gap`: nobody did for so long at the most. Restarts that come again and again
    /// must not keep a probe that is dead from being told.
    pub fn link_up(&mut self, now: Now, gap: Span) {
        self.deaf = self.last_heard.is_some();
        let grant = self.rhythm.limit();
        let before = self.listened_since.take().or(self.listening_since).filter(|_| gap <= grant.times(SHORT_GAP));
        let silent_from = before.map(|before| self.last_heard.map_or(before, |last| last.mono.max(before)) + gap);
        let from = silent_from.map(|from| from.max(now.mono - grant.times(1.0 - LEFT)).min(now.mono));
        self.listening_since = Some(from.unwrap_or(now.mono));
    }
}
