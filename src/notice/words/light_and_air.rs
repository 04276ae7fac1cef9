//! Words for light that differs from its plan, and for humidity.

use super::phrase::{About, Phrase, UNPLUG, steps};
use crate::finding::cause::Cause;
use crate::finding::fact::Fact;
use crate::notice::local::length;
use crate::terms::quantity::Quantity;
use crate::terms::time::Span;

pub fn phrase(about: &About) -> Phrase {
    match about.cause {
        Cause::LightMissing => Phrase {
            tails: vec!["dark while light is planned".into(), "dark".into()],
            what: "It is dark while light is planned.".into(),
            likely: "Lamp, timer, or its plug.".into(),
            if_left: "A dark day; where the lamp also warms, a cold one.".into(),
            steps: steps(&["Is the timer's clock right? Is the lamp dead?", UNPLUG]),
            ..Phrase::default()
        },
        Cause::LightStuckOn => Phrase {
            tails: vec!["lit while dark is planned".into(), "lit".into()],
            what: "It is light while darkness is planned.".into(),
            likely: "Timer or switch stuck, or other light in the room.".into(),
            if_left: "A night without darkness; where the lamp also warms, a warm one.".into(),
            steps: steps(&["Switch the lamp off by hand.", "Look at the timer."]),
            ..Phrase::default()
        },
        Cause::LightShifted => shifted(about),
        Cause::LightFlickering => Phrase {
            tails: vec!["flickering light".into()],
            what: "The light goes on and off again and again.".into(),
            likely: "A lamp near its end, a loose contact, or its own cut-out.".into(),
            steps: steps(&[
                "A loose or hot contact can burn: switch off at the plug; scorched: cut it at the breaker.",
                UNPLUG,
                "Fit a new lamp, or the old one tight.",
            ]),
            fire: true,
            ..Phrase::default()
        },
        _ => humidity(about),
    }
}

fn shifted(about: &About) -> Phrase {
    let by = about.finding.facts.iter().find_map(|f| match f {
        Fact::LightShift { by } => Some(*by),
        _ => None,
    });
    let mut tails = Vec::new();
    if let Some(by) = by {
        let late = if by < Span::ZERO { "early" } else { "late" };
        let by = length(Span::ms(by.as_ms().saturating_abs())).replace('\u{a0}', " ");
        tails.push(format!("light {by} {late}"));
    }
    tails.push("light not at its time".into());
    Phrase {
        tails,
        what: "The light keeps its length and not its time.".into(),
        likely: "A timer after a power cut, or a clock change that it missed.".into(),
        if_left: "The animals' day moves with it.".into(),
        steps: steps(&["Set the timer's clock."]),
        ..Phrase::default()
    }
}

fn humidity(about: &About) -> Phrase {
    let high = about.cause == Cause::HumidityHigh;
    let head = if high { "too humid" } else { "too dry" };
    let value = about.value(Quantity::Humidity).map(|v| format!("{head}, {} %", super::facts::whole(v)));
    Phrase {
        tails: value.into_iter().chain([head.to_owned()]).collect(),
        what: String::new(),
        likely: if high {
            "Wet ground, a spilled bowl, vents covered, or a humid room."
        } else {
            "Dry room air, an empty bowl, or heat at full effort."
        }
        .into(),
        steps: if high {
            steps(&["Air it; take out what is wet."])
        } else {
            steps(&["Water, damp ground, a damp hide."])
        },
        ..Phrase::default()
    }
}
