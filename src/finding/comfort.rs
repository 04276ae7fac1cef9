//! The judges of one enclosure's light, gradient, nights and humidity, fed from its trusted readings.

use super::around::Around;
use super::bands::Course;
use super::light_seen::Evidence;
use super::{Change, gradient, humidity, light, night};
use crate::care::plan::Wanted;
use crate::reading::Slot;
use crate::terms::place::Place;
use crate::terms::quantity::Quantity;
use crate::terms::time::{Mono, Now};
use serde::{Deserialize, Serialize};

/// What of these judges survives a restart is all of them.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Judges {
    pub light: light::Judge,
    pub gradient: gradient::Judge,
    pub humidity: humidity::Judge,
    pub nights: [night::Judge; Place::COUNT],
}

impl Judges {
    /// A trusted reading. `course` is that of the place where it is a temperature.
    pub fn hear(&mut self, around: &Around, slot: Slot, value: f64, course: Course, now: Now, out: &mut Vec<Change>) {
        match slot {
            Slot::At(place, Quantity::Temperature) => {
                self.humidity.hear_temperature(place, value, now);
                self.gradient.hear(around, place, value, course, now, out);
                self.nights[place.index()].hear(around, place, value, now, out);
                if around.lamp_warms == Some(place) {
                    self.light.hear(around, Evidence::Warmth(value), now, out);
                }
            }
            Slot::At(place, Quantity::Humidity) => self.humidity.hear_humidity(around, place, value, now, out),
            Slot::At(_, Quantity::Illuminance) => self.light.hear(around, Evidence::Illuminance(value), now, out),
            Slot::At(_, Quantity::Light) => self.light.hear(around, Evidence::Light(value > 0.5), now, out),
            Slot::Lamp(Quantity::Power) => self.light.hear(around, Evidence::LampPower(value), now, out),
            Slot::Lamp(Quantity::Switch) => self.light.hear(around, Evidence::LampSwitch(value > 0.5), now, out),
            Slot::At(..) | Slot::Heat(..) | Slot::Lamp(_) | Slot::Battery => {}
        }
    }

    /// Time has passed.
    pub fn wake(&mut self, around: &Around, now: Now, out: &mut Vec<Change>) {
        self.light.wake(around, now, out);
    }

    /// When something may come to stand, or be over, without another reading.
    pub fn next_wake(&self, wanted: &Wanted, now: Now) -> Option<Mono> {
        self.light.next_wake(wanted, now)
    }
}
