//! What an outpost must not forget: how it last knew each house, and the mails that wait. A mail is in it before it is sent.

use super::beat::Beat;
use super::settings::House;
use super::vigil::{State, Stored, Turn, Vigil};
use super::words;
use crate::notice::NoticeRow;
use crate::notice::local::Local;
use crate::terms::time::{Now, Span, Wall};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Mails that are kept; only a house that flaps for weeks while no mail goes out comes near.
const MOST_MAILS: usize = 100;
/// When it last spoke is written at least so often.
const NOTED: Span = Span::min(5);

/// A mail that nobody waits for is kept for so long, since one under way may yet come back.
const KEPT: Span = Span::h(1);

/// Which turn a mail tells of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    Lost,
    Back,
    Mute,
}

/// A mail that waits for somebody, or that some have.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Mail {
    pub house: String,
    pub kind: Kind,
    pub row: NoticeRow,
    pub queued_at: Wall,
    pub attempts: u32,
    /// When it is tried next.
    pub next: Wall,
    /// Addresses that are still to have it, and those that have.
    pub waiting: Vec<String>,
    pub accepted: Vec<String>,
    /// The house was back before everybody had it: whoever has not been alarmed shall not be.
    pub overtaken: bool,
}

impl Mail {
    fn is_due(&self, at: Wall) -> bool {
        // A wall clock that was set back must not keep a mail waiting for longer than patience would.
        !self.overtaken && !self.waiting.is_empty() && (self.next <= at || self.next.since(at) > Span::h(1))
    }
}

/// What is on the disk.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Page {
    /// What Message-IDs are made of: 32 hexadecimal digits.
    pub site: String,
    /// Of the next mail.
    pub number: u64,
    pub houses: BTreeMap<String, Stored>,
    pub mails: Vec<Mail>,
}

impl Page {
    /// The first page of a new book. `random`: from the system.
    pub fn first(random: [u8; 16]) -> Page {
        Page { site: random.iter().map(|byte| format!("{byte:02x}")).collect(), number: 1, ..Page::default() }
    }

    pub fn read(bytes: &[u8]) -> Option<Page> {
        serde_json::from_slice(bytes).ok()
    }

    pub fn bytes(&self) -> Vec<u8> {
        serde_json::to_vec(self).unwrap_or_default()
    }
}

/// The watch over all houses, and its mails.
#[derive(Debug)]
pub struct Book {
    page: Page,
    vigils: Vec<(House, Vigil)>,
    local: Local,
    /// Whether something changed that has to be written before it is acted on.
    pub unwritten: bool,
    noted: Wall,
}

impl Book {
    pub fn open(page: Page, houses: Vec<House>, local: Local, now: Now) -> Book {
        let vigil = |house: House| {
            let vigil = Vigil::new(page.houses.get(&house.id).copied(), now);
            (house, vigil)
        };
        let vigils = houses.into_iter().map(vigil).collect();
        Book { page, vigils, local, unwritten: true, noted: now.wall }
    }

    pub fn states(&self) -> impl Iterator<Item = (&House, State)> {
        self.vigils.iter().map(|(house, vigil)| (house, vigil.state()))
    }

    /// A beat that is believed. Returns in words what came of it, where something did.
    pub fn beat(&mut self, house: &str, beat: &Beat, now: Now) -> Option<String> {
        let ix = self.vigils.iter().position(|(known, _)| known.id == house)?;
        let before = self.vigils.get(ix)?.1.state();
        let turn = self.vigils.get_mut(ix)?.1.beat(beat, now);
        let first = before == State::Unheard;
        if first || now.wall.since(self.noted) >= NOTED || now.wall < self.noted {
            (self.unwritten, self.noted) = (true, now.wall);
        }
        match turn {
            Some(turn) => self.turned(ix, turn, now.wall),
            None => first.then(|| format!("{house} is heard for the first time")),
        }
    }

