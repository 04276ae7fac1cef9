//! The door of `payloads`: see `tests/fuzz/targets.rs`.
#![no_main]
#![allow(dead_code)]

#[path = "../../tests/fuzz/targets.rs"]
mod targets;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| targets::payloads(bytes));
