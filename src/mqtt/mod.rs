//! The broker: messages in, states and outcomes out.

pub mod settings;
