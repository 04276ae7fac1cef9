//! The numbers behind a finding, one sentence each.

use crate::finding::fact::Fact;
use crate::notice::local::{Local, length, one_decimal};
use crate::terms::place::Place;
use crate::terms::quantity::Quantity;
use crate::terms::time::Wall;

/// Slower than a third of a kelvin an hour nothing moves.
const STILL_K_PER_MIN: f64 = 0.005;

/// Where in a mail a sentence belongs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    What,
    IfLeft,
    HowSure,
}

pub fn part(fact: &Fact) -> Part {
    match fact {
        Fact::Heading { .. } => Part::IfLeft,
        Fact::NeverBefore { .. }
        | Fact::Neighbours { .. }
        | Fact::Effort { .. }
        | Fact::Room { .. }
        | Fact::LightThreshold { .. }
        | Fact::DewPoints { .. } => Part::HowSure,
        _ => Part::What,
    }
}

/// The value of a quantity with its unit.
pub fn value(quantity: Quantity, value: f64, local: &Local) -> String {
    match quantity {
        Quantity::Temperature => local.temp(value),
        Quantity::Humidity => format!("{}\u{a0}%", whole(value)),
        Quantity::Illuminance => format!("{}\u{a0}lx", whole(value)),
        Quantity::Power => format!("{}\u{a0}W", whole(value)),
        Quantity::Light | Quantity::Switch => if value >= 0.5 { "on" } else { "off" }.to_owned(),
        Quantity::UvIndex | Quantity::Battery => one_decimal(value),
    }
}

/// `338,760`
pub fn thousands(n: u64) -> String {
    let digits = n.to_string();
    let mut out = String::new();
    for (i, c) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push(',');
        }
        out.push(c);
    }
    out
}

pub fn whole(value: f64) -> String {
    if value.is_finite() { format!("{:.0}", value + 0.0) } else { "?".to_owned() }
}

pub fn neighbours(as_usual: u16, of: u16) -> String {
    match (as_usual, of) {
        (1, 1) => "The other one in the room is as usual".to_owned(),
        (a, of) if a == of => format!("The {of} others in the room are as usual"),
        (a, of) => format!("Of {of} others in the room {a} are as usual"),
    }
}

/// With a capital letter.
pub fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or(String::new(), |c| c.to_uppercase().chain(chars).collect())
}

fn spot(place: Place, quantity: Quantity) -> String {
    match quantity {
        Quantity::Temperature => place.label().to_owned(),
        Quantity::Humidity => format!("humidity of the {}", place.label()),
        other => format!("{} at the {}", other.word().replace('_', " "), place.label()),
    }
}

