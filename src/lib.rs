//! Warmside as a library: every room of the house, so that tests and tools can drive the engine without a socket.
#![forbid(unsafe_code)]

pub mod terms;
