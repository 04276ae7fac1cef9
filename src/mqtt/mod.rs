//! The broker: messages in, states and outcomes out, and everything that can make the link go deaf said aloud.
//!
//! It speaks MQTT 3.1.1, which every broker does. Version 5 would let a broker hold back a retained message that is too large,
//! which here is named instead; it is left out because the client's version 5 is a
//! second interface with types of its own, for a fifth more work a message.
//!
//! rumqttc is the client and stays behind this room. What is known to make it deaf, and what is done here:
//!
//! | what happens | remedy | tried by (`tests/link`, with a real broker `tests/real_broker`) |
//! |---|---|---|
//! | a reconnect does not subscribe again; requests queued before it vanish | every connection is a new client, which subscribes once on its CONNACK | `every_connection_subscribes_…`, `a_broker_that_restarts_…` |
//! | a subscription is refused, or never answered | SUBACK codes are read; no SUBACK in time ends the connection | `a_denied_topic_…`, `with_every_topic_denied_…`, `a_subscription_that_is_never_answered_…` |
//! | a subscription is granted and nothing comes | a link that was never heard is a finding of its own | `tls_login_and_access_list`, `tests/judges` |
//! | a retained message over the size limit ends every connection | the limit is 16 MiB; a second time in a row is [`Trouble::Oversize`] | `an_oversize_message_…`, `huge_retained_messages_…` |
//! | a link that is half open | keep-alive of 15 s | `a_half_open_link_…`, `a_frozen_broker_…` |
//! | a write, or a connecting, that never returns | a time limit around every poll; then a new client | `a_write_that_never_returns_…`, `a_broker_that_accepts_and_is_silent_…` |
//! | a slow consumer is cut off by the broker | the polling task only decodes and hands on; it waits only for a loop that keeps pace, and counts what does not fit | `a_loop_that_is_busy_…`, `a_loop_that_keeps_pace_…` (`queue.rs`) |
//! | reconnecting at once, for ever | back-off from 1 to 30 s with jitter | `it_backs_off_…` |
//! | two clients with one id | the id is made of the store's random part; closed three times right after connecting is [`Trouble::SameId`] | `three_closes_…`, `two_clients_of_one_id_…` |
//! | publishing from the polling task deadlocks | only the publisher's own task publishes, and only while the link is up | `states_and_messages_pass_each_other` |
//! | one message comes once for each filter that it matches | covered filters are not asked for, copies are heard once | `a_message_that_two_filters_match_…`, `overlapping_filters_…` |
//! | a session that is kept replays old readings as if they were new | sessions are clean | `every_connection_subscribes_…` |
//! | a message at QoS 2 that is sent again ends every connection | the subscription is at QoS 1, and so is all that comes | `every_connection_subscribes_…` |
//! | settings that make the client panic | are checked before it sees them | `settings_that_would_panic_…` (`options.rs`) |

#[cfg(feature = "builtin-broker")]
pub mod builtin;
pub mod filter;
pub mod link;
mod options;
mod publish;
mod queue;
pub mod sensor;
pub mod settings;
mod twice;
mod why;

pub use publish::Publisher;
pub use queue::{Inbox, Message};

use std::fmt;

/// What the link hands to the loop, in the order in which it happened.
#[derive(Debug)]
pub enum Incoming {
    Message(Message),
    /// Connected and subscribed.
    Up,
    /// The connection is lost, or was never made.
    Lost(Trouble),
    /// Something that needs somebody, while the link may well be up.
    Trouble(Trouble),
}

/// Why the link does not hear, or not all, in words that an operator can act on. Holds no secret.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Trouble {
    /// What the configuration says cannot work.
    Settings(String),
    /// No connection: not found, refused, timed out.
    Connect(String),
    /// The broker does not want us.
    Refused(String),
    /// The connection broke.
    Broken(String),
    /// Nothing moved within the time limit.
    Stalled,
    /// A message is larger than we read, again and again: most likely one that the broker has retained.
    Oversize { bytes: usize },
    /// Closed right after connecting, three times in a row.
    SameId { client_id: String },
    /// The broker refuses these topics.
    Denied { filters: Vec<String> },
}

impl fmt::Display for Trouble {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Trouble::Settings(why) => f.write_str(why),
            Trouble::Connect(why) => write!(f, "the broker cannot be reached: {why}"),
            Trouble::Refused(why) => write!(f, "the broker refuses us: {why}"),
            Trouble::Broken(why) => write!(f, "the connection to the broker broke: {why}"),
            Trouble::Stalled => f.write_str("the connection to the broker hung and was given up"),
            Trouble::Oversize { bytes } => write!(
                f,
                "a message of {bytes} bytes ends every connection: find the topic with the huge retained message on \
                 the broker and clear it"
            ),
            Trouble::SameId { client_id } => write!(
                f,
                "the broker closes right after connecting, again and again: does another client use the id \
                 {client_id}, or does the broker forbid something?"
            ),
            Trouble::Denied { filters } => {
                write!(f, "the broker refuses to send these topics: {}", filters.join(", "))
            }
        }
    }
}

impl std::error::Error for Trouble {}
