//! Words for troubles of the watcher itself.

use super::phrase::{About, Phrase, steps};
use crate::finding::cause::Cause;

pub fn phrase(about: &About) -> Phrase {
    let (tail, what, likely, if_left, todo): (&str, &str, &str, &str, &[&str]) = match about.cause {
        Cause::PostFailing => (
            "mail does not go out",
            "Mails are written and not taken.",
            "The mail server, its password or certificate, or the line.",
            "Nobody is told of anything by mail.",
            &["Look at the page for what the server said.", "Until it works look at the page now and then."],
        ),
        Cause::StoreFailing => (
            "nothing can be stored",
            "The disk does not take what is to be kept.",
            "A full or dying disk.",
            "Alarms still come; after a restart the watcher would not remember.",
            &["Make room on the disk, or change it."],
        ),
        Cause::ClockWrong => (
            "the watcher's clock is wrong",
            "The watcher's clock differs from others.",
            "No time service, or an empty clock battery.",
            "Light plans, nights and times in mails are off by as much.",
            &["Set the clock; let a time service keep it."],
        ),
        Cause::OutpostSilent => (
            "the outpost does not hear this house",
            "The outpost has not heard this house for an hour or more.",
            "The outpost's machine or line, or its address or key has changed.",
            "If this house falls silent as a whole, nobody outside misses it.",
            &["Ask whoever runs the outpost to look at it.", "Warmside's own log says what came back."],
        ),
        _ => (
            "the watcher was restarted",
            "The watcher was away and is back.",
            "An update, a power cut, or a fault.",
            "",
            &["Nothing, if you did it."],
        ),
    };
    Phrase {
        tails: vec![tail.to_owned()],
        what: what.to_owned(),
        likely: likely.to_owned(),
        if_left: if_left.to_owned(),
        steps: steps(todo),
        ..Phrase::default()
    }
}
