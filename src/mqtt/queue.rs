//! The queue between the polling task and the loop: bounded in messages and in bytes, and it counts what did not fit.

use super::{Incoming, Trouble};
use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use tokio::sync::mpsc;

/// Messages that may wait.
pub const LONGEST_QUEUE: usize = 65_536;
/// Bytes of topics and payloads that may wait.
pub const LARGEST_QUEUE: usize = 64 << 20;
/// Room that only what is not a message may use: the loop must learn that it is deaf, however full the queue.
const RESERVED: usize = 64;

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
    largest: usize,
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
    let outlet = Outlet { queue: outlet, shared: shared.clone(), overdue: VecDeque::new(), largest };
    (outlet, Inbox { queue: inbox, shared })
}

impl Outlet {
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
