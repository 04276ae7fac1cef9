//! The store's outbox as the post sees it, and a count of how often the post has looked.

use crate::post::{self, Queued, Round};
use crate::store::{self, Fate, Settled, Store};
use crate::terms::time::Wall;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

pub struct Outbox {
    pub store: Arc<Store>,
    /// Grows with every look: for the watchdog.
    pub rounds: Arc<AtomicU64>,
}

impl post::Outbox for Outbox {
    async fn due(&self, at: Wall, at_most: usize) -> Vec<Queued> {
        self.rounds.fetch_add(1, Ordering::Relaxed);
        match self.store.due(at, at_most).await {
            Ok(mails) => mails.into_iter().map(queued).collect(),
            // The store says itself what is wrong with it; what waits will still wait at the next look.
            Err(_) => Vec::new(),
        }
    }

    async fn settle(&self, round: Round) {
        self.rounds.fetch_add(1, Ordering::Relaxed);
        let to = round.to.into_iter().map(|(address, fate, words)| (address, fate_of(fate), words)).collect();
        let settled = Settled { notice: round.notice, at: round.at, next: round.next, to };
        if let Err(why) = self.store.settle(settled).await {
            // Sent again with the same Message-ID, at worst.
            tracing::warn!("what became of a mail could not be stored: {why}");
        }
    }
}

fn queued(mail: store::Mail) -> Queued {
    let waiting = mail.to.iter().filter(|to| to.fate == Fate::Waiting).map(|to| to.address.clone());
    Queued { to: waiting.collect(), notice: mail.notice, queued_at: mail.queued_at, attempts: mail.attempts }
}

fn fate_of(fate: post::Fate) -> Fate {
    match fate {
        post::Fate::Waiting => Fate::Waiting,
        post::Fate::Accepted => Fate::Accepted,
        post::Fate::Refused => Fate::Refused,
    }
}
