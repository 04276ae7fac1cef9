//! What `check` says of the ties of the page: how many are watched, and that others are not.

use crate::config::Config;
use crate::config::tied::{FILE, Fate, Tie};
use serde_json::Value;
use std::fmt::Write;

/// What was tied on the page, by its file; what cannot be read of it is told as a doubt.
pub fn text(config: &Config) -> String {
    let all = &config.tied.all;
    if all.is_empty() && config.tied.trouble.is_none() {
        return String::new();
    }
    let of = |wanted: fn(&Fate) -> bool| all.iter().filter(|(_, fate)| wanted(fate)).count();
    let sealed = of(|fate| *fate == Fate::Watched);
    let known =
        if config.tied.trouble.is_some() { "unknown, see the doubts".into() } else { format!("{sealed} sealed") };
    let mut text = format!("tied on the page: {known}, in\n  {}\n", config.store.folder.join(FILE).display());
    let (waits, idle) = (of(|fate| *fate == Fate::Waits), of(|fate| matches!(fate, Fate::Idle(_))));
    if waits > 0 {
        let _ = writeln!(text, "  NOT WATCHED until sealed there: {waits}");
    }
    if idle > 0 {
        let _ = writeln!(text, "  NOT WATCHED, see the doubts: {idle}");
    }
    text
}

/// The same for programs.
pub fn json((tie, fate): &(Tie, Fate)) -> Value {
    let (fate, why) = match fate {
        Fate::Watched => ("watched", None),
        Fate::Waits => ("waits", None),
        Fate::Idle(why) => ("idle", Some(why)),
    };
    serde_json::json!({ "topic": tie.topic, "pointer": tie.pointer, "of": tie.whose(), "reads": tie.reads, "fate": fate, "why": why,
        "by": tie.by, "tied": tie.tied, "touched": tie.touched, "sealed": tie.sealed })
}
