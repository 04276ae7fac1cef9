//! Which topics are one pattern: they differ in one level only, and are written alike.

use super::draft::Names;
use super::guess::names_quantity;
use super::{Survey, Topic};
use crate::reading::topic;
use std::collections::BTreeMap;

/// Topics that differ in one level only.
#[derive(Clone, Debug)]
pub struct Pattern<'a> {
    /// With `{enclosure}` or `{room}` for that level.
    pub topic: String,
    /// What stood there.
    pub captured: Vec<&'a str>,
    pub of: &'a Topic,
    pub first: &'a str,
}

/// Topics that may become a pattern, and the word of each that differs.
struct Group<'a> {
    topic: String,
    members: Vec<(&'a str, &'a Topic, Option<&'a str>)>,
}

impl<'a> Group<'a> {
    /// One pattern of them all; or each by itself, where the pattern would bring others too: a message for two links.
    fn patterns(&self, survey: &Survey) -> Vec<Pattern<'a>> {
        let compiled = topic::Pattern::new(&self.topic);
        let ours = |topic: &str| self.members.iter().any(|(member, ..)| *member == topic);
        let others = survey.topics().keys().any(|t| !ours(t) && compiled.fits(t, &mut Vec::new()));
        match self.members[..] {
            [(first, of, _), ..] if !others => {
                let captured = self.members.iter().filter_map(|(.., word)| *word).collect();
                vec![Pattern { topic: self.topic.clone(), captured, of, first }]
            }
            _ => {
                let alone = |(topic, of, word): &(&'a str, &'a Topic, Option<&'a str>)| Pattern {
                    topic: (*topic).to_owned(),
                    captured: word.iter().copied().collect(),
                    of,
                    first: topic,
                };
                self.members.iter().map(alone).collect()
            }
        }
    }
}

/// Groups topics by the level in which most of their kind differ; a level that holds the keeper's ids goes first.
pub fn patterns<'a>(survey: &'a Survey, names: &Names) -> Vec<Pattern<'a>> {
    let with = |topic: &str, level: usize, word: &str| {
        topic.split('/').enumerate().map(|(i, l)| if i == level { word } else { l }).collect::<Vec<_>>().join("/")
    };
    let key = |topic: &str, level: usize, of: &Topic| {
        let pointers: Vec<&String> = of.fields.keys().collect();
        format!("{}\n{pointers:?}{:?}", with(topic, level, "{}"), of.shape)
    };
    let mut sizes: BTreeMap<String, usize> = BTreeMap::new();
    for (topic, of) in survey.topics() {
        for level in 0..topic.split('/').count() {
            *sizes.entry(key(topic, level, of)).or_default() += 1;
        }
    }
    let mut found: BTreeMap<String, Group<'a>> = BTreeMap::new();
    for (topic, of) in survey.topics() {
        let words: Vec<&str> = topic.split('/').collect();
        let ours = words.iter().position(|w| names.is_known(w));
        let size = |level: usize| sizes.get(&key(topic, level, of)).copied().unwrap_or(1);
        // Of equals the earlier one is more likely the enclosure's.
        let likely = (0..words.len())
            .filter(|l| size(*l) > 1 && words.get(*l).is_some_and(|word| !names_quantity(word)))
            .max_by_key(|l| (size(*l), usize::MAX - l));
        let level = ours.or(likely);
        let alike = level.is_some_and(|l| size(l) > 1);
        let room = ours.and_then(|l| words.get(l)).is_some_and(|w| names.rooms.contains(*w));
        let name = if room { "{room}" } else { "{enclosure}" };
        let (pattern, id) = match level.filter(|_| alike) {
            Some(level) => (with(topic, level, name), key(topic, level, of)),
            None => (topic.clone(), topic.clone()),
        };
        let word = level.and_then(|l| words.get(l).copied());
        let entry = found.entry(format!("{id}{room}"));
        let entry = entry.or_insert_with(|| Group { topic: pattern, members: Vec::new() });
        entry.members.push((topic, of, word));
    }
    found.values().flat_map(|group| group.patterns(survey)).collect()
}
