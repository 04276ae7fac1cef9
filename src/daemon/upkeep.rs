//! What nobody tells by itself, looked at every few seconds: drops, debts, snapshots, and whether every part still moves.

use super::pulse::PARTS;
use super::session::{Session, packed, shown};
use super::tell_system;
use crate::clock::ticks;
use crate::engine::event::Event;
use crate::incident::Row;
use crate::page;
use crate::store;
use crate::terms::time::{Now, Span, Wall};
use sd_notify::NotifyState;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

/// Between two snapshots of what was learned, and the least of it after a mail.
const SNAPSHOT: Duration = Duration::from_secs(600);
const SNAPSHOT_AFTER_MAIL: Duration = Duration::from_secs(60);

/// The row that holds what the next process must know of our clocks.
pub(super) const CLOCK: &str = "clock";
/// Why the store's gap is there.
const ASLEEP: &str = "this machine slept";
const STOPPED: &str = "this process stood still";
/// The loop goes round each second: whoever has not done so for this long was stopped, and heard nothing.
const ABSENT: Span = Span::min(1);

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
        if let Some(heard) = self.beating.news(now) {
            self.handle(Event::Outpost(heard));
        }
        self.look_at_the_clocks();
        self.asking.ask(&self.store, self.clock.now().wall);
        let rounds = [self.link.rounds(), self.asking.rounds(), self.post.rounds.load(Ordering::Relaxed)];
        match self.pulse.feel(rounds, now) {
            None => {
                tell_system(&[NotifyState::Watchdog]);
                // A part that has not moved since the start may never do so: that is not yet a house that watches.
                if rounds.iter().all(|turns| *turns > 0) {
                    self.beating.wind(self.engine.view().post.failing.is_some());
                }
            }
            Some(part) => {
                let part = PARTS.get(part).copied().unwrap_or_default();
                tracing::error!("{part} stands still; the watchdog is not fed");
            }
        }
    }

    fn look_at_the_clocks(&mut self) {
        let Some((clocks, shown)) = self.clocks.as_mut().zip(shown(&self.clock)) else { return };
        let (slept, off, noted) = (clocks.slept(shown), clocks.judge(shown), clocks.note(shown));
        if let Some(json) = noted.and_then(|noted| serde_json::to_string(&noted).ok()) {
            let row = Row { key: CLOCK.to_owned(), json: Some(json) };
            self.owed.push_back((shown.wall, vec![row], Vec::new()));
            self.pay();
        }
        if let Some(slept) = slept {
            tracing::warn!("this machine slept for {slept}; nobody watched meanwhile");
            drop(self.store.gap_begins(shown.wall - slept, ASLEEP));
            drop(self.store.gap_ends(shown.wall, ASLEEP));
            self.handle(Event::Away(slept));
        }
        if let Some(off) = off {
            match off {
                Span::ZERO => tracing::info!("this machine's clock is right again"),
                _ => tracing::warn!("this machine's clock is off by {off}"),
            }
            self.handle(Event::ClockOff(off));
        }
    }

    /// Before anything is judged: what was missed while the process stood still, its monotonic clock running on, is a gap and no
    /// silence of anybody's.
    pub(super) fn notice_absence(&mut self, now: Now) {
        let absent = now.mono.since(self.present_at);
        self.present_at = now.mono;
        if absent < ABSENT || !self.clock.is_real() {
            return;
        }
        tracing::warn!("this process stood still for {absent}; nobody watched meanwhile");
        drop(self.store.gap_begins(now.wall - absent, STOPPED));
        drop(self.store.gap_ends(now.wall, STOPPED));
        let deaf = self.listening.then_some([Event::LinkLost, Event::LinkUp]);
        let [lost, up] = deaf.map_or([None, None], |all| all.map(Some));
        for event in [lost, Some(Event::Away(absent)), up].into_iter().flatten() {
            self.engine.handle(event, now, &mut self.effects);
        }
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

/// Asks the store's writer for nothing, to see whether it answers.
#[derive(Debug, Default)]
pub(super) struct Asking {
    asked: Arc<AtomicBool>,
    rounds: Arc<AtomicU64>,
}

impl Asking {
    /// Grows with every answer.
    fn rounds(&self) -> u64 {
        self.rounds.load(Ordering::Relaxed)
    }

    /// Asks, unless an answer is still awaited.
    fn ask(&self, store: &store::Store, at: Wall) {
        if self.asked.swap(true, Ordering::Relaxed) {
            return;
        }
        let reply = store.due(at, 0);
        let (asked, rounds) = (self.asked.clone(), self.rounds.clone());
        tokio::spawn(async move {
            if !matches!(reply.await, Err(store::Error::Behind | store::Error::Closed)) {
                rounds.fetch_add(1, Ordering::Relaxed);
            }
            asked.store(false, Ordering::Relaxed);
        });
    }
}

#[cfg(test)]
mod tests {
    use super::super::outbox::Outbox;
    use super::super::pulse::STANDS_STILL;
    use super::*;
    use crate::mqtt::link::Pace;
    use crate::notice::message_id::Seal;
    use crate::post::settings::{Mailbox, Way};
    use crate::post::{self, Limits, Post};
    use crate::store::{Names, Opening, Store, settings};

    const AT: Wall = Wall::from_ms(1_767_600_000_000);

    /// A store whose disk stands still as long as it is told to.
    fn store(still: &Arc<AtomicBool>, folder: &std::path::Path) -> Arc<Store> {
        let still = still.clone();
        let opening = Opening {
            names: Names::default(),
            clock: Arc::new(|| Now::at(AT.as_ms())),
            tell: Box::new(|_| {}),
            hook: Some(Arc::new(move |_| {
                while still.load(Ordering::SeqCst) {
                    std::thread::sleep(Duration::from_millis(1));
                }
                Ok(())
            })),
        };
        let (keep_readings, keep_summaries) = (Span::days(90), Span::days(365));
        let settings = settings::Settings { folder: folder.to_owned(), keep_readings, keep_summaries };
        Arc::new(Store::open(&settings, opening).expect("opens").0)
    }

    /// Turns the runtime until it is so; what never comes is seen by the test that hangs.
    async fn until(so: impl Fn() -> bool) {
        while !so() {
            tokio::time::sleep(Duration::from_millis(1)).await;
        }
    }

    #[tokio::test]
    async fn a_disk_that_stands_still_stops_the_store_and_the_post_from_going_round() {
        let folder = std::env::temp_dir().join(format!("warmside-upkeep-{}", std::process::id()));
        let still = Arc::new(AtomicBool::new(false));
        let store = store(&still, &folder);
        let asking = Asking::default();
        let rounds = Arc::new(AtomicU64::new(0));
        let from = Mailbox { name: None, address: "warmside@example.org".into() };
        let post = Post::new(post::Opening {
            ways: vec![Way::Folder { folder: folder.join("mail"), from }],
            site: "Test Lane".into(),
            seal: Seal::new("00"),
            clock: Arc::new(|| AT),
            report: Box::new(|_| {}),
            limits: Limits { poll: Duration::from_millis(1), ..Limits::default() },
        });
        let posting = tokio::spawn(post.run(Outbox { store: store.clone(), rounds: rounds.clone() }));
        let both = || [asking.rounds(), rounds.load(Ordering::Relaxed)];
        // Both go round while the disk does.
        for _ in 0..3 {
            let before = both();
            asking.ask(&store, AT);
            until(|| both().iter().zip(before).all(|(now, before)| *now > before)).await;
        }
        still.store(true, Ordering::SeqCst);
        // The writer comes to the disk with this order, and not away from it.
        let flush = store.flush();
        asking.ask(&store, AT);
        tokio::time::sleep(Duration::from_millis(50)).await;
        let before = both();
        for _ in 0..100 {
            asking.ask(&store, AT);
            tokio::time::sleep(Duration::from_millis(1)).await;
        }
        assert_eq!(both(), before, "nothing goes round");
        still.store(false, Ordering::SeqCst);
        flush.await.expect("written");
        until(|| both().iter().zip(before).all(|(now, before)| *now > before)).await;
        posting.abort();
        let _ = std::fs::remove_dir_all(&folder);
    }

    #[test]
    fn no_part_that_is_well_stands_still_for_so_long() {
        let pace = Pace::default();
        let turns = [
            pace.stalled_after,
            pace.subscribed_within,
            pace.backoff_most,
            Duration::from_secs(u64::from(pace.connect_s) + 5),
            // Two ways out that both hang, each with its parting word.
            2 * (Limits::default().whole + Duration::from_secs(2)),
        ];
        assert!(turns.iter().all(|turn| *turn < STANDS_STILL), "{turns:?}");
    }
}
