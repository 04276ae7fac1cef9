//! Numbers out of a JSON document by RFC 6901 pointers: one pass over the bytes, nothing kept that no pointer asks for.

mod pick;

use super::decode::Found;
use super::number::{Pins, Scalar};
use super::refusal::Refusal;
use super::settings::Shape;
use super::stamp;
use pick::Element;
use serde::de::{DeserializeSeed, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};
use std::fmt;

/// All pointers of a link as one tree, so that a document is walked once however many of them there are.
#[derive(Clone, Debug)]
pub struct Tree {
    nodes: Vec<Node>,
    pick: Option<(String, String)>,
}

#[derive(Clone, Debug, Default)]
struct Node {
    children: Vec<(String, usize)>,
    reads: Vec<usize>,
    time: bool,
}

impl Tree {
    /// `pointers`: of each read, in order; `None` and `""` are the whole document.
    pub fn new<'a>(
        pointers: impl Iterator<Item = Option<&'a str>>,
        time: Option<&str>,
        pick: Option<(String, String)>,
    ) -> Tree {
        let mut tree = Tree { nodes: vec![Node::default()], pick };
        for (read, pointer) in pointers.enumerate() {
            let node = tree.grow(pointer.unwrap_or_default());
            if let Some(node) = tree.nodes.get_mut(node) {
                node.reads.push(read);
            }
        }
        if let Some(time) = time {
            let node = tree.grow(time);
            if let Some(node) = tree.nodes.get_mut(node) {
                node.time = true;
            }
        }
        tree
    }

    fn grow(&mut self, pointer: &str) -> usize {
        let mut at = 0;
        for token in tokens(pointer) {
            let next = self.nodes.len();
            let Some(node) = self.nodes.get_mut(at) else { return 0 };
            at = match node.children.iter().find(|(key, _)| *key == token) {
                Some((_, child)) => *child,
                None => {
                    node.children.push((token, next));
                    self.nodes.push(Node::default());
                    next
                }
            };
        }
        at
    }

    /// Fills `found.slots`. Refuses the whole document when it is no JSON, or when the element to pick is not there.
    pub fn read(&self, text: &str, shape: &Shape, states: &[bool], found: &mut Found) -> Result<(), Refusal> {
        let mut walk = Walk { tree: self, shape, states, found, picked: false };
        let mut document = serde_json::Deserializer::from_str(text);
        let whole = Seed { node: 0, inside: self.pick.is_none(), walk: &mut walk }
            .deserialize(&mut document)
            .and_then(|()| document.end());
        let picked = walk.picked || self.pick.is_none();
        match whole {
            Ok(()) if picked => Ok(()),
            Ok(()) => Err(Refusal::NotPicked),
            // serde_json has no other way to tell this one apart; off the fast path, so the text costs nothing that matters.
            Err(e) if e.to_string().starts_with("number out of range") => Err(Refusal::OutOfRange),
            Err(_) => Err(Refusal::NotJson),
        }
    }
}

/// The unescaped tokens of an RFC 6901 pointer: `~1` is `/` and `~0` is `~`.
pub fn tokens(pointer: &str) -> impl Iterator<Item = String> + '_ {
    pointer.split('/').skip(1).map(|token| token.replace("~1", "/").replace("~0", "~"))
}

struct Walk<'a> {
    tree: &'a Tree,
    shape: &'a Shape,
    states: &'a [bool],
    found: &'a mut Found,
    picked: bool,
}

impl Walk<'_> {
    fn scalar(&mut self, node: usize, scalar: Scalar<'_>) {
        let Some(node) = self.tree.nodes.get(node) else { return };
        for read in &node.reads {
            let state = self.states.get(*read).copied().unwrap_or_default();
            if let Some(slot) = self.found.slots.get_mut(*read) {
                let value = Pins { shape: self.shape, state }.json(scalar);
                *slot = Some(if slot.is_some() { Err(Refusal::Ambiguous) } else { value });
            }
        }
        if node.time {
            let time = stamp::read(scalar);
            // A second time of the same name makes both worthless.
            self.found.bad_time |= time.is_none() || self.found.measured.is_some();
            self.found.measured = if self.found.bad_time { None } else { time };
        }
    }
}

