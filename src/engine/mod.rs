//! Orders the rooms from reading to notice: one way in ([`event::Event`]), one way out ([`effect::Effect`]).

pub mod den;
pub mod effect;
pub mod event;
pub mod local;
pub mod settings;
pub mod timers;
pub mod view;
