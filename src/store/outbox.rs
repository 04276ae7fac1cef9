//! Mails that wait: all of them in memory, each with its row. The rows are written by `pending`; here is who is next.

use super::MOST_MAILS;
use crate::notice::NoticeRow;
use crate::terms::time::Wall;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A mail in the outbox.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Mail {
    pub notice: NoticeRow,
    /// When it entered: its `Date`, and the start of its patience.
    pub queued_at: Wall,
    pub attempts: u32,
    /// When to try next.
    pub next: Wall,
    pub to: Vec<Recipient>,
}

#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Recipient {
    pub keeper: String,
    pub address: String,
    pub fate: Fate,
    /// Of the last attempt, without secrets.
    pub words: String,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Fate {
    Waiting,
    Accepted,
    /// Given up, or never to be had.
    Refused,
    /// The outbox was full.
    Dropped,
}

impl Fate {
    pub const fn word(self) -> &'static str {
        match self {
            Fate::Waiting => "waiting",
            Fate::Accepted => "accepted",
            Fate::Refused => "refused",
            Fate::Dropped => "dropped",
        }
    }
    pub fn from_word(word: &str) -> Option<Fate> {
        [Fate::Waiting, Fate::Accepted, Fate::Refused, Fate::Dropped].into_iter().find(|f| f.word() == word)
    }
}

/// What an attempt came to.
#[derive(Clone, Debug, PartialEq)]
pub struct Settled {
    /// The notice's id.
    pub notice: String,
    pub at: Wall,
    /// When to try those that wait again.
    pub next: Wall,
    /// By address: fate and words.
    pub to: Vec<(String, Fate, String)>,
}

impl Mail {
    pub(super) fn new(notice: NoticeRow, at: Wall) -> Mail {
        let to = notice
            .to
            .iter()
            .map(|(keeper, address)| Recipient {
                keeper: keeper.clone(),
                address: address.clone(),
                fate: Fate::Waiting,
                words: String::new(),
            })
            .collect();
        Mail { notice, queued_at: at, attempts: 0, next: at, to }
    }

    pub fn waits(&self) -> bool {
        self.to.iter().any(|r| r.fate == Fate::Waiting)
    }
}

/// A mail with its row's number; `dirty`: the row is not yet what memory says.
#[derive(Debug)]
pub(super) struct Entry {
    pub mail: Mail,
    pub dirty: bool,
}

/// By row number, which is the order in which they came.
#[derive(Debug)]
pub(super) struct Outbox {
    pub entries: BTreeMap<i64, Entry>,
    pub next_row: i64,
}

impl Outbox {
    pub fn empty() -> Outbox {
        Outbox { entries: BTreeMap::new(), next_row: 1 }
    }

    /// Whether no mail waits to be sent.
    pub fn is_calm(&self) -> bool {
        self.entries.values().all(|e| !e.mail.waits())
    }

    pub fn add(&mut self, notice: NoticeRow, at: Wall) {
        if self.entries.values().any(|e| e.mail.notice.id == notice.id) {
            return;
        }
        self.entries.insert(self.next_row, Entry { mail: Mail::new(notice, at), dirty: true });
        self.next_row += 1;
    }

    /// Alarms before digests, the urgent before the less urgent, the old before the new.
    pub fn due(&self, at: Wall, at_most: usize) -> Vec<Mail> {
        let mut due: Vec<_> = self.entries.iter().filter(|(_, e)| e.mail.waits() && e.mail.next <= at).collect();
        due.sort_by_key(|(row, e)| (e.mail.notice.digest, std::cmp::Reverse(e.mail.notice.urgency), **row));
        due.into_iter().take(at_most).map(|(_, e)| e.mail.clone()).collect()
    }

    pub fn settle(&mut self, settled: Settled) {
        let Some(entry) = self.entries.values_mut().find(|e| e.mail.notice.id == settled.notice) else { return };
        entry.mail.attempts = entry.mail.attempts.saturating_add(1);
        entry.mail.next = settled.next;
        entry.dirty = true;
        for (address, fate, words) in settled.to {
            for recipient in entry.mail.to.iter_mut().filter(|r| r.address == address && r.fate == Fate::Waiting) {
                recipient.fate = fate;
                recipient.words.clone_from(&words);
            }
        }
    }

    /// Gives up what is too many, digests first, then the least urgent, then the oldest. Returns the ids.
    pub fn trim(&mut self) -> Vec<String> {
        let mut waiting: Vec<_> = self
            .entries
            .iter()
            .filter(|(_, e)| e.mail.waits())
            .map(|(row, e)| (!e.mail.notice.digest, e.mail.notice.urgency, *row))
            .collect();
        let over = waiting.len().saturating_sub(MOST_MAILS);
        waiting.sort_unstable();
        let mut dropped = Vec::new();
        for (_, _, row) in waiting.into_iter().take(over) {
            let Some(entry) = self.entries.get_mut(&row) else { continue };
            entry.dirty = true;
            for recipient in entry.mail.to.iter_mut().filter(|r| r.fate == Fate::Waiting) {
                recipient.fate = Fate::Dropped;
                recipient.words = "the outbox was full".to_owned();
            }
            dropped.push(entry.mail.notice.id.clone());
        }
        // What is settled waits for the disk alone; without one for days, the oldest are forgotten.
        while self.entries.len() > 2 * MOST_MAILS {
            let settled = self.entries.iter().find(|(_, e)| !e.mail.waits()).map(|(row, _)| *row);
            let Some(row) = settled else { break };
            self.entries.remove(&row);
        }
        dropped
    }

    /// After a commit: memory and disk agree, and what waits no longer is left to the disk.
    pub fn written(&mut self) {
        self.entries.retain(|_, e| e.mail.waits());
        self.entries.values_mut().for_each(|e| e.dirty = false);
    }
}
