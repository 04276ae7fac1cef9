//! Who is told when, and in which words.

pub mod settings;
