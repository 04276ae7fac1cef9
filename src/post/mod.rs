//! The post: mails out, with patience. A mail is a row before it is an act; here it is acted.
//!
//! [`Post::new`] takes the ways out and the store's seal. [`Post::run`] then takes what is due from an [`Outbox`] (which
//! the daemon lays over the store), sends it, says what became of it, and waits for [`Waker::wake`] or the next poll.
//! Dropping the future is safe at any moment: what was under way is still waiting in the outbox and is sent again with
//! the same Message-ID. Up to [`MOST_AT_ONCE`] mails are under way at a time, so that a server that hangs holds up no
//! alarm. Each attempt is reported once for a notice: see [`Report`].
//!
//! An attempt goes through the first way and, for the recipients whom that left waiting or refused, through the fallback.
//! Without a server mails are files, see [`folder`]. What a mail looks like is in [`letter`], patience in [`patience`].

mod folder;
pub mod letter;
pub mod patience;
mod round;
mod server;
pub mod settings;

#[cfg(test)]
mod tests;

use crate::engine::event::PostOutcome;
use crate::notice::NoticeRow;
use crate::notice::message_id::Seal;
use crate::terms::time::Wall;
use std::collections::BTreeSet;
use std::future::Future;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::Notify;
use tokio::task::JoinSet;

/// Mails under way at a time.
pub const MOST_AT_ONCE: usize = 4;

/// A mail to send, as the outbox hands it out.
#[derive(Clone, Debug, PartialEq)]
pub struct Queued {
    pub notice: NoticeRow,
    /// When it entered the outbox: its `Date`, and the start of its patience.
    pub queued_at: Wall,
    /// Attempts that were made before.
    pub attempts: u32,
    /// Addresses that still wait for it.
    pub to: Vec<String>,
}

/// What became of a mail for one recipient.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fate {
    Waiting,
    Accepted,
    Refused,
}

/// What an attempt came to.
#[derive(Clone, Debug, PartialEq)]
pub struct Round {
    /// The notice's id.
    pub notice: String,
    pub at: Wall,
    /// When those that wait are tried again.
    pub next: Wall,
    /// By address, with words that hold no secret.
    pub to: Vec<(String, Fate, String)>,
}

/// Where mails wait. The daemon lays it over the store.
pub trait Outbox: Send + Sync + 'static {
    /// What is due, the urgent first; at most so many.
    fn due(&self, at: Wall, at_most: usize) -> impl Future<Output = Vec<Queued>> + Send;
    fn settle(&self, round: Round) -> impl Future<Output = ()> + Send;
}

/// For `Event::Post`: `Accepted` when every recipient that still waited was accepted, `Refused` when one is given up,
/// else `Deferred`; each names whom and why.
#[derive(Clone, Debug, PartialEq)]
pub struct Report {
    pub notice: String,
    pub outcome: PostOutcome,
}

/// Bounds in time. The default is what a house should have.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// For one attempt through one way, from the first packet to the last reply.
    pub whole: Duration,
    /// Between looks at the outbox when nothing wakes us.
    pub poll: Duration,
}

impl Default for Limits {
    fn default() -> Limits {
        Limits { whole: Duration::from_secs(60), poll: Duration::from_secs(5) }
    }
}

/// What [`Post::new`] needs.
pub struct Opening {
    /// The way out, and the fallback where one is set.
    pub ways: Vec<settings::Way>,
    /// The site's name, for `List-Id`.
    pub site: String,
    pub seal: Seal,
    pub clock: Arc<dyn Fn() -> Wall + Send + Sync>,
    /// Must not block.
    pub report: Box<dyn Fn(Report) + Send + Sync>,
    pub limits: Limits,
}

/// Sends mails.
pub struct Post {
    opening: Opening,
    wake: Arc<Notify>,
}

/// Tells the post that the outbox has something new.
#[derive(Clone)]
pub struct Waker(Arc<Notify>);

impl Waker {
    pub fn wake(&self) {
        self.0.notify_one();
    }
}

impl Post {
    pub fn new(opening: Opening) -> Post {
        Post { opening, wake: Arc::new(Notify::new()) }
    }

    pub fn waker(&self) -> Waker {
        Waker(Arc::clone(&self.wake))
    }

    /// Runs until it is dropped.
    pub async fn run(self, outbox: impl Outbox) {
        let post = Arc::new(self);
        let outbox = Arc::new(outbox);
        let mut under_way = BTreeSet::new();
        let mut tasks = JoinSet::new();
        loop {
            let room = MOST_AT_ONCE.saturating_sub(under_way.len());
            if room > 0 {
                // Those under way are still due: ask for so many more.
                let due = outbox.due((post.opening.clock)(), MOST_AT_ONCE + room).await;
                for queued in
                    due.into_iter().filter(|q| !under_way.contains(&q.notice.id)).take(room).collect::<Vec<_>>()
                {
                    under_way.insert(queued.notice.id.clone());
                    let (post, outbox) = (Arc::clone(&post), Arc::clone(&outbox));
                    tasks.spawn(async move { post.deliver(&queued, &*outbox).await });
                }
            }
            tokio::select! {
                Some(done) = tasks.join_next() => match done {
                    Ok(notice) => { under_way.remove(&notice); }
                    // A task that panicked names no notice: look at all of them again.
                    Err(_) => under_way.clear(),
                },
                () = post.wake.notified() => {}
                () = tokio::time::sleep(post.opening.limits.poll) => {}
            }
        }
    }

    async fn deliver(&self, queued: &Queued, outbox: &impl Outbox) -> String {
        let round = self.attempt(queued).await;
        let notice = round.notice.clone();
        let outcome = round::outcome(&round);
        outbox.settle(round).await;
        (self.opening.report)(Report { notice: notice.clone(), outcome });
        notice
    }
}
