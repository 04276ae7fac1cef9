//! The link to one broker: connects, subscribes, polls, and starts afresh whenever anything is odd.

use super::options::options;
use super::queue::{LARGEST_QUEUE, LONGEST_QUEUE, Outlet, queue};
use super::settings::Broker;
use super::twice::Twice;
use super::{Inbox, Incoming, Message, Publisher, Trouble, publish, why::why};
use rumqttc::{
    AsyncClient, Event, EventLoop, MqttOptions, Outgoing, Packet, QoS, SubscribeFilter, SubscribeReasonCode,
};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;
use tokio::sync::watch;
use tokio::task::JoinHandle;
use tokio::time::timeout;

/// Requests that may wait inside the client: the subscription, and states on their way.
const REQUESTS: usize = 64;

/// The time limits and sizes of a link. Tests shorten them; nobody else needs to.
#[derive(Clone, Debug)]
pub struct Pace {
    /// Whole seconds, at least one: what the protocol carries.
    pub keep_alive_s: u16,
    /// Nothing at all moved, not even a ping: longer than two keep-alives.
    pub stalled_after: Duration,
    /// Name, TCP, TLS and CONNACK together, in whole seconds.
    pub connect_s: u16,
    /// From CONNACK to SUBACK.
    pub subscribed_within: Duration,
    pub backoff_first: Duration,
    pub backoff_most: Duration,
    /// A connection that ends sooner after its CONNACK was closed right away.
    pub settled_after: Duration,
    /// The largest packet that is read, in bytes.
    pub largest_packet: usize,
    pub longest_queue: usize,
    pub largest_queue: usize,
}

impl Default for Pace {
    fn default() -> Pace {
        Pace {
            keep_alive_s: 15,
            stalled_after: Duration::from_secs(2 * 15 + 10),
            connect_s: 10,
            subscribed_within: Duration::from_secs(30),
            backoff_first: Duration::from_secs(1),
            backoff_most: Duration::from_secs(30),
            settled_after: Duration::from_secs(10),
            largest_packet: 16 << 20,
            longest_queue: LONGEST_QUEUE,
            largest_queue: LARGEST_QUEUE,
        }
    }
}

/// Whom to be and what to hear.
#[derive(Clone, Debug)]
pub struct Wish {
    /// The same over restarts, of this house alone.
    pub client_id: String,
    /// See [`super::filter::covering`].
    pub filters: Vec<String>,
    /// Topic on which we say that we watch, and on which the broker says that we do not.
    pub presence: Option<String>,
}

/// A running link. Dropping it ends it without a farewell, as a crash would.
#[derive(Debug)]
pub struct Link {
    publisher: Publisher,
    presence: Option<String>,
    rounds: Arc<AtomicU64>,
    client: watch::Receiver<Option<AsyncClient>>,
    poll: JoinHandle<()>,
    publish: JoinHandle<()>,
}

const WATCHING: &str = r#"{"watching":true}"#;
pub(super) const NOT_WATCHING: &str = r#"{"watching":false}"#;

impl Link {
    /// Starts the link. `ticks`: real time since any origin. An error: the settings cannot work, nothing was started.
    pub fn start(broker: &Broker, wish: Wish, pace: Pace, ticks: fn() -> Duration) -> Result<(Link, Inbox), Trouble> {
        let options = options(broker, &wish, &pace)?;
        if let Some(bad) = wish.filters.iter().find(|filter| !rumqttc::valid_filter(filter)) {
            return Err(Trouble::Settings(format!("{bad:?} is no topic filter")));
        }
        if wish.filters.is_empty() {
            return Err(Trouble::Settings("there is no topic to hear".into()));
        }
        let (outlet, inbox) = queue(pace.longest_queue, pace.largest_queue);
        let (up, client) = watch::channel(None);
        let publisher = Publisher::default();
        let rounds = Arc::new(AtomicU64::new(0));
        let presence = wish.presence.clone();
        let twice = Twice::new(&wish.filters);
        let (publisher_, rounds_) = (publisher.clone(), rounds.clone());
        let poller = Poller { options, wish, pace, ticks, outlet, twice, up, publisher: publisher_, rounds: rounds_ };
        let poll = tokio::spawn(poller.run());
        let publish = tokio::spawn(publish::run(publisher.clone(), client.clone()));
        Ok((Link { publisher, presence, rounds, client, poll, publish }, inbox))
    }

    pub fn publisher(&self) -> &Publisher {
        &self.publisher
    }

