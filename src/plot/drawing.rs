//! What is drawn, before it is markup for the page ([`Drawing::svg`]) or pixels for a mail ([`super::pixels`]).
//!
//! Few kinds of marks, so that both show the same: paths of straight lines, and words that are never scaled. It can be
//! stored: the row of a mail holds its drawing, so that every attempt to send it makes the same picture.

use serde::{Deserialize, Serialize};
use std::fmt::Write as _;

/// In CSS pixels.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Drawing {
    pub width: f64,
    pub height: f64,
    pub marks: Vec<Mark>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Mark {
    /// `d`: SVG path data of `M`, `L`, `H`, `V`, `h`, `v` and `z`.
    Path { ink: Ink, d: String },
    /// `x`, `y`: where the line of letters begins, ends or has its middle.
    Words { x: f64, y: f64, anchor: Anchor, tone: Tone, text: String },
    /// What a pointer over an area is told; not seen.
    Says { d: String, text: String },
}

/// What a path is; the page's style and the mail's palette each know how it looks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Ink {
    Band,
    BandEdge,
    Grid,
    Tick,
    Axis,
    Gap,
    Limit,
    Spread,
    Solid,
    Dashed,
    Dotted,
    Planned,
    Seen,
    Moment,
    Now,
}

impl Ink {
    /// Its class on the page.
    pub const fn class(self) -> &'static str {
        match self {
            Ink::Band => "bd",
            Ink::BandEdge => "be",
            Ink::Grid => "gr",
            Ink::Tick => "tk",
            Ink::Axis => "ax0",
            Ink::Gap => "gap0",
            Ink::Limit => "lim",
            Ink::Spread => "env",
            Ink::Solid => "wl",
            Ink::Dashed => "cl",
            Ink::Dotted => "dl",
            Ink::Planned => "rp",
            Ink::Seen => "rs",
            Ink::Moment => "ev",
            Ink::Now => "now0",
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Anchor {
    Start,
    Middle,
    End,
}

/// How words stand out from what lies under them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Tone {
    Plain,
    /// With the paper's colour around them.
    Halo,
    BoldHalo,
}

impl Drawing {
    pub fn path(&mut self, ink: Ink, d: String) {
        if !d.is_empty() {
            self.marks.push(Mark::Path { ink, d });
        }
    }

    pub fn words(&mut self, x: f64, y: f64, anchor: Anchor, tone: Tone, text: impl Into<String>) {
        self.marks.push(Mark::Words { x, y, anchor, tone, text: text.into() });
    }

    /// For the page: colours come from its style by class.
    pub fn svg(&self) -> String {
        let mut out = String::with_capacity(16 << 10);
        let (w, h) = (n(self.width), n(self.height));
        let _ = write!(
            out,
            "<svg class=\"trace\" viewBox=\"0 0 {w} {h}\" width=\"{w}\" height=\"{h}\" aria-hidden=\"true\">"
        );
        for mark in &self.marks {
            let _ = match mark {
                Mark::Path { ink, d } => write!(out, "<path class=\"{}\" d=\"{d}\"/>", ink.class()),
                Mark::Words { x, y, anchor, tone, text } => {
                    let class = match tone {
                        Tone::Plain => "",
                        Tone::Halo => "class=\"halo\" ",
                        Tone::BoldHalo => "class=\"b halo\" ",
                    };
                    let anchor = match anchor {
                        Anchor::Start => "",
                        Anchor::Middle => " text-anchor=\"middle\"",
                        Anchor::End => " text-anchor=\"end\"",
                    };
                    write!(out, "<text {class}x=\"{}\" y=\"{}\"{anchor}>{}</text>", n(*x), n(*y), escaped(text))
                }
                Mark::Says { d, text } => {
                    write!(out, "<path class=\"hit0\" d=\"{d}\"><title>{}</title></path>", escaped(text))
                }
            };
        }
        out.push_str("</svg>");
        out
    }
}

/// A coordinate with one decimal at the most.
pub fn n(value: f64) -> String {
    let text = format!("{:.1}", if value.is_finite() { value + 0.0 } else { 0.0 });
    let text = text.strip_suffix(".0").unwrap_or(&text);
    if text == "-0" { "0".to_owned() } else { text.to_owned() }
}

fn escaped(text: &str) -> String {
    text.chars().take(120).fold(String::new(), |mut out, c| {
        match c {
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '&' => out.push_str("&amp;"),
            '"' => out.push_str("&quot;"),
            c if c.is_control() => out.push(' '),
            c => out.push(c),
        }
        out
    })
}
