//! From edges of findings to one transaction: incidents change, mails are written, and both are handed out together.

use super::Engine;
use super::effect::Effect;
use super::event::{PostOutcome, StoreOutcome};
use super::timers::Sleeper;
use crate::finding::cause::{Cause, Urgency};
use crate::finding::fact::Fact;
use crate::finding::{Change, Finding, Key, Subject};
use crate::notice::desk;
use crate::terms::id::EnclosureIx;
use crate::terms::time::{Now, Span};
use std::collections::BTreeSet;

/// A wall clock that is off by less than this harms nobody.
const CLOCK_MAY_BE_OFF: Span = Span::min(2);

/// Being away for less is nobody's business.
const AWAY_IS_NOTED: Span = Span::min(5);
/// Mail that is put off for less than this is weather: greylisting commonly takes five minutes (common practice, no source).
const MAIL_MAY_BE_DEFERRED: Span = Span::min(6);
/// That a mail was given up stands for at least so long.
const GIVEN_UP_STANDS: Span = Span::min(10);

impl Engine {
    /// Everything that has changed in this entry becomes one commit, or nothing.
    pub(super) fn settle(&mut self, now: Now, out: &mut Vec<Effect>) {
        if self.changes.is_empty() && self.steps.is_empty() && !self.stirred {
            return;
        }
        self.stirred = false;
        let mut touched = BTreeSet::new();
        for change in std::mem::take(&mut self.changes) {
            if !self.world.explained_by_feed(&change) {
                touched.extend(enclosure_of(&change));
                self.book.change(change, now, &mut self.steps);
            }
        }
        self.book.wake(now, &mut self.steps);
        let mut notices = Vec::new();
        let steps = std::mem::take(&mut self.steps);
        let desk_sees = desk::World { book: &self.book, eyes: &self.world, now };
        self.desk.steps(&steps, desk_sees, &mut notices);
        self.desk.wake(desk_sees, &mut notices);
        let mut rows = self.book.rows();
        rows.extend(self.desk.rows());
        // The judge that spoke is stored with what it said: after a restart it knows that its finding stands.
        rows.extend(touched.into_iter().flat_map(|ix| self.memory_of(ix)));
        if !rows.is_empty() || !notices.is_empty() {
            out.push(Effect::Commit { rows, notices });
        }
        self.timers.again(Sleeper::Incidents, self.book.next_wake(), now.mono);
        self.timers.again(Sleeper::Desk, self.desk.next_wake(&self.book), now.mono);
    }

    pub(super) fn posted(&mut self, notice: &str, outcome: PostOutcome, now: Now) {
        match outcome {
            PostOutcome::Accepted => {
                let edges = &mut self.world.edges;
                edges.last_accepted = Some(now.wall);
                // That others are taken does not mend the one that was given up: that is told first.
                let given_up = edges.post_given_up.is_some_and(|at| now.mono.since(at) < GIVEN_UP_STANDS);
                if !given_up && edges.post_failing.take().is_some() {
                    (edges.post_failing_since, edges.post_given_up) = (None, None);
                    self.calm_site(Cause::PostFailing);
                }
            }
            PostOutcome::Deferred(why) => {
                let edges = &mut self.world.edges;
                edges.post_failing = Some(why.clone());
                let since = *edges.post_failing_since.get_or_insert(now.mono);
                if now.mono.since(since) >= MAIL_MAY_BE_DEFERRED {
                    self.stand_site(Cause::PostFailing, Urgency::Now, why, now);
                }
            }
            PostOutcome::Refused(why) => {
                let words = format!("mail {notice} was given up: {why}");
                let edges = &mut self.world.edges;
                edges.post_failing = Some(words.clone());
                edges.post_failing_since.get_or_insert(now.mono);
                edges.post_given_up = Some(now.mono);
                self.stand_site(Cause::PostFailing, Urgency::Now, words, now);
            }
        }
        self.stirred = true;
    }

    pub(super) fn stored(&mut self, outcome: StoreOutcome, now: Now) {
        match outcome {
            StoreOutcome::Healthy => {
                if self.world.edges.store_failing.take().is_some() {
                    self.calm_site(Cause::StoreFailing);
                }
            }
            StoreOutcome::Failing(why) => {
                if self.world.edges.store_failing.as_ref() != Some(&why) {
                    self.world.edges.store_failing = Some(why.clone());
                    self.stand_site(Cause::StoreFailing, Urgency::Now, why, now);
                }
            }
        }
    }

    /// `by`: how far our wall clock is ahead of others'.
    pub(super) fn clock_off(&mut self, by: Span, now: Now) {
        let off = by.max(Span::ZERO - by);
        if off < CLOCK_MAY_BE_OFF {
            return self.calm_site(Cause::ClockWrong);
        }
        let way = if by > Span::ZERO { "ahead of" } else { "behind" };
        let words = format!("this machine's clock is {off} {way} the true time, as far as that is known");
        self.stand_site(Cause::ClockWrong, Urgency::Today, words, now);
    }

    /// Whether somebody outside would miss us.
    pub(super) fn outpost(&mut self, heard: Result<(), String>, now: Now) {
        match heard {
            Ok(()) => self.calm_site(Cause::OutpostSilent),
            Err(why) => self.stand_site(Cause::OutpostSilent, Urgency::Today, why, now),
        }
    }

    /// A gap for the page and the daily mail; a short one is a restart by hand or an update.
    pub(super) fn away(&mut self, length: Span, now: Now) {
        if length < AWAY_IS_NOTED {
            return;
        }
        self.world.feed.away(now.wall - length, length);
        self.stand_site(Cause::WatcherRestarted, Urgency::Note, format!("nobody watched for {length}"), now);
    }

    fn stand_site(&mut self, cause: Cause, urgency: Urgency, words: String, now: Now) {
        let mut finding = Finding::new(Subject::Site, cause, None, now);
        finding.urgency = urgency;
        finding.facts.push(Fact::Plain { text: words });
        self.changes.push(Change::Stands(finding));
    }

    fn calm_site(&mut self, cause: Cause) {
        self.changes.push(Change::Calm(Key { subject: Subject::Site, cause, place: None }));
    }
}

fn enclosure_of(change: &Change) -> Option<EnclosureIx> {
    let key = match change {
        Change::Stands(finding) => finding.key,
        Change::Calm(key) => *key,
    };
    match key.subject {
        Subject::Enclosure(ix) => Some(ix),
        _ => None,
    }
}
