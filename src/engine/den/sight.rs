//! What a den makes of a place that cannot be seen any more: clocks stop, and where it was the place of a heat source, the
//! other signs are asked whether there is still heat.

use super::Den;
use crate::finding::fact::Fact;
use crate::terms::place::Place;
use crate::terms::time::{Mono, Now, Span};

/// A place without a heat source that has sunk by so much while the heated one is unseen lacks its heat, K. In simulated homes
/// three of four do within an hour of a heater's death, and one healthy one in eight.
const SUNK_K: f64 = 0.4;
/// On the mean of so long: sensors are noisy.
const MEAN_OF: Span = Span::min(8);
/// Against its lowest over so long before; and what was not heard for so long is not heard.
const BEFORE: Span = Span::min(30);
/// Everything sinks for so long after lights go out, and nothing is called for.
const AFTER_LIGHTS_OUT: Span = Span::h(2);
/// A thermostat that has not called for heat for so long is no sign of heat any more.
const PLUG_RESTS: Span = Span::min(45);

impl Den {
    /// The place cannot be seen from now on: clocks that run stop, what stands goes on standing.
    pub fn lose_sight(&mut self, place: Place) {
        self.memory.bands[place.index()].forget_clocks();
        let heard = self.memory.trails[place.index()].points().next().is_some();
        if heard && !self.memory.unseen.contains(&place) {
            self.memory.unseen.push(place);
        }
    }

    /// What of all that is still heard speaks against heat at a heated place that cannot be seen; `None`: nothing does.
    pub fn lost_heat_unseen(&mut self, now: Now) -> Option<Fact> {
        if self.memory.unseen.is_empty() {
            return None;
        }
        let wanted = self.plan.as_mut().map(|plan| plan.wanted(now.wall));
        let lights_out = wanted.filter(|w| w.is_night()).and_then(|w| w.since_planned_change(now.wall));
        let lights_out = lights_out.map(|since| now.mono - since);
        let heated = self.memory.unseen.iter().filter(|place| self.is_heated(**place));
        heated.copied().find_map(|place| self.lacks_heat(place, lights_out, now.mono))
    }

    fn is_heated(&self, place: Place) -> bool {
        self.memory.sources.sources.iter().any(|source| source.at == place)
    }

    /// `lights_out`: when they went out, if it is night.
    fn lacks_heat(&self, place: Place, lights_out: Option<Mono>, now: Mono) -> Option<Fact> {
        let (seen, _) = self.trail(place).points().last()?;
        if lights_out.is_some_and(|at| at > seen || now.since(at) < AFTER_LIGHTS_OUT) {
            return None;
        }
        let rests = now - PLUG_RESTS;
        let powered = self.memory.heat.powered_since(place, seen.max(rests));
        if powered == Some(true) {
            return None;
        }
        let others =
            Place::ALL.into_iter().filter(|other| !self.is_heated(*other) && !self.memory.unseen.contains(other));
        let mut heard = others.filter_map(|other| self.level(other, now).zip(Some(other))).peekable();
        if heard.peek().is_none() {
            let text = format!("its heat source has drawn no power for {PLUG_RESTS}");
            return (powered == Some(false) && seen <= rests).then_some(Fact::Plain { text });
        }
        heard.find_map(|(to, place)| {
            let from = self.lowest_before(place, seen).filter(|from| from - to >= SUNK_K)?;
            Some(Fact::Moved { place, from, to, over: now.since(seen) })
        })
    }

    /// The level of a place, °C; `None`: it was not heard of late.
    fn level(&self, place: Place, now: Mono) -> Option<f64> {
        let (newest, _) = self.trail(place).points().last().filter(|(at, _)| now.since(*at) < BEFORE)?;
        let lately = self.trail(place).points().filter(|(at, _)| *at > newest - MEAN_OF);
        let (sum, count) = lately.fold((0.0, 0.0), |(sum, count), (_, celsius)| (sum + celsius, count + 1.0));
        (count > 0.0).then_some(sum / count)
    }

    fn lowest_before(&self, place: Place, then: Mono) -> Option<f64> {
        let before = self.trail(place).points().filter(|(at, _)| *at <= then && *at > then - BEFORE);
        before.map(|(_, celsius)| celsius).min_by(f64::total_cmp)
    }
}

#[cfg(test)]
mod tests {
    use super::super::Around;
    use super::*;
    use crate::heat::settings::{Kind, Settings, Source};
    use crate::reading::{Reading, Slot, Target};
    use crate::terms::id::{EnclosureIx, ProbeIx};
    use crate::terms::quantity::Quantity;

    /// Two hours in which both ends (or one) are heard, then one in which the warm end is not: the cool end sinks by so much, K,
    /// and the plug tells its watts. When heat is called lost, min after the last word of the warm end.
    fn lost(cool_sinks_k: Option<f64>, watts: Option<[f64; 2]>) -> Option<i64> {
        let source = Source { id: "main".into(), kind: Kind::Mat, at: Place::WarmSide, watts: None, thermostat: None };
        let mut den = Den::new(EnclosureIx(0), None, &Settings { sources: vec![source] });
        for min in 0..180_i64 {
            let at = Now::at(min * 60_000);
            let unseen = (min - 120).max(0) as f64 / 60.0;
            let warm = (min < 120).then_some((Slot::At(Place::WarmSide, Quantity::Temperature), 31.0));
            let cool = cool_sinks_k.map(|k| (Slot::At(Place::CoolSide, Quantity::Temperature), 24.0 - k * unseen));
            let power = watts.map(|w| (Slot::Heat(0, Quantity::Power), w[usize::from(min >= 120)]));
            for (slot, value) in [warm, cool, power].into_iter().flatten() {
                let (probe, target) = (ProbeIx(0), Target::Enclosure(EnclosureIx(0)));
                let reading = Reading { probe, target, slot, at, measured: None, value, retained: false };
                den.hear(&reading, &Around::default(), &mut Vec::new());
            }
            if min == 140 {
                den.lose_sight(Place::WarmSide);
            }
            if den.lost_heat_unseen(at).is_some() {
                return Some(min - 120);
            }
        }
        None
    }

    #[test]
    fn a_cool_end_that_sinks_tells_what_the_warm_end_cannot() {
        assert!(lost(Some(1.0), None).is_some_and(|min| (20..35).contains(&min)));
        assert_eq!(lost(Some(0.2), None), None, "as it was before");
        assert_eq!(lost(Some(1.0), Some([40.0, 40.0])), None, "its heater draws power: the room is cooling");
        assert!(lost(Some(1.0), Some([40.0, 0.0])).is_some());
    }

    #[test]
    fn a_plug_alone_is_a_sign_while_it_calls_for_heat_now_and_then() {
        assert_eq!(lost(None, Some([40.0, 40.0])), None);
        assert_eq!(lost(None, Some([40.0, 0.0])), Some(45));
        assert_eq!(lost(None, None), None, "nothing is heard at all: that is told by the silence itself");
    }
}