/// The value under one node of the tree. `inside`: no array has to be picked from any more.
struct Seed<'w, 'a> {
    node: usize,
    inside: bool,
    walk: &'w mut Walk<'a>,
}

impl<'de> DeserializeSeed<'de> for Seed<'_, '_> {
    type Value = ();
    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Seed<'_, '_> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("any JSON value")
    }
    fn visit_bool<E>(self, v: bool) -> Result<(), E> {
        self.walk.scalar(self.node, Scalar::Bool(v));
        Ok(())
    }
    fn visit_i64<E>(self, v: i64) -> Result<(), E> {
        self.walk.scalar(self.node, Scalar::Number(v as f64));
        Ok(())
    }
    fn visit_u64<E>(self, v: u64) -> Result<(), E> {
        self.walk.scalar(self.node, Scalar::Number(v as f64));
        Ok(())
    }
    fn visit_f64<E>(self, v: f64) -> Result<(), E> {
        self.walk.scalar(self.node, Scalar::Number(v));
        Ok(())
    }
    fn visit_str<E>(self, v: &str) -> Result<(), E> {
        self.walk.scalar(self.node, Scalar::Text(v));
        Ok(())
    }
    fn visit_unit<E>(self) -> Result<(), E> {
        self.walk.scalar(self.node, Scalar::Null);
        Ok(())
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        self.walk.scalar(self.node, Scalar::Nested);
        let tree = self.walk.tree;
        let Some(node) = tree.nodes.get(self.node) else { return Ok(()) };
        while let Some(child) = map.next_key_seed(KeySeed { node, member: None })? {
            match child {
                Key::Child(node) => map.next_value_seed(Seed { node, inside: self.inside, walk: &mut *self.walk })?,
                Key::Member | Key::Other => drop(map.next_value::<IgnoredAny>()?),
            }
        }
        Ok(())
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<(), A::Error> {
        let tree = self.walk.tree;
        let Some(node) = tree.nodes.get(self.node) else { return Ok(()) };
        if let (false, Some((member, equals))) = (self.inside, &tree.pick) {
            // The array stands for its picked element: pointers go on inside it.
            while seq.next_element_seed(Element { node: self.node, member, equals, walk: &mut *self.walk })?.is_some() {
            }
            return Ok(());
        }
        self.walk.scalar(self.node, Scalar::Nested);
        let mut index = 0_usize;
        loop {
            // `children` holds a handful of keys; comparing as numbers keeps a leading zero from being an index (RFC 6901, 4).
            let child = node.children.iter().find(|(key, _)| is_index(key, index)).map(|(_, child)| *child);
            let more = match child {
                Some(node) => {
                    seq.next_element_seed(Seed { node, inside: self.inside, walk: &mut *self.walk })?.is_some()
                }
                None => seq.next_element::<IgnoredAny>()?.is_some(),
            };
            if !more {
                return Ok(());
            }
            index += 1;
        }
    }
}

fn is_index(key: &str, index: usize) -> bool {
    key.bytes().all(|b| b.is_ascii_digit()) && !(key.len() > 1 && key.starts_with('0')) && key.parse() == Ok(index)
}

enum Key {
    Child(usize),
    /// The member that `pick` compares.
    Member,
    Other,
}

struct KeySeed<'a> {
    node: &'a Node,
    member: Option<&'a str>,
}

impl<'de> DeserializeSeed<'de> for KeySeed<'_> {
    type Value = Key;
    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Key, D::Error> {
        deserializer.deserialize_str(self)
    }
}

