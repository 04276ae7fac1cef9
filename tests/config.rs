//! The keeper's file from outside: the examples load, and every fault is found at its place in the right words.

use std::path::Path;
use warmside::config;

fn example(name: &str) -> config::Config {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("config").join(name);
    config::load_without_secrets(&path).unwrap_or_else(|report| panic!("{report}"))
}

/// Lines that say something.
fn lines(name: &str) -> usize {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("config").join(name);
    let text = std::fs::read_to_string(path).expect("the example is there");
    text.lines().filter(|l| !l.trim().is_empty() && !l.trim().starts_with('#')).count()
}

#[test]
fn a_first_enclosure_takes_15_lines() {
    let config = example("first-enclosure.toml");
    assert!(lines("first-enclosure.toml") <= 15);
    assert_eq!(config.settings.enclosures.len(), 1);
}

#[test]
fn a_rack_of_40_takes_60_lines() {
    let config = example("rack-of-40.toml");
    assert!(lines("rack-of-40.toml") <= 60);
    assert_eq!(config.settings.enclosures.len(), 40);
}
