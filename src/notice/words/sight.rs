//! Words for what cannot be seen. Unknown is never said to be fine.

use super::phrase::{About, Phrase, steps};
use crate::finding::cause::{Cause, Urgency};

pub fn phrase(about: &About) -> Phrase {
    let place = about.place_words();
    let of_a_probe =
        matches!(about.cause, Cause::ProbeSilent | Cause::ProbeFaulty | Cause::ProbeStuck | Cause::ProbeDisplaced);
    let heat_in_doubt = of_a_probe && about.finding.urgency == Urgency::Now;
    let how = match (heat_in_doubt, about.several) {
        (true, _) => "Nothing that is still heard tells that there is heat.",
        (false, true) => "The animals may be perfectly well.",
        (false, false) => "The animal may be perfectly well.",
    };
    let unseen = if about.several {
        format!("{how} They cannot be seen from here, so no alarm can come from them.")
    } else if about.place.is_none() {
        format!("{how} The animal cannot be seen from here, so no alarm can come from it.")
    } else {
        format!("{how} The {place} cannot be seen, so no alarm can come from it.")
    };
    let go_and_see = "Look at the animal and at a thermometer that needs no radio.";
    let (tails, what, likely, todo): (Vec<String>, String, &str, Vec<String>) = match about.cause {
        Cause::ProbeSilent => (
            vec![format!("{place} silent, not watched"), "silent, not watched".into()],
            match about.place {
                Some(_) => format!("The probe of the {place} has stopped sending."),
                None => "Its probes have stopped sending.".to_owned(),
            },
            "Battery, cable, or its radio.",
            steps(&["At home: look at cable and battery of the probe.", go_and_see]),
        ),
        Cause::ProbeFaulty => (
            vec![format!("{place} probe broken"), "probe broken".into()],
            format!("The probe of the {place} says what no enclosure can have."),
            "A broken sensor or cable.",
            steps(&["Change the probe or its cable.", go_and_see]),
        ),
        Cause::ProbeStuck => (
            vec![format!("{place} probe repeats itself"), "probe repeats itself".into()],
            format!("The probe of the {place} says the same again and again; a living enclosure never does."),
            "A sender that repeats its last reading.",
            steps(&["Take its power away and give it back.", go_and_see]),
        ),
        Cause::ProbeDisplaced => (
            vec![format!("{place} probe has moved?"), "probe has moved?".into()],
            format!("The probe of the {place} no longer measures what it did."),
            "It fell, was pulled out, or lies elsewhere.",
            steps(&[
                "Put the probe back to its place and fix it.",
                "Is it the thermostat's probe? Then the heat follows it: look at once.",
            ]),
        ),
        Cause::ProbesSwapped => (
            vec!["two probes swapped?".into()],
            "Two places say what the other one used to say.".to_owned(),
            "Probes or their names were exchanged.",
            steps(&["See which probe hangs where; exchange them, or their topics."]),
        ),
        Cause::UnitChanged => (
            vec!["readings changed their unit".into(), "unit changed".into()],
            "Readings jumped as if from one unit to another.".to_owned(),
            "An update or a setting of the sender: C to F, or back.",
            steps(&["Set the sender's unit, or the link's `unit`."]),
        ),
        _ => (
            vec!["nothing heard, not watched".into(), "nothing heard".into()],
            "Nothing is heard any more.".to_owned(),
            "The broker, the network, or a gateway.",
            steps(&["Is the broker running? Router and gateways on?", go_and_see]),
        ),
    };
    Phrase { tails, what, likely: likely.to_owned(), means: unseen, steps: todo, ..Phrase::default() }
}
