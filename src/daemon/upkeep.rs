//! What nobody tells by itself, looked at every few seconds: drops, debts, snapshots, and whether every part still moves.

use super::pulse::Part;
use super::session::{Session, packed};
use super::tell_system;
use crate::clock::ticks;
use crate::engine::event::Event;
use crate::page;
use crate::store;
use sd_notify::NotifyState;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

/// Between two snapshots of what was learned, and the least of it after a mail.
const SNAPSHOT: Duration = Duration::from_secs(600);
const SNAPSHOT_AFTER_MAIL: Duration = Duration::from_secs(60);

/// The page may have one part in so many of the loop's time.
const SHARE: u32 = 50;

impl Session {
    pub(super) fn look_at_the_house(&mut self) {
        self.pay();
        let dropped = self.inbox.dropped();
        if dropped > self.dropped {
            let words =
                format!("{} messages came faster than they could be judged and were lost", dropped - self.dropped);
            self.dropped = dropped;
            self.handle(Event::LinkTrouble(words));
        }
        let now = ticks();
        let since = now.saturating_sub(self.saved_at);
        if since >= SNAPSHOT || (self.mailed && since >= SNAPSHOT_AFTER_MAIL) {
            (self.saved_at, self.mailed) = (now, false);
            drop(self.store.save(packed(self.engine.snapshot())));
        }
        self.ask_the_store();
        let rounds =
            [self.link.rounds(), self.store_rounds.load(Ordering::Relaxed), self.post.rounds.load(Ordering::Relaxed)];
        match self.pulse.feel(rounds, now) {
            None => tell_system(&[NotifyState::Watchdog]),
            Some(part) => tracing::error!("{} stands still; the watchdog is not fed", name(part)),
        }
    }

    /// Asks the store's writer for nothing, to see whether it answers.
    fn ask_the_store(&self) {
        if self.store_asked.swap(true, Ordering::Relaxed) {
            return;
        }
        let reply = self.store.due(self.clock.now().wall, 0);
        let (asked, rounds) = (self.store_asked.clone(), self.store_rounds.clone());
        tokio::spawn(async move {
            if !matches!(reply.await, Err(store::Error::Behind | store::Error::Closed)) {
                rounds.fetch_add(1, Ordering::Relaxed);
            }
            asked.store(false, Ordering::Relaxed);
        });
    }

    /// Shows the house to the page each second, or seldomer where it is so large that drawing it takes long.
    pub(super) fn show_page_in_turn(&mut self) {
        let began = ticks();
        if began >= self.shown_at {
            self.handle(Event::Wake);
            self.show_page();
            let took = ticks().saturating_sub(began);
            self.shown_at = began + (took * SHARE).clamp(Duration::ZERO, page::LIVE_WITHIN);
        }
    }

    pub(super) fn show_page(&self) {
        self.page.view.send_replace(Arc::new(self.engine.view()));
    }
}

fn name(part: Part) -> &'static str {
    match part {
        Part::Poll => "the link to the broker",
        Part::Store => "the store",
        Part::Post => "the post",
    }
}
