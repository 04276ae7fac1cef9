//! Formulas of the world outside with published checks: sun, moist air, infrared readings, sequential statistics. Imports terms only.

pub mod infrared;
pub mod moist_air;
pub mod sequential;
pub mod sun;
