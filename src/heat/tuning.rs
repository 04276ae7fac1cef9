//! The few numbers that trade delay against false alarms: the default, and what the evaluation varies to draw the curve.

use serde::{Deserialize, Serialize};

/// Where on the curve of delay against false alarms the detector sits. The default is the calm end (MODEL.md).
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Tuning {
    /// Factor on every threshold of level.
    pub threshold: f64,
    /// How long a verdict must hold before it is given, min: under a cycling thermostat, and else.
    pub held_cycler_min: f64,
    pub held_min: f64,
}

impl Default for Tuning {
    fn default() -> Tuning {
        Tuning { threshold: 1.5, held_cycler_min: 2.5, held_min: 1.5 }
    }
}
