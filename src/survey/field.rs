//! What is known of one value that was heard again and again: its range, how it moves, its words.

use super::payload::Scalar;
use super::rhythm::Minutes;
use crate::terms::time::Wall;
use std::collections::BTreeSet;

/// The most different words that are kept: more are no on and off.
const MOST_WORDS: usize = 4;

#[derive(Clone, Debug, Default)]
pub struct Field {
    pub numbers: u64,
    pub text_numbers: u64,
    pub flags: u64,
    pub nulls: u64,
    pub words: BTreeSet<String>,
    pub min: f64,
    pub max: f64,
    pub last: Option<f64>,
    /// Sum of all changes, and how many there were; changes upwards.
    moved: f64,
    pub changes: u64,
    ups: u64,
    /// All values were whole numbers; all were 0 or 1.
    pub whole: bool,
    pub binary: bool,
    lowest: f64,
    rise: f64,
    /// How it moved, for whoever looks for what moves alike.
    pub minutes: Minutes,
}

impl Field {
    pub fn hear(&mut self, value: Scalar, at: Wall) {
        match &value {
            Scalar::Number(n) | Scalar::TextNumber(n) => self.minutes.hear(*n, at.as_ms()),
            Scalar::Flag(on) => self.minutes.hear(f64::from(u8::from(*on)), at.as_ms()),
            Scalar::Word(word) if word.eq_ignore_ascii_case("on") => self.minutes.hear(1.0, at.as_ms()),
            Scalar::Word(word) if word.eq_ignore_ascii_case("off") => self.minutes.hear(0.0, at.as_ms()),
            Scalar::Word(_) | Scalar::Null => {}
        }
        match value {
            Scalar::Number(n) => self.number(n),
            Scalar::TextNumber(n) => {
                self.text_numbers += 1;
                self.number(n);
            }
            Scalar::Flag(_) => self.flags += 1,
            Scalar::Null => self.nulls += 1,
            Scalar::Word(word) => {
                if self.words.len() <= MOST_WORDS {
                    self.words.insert(word);
                }
            }
        }
    }

    fn number(&mut self, n: f64) {
        self.numbers += 1;
        let Some(last) = self.last.replace(n) else {
            (self.min, self.max, self.lowest) = (n, n, n);
            (self.whole, self.binary) = (n.fract() == 0.0, n == 0.0 || n == 1.0);
            return;
        };
        self.min = self.min.min(n);
        self.max = self.max.max(n);
        self.whole &= n.fract() == 0.0;
        self.binary &= n == 0.0 || n == 1.0;
        if n != last {
            self.moved += (n - last).abs();
            self.changes += 1;
            self.ups += u64::from(n > last);
        }
        self.lowest = self.lowest.min(n);
        self.rise = self.rise.max(n - self.lowest);
    }

    /// Mean size of a change.
    pub fn step(&self) -> f64 {
        if self.changes == 0 { 0.0 } else { self.moved / self.changes as f64 }
    }

    /// Heard several times and never changed.
    pub fn is_constant(&self) -> bool {
        self.numbers >= 3 && self.changes == 0
    }

    /// Grows and never falls, or only where it starts anew.
    pub fn is_counter(&self) -> bool {
        self.changes >= 8 && self.ups * 20 >= self.changes * 19 && self.max - self.min > 8.0
    }

    /// How far it rose above its lowest so far.
    pub fn rise(&self) -> f64 {
        self.rise
    }

    pub fn is_state(&self) -> bool {
        self.flags > 0 || (self.numbers > 0 && self.binary) || self.is_words()
    }

    /// Two words at the most, and nothing else.
    pub fn is_words(&self) -> bool {
        self.numbers + self.flags == 0 && (1..=2).contains(&self.words.len())
    }
}
