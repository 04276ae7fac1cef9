//! A message that comes once for each of our filters that it matches, as MQTT 3.1.1 (section 3.3.5) lets a broker send it: heard
//! once. Filters that another one covers are not asked for; these are the ones that only overlap, as `a/+` and `+/b`.

use rumqttc::Publish;
use std::collections::BTreeMap;
use std::time::Duration;

/// A broker sends the copies one right after the other.
const WITHIN: Duration = Duration::from_millis(250);
/// Topics whose last message is kept.
const MOST_TOPICS: usize = 4_096;

/// What may come twice.
#[derive(Debug)]
pub(super) struct Twice {
    /// Those that overlap with another one.
    filters: Vec<String>,
    last: BTreeMap<String, Last>,
}

#[derive(Debug)]
struct Last {
    at: Duration,
    /// Copies that may still come.
    copies: usize,
    payload: Vec<u8>,
    retained: bool,
}

impl Twice {
    pub fn new(filters: &[String]) -> Twice {
        let meets = |one: &&String| filters.iter().any(|other| other != *one && meet(one, other));
        Twice { filters: filters.iter().filter(meets).cloned().collect(), last: BTreeMap::new() }
    }

    /// Whether this is a copy of what came `WITHIN` before. `at`: real time since any origin.
    pub fn is_copy(&mut self, publish: &Publish, at: Duration) -> bool {
        if self.filters.is_empty() {
            return false;
        }
        let matching = self.filters.iter().filter(|filter| rumqttc::matches(&publish.topic, filter)).count();
        if matching < 2 {
            return false;
        }
        if let Some(last) = self.last.get_mut(&publish.topic)
            && last.copies > 0
            && at.saturating_sub(last.at) < WITHIN
            && last.retained == publish.retain
            && last.payload == publish.payload
        {
            last.copies -= 1;
            return true;
        }
        if self.last.len() >= MOST_TOPICS {
            self.last.clear();
        }
        let (payload, retained) = (publish.payload.to_vec(), publish.retain);
        self.last.insert(publish.topic.clone(), Last { at, copies: matching - 1, payload, retained });
        false
    }
}

/// Whether some topic matches both filters.
fn meet(one: &str, other: &str) -> bool {
    // A wildcard in front matches no topic with a dollar (section 4.7.2).
    if one.starts_with('$') != other.starts_with('$') {
        return false;
    }
    let (mut a, mut b) = (one.split('/'), other.split('/'));
    loop {
        match (a.next(), b.next()) {
            // `a/#` matches `a` as well.
            (Some("#"), _) | (_, Some("#")) | (None, None) => return true,
            (Some(x), Some(y)) if x == y || x == "+" || y == "+" => {}
            _ => return false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rumqttc::QoS;

    #[test]
    fn filters_that_some_topic_matches_both_meet() {
        for (one, other, so) in [
            ("a/+", "+/b", true),
            ("a/+", "a/b/+", false),
            ("a/+/c", "+/b/c", true),
            ("a/+", "b/+", false),
            ("a/#", "+/b", true),
            ("a", "a/#", true),
            ("+/x", "$SYS/x", false),
        ] {
            assert_eq!((meet(one, other), meet(other, one)), (so, so), "{one} {other}");
        }
    }

    #[test]
    fn a_copy_is_known_by_its_bytes_and_its_moment() {
        let filters = ["a/+", "+/b", "c"].map(String::from);
        let mut twice = Twice::new(&filters);
        let mut hear = |topic: &str, payload: &str, ms: u64| {
            let publish = Publish::new(topic, QoS::AtLeastOnce, payload);
            !twice.is_copy(&publish, Duration::from_millis(ms))
        };
        assert!(hear("a/b", "1", 0) && !hear("a/b", "1", 1), "two filters, one message");
        assert!(hear("a/b", "1", 2), "two filters give two copies, not three");
        assert!(hear("a/b", "2", 3) && !hear("a/b", "2", 4));
        assert!(hear("a/b", "2", 400), "a sensor that says the same again");
        assert!(
            hear("a/x", "1", 0) && hear("a/x", "1", 0) && hear("c", "1", 0) && hear("c", "1", 0),
            "one filter each"
        );
    }
}