pub fn sentence(fact: &Fact, local: &Local, now: Wall) -> String {
    let text = match fact {
        Fact::Reading { place, quantity, value: v, limit, never } => {
            let head = format!("{} {}", spot(*place, *quantity), value(*quantity, *v, local));
            match limit {
                Some(limit) => {
                    let side = match (v > limit, never) {
                        (true, true) => "never above",
                        (false, true) => "never below",
                        (true, false) => "wanted at most",
                        (false, false) => "wanted at least",
                    };
                    format!("{head}; {side} {}", value(*quantity, *limit, local))
                }
                None => head,
            }
        }
        Fact::Moved { place, from, to, over } => {
            let verb = if to < from { "fell" } else { "rose" };
            format!("{} {verb} from {} to {} in {}", place.label(), local.bare(*from), local.temp(*to), length(*over))
        }
        Fact::NeverBefore { place, level, days, below } => {
            let side = if *below { "below" } else { "above" };
            let days = if *days < 1.5 { "since it is watched".to_owned() } else { format!("in {} days", whole(*days)) };
            format!("at this hour the {} was not {side} {} {days}", place.label(), local.temp(*level))
        }
        Fact::Heading { level, at, .. } => format!("about {} by {}", local.temp(*level), local.when(*at, now)),
        // Standing still is no news.
        Fact::Slope { k_per_min, .. } if k_per_min.abs() < STILL_K_PER_MIN => String::new(),
        Fact::Slope { place, k_per_min } => {
            let verb = if *k_per_min < 0.0 { "losing" } else { "gaining" };
            format!("{} {verb} {}", place.label(), local.slope(*k_per_min))
        }
        Fact::Gradient { now: d, usual } => {
            format!("warm and cool side differ by {}; usual at this hour {}", local.diff(*d), local.diff(*usual))
        }
        Fact::Watts { source, power_w, usual_w, told_on } => {
            let told = match told_on {
                Some(true) => " is told ON and",
                Some(false) => " is told OFF and",
                None => "",
            };
            let usual = usual_w.map_or(String::new(), |w| format!("; usual {}\u{a0}W", whole(w)));
            format!("heat source {source}{told} draws {}\u{a0}W{usual}", whole(*power_w))
        }
        Fact::Effort { now: e, usual } => {
            format!("heat works {}\u{a0}% of full, usual {}\u{a0}%", whole(e * 100.0), whole(usual * 100.0))
        }
        Fact::Room { now: r, usual } => match usual {
            Some(usual) if (r - usual).abs() < 1.0 => format!("room {} as usual", local.temp(*r)),
            Some(usual) => format!("room {}; usual at this hour {}", local.temp(*r), local.temp(*usual)),
            None => format!("room {}", local.temp(*r)),
        },
        Fact::Neighbours { as_usual, of } => neighbours(*as_usual, *of),
        Fact::Silent { place, quantity, last, usual, value: v } => {
            let what = match (place, quantity) {
                (Some(place), Some(quantity)) => spot(*place, *quantity),
                (Some(place), None) => place.label().to_owned(),
                _ => "nothing".to_owned(),
            };
            let since = last.map_or("never heard".to_owned(), |at| format!("last heard {}", local.when(at, now)));
            let at = match (v, quantity) {
                (Some(v), Some(q)) => format!(" at {}", value(*q, *v, local)),
                _ => String::new(),
            };
            let usual = usual.map_or(String::new(), |u| format!("; usually every {}", length(u)));
            if what == "nothing" { format!("{since}{usual}") } else { format!("{what}: {since}{at}{usual}") }
        }
        Fact::Repeated { place, quantity, value: v, for_ } => {
            format!(
                "{} has said exactly {} for {}",
                spot(*place, *quantity),
                value(*quantity, *v, local),
                length(*for_)
            )
        }
        Fact::Impossible { place, quantity, value: v } => {
            let what = place.map_or(quantity.word().replace('_', " "), |p| spot(p, *quantity));
            format!("{what} says {}: no enclosure has that", value(*quantity, *v, local))
        }
        Fact::Light { planned_on, seen_on, .. } => {
            let on = |on: &bool| if *on { "on" } else { "off" };
            format!("the lamp is planned {} and seen {}", on(planned_on), on(seen_on))
        }
        Fact::LightShift { by } => {
            let late = if by.as_ms() < 0 { "early" } else { "late" };
            format!("light comes {} {late}", length(crate::terms::time::Span::ms(by.as_ms().saturating_abs())))
        }
        Fact::LightThreshold { lx } => format!("dark and light are told apart at {}\u{a0}lx", whole(*lx)),
        Fact::DewPoints { here, there } => {
            format!("dew point {} here, {} at the other place", local.temp(*here), local.temp(*there))
        }
        Fact::Lasted { span } => format!("for {} so far", length(*span)),
        Fact::Plain { text } => text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect(),
    };
    let text = capital(text.trim());
    if text.is_empty() || text.ends_with(['.', '?']) { text } else { text + "." }
}

/// All sentences of one part, in the judge's order, without doubles.
pub fn sentences<'a>(
    facts: impl Iterator<Item = &'a Fact>,
    wanted: Part,
    most: usize,
    local: &Local,
    now: Wall,
) -> String {
    let mut all: Vec<String> = Vec::new();
    // A forecast whose hour has come is none.
    let over = |f: &Fact| matches!(f, Fact::Heading { at, .. } if *at <= now);
    for fact in facts.filter(|f| part(f) == wanted && !over(f)) {
        let sentence = sentence(fact, local, now);
        if !sentence.is_empty() && !all.contains(&sentence) {
            all.push(sentence);
        }
    }
    all.truncate(most);
    all.join(" ")
}