    /// Time passes: see [`Vigil::look`].
    pub fn look(&mut self, now: Now) -> Vec<String> {
        let turns: Vec<(usize, Turn)> =
            self.vigils.iter_mut().enumerate().filter_map(|(ix, (_, vigil))| Some((ix, vigil.look(now)?))).collect();
        turns.into_iter().filter_map(|(ix, turn)| self.turned(ix, turn, now.wall)).collect()
    }

    fn turned(&mut self, ix: usize, turn: Turn, now: Wall) -> Option<String> {
        let house = self.vigils.get(ix)?.0.clone();
        self.unwritten = true;
        let id = format!("{}.{}", house.id, self.page.number);
        self.page.number += 1;
        let kind = match turn {
            Turn::Lost { .. } => Kind::Lost,
            Turn::Back { .. } => Kind::Back,
            Turn::Mute => Kind::Mute,
        };
        let everybody = || house.tells.iter().map(|(_, address)| address.clone()).collect();
        let loss = self.page.mails.iter_mut().rev().find(|mail| mail.house == house.id && mail.kind == Kind::Lost);
        let (waiting, thread): (Vec<String>, String) = match loss.filter(|_| kind == Kind::Back) {
            // The end is told to those who were told of the loss; whoever was not is spared both.
            Some(loss) => {
                loss.overtaken = true;
                (loss.accepted.clone(), loss.row.id.clone())
            }
            None => (everybody(), id.clone()),
        };
        let row = words::mail(&house, turn, id, Some(thread), &self.local, now);
        let said = format!("{}: mail {}", row.subject, row.id);
        let (attempts, next, accepted) = (0, now, Vec::new());
        let mail =
            Mail { house: house.id, kind, row, queued_at: now, attempts, next, waiting, accepted, overtaken: false };
        self.page.mails.push(mail);
        let over = self.page.mails.len().saturating_sub(MOST_MAILS);
        self.page.mails.drain(..over);
        Some(said)
    }

    /// Mails that are due, oldest first.
    pub fn due(&self, at: Wall, at_most: usize) -> Vec<Mail> {
        self.page.mails.iter().filter(|mail| mail.is_due(at)).take(at_most).cloned().collect()
    }

    /// What an attempt came to: who has it now, who never will, and when the others are tried again.
    pub fn settle(&mut self, id: &str, accepted: &[String], refused: &[String], next: Wall, at: Wall) {
        let Some(mail) = self.page.mails.iter_mut().find(|mail| mail.row.id == id) else { return };
        self.unwritten = true;
        mail.attempts = mail.attempts.saturating_add(1);
        mail.next = next;
        mail.waiting.retain(|address| !accepted.contains(address) && !refused.contains(address));
        mail.accepted.extend(accepted.iter().cloned());
        if mail.overtaken
            && let Some(back) =
                self.page.mails.iter_mut().find(|m| m.row.id != id && m.row.thread.as_deref() == Some(id))
        {
            // It was on its way when the house came back: whoever has it shall have the end too.
            back.waiting.extend(accepted.iter().cloned());
        }
        self.forget(at);
    }

    /// A mail that everybody has is over; that of a loss is kept until its house is back.
    fn forget(&mut self, at: Wall) {
        let (vigils, mails) = (&self.vigils, &mut self.page.mails);
        let is_lost =
            |id: &str| vigils.iter().any(|(house, v)| house.id == id && matches!(v.state(), State::Lost { .. }));
        mails.retain(|mail| {
            let waits = !mail.overtaken && !mail.waiting.is_empty();
            waits || at.since(mail.queued_at) < KEPT || (mail.kind == Kind::Lost && is_lost(&mail.house))
        });
    }

    /// The page as it is now, to be written.
    pub fn page(&mut self) -> &Page {
        for (house, vigil) in &self.vigils {
            self.page.houses.insert(house.id.clone(), vigil.stored());
        }
        self.unwritten = false;
        &self.page
    }
}