impl Visitor<'_> for KeySeed<'_> {
    type Value = Key;
    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a member's name")
    }
    fn visit_str<E>(self, key: &str) -> Result<Key, E> {
        if self.member == Some(key) {
            return Ok(Key::Member);
        }
        let child = self.node.children.iter().find(|(k, _)| k == key);
        Ok(child.map_or(Key::Other, |(_, child)| Key::Child(*child)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    type Slots = Vec<Option<Result<f64, Refusal>>>;

    fn read(text: &str, pointers: &[&str], pick: Option<(&str, &str)>) -> Result<Slots, Refusal> {
        let pick = pick.map(|(m, e)| (m.to_owned(), e.to_owned()));
        let tree = Tree::new(pointers.iter().map(|p| Some(*p)), Some("/ts"), pick);
        let mut found = Found::default();
        found.clear(pointers.len());
        tree.read(text, &Shape::default(), &vec![false; pointers.len()], &mut found).map(|()| found.slots)
    }

    #[test]
    fn pointers_of_rfc_6901() {
        // The document of RFC 6901, section 5, with its numbers.
        let text = r#"{"foo":["bar",1.5],"":0,"a/b":1,"c%d":2,"e^f":3,"g|h":4,"i\\j":5,"k\"l":6," ":7,"m~n":8}"#;
        let pointers = ["/foo/1", "/", "/a~1b", "/c%d", "/e^f", "/g|h", "/i\\j", "/k\"l", "/ ", "/m~0n"];
        let want: Slots = [1.5, 0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0].map(|v| Some(Ok(v))).to_vec();
        assert_eq!(read(text, &pointers, None), Ok(want));
        assert_eq!(read("[1,2]", &["/01", "/-", "/2", "/1"], None), Ok(vec![None, None, None, Some(Ok(2.0))]));
        assert_eq!(read("7.25", &[""], None), Ok(vec![Some(Ok(7.25))]));
    }

    #[test]
    fn a_pointer_may_be_absent_and_a_value_may_be_wrong() {
        let slots = read(r#"{"t":21,"h":null,"s":"21","o":{"x":1}}"#, &["/t", "/h", "/s", "/o", "/none"], None);
        let want = vec![
            Some(Ok(21.0)),
            Some(Err(Refusal::Null)),
            Some(Err(Refusal::WrongType)),
            Some(Err(Refusal::WrongType)),
            None,
        ];
        assert_eq!(slots, Ok(want));
    }

    #[test]
    fn doubled_keys_are_ambiguous() {
        assert_eq!(read(r#"{"t":1,"t":2}"#, &["/t"], None), Ok(vec![Some(Err(Refusal::Ambiguous))]));
        assert_eq!(read(r#"{"a":{"t":1},"a":{"t":1}}"#, &["/a/t"], None), Ok(vec![Some(Err(Refusal::Ambiguous))]));
    }

    #[test]
    fn what_is_no_json_is_refused_whole() {
        for text in
            ["{\"t\":1", "{\"t\":1}}", "{\"t\":NaN}", "{\"t\":1 \"u\":2}", "{\"t\":01}", "t", "{'t':1}", "{\"t\":1,}"]
        {
            assert_eq!(read(text, &["/t"], None), Err(Refusal::NotJson), "{text}");
        }
        assert_eq!(read("{\"t\":1e999}", &["/t"], None), Err(Refusal::OutOfRange));
        let deep = format!("{{\"t\":1,\"x\":{}{}}}", "[".repeat(50_000), "]".repeat(50_000));
        assert_eq!(
            read(&deep, &["/t"], None),
            Ok(vec![Some(Ok(1.0))]),
            "what nobody reads is skipped without recursion"
        );
    }

    #[test]
    fn an_element_is_picked_by_its_member_wherever_it_stands() {
        let text = r#"{"sensors":[{"t":21.5,"id":"28-0a"},{"id":"28-0b","t":22.5},{"t":1},7,[{"id":"28-0a","t":9}]]}"#;
        assert_eq!(read(text, &["/sensors/t"], Some(("id", "28-0b"))), Ok(vec![Some(Ok(22.5))]));
        assert_eq!(read(text, &["/sensors/t"], Some(("id", "28-0a"))), Ok(vec![Some(Ok(21.5))]));
        assert_eq!(read(text, &["/sensors/t"], Some(("id", "28-0c"))), Err(Refusal::NotPicked));
        assert_eq!(read(r#"[{"id":5,"t":1}]"#, &["/t"], Some(("id", "5"))), Ok(vec![Some(Ok(1.0))]));
        let twice = r#"[{"id":5,"t":1},{"id":5,"t":1}]"#;
        assert_eq!(read(twice, &["/t"], Some(("id", "5"))), Ok(vec![Some(Err(Refusal::Ambiguous))]));
        assert_eq!(read(r#"{"id":5,"t":1}"#, &["/t"], Some(("id", "5"))), Err(Refusal::NotPicked));
    }
}
