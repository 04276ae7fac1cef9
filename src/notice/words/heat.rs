//! Words for heat that fails, sticks or comes from elsewhere, and for the bare symptoms.

use super::doc::Hue;
use super::phrase::{About, BREAKER, Phrase, SCORCHED, SMOKE, UNPLUG, join, steps};
use crate::finding::cause::Cause;

pub fn phrase(about: &About) -> Phrase {
    match about.cause {
        Cause::HeatFailed => heat_failed(about),
        Cause::PowerLost => power_lost(about),
        Cause::HeatStuckOn => stuck_on(about),
        Cause::HeatWeak => heat_weak(about),
        Cause::OutsideHeat => outside_heat(about),
        Cause::LeftOpen => left_open(about),
        Cause::RoomHot | Cause::RoomCold => room(about),
        Cause::NoRetreat | Cause::TooHot => too_hot(about),
        Cause::TooCold => too_cold(about),
        Cause::GradientLost => gradient_lost(about),
        _ => night_drop_missing(about),
    }
}

fn heat_failed(about: &About) -> Phrase {
    Phrase {
        tails: about.readings("no heat"),
        what: "Heat is due and none arrives.".into(),
        likely: join(&["Heater, plug or thermostat.", &about.plug()]),
        if_left: "It cools towards the room's temperature.".into(),
        steps: steps(&[
            "Look at heater, plug and thermostat: on, seated, warm?",
            SCORCHED,
            UNPLUG,
            "Fit the spare, with its guard. No spare: another warm place for the animal until there is one.",
        ]),
        hue: Some(Hue::Cold),
        fire: true,
        ..Phrase::default()
    }
}

fn power_lost(about: &About) -> Phrase {
    let what = if about.several { "Heat stopped together." } else { "All that draws power here stopped." };
    Phrase {
        tails: vec!["no power".into()],
        what: what.into(),
        likely: join(&["A breaker, a plug strip, or the mains.", &about.plug()]),
        if_left: "All cool towards the room's temperature, small and glass ones first.".into(),
        steps: steps(&[
            SMOKE,
            BREAKER,
            "Street dark too? Then it is the mains.",
            "First unplug the heaters, then blankets over the first of the list. Vents free, doors shut. Blankets off before heat returns.",
        ]),
        hue: Some(Hue::Cold),
        fire: true,
        ..Phrase::default()
    }
}

fn stuck_on(about: &About) -> Phrase {
    Phrase {
        tails: about.readings("heat stuck on"),
        what: "Heat stays on where it used to switch off.".into(),
        likely: join(&["Switch, thermostat or its probe.", &about.plug()]),
        if_left: "It goes on rising. Mail is too slow for this: the cut-out should act first. If it has not, it needs looking at.".into(),
        steps: steps(&[
            "Cut the heat: pull its plug. Hot, melted or smoking: cut it at the breaker instead.",
            SMOKE,
            "Open the front; keep the animal secure.",
            "Fresh water, once the power is off.",
            "Is the thermostat's probe where it belongs?",
        ]),
        hue: Some(Hue::Hot),
        fire: true,
        burns: true,
        ..Phrase::default()
    }
}

fn heat_weak(about: &About) -> Phrase {
    Phrase {
        tails: vec!["heat is weaker than usual".into(), "heat is weak".into()],
        what: "Heat arrives, and less of it than usual.".into(),
        likely: join(&["The heater ages, was knocked aside, or is covered.", &about.plug()]),
        if_left: "Nothing yet; on a cold night it may not be enough.".into(),
        steps: steps(&[
            "Look this week: is the heater where it was, clean, uncovered, its contact sound?",
            UNPLUG,
            "Have a spare ready.",
        ]),
        hue: Some(Hue::Cold),
        ..Phrase::default()
    }
}

fn outside_heat(about: &About) -> Phrase {
    Phrase {
        tails: about.readings("heated from outside"),
        what: "Both ends warm up together, and the heater does not do it.".into(),
        likely: join(&["Sun on the glass, or something hot beside it.", &about.plug()]),
        if_left: "The cool side is the retreat: once it is too warm there is none.".into(),
        steps: steps(&["Shade the glass, open the vents.", "Move the enclosure or what heats it.", "Fresh water."]),
        hue: Some(Hue::Hot),
        ..Phrase::default()
    }
}

