//! Everything that can reach the engine.

use crate::terms::time::{Span, Wall};
use serde::{Deserialize, Serialize};

/// What happened; always handed over with the `Now` at which it did.
#[derive(Clone, Debug, PartialEq)]
pub enum Event<'a> {
    /// A message from the broker.
    Message { topic: &'a str, payload: &'a [u8], retained: bool },
    /// The connection to the broker is lost (what is missed until `LinkUp` is a gap).
    LinkLost,
    /// Connected and subscribed.
    LinkUp,
    /// Why the link to the broker hears nothing, or not all, in words that a keeper can act on: a topic is refused, a
    /// huge retained message ends every connection, another client has our id. The link may be up all the same.
    LinkTrouble(String),
    /// The instant that `next_wake` asked for has come (or any later one).
    Wake,
    /// A keeper, or a program on a keeper's behalf, says something.
    Command(Command),
    /// What became of a mail.
    Post { notice: String, outcome: PostOutcome },
    /// What became of a commit.
    Store(StoreOutcome),
    /// The wall clock was found to be off by this much against others' clocks (positive: ours is ahead).
    ClockOff(Span),
    /// Whether the outpost outside hears our beat; why it has not done so for long.
    Outpost(Result<(), String>),
    /// Nobody watched for this long until now: we were not running, or the machine slept.
    Away(Span),
}

/// How long what was said by mistake can be taken back.
pub const TAKEN_BACK_WITHIN: Span = Span::min(10);

/// Who says it, and what.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Command {
    /// A keeper's id, or how else they are known.
    pub by: String,
    pub order: Order,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Order {
    HandsIn {
        enclosure: String,
        length: Span,
    },
    Shelve {
        enclosure: String,
        until: Wall,
    },
    Unshelve {
        enclosure: String,
    },
    AcknowledgeIncident {
        incident: String,
    },
    AcknowledgeEnclosure {
        enclosure: String,
    },
    /// An answer given by mistake a few minutes ago: nobody has it, reminders go on.
    TakeBack {
        incident: String,
    },
    Mark {
        enclosure: String,
        what: String,
    },
    /// A mark made by mistake a few minutes ago: it stays in the ledger, struck out.
    Strike {
        enclosure: String,
        what: String,
    },
    Drill,
}

#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum PostOutcome {
    Accepted,
    /// Will be tried again; the reason in words without secrets.
    Deferred(String),
    /// Given up.
    Refused(String),
}

#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum StoreOutcome {
    Healthy,
    /// In words that an operator can act on.
    Failing(String),
}
