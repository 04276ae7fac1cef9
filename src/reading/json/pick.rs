//! The element of an array that a link picks by one of its members.

use super::{Key, KeySeed, Seed, Walk};
use serde::de::{DeserializeSeed, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};
use std::fmt;

/// One element of the array to pick from: read as if it were the one, taken back when it is not.
pub(super) struct Element<'w, 'a> {
    pub(super) node: usize,
    pub(super) member: &'a str,
    pub(super) equals: &'a str,
    pub(super) walk: &'w mut Walk<'a>,
}

impl<'de> DeserializeSeed<'de> for Element<'_, '_> {
    type Value = ();
    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Element<'_, '_> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("an element of the array to pick from")
    }
    fn visit_bool<E>(self, _: bool) -> Result<(), E> {
        Ok(())
    }
    fn visit_i64<E>(self, _: i64) -> Result<(), E> {
        Ok(())
    }
    fn visit_u64<E>(self, _: u64) -> Result<(), E> {
        Ok(())
    }
    fn visit_f64<E>(self, _: f64) -> Result<(), E> {
        Ok(())
    }
    fn visit_str<E>(self, _: &str) -> Result<(), E> {
        Ok(())
    }
    fn visit_unit<E>(self) -> Result<(), E> {
        Ok(())
    }
    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<(), A::Error> {
        while seq.next_element::<IgnoredAny>()?.is_some() {}
        Ok(())
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        let tree = self.walk.tree;
        let Some(node) = tree.nodes.get(self.node) else { return Ok(()) };
        let before = self.walk.found.mark();
        let mut is_it = None;
        while let Some(child) = map.next_key_seed(KeySeed { node, member: Some(self.member) })? {
            match child {
                // A member that is there twice and differs picks nothing.
                Key::Member => {
                    let same = map.next_value_seed(Equals(self.equals))?;
                    is_it = Some(same && is_it != Some(false));
                }
                Key::Child(node) => map.next_value_seed(Seed { node, inside: true, walk: &mut *self.walk })?,
                Key::Other => drop(map.next_value::<IgnoredAny>()?),
            }
        }
        if is_it == Some(true) {
            self.walk.picked = true;
        } else {
            self.walk.found.back_to(before);
        }
        Ok(())
    }
}

/// Whether a JSON text or integer equals a text.
struct Equals<'a>(&'a str);

impl<'de> DeserializeSeed<'de> for Equals<'_> {
    type Value = bool;
    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<bool, D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Equals<'_> {
    type Value = bool;
    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a text or an integer")
    }
    fn visit_bool<E>(self, _: bool) -> Result<bool, E> {
        Ok(false)
    }
    fn visit_i64<E>(self, v: i64) -> Result<bool, E> {
        Ok(self.0.parse() == Ok(v))
    }
    fn visit_u64<E>(self, v: u64) -> Result<bool, E> {
        Ok(self.0.parse() == Ok(v))
    }
    fn visit_f64<E>(self, _: f64) -> Result<bool, E> {
        Ok(false)
    }
    fn visit_str<E>(self, v: &str) -> Result<bool, E> {
        Ok(self.0 == v)
    }
    fn visit_unit<E>(self) -> Result<bool, E> {
        Ok(false)
    }
    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<bool, A::Error> {
        while seq.next_element::<IgnoredAny>()?.is_some() {}
        Ok(false)
    }
    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<bool, A::Error> {
        while map.next_entry::<IgnoredAny, IgnoredAny>()?.is_some() {}
        Ok(false)
    }
}