fn left_open(about: &About) -> Phrase {
    Phrase {
        tails: about.readings("left open?"),
        what: "Warmth went out fast, as through an open door, and has not come back.".into(),
        likely: "Door, lid or vent open.".into(),
        if_left: "It stays cool, and the animal may get out.".into(),
        steps: steps(&["Is it shut? Is the animal in?", "Shut it; warmth should be back within the hour."]),
        hue: Some(Hue::Cold),
        ..Phrase::default()
    }
}

fn room(about: &About) -> Phrase {
    let cold = about.cause == Cause::RoomCold;
    let head = if cold { "cold room" } else { "room too warm" };
    let celsius = about.scene.room_celsius.filter(|c| c.is_finite());
    let value = celsius.map(|c| format!("{head}, {} {}", about.local.bare(c), about.local.degrees.letter()));
    let room = celsius.map_or(String::new(), |c| format!("Room {} now.", about.local.temp(c)));
    let what = if cold { "It cools with the room." } else { "It warms with the room." };
    let action = if cold {
        [
            "Is the room's heating on, a window open?",
            "Close doors and windows. An extra heater for the room: never unattended, never covered.",
        ]
    } else {
        [
            "Air and shade the room; fans blow past, not at, the animals.",
            "Fresh water. The most sensitive to a cooler room.",
        ]
    };
    Phrase {
        tails: value.into_iter().chain([head.to_owned()]).collect(),
        what: what.into(),
        likely: join(&[if cold { "Heating off, or a window open." } else { "Weather, or the room's heating." }, &room]),
        if_left: if cold {
            "Heaters at full effort may not hold it."
        } else {
            "No enclosure can be cooler than its room."
        }
        .into(),
        steps: steps(&action),
        hue: Some(if cold { Hue::Cold } else { Hue::Hot }),
        ..Phrase::default()
    }
}

fn too_hot(about: &About) -> Phrase {
    let retreat = about.cause == Cause::NoRetreat;
    Phrase {
        tails: about.readings(if retreat { "no cool retreat" } else { "too hot" }),
        what: if retreat { "Even the coolest place is too warm." } else { "" }.into(),
        likely: join(&["The heat, the sun or the room: not told apart yet.", &about.plug()]),
        if_left: "It may go on rising.".into(),
        steps: steps(&[
            "Cut the heat: pull its plug. Hot, melted or smoking: cut it at the breaker instead.",
            SMOKE,
            "Open the front or the vents; keep the animal secure. Shade from the sun.",
            "Fresh water, once the power is off.",
        ]),
        hue: Some(Hue::Hot),
        fire: true,
        burns: true,
        ..Phrase::default()
    }
}

fn too_cold(about: &About) -> Phrase {
    Phrase {
        tails: about.readings("too cold"),
        what: String::new(),
        likely: join(&["Heater, thermostat, an open door or a cold room: not told apart yet.", &about.plug()]),
        if_left: "It goes on cooling towards the room's temperature.".into(),
        steps: steps(&["Is it shut? Is the heater on and warm? Is the thermostat set as always?", SCORCHED, UNPLUG]),
        hue: Some(Hue::Cold),
        ..Phrase::default()
    }
}

fn gradient_lost(about: &About) -> Phrase {
    Phrase {
        tails: vec!["warm and cool side alike".into()],
        what: "Warm and cool side hardly differ: the animal cannot choose.".into(),
        likely: join(&[
            "Heat missing or everywhere, a probe moved, or the room as warm as the enclosure.",
            &about.plug(),
        ]),
        if_left: String::new(),
        steps: steps(&["Is the heater on, and on one side only?", "Is each probe at its place?"]),
        hue: None,
        ..Phrase::default()
    }
}

fn night_drop_missing(about: &About) -> Phrase {
    Phrase {
        tails: about.readings("no night drop"),
        what: "The night is as warm as the day.".into(),
        likely: join(&["A timer or thermostat that does not lower, or a warm room.", &about.plug()]),
        if_left: "Nothing for one night.".into(),
        steps: steps(&["Look at the timer or at the thermostat's night setting."]),
        hue: None,
        ..Phrase::default()
    }
}