    /// Grows with every turn of the polling task: for the watchdog.
    pub fn rounds(&self) -> u64 {
        self.rounds.load(Ordering::Relaxed)
    }

    /// Says farewell where there is a connection, and ends the link within `limit`.
    pub async fn stop(mut self, limit: Duration) {
        let farewell = async {
            let Some(client) = self.client.borrow().clone() else { return };
            if let Some(topic) = &self.presence {
                self.publisher.publish(topic.clone(), NOT_WATCHING.into());
            }
            while !self.publisher.all_sent() {
                tokio::time::sleep(Duration::from_millis(5)).await;
            }
            // The publisher may hold the last state in its hands; behind this it is in the client's queue.
            tokio::time::sleep(Duration::from_millis(5)).await;
            if client.disconnect().await.is_ok() {
                let _ = (&mut self.poll).await;
            }
        };
        let _ = timeout(limit, farewell).await;
    }
}

impl Drop for Link {
    fn drop(&mut self) {
        self.poll.abort();
        self.publish.abort();
    }
}

/// How one connection ended.
struct Ended {
    why: Trouble,
    /// How long after its CONNACK; `None`: there was none.
    lasted: Option<Duration>,
    farewell: bool,
}

/// The polling task.
struct Poller {
    options: MqttOptions,
    wish: Wish,
    pace: Pace,
    ticks: fn() -> Duration,
    outlet: Outlet,
    twice: Twice,
    up: watch::Sender<Option<AsyncClient>>,
    publisher: Publisher,
    rounds: Arc<AtomicU64>,
}

impl Poller {
    async fn run(mut self) {
        let (mut failures, mut kicks, mut oversize) = (0_u32, 0_u32, 0_u32);
        while !self.outlet.is_closed() {
            // A link that flaps is not up: what it hears is handed on, but it is called lost until it holds.
            let ended = self.connection(kicks + oversize > 0).await;
            self.up.send_replace(None);
            if ended.farewell {
                return;
            }
            let settled = ended.lasted.is_some_and(|lasted| lasted >= self.pace.settled_after);
            let too_large = matches!(ended.why, Trouble::Oversize { .. });
            let trouble = ended.why.clone();
            self.outlet.tell(Incoming::Lost(ended.why));
            oversize = if too_large { oversize + 1 } else { 0 };
            kicks = if settled || ended.lasted.is_none() || too_large { 0 } else { kicks + 1 };
            failures = if settled { 0 } else { failures + 1 };
            // Once, when it is certain; the link stays lost until it is cured, which is said elsewhere.
            if oversize == 2 {
                self.outlet.tell(trouble.into());
            }
            if kicks == 3 {
                self.outlet.tell(Trouble::SameId { client_id: self.wish.client_id.clone() }.into());
            }
            self.rounds.fetch_add(1, Ordering::Relaxed);
            tokio::time::sleep(backoff(&self.pace, failures, chance())).await;
        }
    }

    /// One connection, from its beginning to its end. `on_probation`: it is up only once it has settled.
    async fn connection(&mut self, on_probation: bool) -> Ended {
        // A new client each time: nothing of an old one's queue can get in the way of the subscription.
        let (client, mut eventloop) = AsyncClient::new(self.options.clone(), REQUESTS);
        eventloop.network_options.set_connection_timeout(self.pace.connect_s.max(1).into());
        let mut connected: Option<Duration> = None;
        let (mut subscribed, mut told, mut packet) = (false, false, None);
        loop {
            let limit = match connected {
                Some(since) if !subscribed => self.pace.subscribed_within.saturating_sub((self.ticks)() - since),
                Some(_) => self.pace.stalled_after,
                // The client has its own limit for this; ours is for the case that it does not keep it.
                None => Duration::from_secs(u64::from(self.pace.connect_s.max(1)) + 5),
            };
            let polled = timeout(limit, eventloop.poll()).await;
            self.rounds.fetch_add(1, Ordering::Relaxed);
            self.outlet.flush();
            let lasted = connected.map(|since| (self.ticks)().saturating_sub(since));
            match polled {
                Err(_) if connected.is_some() && !subscribed => {
                    let why = Trouble::Broken("it never answered our subscription".into());
                    return Ended { why, lasted, farewell: false };
                }
                Err(_) => return Ended { why: Trouble::Stalled, lasted, farewell: false },
                Ok(Err(error)) => {
                    let ended = Ended { why: why(&error, connected.is_some()), lasted, farewell: false };
                    self.rescue(eventloop);
                    return ended;
                }
                Ok(Ok(Event::Incoming(Packet::ConnAck(_)))) => {
                    connected = Some((self.ticks)());
                    let filters = self.wish.filters.iter();
                    let filters = filters.map(|filter| SubscribeFilter::new(filter.clone(), QoS::AtLeastOnce));
                    if client.try_subscribe_many(filters).is_err() {
                        let why = Trouble::Broken("the subscription could not be sent".into());
                        return Ended { why, lasted: None, farewell: false };
                    }
                }
                Ok(Ok(Event::Outgoing(Outgoing::Subscribe(id)))) => packet = Some(id),
                Ok(Ok(Event::Incoming(Packet::SubAck(ack)))) if Some(ack.pkid) == packet && !subscribed => {
                    match self.granted(&ack.return_codes) {
                        Ok(()) => subscribed = true,
                        Err(why) => return Ended { why, lasted: None, farewell: false },
                    }
                }
                Ok(Ok(Event::Incoming(Packet::Publish(publish)))) => {
                    self.outlet.make_room().await;
                    self.hand_on(publish);
                }
                Ok(Ok(Event::Outgoing(Outgoing::Disconnect))) => {
                    return Ended { why: Trouble::Broken("we left".into()), lasted, farewell: true };
                }
                Ok(Ok(_)) => {}
            }
            if subscribed && !told && (!on_probation || lasted >= Some(self.pace.settled_after)) {
                told = true;
                self.tell_up(client.clone());
            }
        }
    }

