//! The mails that ask for nothing: an incident was answered, or has ended.

use super::doc::Doc;
use super::phrase::{Phrase, join};
use super::{Telling, cause_name, own_words, picture, push_readings};
use crate::notice::local::{length, list};

/// All is calm again.
pub fn ended(t: &Telling, doc: &mut Doc) {
    let (local, now) = (t.local, t.now.wall);
    let (since, calm) = (t.incident.since().wall, t.incident.calm.unwrap_or(t.now).wall);
    let lasted =
        format!("It lasted {}, {} to {}.", length(calm.since(since)), local.when(since, now), local.when(calm, now));
    let causes = format!("It was: {}.", t.incident.cause().map_or("", cause_name));
    doc.say_strong("What", join(&[&causes, &lasted]));
    match t.scenes.as_slice() {
        [(_, scene)] => {
            push_readings(doc, scene, t);
            doc.picture = picture::put(t, doc);
        }
        [] => {}
        several => doc.say("Where", list(&several.iter().map(|(_, s)| s.label()).collect::<Vec<_>>())),
    }
    match &t.answered_by {
        Some((name, at)) => doc.say("Answered", format!("{name}, {}.", local.when(*at, now))),
        None => doc.say("Answered", "By nobody."),
    }
    if !t.incident.latched {
        doc.say(
            "Held",
            format!("{} of calm before this mail, so that it need not be taken back.", length(t.incident.dwell())),
        );
    }
}

/// Somebody has it; told to the others.
pub fn answered(t: &Telling, phrase: &Phrase, doc: &mut Doc) {
    let (local, now) = (t.local, t.now.wall);
    if let Some((name, at)) = &t.answered_by {
        let pause = length(t.settings.pause);
        doc.say_strong(
            "What",
            format!(
                "{name} has it, since {}. Reminders pause for {pause}; they go on at once if it gets worse.",
                local.when(*at, now)
            ),
        );
    }
    if let [(_, scene)] = t.scenes.as_slice() {
        push_readings(doc, scene, t);
    }
    doc.say("Likely", &*phrase.likely);
    own_words(t, doc);
}
