//! A mail as blocks: what it says, before it is plain text ([`super::flow`]) or HTML ([`super::html`]).
//!
//! Our own words carry `–` in ranges and `\u{a0}°` before degrees; plain text shows both in ASCII. A keeper's words
//! are passed through as they are.

use crate::notice::Picture;

/// The direction of harm, or none of them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Hue {
    Cold,
    Hot,
    /// Something is not seen, or differs.
    Ink,
    /// An end, or an answer.
    Edge,
    /// A letter.
    Band,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Doc {
    /// Where: the first line of the mail.
    pub place: String,
    /// The deadline, or what became of it: the second line.
    pub headline: String,
    pub hue: Hue,
    pub blocks: Vec<Block>,
    /// What a block of it shows.
    pub picture: Option<Picture>,
    pub foot: String,
}

#[derive(Clone, Debug, PartialEq)]
pub enum Block {
    Say {
        label: &'static str,
        text: String,
        strong: bool,
    },
    Steps {
        label: &'static str,
        steps: Vec<String>,
    },
    /// A keeper's own words.
    Own {
        label: &'static str,
        text: String,
    },
    /// Title, the degrees' letter, rows.
    Readings {
        letter: &'static str,
        rows: Vec<ReadingRow>,
    },
    Table(Table),
    /// In HTML only: what it shows stands in words as well.
    Picture {
        caption: String,
        cid: String,
        /// Width and height, CSS pixels.
        size: (f64, f64),
        alt: String,
    },
    /// Each enclosure's week: a table in plain text; in HTML a cell a day with the numbers below.
    Weeks {
        table: Table,
        title: String,
        weeks: Vec<WeekRow>,
    },
    Button {
        words: &'static str,
        url: String,
    },
}

#[derive(Clone, Debug, PartialEq)]
pub struct ReadingRow {
    pub label: String,
    pub now: String,
    pub wanted: String,
    pub remark: String,
    pub hue: Option<Hue>,
    /// For the bullet, in the site's degrees: the value (if seen), the wanted band. `None`: no bullet.
    pub bullet: Option<(Option<f64>, (f64, f64))>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct WeekRow {
    pub label: String,
    /// Minutes out of band of each day, oldest first; `None`: not watched.
    pub out_min: Vec<Option<f64>>,
    pub numbers: String,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Table {
    pub title: String,
    /// Name, width in plain text, whether it is a number.
    pub columns: Vec<(&'static str, usize, bool)>,
    pub rows: Vec<Vec<String>>,
}

impl Doc {
    pub fn say(&mut self, label: &'static str, text: impl Into<String>) {
        self.push_say(label, text.into(), false);
    }
    /// In larger letters.
    pub fn say_strong(&mut self, label: &'static str, text: impl Into<String>) {
        self.push_say(label, text.into(), true);
    }
    fn push_say(&mut self, label: &'static str, text: String, strong: bool) {
        if !text.trim().is_empty() {
            self.blocks.push(Block::Say { label, text, strong });
        }
    }
}
