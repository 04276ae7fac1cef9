//! One link's payload to numbers: picks the reader for its shape, and holds what was found while it is collected.

use super::json::Tree;
use super::number::Pins;
use super::refusal::Refusal;
use super::senml::Pack;
use super::settings::{Link, Shape};
use super::stamp;
use super::{json, number};
use crate::terms::time::Wall;

/// The longest payload that is looked at, in bytes. A gateway's dump of a hundred sensors is about 20 KiB.
pub const LONGEST_PAYLOAD: usize = 256 * 1_024;

/// How one link's payloads are read.
#[derive(Clone, Debug)]
pub struct Decoder {
    shape: Shape,
    /// Of each read: whether its quantity is a state (0 or 1).
    states: Vec<bool>,
    form: Form,
}

#[derive(Clone, Debug)]
enum Form {
    Bare,
    Json(Tree),
    /// Of each read its column, and that of the time.
    Columns {
        separator: String,
        count: usize,
        reads: Vec<usize>,
        time: Option<usize>,
    },
    Senml(Pack),
}

/// What a payload gave: reused for every message, so that the steady state allocates nothing.
#[derive(Clone, Debug, Default)]
pub struct Found {
    /// Of each read of the link; `None`: not in this message.
    pub slots: Vec<Option<Result<f64, Refusal>>>,
    /// The payload's own time.
    pub measured: Option<Wall>,
    /// A time was there and could not be read.
    pub bad_time: bool,
    /// Values in our units with times of their own, as SenML packs have them: (read, value, time).
    pub timed: Vec<(usize, f64, Option<Wall>)>,
    saved: Vec<Option<Result<f64, Refusal>>>,
}

impl Found {
    pub(super) fn clear(&mut self, reads: usize) {
        self.slots.clear();
        self.slots.resize(reads, None);
        self.measured = None;
        self.bad_time = false;
        self.timed.clear();
    }

    /// Remembers what is found so far; [`Found::back_to`] forgets what came after. One mark at a time.
    pub(super) fn mark(&mut self) -> (Option<Wall>, bool) {
        self.saved.clone_from(&self.slots);
        (self.measured, self.bad_time)
    }
    pub(super) fn back_to(&mut self, mark: (Option<Wall>, bool)) {
        std::mem::swap(&mut self.slots, &mut self.saved);
        (self.measured, self.bad_time) = mark;
    }
}

impl Decoder {
    pub fn new(link: &Link) -> Decoder {
        let shape = link.shape.clone();
        let states = link.reads.iter().map(|r| r.what.quantity().is_state()).collect();
        let pointers = || link.reads.iter().map(|r| r.pointer.as_deref());
        let column = |p: Option<&str>| p.and_then(|p| p.strip_prefix('/')).and_then(|n| n.parse().ok());
        let form = if shape.senml {
            Form::Senml(Pack::new(&link.reads, shape.pick.as_ref()))
        } else if let Some((separator, count)) = shape.columns.clone() {
            // A read without a column can never be answered: an index beyond all columns says so.
            let reads = pointers().map(|p| column(p).unwrap_or(usize::MAX)).collect();
            Form::Columns { separator, count, reads, time: column(link.time.as_deref()) }
        } else if link.time.is_some() || shape.pick.is_some() || shape.text_number || pointers().any(|p| p.is_some()) {
            Form::Json(Tree::new(pointers(), link.time.as_deref(), shape.pick.clone()))
        } else {
            Form::Bare
        };
        Decoder { shape, states, form }
    }

    /// Reads a payload into `found`. `Err`: the payload as a whole is none of this link's.
    pub fn decode(&self, payload: &[u8], arrived: Wall, found: &mut Found) -> Result<(), Refusal> {
        found.clear(self.states.len());
        if payload.len() > LONGEST_PAYLOAD {
            return Err(Refusal::TooLong);
        }
        if let Form::Senml(pack) = &self.form {
            return pack.read(payload, &self.shape, arrived, found);
        }
        let text = std::str::from_utf8(payload).map_err(|_| Refusal::NotUtf8)?;
        match &self.form {
            Form::Bare => {
                for (slot, state) in found.slots.iter_mut().zip(&self.states) {
                    *slot = Some(Pins { shape: &self.shape, state: *state }.text(text));
                }
                Ok(())
            }
            _ if text.trim_ascii().is_empty() => Err(Refusal::Empty),
            Form::Json(tree) => tree.read(text, &self.shape, &self.states, found),
            Form::Columns { separator, count, reads, time } => {
                self.columns(text, (separator, *count), reads, *time, found)
            }
            Form::Senml(_) => Err(Refusal::BadPack),
        }
    }

    fn columns(
        &self,
        text: &str,
        (separator, count): (&str, usize),
        reads: &[usize],
        time: Option<usize>,
        found: &mut Found,
    ) -> Result<(), Refusal> {
        let text = text.trim_ascii();
        if separator.is_empty() || text.split(separator).count() != count {
            return Err(Refusal::Columns);
        }
        for ((slot, column), state) in found.slots.iter_mut().zip(reads).zip(&self.states) {
            let pins = Pins { shape: &self.shape, state: *state };
            *slot = text.split(separator).nth(*column).map(|text| pins.text(text));
        }
        if let Some(text) = time.and_then(|column| text.split(separator).nth(column)) {
            found.measured = stamp::read(number::Scalar::Text(text));
            found.bad_time = found.measured.is_none();
        }
        Ok(())
    }
}

/// Whether `text` is a pointer by RFC 6901 that a link may use.
pub fn is_pointer(text: &str) -> bool {
    text.is_empty() || (text.starts_with('/') && json::tokens(text).count() <= DEEPEST_POINTER)
}

/// The most tokens of a pointer; serde_json itself stops at 128 levels.
pub const DEEPEST_POINTER: usize = 32;
