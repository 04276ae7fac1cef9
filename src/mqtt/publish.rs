//! States and outcomes to the broker, retained: the newest of each topic, again after every reconnect.

use rumqttc::{AsyncClient, QoS};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::sync::{Notify, watch};

/// Topics that are kept; what would be more is not published.
const MOST_TOPICS: usize = 50_000;
/// Bytes of a payload; what is more is not published.
const LARGEST_PAYLOAD: usize = 256 << 10;

/// The loop's end: takes states at any time and never waits. Copies share one board.
#[derive(Clone, Debug, Default)]
pub struct Publisher {
    board: Arc<Board>,
}

#[derive(Debug, Default)]
struct Board {
    states: Mutex<States>,
    news: Notify,
}

#[derive(Debug, Default)]
struct States {
    newest: BTreeMap<String, String>,
    unsent: BTreeSet<String>,
    refused: u64,
}

impl Publisher {
    /// Puts a state up for publishing. An older one of the topic that was not sent yet is forgotten.
    pub fn publish(&self, topic: String, payload: String) {
        let mut states = self.board.lock();
        let known = states.newest.contains_key(&topic);
        let sane = !topic.is_empty() && topic.len() <= 65_535 && !topic.contains(['+', '#', '\0']);
        if !sane || payload.len() > LARGEST_PAYLOAD || (!known && states.newest.len() >= MOST_TOPICS) {
            states.refused += 1;
            return;
        }
        states.unsent.insert(topic.clone());
        states.newest.insert(topic, payload);
        drop(states);
        self.board.news.notify_one();
    }

    /// States that were not taken since the start.
    pub fn refused(&self) -> u64 {
        self.board.lock().refused
    }

    /// Whether everything has been handed to the client.
    pub fn all_sent(&self) -> bool {
        self.board.lock().unsent.is_empty()
    }

    fn next(&self) -> Option<(String, String)> {
        let mut states = self.board.lock();
        let topic = states.unsent.pop_first()?;
        let payload = states.newest.get(&topic)?.clone();
        Some((topic, payload))
    }

    /// A broker that restarted may have forgotten what it was to keep.
    fn all_again(&self) {
        let mut states = self.board.lock();
        states.unsent = states.newest.keys().cloned().collect();
    }
}

impl Board {
    fn lock(&self) -> MutexGuard<'_, States> {
        self.states.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The only task that publishes; ends when the link does.
///
/// QoS 0: what a broken connection loses is sent again by the next one, and nothing unacknowledged can stand in the way
/// of a subscription.
pub(super) async fn run(publisher: Publisher, mut client: watch::Receiver<Option<AsyncClient>>) {
    loop {
        let up = client.borrow_and_update().clone();
        let goes_on = match up {
            Some(up) => serve(&publisher, &up, &mut client).await,
            None => client.changed().await,
        };
        if goes_on.is_err() {
            return;
        }
    }
}

/// Publishes through one connection until there is another, or none. An error: the link has ended.
async fn serve(
    publisher: &Publisher,
    up: &AsyncClient,
    client: &mut watch::Receiver<Option<AsyncClient>>,
) -> Result<(), watch::error::RecvError> {
    publisher.all_again();
    while !client.has_changed()? {
        match publisher.next() {
            Some((topic, payload)) => {
                if up.publish(topic, QoS::AtMostOnce, true, payload).await.is_err() {
                    return client.changed().await;
                }
            }
            None => tokio::select! {
                () = publisher.board.news.notified() => {}
                changed = client.changed() => return changed,
            },
        }
    }
    Ok(())
}
