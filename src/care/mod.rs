//! What an animal needs and when: bands by day and night, seasons, light, humidity, gradient; what is wanted at an instant.
//!
//! `settings` is what a keeper states, `calendar` the site's civil time, `light_plan` when lamps are due, `season` how bands
//! move through the year, `plan` brings them together into [`plan::Wanted`], `draft` offers tables from literature.

pub mod calendar;
pub mod draft;
pub mod light_plan;
pub mod plan;
pub mod season;
pub mod settings;
