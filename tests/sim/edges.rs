//! The disk and the mail server: what becomes of what the engine asks for.

use crate::chance::{Bug, Mark};
use crate::world::World;
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use warmside::engine::event::{Event, PostOutcome, StoreOutcome};
use warmside::incident::Row;
use warmside::notice::NoticeRow;

/// Learned state goes to disk so often.
const SNAPSHOT_TICKS: i64 = 10;
/// A commit that the disk refuses for this long is mailed all the same: silence is worse.
const MAIL_ANYWAY_TICKS: usize = 5;

struct Waiting {
    tries: usize,
    rows: Vec<Row>,
    notices: Vec<NoticeRow>,
}

/// The disk and what waits for it.
#[derive(Default)]
pub struct Disk {
    rows: BTreeMap<String, String>,
    pending: VecDeque<Waiting>,
    pub fails_until: i64,
    pub slow_until: i64,
    complained: bool,
}

impl Disk {
    pub fn takes(&mut self, rows: Vec<Row>, notices: Vec<NoticeRow>) {
        self.pending.push_back(Waiting { tries: 0, rows, notices });
    }

    pub fn rows(&self) -> impl Iterator<Item = Row> {
        self.rows.iter().map(|(key, json)| Row { key: key.clone(), json: Some(json.clone()) })
    }

    pub fn forget_what_waits(&mut self) {
        self.pending.clear();
    }

    fn write(&mut self, rows: Vec<Row>) {
        for row in rows {
            match row.json {
                Some(json) => drop(self.rows.insert(row.key, json)),
                None => drop(self.rows.remove(&row.key)),
            }
        }
    }
}

/// The outbox, which is on the disk, and what the mail server made of it.
#[derive(Default)]
pub struct Mailing {
    outbox: VecDeque<NoticeRow>,
    known: BTreeSet<String>,
    /// How often a mail may come again, because nobody knew that it had arrived.
    pub may_repeat: BTreeMap<String, usize>,
    /// Names that were mailed while the disk did not take them: a restart may give them to something else.
    pub unwritten: BTreeSet<String>,
    /// Given up: (tick, notice).
    pub refused: Vec<(i64, serde_json::Value)>,
}

impl World {
    pub(crate) fn disk_turns(&mut self) {
        let fails = self.tick < self.disk.fails_until;
        let slow = self.tick < self.disk.slow_until;
        if self.tick % SNAPSHOT_TICKS == 0 && !fails && !slow {
            let rows = self.engine.snapshot();
            self.disk.write(rows);
        }
        while let Some(waiting) = self.disk.pending.pop_front() {
            if fails || slow {
                if fails && waiting.tries == 0 {
                    self.disk.complained = true;
                    self.handle(Event::Store(StoreOutcome::Failing("the disk does not take it".to_owned())));
                }
                self.disk.pending.push_front(waiting);
                return self.mail_anyway();
            }
            if self.deaths.now() {
                self.marks.insert(Mark::KilledInside);
                return self.kill();
            }
            let Waiting { tries, rows, notices } = waiting;
            self.disk.write(rows.clone());
            self.post(notices.clone());
            if self.mail_dice.once_in(self.mix.lie) {
                // Committed, but reported failed: it is tried again, and must do no harm.
                self.marks.insert(Mark::DiskLied);
                self.disk.pending.push_front(Waiting { tries: tries + 1, rows, notices });
                self.disk.complained = true;
                self.handle(Event::Store(StoreOutcome::Failing("the disk says that it did not".to_owned())));
                return;
            }
        }
        // Said once, when it turns: an engine that is asked for nothing is also not woken by it.
        if std::mem::take(&mut self.disk.complained) {
            self.handle(Event::Store(StoreOutcome::Healthy));
        }
    }

    /// What the disk has not taken for a while is mailed without it, once.
    fn mail_anyway(&mut self) {
        let mut due = Vec::new();
        for waiting in &mut self.disk.pending {
            waiting.tries += 1;
            if waiting.tries >= MAIL_ANYWAY_TICKS && self.bug != Some(Bug::NoMailWithoutDisk) {
                due.append(&mut waiting.notices);
            }
        }
        self.mailing.unwritten.extend(due.iter().map(|n| n.id.clone()));
        self.post(due);
    }

    /// Puts mails that are new into the outbox; by their ids, as the store does.
    fn post(&mut self, notices: Vec<NoticeRow>) {
        for notice in notices {
            if self.mailing.known.insert(notice.id.clone()) || self.bug == Some(Bug::QueueTwice) {
                self.mailing.outbox.push_back(notice);
            }
        }
    }

    pub(crate) fn mail_goes_out(&mut self) {
        for _ in 0..self.mailing.outbox.len() {
            let Some(notice) = self.mailing.outbox.pop_front() else { return };
            if !self.is_quiet() && self.mail_is_not_taken(&notice) {
                continue;
            }
            let json = serde_json::from_str(&notice.json).unwrap();
            let again = self.arrived.iter().filter(|(_, name, _)| name.starts_with(&notice.id)).count();
            let name = match self.bug {
                Some(Bug::NewNameOnRetry) if again > 0 => format!("{}-again", notice.id),
                _ => notice.id.clone(),
            };
            self.tell(format!("mail {name}: {}", notice.json));
            self.arrives(name, json);
            let killed = self.deaths.now();
            if killed || (!self.is_quiet() && self.mail_dice.once_in(self.mix.unknown)) {
                // It arrived, and nobody knows: it is sent again under the same name.
                self.marks.insert(if killed { Mark::KilledAfterSending } else { Mark::MailUnknown });
                *self.mailing.may_repeat.entry(notice.id.clone()).or_default() += 1;
                self.mailing.outbox.push_back(notice);
                if killed {
                    return self.kill();
                }
                continue;
            }
            self.handle(Event::Post { notice: notice.id, outcome: PostOutcome::Accepted });
        }
    }

    fn mail_is_not_taken(&mut self, notice: &NoticeRow) -> bool {
        if self.mail_dice.once_in(self.mix.defer) {
            self.marks.insert(Mark::MailDeferred);
            let outcome = PostOutcome::Deferred("try later".to_owned());
            self.handle(Event::Post { notice: notice.id.clone(), outcome });
            if self.bug != Some(Bug::DropDeferred) {
                self.mailing.outbox.push_back(notice.clone());
            }
            return true;
        }
        if self.mail_dice.once_in(self.mix.refuse) {
            self.marks.insert(Mark::MailRefused);
            self.tell(format!("mail {} is given up", notice.id));
            self.mailing.refused.push((self.tick, serde_json::from_str(&notice.json).unwrap()));
            if self.bug != Some(Bug::RefusalUntold) {
                let outcome = PostOutcome::Refused("no such mailbox".to_owned());
                self.handle(Event::Post { notice: notice.id.clone(), outcome });
            }
            return true;
        }
        false
    }
}
