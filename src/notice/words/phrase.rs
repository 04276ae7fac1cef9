//! What a cause is called and what to do about it: one [`Phrase`] a cause, written by the file of its family.

use super::doc::Hue;
use super::{heat, light_and_air, sight, watcher};
use crate::finding::Finding;
use crate::finding::cause::Cause;
use crate::finding::fact::Fact;
use crate::incident::origin::{Family, family};
use crate::notice::local::Local;
use crate::notice::scene::{HeatNow, Scene};
use crate::terms::place::Place;
use crate::terms::quantity::Quantity;

/// The words of a cause.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Phrase {
    /// Ends of the subject, longest first; ASCII.
    pub tails: Vec<String>,
    /// What is seen.
    pub what: String,
    /// What it means.
    pub likely: String,
    /// What comes if nobody acts, where no number says it.
    pub if_left: String,
    /// What is not known because of it.
    pub means: String,
    /// What to do, in order.
    pub steps: Vec<String>,
    /// The direction of harm; `None`: not seen, or no harm to the animal.
    pub hue: Option<Hue>,
    /// Heat is in play: the mail says that Warmside is no smoke alarm.
    pub fire: bool,
    /// Burns are in play: the vet's number is printed.
    pub burns: bool,
}

/// What a phrase may look at.
pub struct About<'a> {
    pub cause: Cause,
    pub finding: &'a Finding,
    /// Where, if its findings agree on one place.
    pub place: Option<Place>,
    /// The enclosure, or the first of several.
    pub scene: &'a Scene,
    pub several: bool,
    pub local: &'a Local,
}

pub const UNPLUG: &str = "Switch off, unplug and let it cool before you touch a heater.";
pub const SCORCHED: &str = "A scorched, hot or melted plug: do not touch it, cut it at the breaker.";
pub const BREAKER: &str = "The breaker: try it once. If it trips again leave it off and call a licensed electrician.";
pub const SMOKE: &str = "Smoke or a smell of burning: get out, call the fire service.";

pub fn phrase(about: &About) -> Phrase {
    match family(about.cause) {
        Family::Heat => heat::phrase(about),
        Family::Light | Family::Humidity => light_and_air::phrase(about),
        Family::Sight => sight::phrase(about),
        Family::Watcher | Family::Post => watcher::phrase(about),
    }
}

impl About<'_> {
    /// `warm side`, or what stands for it.
    pub fn place_words(&self) -> &'static str {
        self.place.map_or("enclosure", Place::label)
    }

    /// The temperature that the finding is about, °C: as seen now, else as found.
    pub fn celsius(&self) -> Option<f64> {
        self.value(Quantity::Temperature)
    }

    pub fn value(&self, quantity: Quantity) -> Option<f64> {
        let now = |place| self.scene.at(place, quantity).filter(|p| !p.silent).and_then(|p| p.value);
        let seen = match self.place {
            Some(place) => now(place),
            None => Place::ALL.into_iter().find_map(now),
        };
        let found = self.finding.facts.iter().find_map(|f| match f {
            Fact::Reading { quantity: q, value, .. } if *q == quantity => Some(*value),
            _ => None,
        });
        seen.or(found).filter(|v| v.is_finite())
    }

    /// K/min at the finding's place.
    pub fn slope(&self) -> f64 {
        let place = self.place.or(self.finding.key.place).unwrap_or(Place::WarmSide);
        let seen = self.scene.at(place, Quantity::Temperature).and_then(|p| p.slope);
        let found = self.finding.facts.iter().find_map(|f| match f {
            Fact::Slope { k_per_min, .. } => Some(*k_per_min),
            _ => None,
        });
        seen.or(found).filter(|v| v.is_finite()).unwrap_or(0.0)
    }

    /// `29.1 C and falling` for a subject; with a shorter one behind it.
    pub fn readings(&self, head: &str) -> Vec<String> {
        let Some(celsius) = self.celsius() else { return vec![head.to_owned()] };
        let value = format!("{head}, {} {}", self.local.bare(celsius), self.local.degrees.letter());
        let course = match self.slope() {
            s if s < -0.02 => " and falling",
            s if s > 0.02 => " and rising",
            _ => "",
        };
        vec![format!("{value}{course}"), value, head.to_owned()]
    }

    /// The heat source that tells most, if its plug says anything.
    pub fn source(&self) -> Option<&HeatNow> {
        self.scene.heat.iter().find(|h| h.power_w.is_some()).or(self.scene.heat.iter().find(|h| h.told_on.is_some()))
    }

    /// What the plug says, as a sentence; empty: it says nothing, or the judge said it already.
    pub fn plug(&self) -> String {
        if self.several || self.finding.facts.iter().any(|f| matches!(f, Fact::Watts { .. })) {
            return String::new();
        }
        let Some(source) = self.source() else { return String::new() };
        let told = source.told_on.map(|on| if on { "is told ON" } else { "is told OFF" });
        let draws =
            source.power_w.filter(|w| w.is_finite()).map(|w| format!("draws {}\u{a0}W", super::facts::whole(w)));
        match (told, draws) {
            (Some(told), Some(draws)) => format!("Heat source {} {told} and {draws}.", source.id),
            (Some(told), None) => format!("Heat source {} {told}.", source.id),
            (None, Some(draws)) => format!("Heat source {} {draws}.", source.id),
            (None, None) => String::new(),
        }
    }
}

/// Sentences with a blank between, empty ones left out.
pub fn join(parts: &[&str]) -> String {
    parts.iter().map(|p| p.trim()).filter(|p| !p.is_empty()).collect::<Vec<_>>().join(" ")
}

pub fn steps(list: &[&str]) -> Vec<String> {
    list.iter().map(|s| (*s).to_owned()).collect()
}
