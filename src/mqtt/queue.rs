//! The queue between the polling task and the loop: bounded in messages and in bytes, and it counts what did not fit.

use super::{Incoming, Trouble};
use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::time::timeout;

/// Messages that may wait.
pub const LONGEST_QUEUE: usize = 65_536;
/// Bytes of topics and payloads that may wait.
pub const LARGEST_QUEUE: usize = 64 << 20;
/// Room that only what is not a message may use: the loop must learn that it is deaf, however full the queue.
const RESERVED: usize = 64;

/// A full queue is waited for as long as the loop takes a quarter of it within this time. Such a loop takes 16,000 messages a
/// second, so that what then lies in the sockets (some megabytes) cannot hold up an answer to a ping for a keep-alive.
const KEEPS_PACE: Duration = Duration::from_secs(1);

/// One message of the broker.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Message {
    pub topic: String,
    pub payload: Vec<u8>,
    /// The broker had kept it: its age is unknown.
    pub retained: bool,
}

impl Message {
    fn weight(&self) -> usize {
        self.topic.len() + self.payload.len() + size_of::<Incoming>()
    }
}

#[derive(Debug, Default)]
struct Shared {
    bytes: AtomicUsize,
    dropped: AtomicU64,
}

/// The polling task's end. Never waits.
#[derive(Debug)]
pub(super) struct Outlet {
    queue: mpsc::Sender<Incoming>,
    shared: Arc<Shared>,
    /// What is not a message and did not fit even into the reserve: goes first, next time.
    overdue: VecDeque<Incoming>,
    longest: usize,
    largest: usize,
    /// The loop does not keep pace: what does not fit is dropped at once, until half the queue is free again.
    behind: bool,
}

/// The loop's end.
#[derive(Debug)]
pub struct Inbox {
    queue: mpsc::Receiver<Incoming>,
    shared: Arc<Shared>,
}

pub(super) fn queue(longest: usize, largest: usize) -> (Outlet, Inbox) {
    let (outlet, inbox) = mpsc::channel(longest + RESERVED);
    let shared = Arc::new(Shared::default());
    let outlet =
        Outlet { queue: outlet, shared: shared.clone(), overdue: VecDeque::new(), longest, largest, behind: false };
    (outlet, Inbox { queue: inbox, shared })
}

impl Outlet {
    /// Waits for room, so that a burst larger than the queue waits in the sockets and is not lost; not for a slow loop.
    pub(super) async fn make_room(&mut self) {
        let free = self.queue.capacity().saturating_sub(RESERVED);
        if self.behind {
            self.behind = free < self.longest / 2;
        } else if free == 0 {
            let some = RESERVED + self.longest.div_ceil(4);
            self.behind = timeout(KEEPS_PACE, self.queue.reserve_many(some)).await.is_err();
        }
    }

    /// Hands a message on, or counts it as dropped.
    pub(super) fn offer(&mut self, message: Message) {
        self.flush();
        let weight = message.weight();
        let fits = self.overdue.is_empty()
            && self.queue.capacity() > RESERVED
            && self.shared.bytes.load(Ordering::Relaxed).saturating_add(weight) <= self.largest;
        self.shared.bytes.fetch_add(weight, Ordering::Relaxed);
        if !fits || self.queue.try_send(Incoming::Message(message)).is_err() {
            self.shared.bytes.fetch_sub(weight, Ordering::Relaxed);
            self.shared.dropped.fetch_add(1, Ordering::Relaxed);
        }
    }

    /// Hands on what must not be lost, before anything that comes later.
    pub(super) fn tell(&mut self, news: Incoming) {
        self.overdue.push_back(news);
        self.flush();
        // The loop has stood still for more than a minute of losses: the first and the latest are what counts.
        while self.overdue.len() > RESERVED {
            self.overdue.remove(1);
        }
    }

    pub(super) fn flush(&mut self) {
        while let Some(news) = self.overdue.pop_front() {
            if let Err(mpsc::error::TrySendError::Full(news)) = self.queue.try_send(news) {
                self.overdue.push_front(news);
                return;
            }
        }
    }

    pub(super) fn is_closed(&self) -> bool {
        self.queue.is_closed()
    }
}

impl Inbox {
    /// The next thing that happened; `None` when the link has ended. May be cancelled without loss.
    pub async fn next(&mut self) -> Option<Incoming> {
        let next = self.queue.recv().await;
        self.weigh_out(next.as_ref());
        next
    }

    /// The same without waiting.
    pub fn try_next(&mut self) -> Option<Incoming> {
        let next = self.queue.try_recv().ok();
        self.weigh_out(next.as_ref());
        next
    }