    /// Reads the broker's answer to the subscription: all denied is no link, some denied is said.
    fn granted(&mut self, codes: &[SubscribeReasonCode]) -> Result<(), Trouble> {
        let denied: Vec<String> = self
            .wish
            .filters
            .iter()
            .enumerate()
            .filter(|(i, _)| !matches!(codes.get(*i), Some(SubscribeReasonCode::Success(_))))
            .map(|(_, filter)| filter.clone())
            .collect();
        if denied.len() == self.wish.filters.len() {
            return Err(Trouble::Denied { filters: denied });
        }
        if !denied.is_empty() {
            self.outlet.tell(Trouble::Denied { filters: denied }.into());
        }
        Ok(())
    }

    fn tell_up(&mut self, client: AsyncClient) {
        self.outlet.tell(Incoming::Up);
        if let Some(topic) = &self.wish.presence {
            self.publisher.publish(topic.clone(), WATCHING.into());
        }
        self.up.send_replace(Some(client));
    }

    fn hand_on(&mut self, publish: rumqttc::Publish) {
        if self.twice.is_copy(&publish, (self.ticks)()) {
            return;
        }
        // A copy: a slice of the client's read buffer would keep the whole buffer alive while it waits.
        let payload = publish.payload.to_vec();
        self.outlet.offer(Message { topic: publish.topic, payload, retained: publish.retain });
    }

    /// What was read before the error and not yet handed on.
    fn rescue(&mut self, mut eventloop: EventLoop) {
        while let Some(event) = eventloop.state.events.pop_front() {
            if let Event::Incoming(Packet::Publish(publish)) = event {
                self.hand_on(publish);
            }
        }
    }
}

/// How long to wait before the next try: doubling, between half of it and all of it by `chance` (0 to 1), so that the
/// clients of one broker do not all come back at once.
fn backoff(pace: &Pace, failures: u32, chance: f64) -> Duration {
    let doubled = pace.backoff_first.saturating_mul(1 << failures.saturating_sub(1).min(16));
    doubled.min(pace.backoff_most).mul_f64(0.5 + 0.5 * chance).max(pace.backoff_first)
}

/// 0 to 1, by the system's randomness; where there is none, no jitter.
fn chance() -> f64 {
    let mut byte = [255_u8];
    let _ = getrandom::fill(&mut byte);
    f64::from(byte[0]) / 255.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn backing_off_doubles_up_to_its_limit_and_never_ends() {
        let pace = Pace::default();
        assert_eq!(backoff(&pace, 0, 0.0), Duration::from_secs(1));
        assert_eq!(backoff(&pace, 1, 1.0), Duration::from_secs(1));
        assert_eq!(backoff(&pace, 4, 1.0), Duration::from_secs(8));
        assert_eq!(backoff(&pace, 4, 0.0), Duration::from_secs(4));
        assert_eq!(backoff(&pace, u32::MAX, 1.0), Duration::from_secs(30));
        assert_eq!(backoff(&pace, u32::MAX, 0.0), Duration::from_secs(15));
    }
}
