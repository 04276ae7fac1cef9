//! Is anything heard at all: the link to the broker lost, or up while every probe that used to speak is silent.
//!
//! While nothing is heard, single probes are not called silent: they are not what is wrong.

use super::fact::Fact;
use super::{Change, Finding, Key, Subject, cause::Cause};
use crate::terms::time::{Mono, Now, Span, Wall};
use serde::{Deserialize, Serialize};

/// A lost link is told after this long. Ours: a home router needs two to four minutes to start anew.
pub const DEAF_FOR: Span = Span::min(5);
/// After the link is up, probes get this long to speak before their silence counts; also the shortest common silence told.
pub const SETTLE: Span = Span::min(5);
/// How many deaf spells are kept for the daily mail and the page.
const GAPS_KEPT: usize = 50;

/// A stretch in which nobody listened.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Gap {
    pub from: Wall,
    pub length: Span,
}

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Feed {
    lost: Option<Now>,
    up: Option<Now>,
    newest: Option<Now>,
    gaps: Vec<Gap>,
    told: bool,
}

impl Feed {
    pub fn link_lost(&mut self, now: Now) {
        self.lost.get_or_insert(now);
        self.up = None;
    }

    pub fn link_up(&mut self, now: Now, out: &mut Vec<Change>) {
        if let Some(lost) = self.lost.take() {
            self.away(lost.wall, now.mono.since(lost.mono));
        }
        self.up = Some(now);
        self.calm(out);
    }

    /// A stretch in which nobody listened.
    pub fn away(&mut self, from: Wall, length: Span) {
        if self.gaps.len() == GAPS_KEPT {
            self.gaps.remove(0);
        }
        self.gaps.push(Gap { from, length });
    }

    /// Any message, linked or not.
    pub fn hear(&mut self, now: Now, out: &mut Vec<Change>) {
        self.newest = Some(now);
        if self.told && self.lost.is_none() {
            self.calm(out);
        }
    }

    /// `speaking` of the `known` probes that ever spoke are not overdue. Call on wakes and when a probe falls silent.
    pub fn judge(&mut self, known: usize, speaking: usize, now: Now, out: &mut Vec<Change>) {
        if self.told {
            return;
        }
        let since = match (self.lost, self.newest) {
            (Some(lost), _) if now.mono.since(lost.mono) >= DEAF_FOR => lost,
            (None, Some(newest)) if known >= 2 && speaking == 0 && now.mono.since(newest.mono) >= SETTLE => newest,
            _ => return,
        };
        let mut finding = Finding::new(Subject::Site, Cause::FeedSilent, None, since);
        let last = self.newest.map(|n| n.wall);
        finding.facts.push(Fact::Silent { place: None, quantity: None, last, usual: None, value: None });
        let what = match self.lost {
            Some(_) => "the link to the broker is lost",
            None => "the broker is connected but no probe is heard",
        };
        finding.facts.push(Fact::Plain { text: what.to_owned() });
        self.told = true;
        out.push(Change::Stands(finding));
    }

    fn calm(&mut self, out: &mut Vec<Change>) {
        if std::mem::take(&mut self.told) {
            out.push(Change::Calm(Key { subject: Subject::Site, cause: Cause::FeedSilent, place: None }));
        }
    }

    /// Whether silence is the feed's and not a probe's: the link is lost or has just come back, or all are silent.
    pub fn covers_silence(&self, now: Mono) -> bool {
        self.told || self.lost.is_some() || self.up.is_some_and(|up| now.since(up.mono) < SETTLE)
    }

    pub fn connected(&self) -> bool {
        self.lost.is_none()
    }

    pub fn since(&self) -> Option<Now> {
        self.lost.or(self.up)
    }

    pub fn newest(&self) -> Option<Now> {
        self.newest
    }

    pub fn gaps(&self) -> &[Gap] {
        &self.gaps
    }

    pub fn next_wake(&self) -> Option<Mono> {
        if self.told { None } else { self.lost.map(|lost| lost.mono + DEAF_FOR) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn minute(m: i64) -> Now {
        Now::at(m * 60_000)
    }

    #[test]
    fn a_lost_link_is_told_after_five_minutes_and_ends_with_its_return() {
        let (mut feed, mut out) = (Feed::default(), Vec::new());
        feed.link_up(minute(0), &mut out);
        feed.link_lost(minute(10));
        assert_eq!(feed.next_wake(), Some(minute(15).mono));
        feed.judge(4, 4, minute(14), &mut out);
        assert!(out.is_empty(), "a router that starts anew is nobody's business");
        feed.judge(4, 4, minute(15), &mut out);
        assert!(matches!(&out[..], [Change::Stands(f)] if f.key.cause == Cause::FeedSilent && f.since == minute(10)));
        feed.link_up(minute(20), &mut out);
        assert!(matches!(&out[..], [_, Change::Calm(_)]));
        assert_eq!(feed.gaps(), [Gap { from: minute(10).wall, length: Span::min(10) }]);
    }

    #[test]
    fn all_silent_is_the_feed_and_one_alone_is_not() {
        let (mut feed, mut out) = (Feed::default(), Vec::new());
        feed.hear(minute(0), &mut out);
        feed.judge(1, 0, minute(30), &mut out);
        feed.judge(3, 1, minute(30), &mut out);
        assert!(out.is_empty());
        feed.judge(3, 0, minute(30), &mut out);
        assert!(feed.covers_silence(minute(30).mono) && out.len() == 1);
        feed.hear(minute(31), &mut out);
        assert_eq!(out.len(), 2, "the first message ends it");
    }
}