    fn weigh_out(&self, next: Option<&Incoming>) {
        if let Some(Incoming::Message(message)) = next {
            self.shared.bytes.fetch_sub(message.weight(), Ordering::Relaxed);
        }
    }

    /// Messages that did not fit since the start.
    pub fn dropped(&self) -> u64 {
        self.shared.dropped.load(Ordering::Relaxed)
    }

    /// An inbox that nothing feeds but the given news: for tests of the loop without a broker.
    pub fn of(news: Vec<Incoming>) -> Inbox {
        let (mut outlet, inbox) = queue(news.len() + 1, usize::MAX / 2);
        for one in news {
            match one {
                Incoming::Message(message) => outlet.offer(message),
                other => outlet.tell(other),
            }
        }
        inbox
    }
}

impl From<Trouble> for Incoming {
    fn from(trouble: Trouble) -> Incoming {
        Incoming::Trouble(trouble)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn message(bytes: usize) -> Message {
        Message { topic: "t".into(), payload: vec![0; bytes], retained: false }
    }

    #[test]
    fn what_does_not_fit_is_counted_and_losses_are_told_all_the_same() {
        let (mut outlet, mut inbox) = queue(3, usize::MAX / 2);
        for _ in 0..5 {
            outlet.offer(message(1));
        }
        outlet.tell(Incoming::Lost(Trouble::Stalled));
        outlet.tell(Incoming::Up);
        assert_eq!(inbox.dropped(), 2);
        let got: Vec<_> = std::iter::from_fn(|| inbox.try_next()).collect();
        assert!(
            matches!(
                got[..],
                [
                    Incoming::Message(_),
                    Incoming::Message(_),
                    Incoming::Message(_),
                    Incoming::Lost(Trouble::Stalled),
                    Incoming::Up
                ]
            ),
            "{got:?}"
        );
        outlet.offer(message(1));
        assert!(matches!(inbox.try_next(), Some(Incoming::Message(_))));
    }

    #[tokio::test(start_paused = true)]
    #[expect(clippy::disallowed_methods, reason = "the clock of this test stands still but for its own sleeping")]
    async fn a_loop_that_keeps_pace_is_waited_for_and_a_slow_one_is_not() {
        let (mut outlet, mut inbox) = queue(8, usize::MAX / 2);
        let began = tokio::time::Instant::now();
        let taking = tokio::spawn(async move {
            for _ in 0..100 {
                tokio::time::sleep(Duration::from_millis(100)).await;
                let next = timeout(Duration::from_secs(60), inbox.next()).await;
                assert!(matches!(next, Ok(Some(_))), "each of a hundred");
            }
            inbox
        });
        for _ in 0..100 {
            outlet.make_room().await;
            outlet.offer(message(1));
        }
        let mut inbox = taking.await.expect("no panic");
        assert_eq!(inbox.dropped(), 0);
        assert!(began.elapsed() >= Duration::from_secs(10));
        // Nobody takes anything any more: waited for once, then never.
        let began = tokio::time::Instant::now();
        for _ in 0..1_000 {
            outlet.make_room().await;
            outlet.offer(message(1));
        }
        assert_eq!(inbox.dropped(), 1_000 - 8);
        assert_eq!(began.elapsed().as_secs(), KEEPS_PACE.as_secs());
        // Half of it taken: worth waiting for again.
        for _ in 0..4 {
            assert!(inbox.try_next().is_some());
        }
        outlet.make_room().await;
        assert!(!outlet.behind);
    }

    #[test]
    fn bytes_are_bounded_and_given_back() {
        let (mut outlet, mut inbox) = queue(1_000, 3_000);
        for _ in 0..4 {
            outlet.offer(message(1_000));
        }
        assert_eq!(inbox.dropped(), 2);
        while inbox.try_next().is_some() {}
        outlet.offer(message(2_000));
        assert_eq!(inbox.dropped(), 2);
        assert!(inbox.try_next().is_some());
    }

    #[test]
    fn a_loop_that_stands_still_hears_of_the_first_loss_and_the_last_state() {
        let (mut outlet, mut inbox) = queue(1, usize::MAX / 2);
        for _ in 0..500 {
            outlet.tell(Incoming::Lost(Trouble::Stalled));
            outlet.tell(Incoming::Up);
        }
        let mut got = Vec::new();
        loop {
            outlet.flush();
            match inbox.try_next() {
                Some(news) => got.push(news),
                None => break,
            }
        }
        assert!(matches!(got.first(), Some(Incoming::Lost(_))));
        assert!(matches!(got.last(), Some(Incoming::Up)));
    }
}
