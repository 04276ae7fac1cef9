//! What a house's silence means: beats in, and the few turns that somebody is told of. Time is a parameter.
//!
//! Silence is counted only while we listen: a machine that slept, or a process that stood still, has missed nothing.
//! How long it lasts is measured on the monotonic clock; a wall clock that is wrong spoils a time in a mail and no more.

use super::beat::Beat;
use crate::terms::time::{Mono, Now, Span, Wall};
use serde::{Deserialize, Serialize};

/// So many beats in a row that do not come are a house that cannot be reached.
pub const MISSED: i64 = 5;
/// So many in a row that come are a house that is back: a line that flaps is told as one loss.
pub const STEADY: u32 = 3;
/// Taken for a house's interval until it has said it.
const USUAL: Span = Span::min(1);
/// The longest that a look may come after the last one and still mean that we listened in between.
pub const LISTENED: Span = Span::s(30);

/// How we last knew a house.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// Nothing since it was put into our file.
    Unheard,
    Heard,
    /// Told as lost; when.
    Lost {
        told: Wall,
    },
}

/// What somebody has to be told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Turn {
    /// It cannot be reached; when it last spoke (`None`: never), and how long we have listened in vain.
    Lost { last: Option<Wall>, silent: Span },
    /// It is back; when it had been told as lost.
    Back { told: Wall },
    /// It goes round and says that its own mails do not go out.
    Mute,
}

/// The watch over one house.
#[derive(Clone, Debug)]
pub struct Vigil {
    state: State,
    last: Option<Wall>,
    every: Span,
    /// Heard nothing for so long, while we listened.
    silent: Span,
    looked: Mono,
    /// Beats in a row that came in time.
    steady: u32,
    /// Beats in a row that said that mails do not go out.
    mute: i64,
}

/// What of it outlives a restart.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stored {
    pub state: State,
    /// When it last spoke, to a few minutes.
    pub last: Option<Wall>,
    pub every: Span,
    /// Whether it was told that the house's mails do not go out.
    #[serde(default)]
    pub mute: bool,
}

impl Vigil {
    /// Begins, or goes on where a stored one ended. Silence begins anew: while we were away nobody listened.
    pub fn new(stored: Option<Stored>, now: Now) -> Vigil {
        let stored = stored.unwrap_or(Stored { state: State::Unheard, last: None, every: USUAL, mute: false });
        let mute = if stored.mute { MISSED } else { 0 };
        let Stored { state, last, every, .. } = stored;
        Vigil { state, last, every, silent: Span::ZERO, looked: now.mono, steady: 0, mute }
    }

    pub fn stored(&self) -> Stored {
        Stored { state: self.state, last: self.last, every: self.every, mute: self.mute >= MISSED }
    }

    pub fn state(&self) -> State {
        self.state
    }

    /// A beat that is believed.
    pub fn beat(&mut self, beat: &Beat, now: Now) -> Option<Turn> {
        let passed = self.look(now);
        self.last = Some(now.wall);
        self.every = beat.every;
        self.silent = Span::ZERO;
        self.steady = self.steady.saturating_add(1);
        let was_mute = self.mute;
        self.mute = if beat.mails { 0 } else { self.mute.saturating_add(1) };
        match self.state {
            State::Unheard => self.state = State::Heard,
            State::Lost { told } if self.steady >= STEADY => {
                self.state = State::Heard;
                return Some(Turn::Back { told });
            }
            State::Lost { .. } | State::Heard => {}
        }
        // A look that came too late may have told of the loss just now: that stands, and this beat begins the way back.
        let begins = self.mute >= MISSED && was_mute < MISSED;
        passed.or(begins.then_some(Turn::Mute))
    }

    /// Time passes. To be called at least every [`LISTENED`]: what is longer does not count as listening.
    pub fn look(&mut self, now: Now) -> Option<Turn> {
        let passed = now.mono.since(self.looked).max(Span::ZERO);
        self.looked = now.mono;
        self.silent = Span::ms(self.silent.as_ms().saturating_add(passed.min(LISTENED).as_ms()));
        if self.silent > self.after(2) {
            self.steady = 0;
        }
        let lost = !matches!(self.state, State::Lost { .. }) && self.silent > self.after(MISSED);
        lost.then(|| {
            self.state = State::Lost { told: now.wall };
            Turn::Lost { last: self.last, silent: self.silent }
        })
    }

    /// When so many beats are missed: half an interval after the last of them was due.
    fn after(&self, beats: i64) -> Span {
        Span::ms(self.every.as_ms().saturating_mul(2 * beats + 1) / 2)
    }
}
