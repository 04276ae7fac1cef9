//! The shapes of states, and which word, hue and frame goes with each: shape and word carry the meaning, hue repeats it.

use crate::engine::view::Condition;
use crate::finding::cause::{Cause, Urgency};
use maud::{Markup, PreEscaped, html};

/// The direction of harm. Blindness has no hue: it is drawn as absence.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Hue {
    None,
    Cold,
    Hot,
}

impl Hue {
    /// The class that colours.
    pub const fn class(self) -> &'static str {
        match self {
            Hue::None => "",
            Hue::Cold => "low",
            Hue::Hot => "high",
        }
    }
}

/// A shape by the id of its symbol.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Mark(&'static str);

impl Mark {
    pub const LOW: Mark = Mark("m-low");
    pub const LOW_TODAY: Mark = Mark("m-low0");
    pub const HIGH: Mark = Mark("m-high");
    pub const HIGH_TODAY: Mark = Mark("m-high0");
    pub const BLIND: Mark = Mark("m-blind");
    pub const LIGHT: Mark = Mark("m-light");
    pub const LABEL: Mark = Mark("m-label");
    pub const HUMID: Mark = Mark("m-humid");
    pub const SHELF: Mark = Mark("m-shelf");
    pub const HANDS: Mark = Mark("m-hands");
    pub const HOUSE: Mark = Mark("m-house");

    /// The shape as decoration: the word beside it says the same.
    pub fn draw(self) -> Markup {
        html! { svg.m aria-hidden="true" { use href={ "#" (self.0) } {} } }
    }

    pub fn draw_big(self) -> Markup {
        html! { svg.m.big aria-hidden="true" { use href={ "#" (self.0) } {} } }
    }
}

/// The direction that a cause points in.
pub const fn hue(cause: Cause) -> Hue {
    match cause {
        Cause::PowerLost | Cause::HeatFailed | Cause::HeatWeak | Cause::RoomCold | Cause::TooCold | Cause::LeftOpen => {
            Hue::Cold
        }
        Cause::HeatStuckOn
        | Cause::OutsideHeat
        | Cause::RoomHot
        | Cause::NoRetreat
        | Cause::TooHot
        | Cause::NightDropMissing => Hue::Hot,
        _ => Hue::None,
    }
}

/// The shape of a cause: filled when it is for now, hollow when it is for today.
pub const fn of_cause(cause: Cause, urgency: Urgency) -> Mark {
    let now = matches!(urgency, Urgency::Now);
    match hue(cause) {
        Hue::Cold if now => Mark::LOW,
        Hue::Cold => Mark::LOW_TODAY,
        Hue::Hot if now => Mark::HIGH,
        Hue::Hot => Mark::HIGH_TODAY,
        Hue::None => match cause {
            Cause::LightMissing | Cause::LightStuckOn | Cause::LightShifted | Cause::LightFlickering => Mark::LIGHT,
            Cause::ProbesSwapped | Cause::UnitChanged | Cause::GradientLost => Mark::LABEL,
            Cause::HumidityHigh | Cause::HumidityLow => Mark::HUMID,
            Cause::ProbeSilent | Cause::ProbeFaulty | Cause::ProbeStuck | Cause::ProbeDisplaced | Cause::FeedSilent => {
                Mark::BLIND
            }
            _ => Mark::HOUSE,
        },
    }
}

/// What a row and a page title say happens, in the words of the wall.
pub const fn says(cause: Cause) -> &'static str {
    match cause {
        Cause::PowerLost => "power lost",
        Cause::HeatFailed => "no heat",
        Cause::HeatStuckOn => "heat stuck on",
        Cause::HeatWeak => "heat is weak",
        Cause::OutsideHeat => "outside heat",
        Cause::LeftOpen => "left open",
        Cause::RoomHot => "room too hot",
        Cause::RoomCold => "room too cold",
        Cause::NoRetreat => "no retreat",
        Cause::TooHot => "too hot",
        Cause::TooCold => "too cold",
        Cause::GradientLost => "gradient lost",
        Cause::NightDropMissing => "no night drop",
        Cause::LightMissing => "light missing",
        Cause::LightStuckOn => "light stays on",
        Cause::LightShifted => "light shifted",
        Cause::LightFlickering => "light flickers",
        Cause::HumidityHigh => "too humid",
        Cause::HumidityLow => "too dry",
        Cause::ProbeSilent => "probe silent",
        Cause::ProbeFaulty => "probe faulty",
        Cause::ProbeStuck => "probe stuck",
        Cause::ProbeDisplaced => "probe displaced",
        Cause::ProbesSwapped => "labels doubtful",
        Cause::UnitChanged => "unit changed",
        Cause::FeedSilent => "nothing is heard",
        Cause::PostFailing => "mail does not go out",
        Cause::StoreFailing => "nothing can be stored",
        Cause::ClockWrong => "clock is wrong",
        Cause::OutpostSilent => "outpost does not hear us",
        Cause::WatcherRestarted => "watcher restarted",
    }
}

