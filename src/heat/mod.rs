//! What an enclosure's heat normally does, learned from its own readings, and when it no longer does so.

pub mod settings;
