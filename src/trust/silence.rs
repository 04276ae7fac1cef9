//! Silence: when a probe owes a word, and when it is the whole house that is quiet.

use super::probe::{Edge, Probe};
use super::rhythm::{NEVER_HEARD, NEVER_HEARD_AT_ALL};
use super::watch::Watch;
use super::{Event, Fault, Kind};
use crate::terms::quantity::Quantity;
use crate::terms::time::{Mono, Now, Span};

/// A device that says (or whose broker says) that it is gone may be back at once: a radio that reconnects.
const GONE_AFTER: Span = Span::min(1);
/// When nobody at all was heard for this long, the silence may be the feed's: single probes are not told before it is clear.
const HOUSE_QUIET: Span = Span::min(5);
/// A probe that was silent for this share of what it is granted goes along with a house that is silent.
const ALONG: f64 = 0.5;
/// How long a silence that is due waits for the rest of a quiet house, and how often it looks.
const WAITS: Span = Span::min(30);
const LOOKS: Span = Span::min(1);

/// Whether the house as a whole is heard.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum House {
    Speaks,
    /// Nobody speaks, but for some that is usual.
    Quiet,
    /// Nobody speaks, and nobody is usually quiet for so long.
    Silent,
}

impl Probe {
    /// Silence is judged of what is measured, not of states that are told on change nor of batteries.
    pub(super) fn judges_silence(&self) -> bool {
        let quantity = self.slot.quantity();
        quantity != Quantity::Battery && (!quantity.is_state() || self.rhythm.declared())
    }

    /// When its silence becomes a fault, or a graver one, or what it asserts by silence is disbelieved for long enough.
    pub fn next_wake(&self) -> Option<Mono> {
        match (self.silence_due(), self.assertion_due()) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        }
    }

    fn assertion_due(&self) -> Option<Mono> {
        // Asked with each reading: most have nothing that is doubted.
        let doubts = self.spell.doubted().is_some() && self.listening_since.is_some() && !self.has(Kind::Faulty);
        if doubts { self.spell.assertion_due(self.rhythm.usual().unwrap_or(Span::ZERO)) } else { None }
    }

    fn silence_due(&self) -> Option<Mono> {
        let told = self.has(Kind::Silent);
        if !self.judges_silence() || (told && (self.last_heard.is_some() || self.told_day)) {
            return None;
        }
        let listening = self.listening_since?;
        if let Some(gone) = self.gone.filter(|_| !told) {
            return Some(gone.mono + GONE_AFTER);
        }
        Some(match self.last_heard {
            None if told => listening + NEVER_HEARD_AT_ALL,
            None => listening + NEVER_HEARD.max(self.rhythm.limit()),
            Some(last) => last.mono.max(listening) + self.rhythm.limit(),
        })
    }

    /// `fellows`: others of its link and enclosure were heard.
    pub fn wake(&mut self, now: Now, fellows: bool, out: &mut Vec<Edge>) {
        if let (Some((fault, since)), Some(due)) = (self.spell.doubted(), self.assertion_due())
            && now.mono >= due
        {
            self.set(Some(fault), Kind::Faulty, since, out);
        }
        if self.silence_due().is_none_or(|due| now.mono < due) {
            return;
        }
        self.told_silent = true;
        if let Some(gone) = self.gone.filter(|_| self.last_heard.is_none()) {
            self.set(Some(Fault::Silent), Kind::Silent, gone, out);
            return;
        }
        let Some(last) = self.last_heard else {
            let since = self.listening_since.map_or(now, |listening| back_to(now, listening));
            self.told_day = self.has(Kind::Silent);
            if self.told_day && fellows {
                return; // it is noted: whoever sends the others has no such probe
            }
            self.set(None, Kind::Silent, since, &mut Vec::new());
            self.set(Some(Fault::NeverHeard { a_day: self.told_day }), Kind::Silent, since, out);
            return;
        };
        self.set(Some(Fault::Silent), Kind::Silent, last, out);
    }

    /// Its device said that it is gone, or that it is there again.
    pub(super) fn hear_turned(&mut self, gone: bool, now: Now) {
        self.gone = if gone { self.gone.or(Some(now)) } else { None };
    }

    /// How long it has been silent, as a share of what it is granted; `None`: it never spoke, or its silence means nothing.
    pub(super) fn silence(&self, now: Mono) -> Option<f64> {
        let last = self.last_heard.filter(|_| self.judges_silence())?;
        let since = last.mono.max(self.listening_since?);
        Some(now.since(since).as_s() / self.rhythm.limit().as_s().max(1.0))
    }

    /// It is silent together with the whole house.
    pub(super) fn fall_silent(&mut self, out: &mut Vec<Edge>) {
        if let Some(last) = self.last_heard.filter(|_| self.judges_silence() && self.listening_since.is_some()) {
            self.told_silent = true;
            self.set(Some(Fault::Silent), Kind::Silent, last, out);
        }
    }
}

