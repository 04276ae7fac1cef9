//! Topic filters: what to subscribe to for the links of a house, with nothing asked for twice.

/// The filter of a link's topic: each captured `{name}` becomes `+`.
pub fn of_link(topic: &str) -> String {
    let levels = topic.split('/').map(|level| if level.starts_with('{') && level.ends_with('}') { "+" } else { level });
    levels.collect::<Vec<_>>().join("/")
}

/// The filters for these topics, without any that another one covers: MQTT 3.1.1 (section 3.3.5) lets a broker deliver
/// a message once for each of a client's filters that it matches, and each copy would count as a reading.
pub fn covering(topics: impl IntoIterator<Item = String>) -> Vec<String> {
    let mut filters: Vec<String> = topics.into_iter().map(|topic| of_link(&topic)).collect();
    filters.sort();
    filters.dedup();
    // Of two that cover each other, which no two true filters do, the first stays: nothing that was asked for is dropped.
    let goes = |one: &String, other: &String| covers(other, one) && (other < one || !covers(one, other));
    let kept = filters.iter().filter(|one| !filters.iter().any(|other| other != *one && goes(one, other)));
    kept.cloned().collect()
}

/// Whether every topic that `narrow` matches is matched by `wide` too.
fn covers(wide: &str, narrow: &str) -> bool {
    // `+` and `#` in front do not match `$SYS` and the like (section 4.7.2).
    if narrow.starts_with('$') != wide.starts_with('$') {
        return false;
    }
    let (mut wide_levels, mut narrow_levels) = (wide.split('/').peekable(), narrow.split('/'));
    while let Some(level) = wide_levels.next() {
        // Only as the last level does it stand for anything (section 4.7.1.2).
        if level == "#" && wide_levels.peek().is_none() {
            return true;
        }
        match narrow_levels.next() {
            Some(theirs) if level == theirs || (level == "+" && theirs != "#") => {}
            _ => return false,
        }
    }
    narrow_levels.next().is_none()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(topics: &[&str], want: &[&str]) {
        assert_eq!(covering(topics.iter().map(|t| t.to_string())), want, "{topics:?}");
    }

    #[test]
    fn nothing_is_asked_for_twice() {
        check(&["rack/{enclosure}/{place}/temperature"], &["rack/+/+/temperature"]);
        check(&["a/b", "a/b"], &["a/b"]);
        check(&["#/#", "#"], &["#"]);
        check(&["a/{x}", "a/b", "a/b/c"], &["a/+", "a/b/c"]);
        check(&["a/#", "a/b", "a", "b"], &["a/#", "b"]);
        check(&["{x}/y", "$SYS/y", "z/{x}"], &["$SYS/y", "+/y", "z/+"]);
        check(&["#", "$SYS/x", "a/b/c"], &["#", "$SYS/x"]);
        check(&["a/+", "a/#"], &["a/#"]);
    }

    /// Found by coverage-guided fuzzing: each covered the other, and nothing was asked for.
    #[test]
    fn a_hash_that_is_not_the_last_level_covers_nothing() {
        check(&["#/a", "#/b"], &["#/a", "#/b"]);
    }
}