/// The words that people look for before they have read the daemon's own sentence.
pub const fn first_look(cause: Cause) -> &'static str {
    match cause {
        Cause::PowerLost => "See whether the breaker or plug strip of this circuit is on.",
        Cause::HeatFailed => "See whether the heater has power and is warm; fit the spare.",
        Cause::HeatStuckOn => "Unplug the heater; the thermostat or its relay may have stuck.",
        Cause::HeatWeak => "Feel whether the heater is as warm as usual, and look for a draught.",
        Cause::OutsideHeat => "Look for sun on the glass or another source of heat nearby.",
        Cause::LeftOpen => "See whether a door or lid stands open.",
        Cause::RoomHot => "Cool the room: windows, shade, air.",
        Cause::RoomCold => "Warm the room: heating, windows, doors.",
        Cause::NoRetreat => "Give the animal a cool place: shade the glass, switch the heat off.",
        Cause::TooHot => "Look at the animal and the heater; switch heat off if the number is true.",
        Cause::TooCold => "Look at the animal and the heater; check the number with your own thermometer.",
        Cause::GradientLost => "Look at the heater and at where the probes lie.",
        Cause::NightDropMissing => "See whether heat or light stays on at night.",
        Cause::LightMissing | Cause::LightStuckOn | Cause::LightShifted => "Look at the lamp and its timer.",
        Cause::LightFlickering => "Look at the lamp: it may be near its end.",
        Cause::HumidityHigh => "Look for standing water and air the enclosure.",
        Cause::HumidityLow => "Look at the water, then mist.",
        Cause::ProbeSilent | Cause::ProbeFaulty | Cause::ProbeStuck => {
            "Look at the animal by eye, then at the probe: power, battery, cable."
        }
        Cause::ProbeDisplaced => "See whether the probe still lies where it belongs.",
        Cause::ProbesSwapped => "See whether two probes were exchanged.",
        Cause::UnitChanged => "See what changed in the device that sends these readings.",
        Cause::FeedSilent => "Look at the animals by eye, then at the broker and the network.",
        Cause::PostFailing => "Warmside cannot reach you: look here often, and see to the mail server.",
        Cause::StoreFailing => "See whether the disk is full.",
        Cause::ClockWrong => "See whether this machine's clock is set by the network.",
        Cause::OutpostSilent => "Nobody outside would miss this house: see to the outpost.",
        Cause::WatcherRestarted => "Nothing to do.",
    }
}

/// The class of a tile's frame. No class: in band, no frame.
pub const fn frame(condition: Condition) -> &'static str {
    match condition {
        Condition::InBand => "",
        Condition::Differs => "bad s-differs",
        Condition::TooCold => "bad s-low",
        Condition::TooHot => "bad s-high",
        Condition::NotWatched => "bad s-blind",
        Condition::HandsIn => "bad s-shelf",
        Condition::Shelved => "bad s-shelf",
    }
}

/// The symbols that [`Mark::draw`] refers to; once a page.
pub const SYMBOLS: PreEscaped<&str> = PreEscaped(concat!(
    r##"<svg class="syms" aria-hidden="true"><defs>"##,
    // Bands on paper: the style's print rules fill with it, so that they are told apart without grey.
    r##"<pattern id="hatch" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><path d="M0 0v5" stroke="#000" stroke-width="1"/></pattern>"##,
    r##"<symbol id="m-low" viewBox="0 0 16 16"><path d="M1 3h14L8 15z" fill="currentColor"/></symbol>"##,
    r##"<symbol id="m-high" viewBox="0 0 16 16"><path d="M1 13h14L8 1z" fill="currentColor"/></symbol>"##,
    r##"<symbol id="m-low0" viewBox="0 0 16 16"><path d="M2.2 3.8h11.6L8 13.6z" fill="none" stroke="currentColor" stroke-width="2"/></symbol>"##,
    r##"<symbol id="m-high0" viewBox="0 0 16 16"><path d="M2.2 12.2h11.6L8 2.4z" fill="none" stroke="currentColor" stroke-width="2"/></symbol>"##,
    r##"<symbol id="m-blind" viewBox="0 0 16 16"><path d="M8 1.6 14.4 8 8 14.4 1.6 8z" fill="none" stroke="currentColor" stroke-width="2"/></symbol>"##,
    r##"<symbol id="m-light" viewBox="0 0 16 16"><circle cx="8" cy="8" r="6" fill="none" stroke="currentColor" stroke-width="2"/><path d="M8 2a6 6 0 0 1 0 12z" fill="currentColor"/></symbol>"##,
    r##"<symbol id="m-label" viewBox="0 0 16 16"><path d="M1 5h11M9 1.5 12.5 5 9 8.5M15 11H4M7 7.5 3.5 11 7 14.5" fill="none" stroke="currentColor" stroke-width="1.8"/></symbol>"##,
    r##"<symbol id="m-humid" viewBox="0 0 16 16"><path d="M8 1.5C11 6 12.6 8 12.6 10.4a4.6 4.6 0 0 1-9.2 0C3.4 8 5 6 8 1.5z" fill="none" stroke="currentColor" stroke-width="2"/></symbol>"##,
    r##"<symbol id="m-shelf" viewBox="0 0 16 16"><path d="M1 6h14v4H1z" fill="currentColor"/></symbol>"##,
    r##"<symbol id="m-hands" viewBox="0 0 16 16"><path d="M1.5 5.5h13v5h-13z" fill="none" stroke="currentColor" stroke-width="2"/></symbol>"##,
    r##"<symbol id="m-house" viewBox="0 0 16 16"><path d="M2 14V7l6-5 6 5v7z" fill="none" stroke="currentColor" stroke-width="2"/></symbol>"##,
    r##"</defs></svg>"##
));