impl Watch {
    pub fn link_lost(&mut self) {
        self.probes.iter_mut().for_each(Probe::link_lost);
        self.due = None;
    }

    pub fn link_up(&mut self, now: Now) {
        let newest = self.probes.iter().filter_map(|probe| probe.last_heard).map(|heard| heard.mono).max();
        let gap = newest.map_or(Span::MAX, |newest| now.mono.since(newest));
        for (probe, setting) in self.probes.iter_mut().zip(&self.settings) {
            probe.link_up(now, gap);
            let travel = self.groups.get(setting.group).map_or(0.0, |group| group.travel);
            probe.listen_anew(travel - probe.travel());
        }
        self.due = self.probes.iter().filter_map(Probe::next_wake).min();
    }

    /// The machine slept for `by`, which the monotonic clock did not count: what is far from the last reading need not have jumped.
    pub fn slept(&mut self, by: Span) {
        self.probes.iter_mut().for_each(|probe| probe.gate.slept(by));
    }

    /// When the next silence becomes a fault; may be too early, never too late.
    pub fn next_wake(&self) -> Option<Mono> {
        self.due
    }

    pub fn wake(&mut self, now: Now, out: &mut Vec<Event>) {
        if self.due.is_none_or(|due| now.mono < due) {
            return;
        }
        let house = self.house(now.mono);
        if house == House::Quiet {
            self.due = Some(now.mono + LOOKS);
            return;
        }
        let mut edges = std::mem::take(&mut self.edges);
        for ix in 0..self.probes.len() {
            let fellows = self.probes[ix].last_heard.is_none() && self.fellows_heard(ix);
            self.probes[ix].wake(now, fellows, &mut edges);
            if house == House::Silent {
                self.probes[ix].fall_silent(&mut edges);
            }
            self.tell(ix, &mut edges, out);
        }
        self.edges = edges;
        self.due = self.probes.iter().filter_map(Probe::next_wake).min();
    }

    /// Whether another probe that the same link reads of the same target has been heard.
    fn fellows_heard(&self, ix: usize) -> bool {
        let of = |ix: usize| (self.settings[ix].link, self.settings[ix].group);
        (0..self.probes.len()).any(|other| of(other) == of(ix) && self.probes[other].last_heard.is_some())
    }

    fn house(&self, now: Mono) -> House {
        // A wake may come too early; only what is due puts the question.
        let due = self.probes.iter().filter_map(Probe::next_wake).min();
        let asks = due.is_some_and(|due| due <= now && now.since(due) < WAITS);
        let quiet = self.newest.is_some_and(|newest| now.since(newest) >= HOUSE_QUIET);
        let mut silences = self.probes.iter().filter_map(|probe| probe.silence(now)).peekable();
        if !asks || !quiet || silences.peek().is_none() {
            return House::Speaks;
        }
        if silences.all(|share| share >= ALONG) { House::Silent } else { House::Quiet }
    }
}

fn back_to(now: Now, then: Mono) -> Now {
    Now { mono: then, wall: now.wall_of(then) }
}
