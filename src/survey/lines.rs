//! What each value of a pattern of topics would be linked as: place and quantity by its words, or the reason why not.

use super::guess::{Guess, NAMELESS, guess};
use super::patterns::Pattern;
use super::rhythm::{Companions, shown};
use crate::terms::place::Place;
use crate::terms::quantity::Quantity;
use std::collections::BTreeSet;

/// Words of topics and members, and the places that they mean. Common practice, no source.
const PLACES: &[(&str, Place)] = &[
    ("warm", Place::WarmSide),
    ("hot", Place::WarmSide),
    ("warm_side", Place::WarmSide),
    ("cool", Place::CoolSide),
    ("cold", Place::CoolSide),
    ("cool_side", Place::CoolSide),
    ("basking", Place::BaskingSpot),
    ("basking_spot", Place::BaskingSpot),
    ("hide", Place::Hide),
    ("floor", Place::Floor),
    ("mat", Place::Floor),
    ("water", Place::Water),
    ("air", Place::Air),
    ("ambient", Place::Air),
];

/// One value of a pattern.
#[derive(Clone, Debug)]
pub struct Line {
    pub pointer: String,
    pub guess: Guess,
    /// `place.quantity`, where both are known.
    pub what: Option<String>,
    /// Why it is commented out.
    pub reason: Option<String>,
    pub text_number: bool,
    pub words: Option<(String, String)>,
}

/// What each value of a pattern would be linked as, or why not.
pub fn read_lines(pattern: &Pattern<'_>, in_room: bool, companions: &Companions<'_>) -> Vec<Line> {
    let mut taken = BTreeSet::new();
    let mut lines = Vec::new();
    for (pointer, field) in &pattern.of.fields {
        let mut guess = guess(pattern.first, pointer, field, pattern.of);
        if let (Some(NAMELESS), Some(plug)) = (guess.doubt.as_deref(), companions.heated.get(&(pattern.first, pointer)))
        {
            // Humidity falls where heat comes on.
            guess.because = format!("{}, and it rises while {} is on", guess.because, shown(*plug));
            guess.doubt = None;
        }
        let mut line = Line {
            pointer: pointer.clone(),
            what: None,
            reason: guess.doubt.clone(),
            text_number: field.text_numbers > 0,
            words: None,
            guess,
        };
        if let Some((quantity, _)) = line.guess.seems.quantity() {
            match belongs(pattern.first, pointer, (quantity, in_room)) {
                Ok(what) => line.what = Some(what),
                Err(why) => line.reason = line.reason.or(Some(why)),
            }
            if field.text_numbers > 0 && field.text_numbers < field.numbers {
                line.reason = Some("it comes as number and as text".to_owned());
            }
            if field.is_words() {
                line.words = on_and_off(&field.words);
                if line.words.is_none() {
                    line.reason = Some(format!("which of {:?} means on?", field.words));
                }
            }
            if let (Some(what), None) = (&line.what, &line.reason)
                && !taken.insert(what.clone())
            {
                line.reason = Some(format!("another value is {what} already"));
            }
        }
        lines.push(line);
    }
    // One link pins one shape for all that it reads.
    if lines.iter().any(|l| l.text_number) {
        for line in lines.iter_mut().filter(|l| !l.text_number && l.reason.is_none()) {
            line.reason = Some("the others are numbers in text, this one is not".to_owned());
        }
    }
    lines
}

/// `place.quantity` by the words of topic and pointer.
pub(super) fn belongs(topic: &str, pointer: &str, (quantity, in_room): (Quantity, bool)) -> Result<String, String> {
    let lower = format!("{topic}/{pointer}").to_lowercase();
    let words: Vec<&str> = lower.split(['/', '-', '.', ' ']).filter(|w| !w.is_empty()).collect();
    let says = |any: &[&str]| words.iter().any(|w| any.contains(w));
    match quantity {
        Quantity::Battery => Ok("battery".to_owned()),
        Quantity::Illuminance => Ok("air.illuminance".to_owned()),
        Quantity::Power | Quantity::Switch if in_room => Err("whose heat or lamp is it?".to_owned()),
        Quantity::Power | Quantity::Switch => {
            match (says(&["heat", "heater", "emitter", "mat"]), says(&["lamp", "light", "lights"])) {
                (true, false) => Ok(format!("heat.{}", quantity.word())),
                (false, true) => Ok(format!("lamp.{}", quantity.word())),
                _ => Err("is it the heat's or the lamp's?".to_owned()),
            }
        }
        _ => {
            let places: BTreeSet<Place> = PLACES.iter().filter(|(w, _)| words.contains(w)).map(|(_, p)| *p).collect();
            match places.iter().collect::<Vec<_>>()[..] {
                [] if in_room => Ok(format!("{}.{}", Place::Air.word(), quantity.word())),
                [] => Err("which place is it?".to_owned()),
                [place] if in_room && *place != Place::Air => Err("a room has no place but its air".to_owned()),
                [place] => Ok(format!("{}.{}", place.word(), quantity.word())),
                _ => Err("its name speaks of several places".to_owned()),
            }
        }
    }
}

/// Which of two words means on, and which off.
pub fn on_and_off(words: &BTreeSet<String>) -> Option<(String, String)> {
    const PAIRS: &[(&str, &str)] = &[("on", "off"), ("true", "false"), ("yes", "no"), ("1", "0"), ("high", "low")];
    let find = |wanted: &str| words.iter().find(|w| w.to_lowercase() == wanted).cloned();
    PAIRS.iter().find_map(|(on, off)| Some((find(on)?, find(off)?)))
}
