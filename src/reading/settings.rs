//! What a link says: which topics, whose readings, in which shape and unit. Built by `config/`, obeyed here.

use super::{Slot, Target, homie};
use crate::terms::quantity::{Quantity, Unit};
use crate::terms::time::Span;

/// One `[[link]]` of the configuration.
#[derive(Clone, Debug, PartialEq)]
pub struct Link {
    /// As written: levels separated by `/`, of which any may be one `{name}` that captures it.
    pub topic: String,
    /// Whose readings these are; `None`: the topic's `{enclosure}` or `{room}` says.
    pub target: Option<Target>,
    /// One or more numbers in each message.
    pub reads: Vec<Read>,
    /// The topic's words → ours, where they differ (for every captured name).
    pub names: Vec<(String, String)>,
    /// Pointer to the payload's own time.
    pub time: Option<String>,
    /// The usual interval; `None`: learned.
    pub every: Option<Span>,
    pub shape: Shape,
}

impl Link {
    /// Its topic, and those by which its senders describe themselves.
    pub fn topics(&self) -> Vec<String> {
        let described = if self.shape.homie { homie::attributes(&self.topic) } else { Vec::new() };
        std::iter::once(self.topic.clone()).chain(described).collect()
    }

    /// Where in its payloads the number of a slot stands; `None`: the whole payload.
    pub fn pointer_of(&self, slot: Slot) -> Option<String> {
        let of = |what: What| match what {
            What::Slot(own) => own == slot,
            What::AtPlaceOfTopic(quantity) => matches!(slot, Slot::At(_, of) if of == quantity),
        };
        self.reads.iter().find(|read| of(read.what))?.pointer.clone()
    }
}

/// One number to take out of a message.
#[derive(Clone, Debug, PartialEq)]
pub struct Read {
    pub what: What,
    /// RFC 6901 pointer into JSON, `/2` for the third of `columns`, `/NAME` for a record of a SenML pack; `None`: the whole
    /// payload, or the only record.
    pub pointer: Option<String>,
    pub unit: Unit,
    /// Added after conversion, K. Only where a link reads one place.
    pub offset_k: f64,
}

/// Where a number belongs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum What {
    Slot(Slot),
    /// This quantity at the place that the topic's `{place}` names.
    AtPlaceOfTopic(Quantity),
}

impl What {
    pub const fn quantity(self) -> Quantity {
        match self {
            What::Slot(slot) => slot.quantity(),
            What::AtPlaceOfTopic(quantity) => quantity,
        }
    }
}

/// How a payload is pinned. The default is a bare JSON number or a JSON document.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Shape {
    /// The number stands in a JSON string.
    pub text_number: bool,
    /// The decimal sign where it is not `.`.
    pub decimal: Option<char>,
    /// Text after the number, taken off, required.
    pub suffix: Option<String>,
    /// Separator, and how many columns there must be.
    pub columns: Option<(String, usize)>,
    /// The words for on and off.
    pub words: Option<(String, String)>,
    /// In an array of objects, the one whose member equals a text: (member, equals). The first array on a pointer's way
    /// stands for its picked element: `/sensors/t` with `id` = `28-0a` reads `t` of that element of `sensors`.
    pub pick: Option<(String, String)>,
    pub senml: bool,
    /// The sender follows the Homie convention and describes itself: see [`super::homie`].
    pub homie: bool,
}
