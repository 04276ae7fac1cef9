//! What the judges of one enclosure are told beside the reading itself.

use super::Subject;
use crate::care::plan::Wanted;
use crate::terms::place::Place;

#[derive(Clone, Copy, Debug)]
pub struct Around<'a> {
    pub subject: Subject,
    /// What is wanted at the moment of the reading.
    pub wanted: &'a Wanted,
    /// The lamp is the heat too: then its loss is urgent.
    pub lamp_heats: bool,
    /// A place that nothing but the lamp heats: its warmth tells of the lamp where nothing else does.
    pub lamp_warms: Option<Place>,
    /// What the lamp heats may be held by a thermostat that nobody told of: then its power wavers in health.
    pub lamp_may_waver: bool,
    /// Hands are in, or it is shelved: nothing new is said.
    pub hold: bool,
    /// The room's air, °C, where it is measured.
    pub room_c: Option<f64>,
}
