//! Warmside as a library: every room of the house, so that tests and tools can drive the engine without a socket.
#![forbid(unsafe_code)]

pub mod answers;
pub mod care;
pub mod clock;
pub mod commands;
pub mod config;
pub mod control;
pub mod daemon;
pub mod descriptors;
pub mod engine;
pub mod finding;
pub mod heat;
pub mod incident;
pub mod mqtt;
pub mod nature;
pub mod notice;
pub mod outpost;
pub mod page;
pub mod plot;
pub mod post;
pub mod reading;
pub mod recording;
pub mod store;
pub mod survey;
pub mod terms;
pub mod tls;
pub mod trust;
