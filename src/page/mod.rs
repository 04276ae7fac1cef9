//! The page: is everyone alright, is the watcher awake, where do I go.

pub mod settings;
