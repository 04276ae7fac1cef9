//! Topic patterns: levels of which any may be one `{name}` that captures it, and the MQTT filters that subscribe to them.

/// The longest topic that is looked at, in bytes.
pub const LONGEST_TOPIC: usize = 1_024;

#[derive(Clone, Debug, PartialEq, Eq)]
enum Level {
    Word(String),
    Capture(String),
}

/// A compiled topic of a link.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pattern {
    levels: Vec<Level>,
}

impl Pattern {
    pub fn new(topic: &str) -> Pattern {
        let level = |text: &str| match text.strip_prefix('{').and_then(|t| t.strip_suffix('}')) {
            Some(name) => Level::Capture(name.to_owned()),
            None => Level::Word(text.to_owned()),
        };
        Pattern { levels: topic.split('/').map(level).collect() }
    }

    /// Whether nothing is captured.
    pub fn is_plain(&self) -> bool {
        self.levels.iter().all(|l| matches!(l, Level::Word(_)))
    }

    /// Whether the topic fits; pushes (name, word) of every capture. A capture takes exactly one level, which is not empty.
    /// Like MQTT's own wildcards (MQTT 3.1.1, 4.7.2), a leading capture never takes a level that begins with `$`.
    pub fn fits<'a>(&'a self, topic: &'a str, captured: &mut Vec<(&'a str, &'a str)>) -> bool {
        captured.clear();
        let mut words = topic.split('/');
        for (i, level) in self.levels.iter().enumerate() {
            let Some(word) = words.next() else { return false };
            match level {
                Level::Word(wanted) if wanted == word => {}
                Level::Word(_) => return false,
                Level::Capture(_) if word.is_empty() || (i == 0 && word.starts_with('$')) => return false,
                Level::Capture(name) => captured.push((name, word)),
            }
        }
        words.next().is_none()
    }

    /// The MQTT subscription that brings every fitting topic.
    pub fn filter(&self) -> String {
        let word = |level: &Level| match level {
            Level::Word(word) => word.clone(),
            Level::Capture(_) => "+".to_owned(),
        };
        self.levels.iter().map(word).collect::<Vec<_>>().join("/")
    }
}

/// Sorted and without those that another covers: a broker may deliver a message once for every overlapping subscription
/// (MQTT 3.1.1, 3.3.5), and each copy would count as a reading.
pub fn deduplicate(mut filters: Vec<String>) -> Vec<String> {
    filters.sort();
    filters.dedup();
    let all = filters.clone();
    filters.retain(|f| !all.iter().any(|other| other != f && covers(other, f)));
    filters
}

fn covers(wide: &str, narrow: &str) -> bool {
    let (mut wide, mut narrow) = (wide.split('/'), narrow.split('/'));
    let mut first = true;
    loop {
        match (wide.next(), narrow.next()) {
            (None, None) => return true,
            (Some("+"), Some(n)) if !(first && n.starts_with('$')) => {}
            (Some(w), Some(n)) if w == n => {}
            _ => return false,
        }
        first = false;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn captures_take_one_level_each() {
        let pattern = Pattern::new("rack/{enclosure}/{place}/temperature");
        let mut captured = Vec::new();
        assert!(pattern.fits("rack/a3/w/temperature", &mut captured));
        assert_eq!(captured, [("enclosure", "a3"), ("place", "w")]);
        for other in ["rack/a3/temperature", "rack/a3/w/x/temperature", "rack//w/temperature", "rack/a3/w/humidity", ""]
        {
            assert!(!pattern.fits(other, &mut captured), "{other}");
        }
        assert_eq!(pattern.filter(), "rack/+/+/temperature");
    }

    #[test]
    fn a_leading_capture_never_takes_a_broker_topic() {
        let fits = |pattern: &str, topic: &str| Pattern::new(pattern).fits(topic, &mut Vec::new());
        assert!(!fits("{enclosure}/uptime", "$SYS/uptime"));
        assert!(fits("{enclosure}/uptime", "a1/uptime"));
        assert!(fits("a/{x}", "a/$b"), "only the first level is special");
    }

    #[test]
    fn covered_filters_go() {
        let filters = ["rack/+/t", "rack/a3/t", "rack/+/t", "$x/y", "+/y", "a/y"].map(str::to_owned).to_vec();
        assert_eq!(deduplicate(filters), ["$x/y", "+/y", "rack/+/t"]);
    }
}
