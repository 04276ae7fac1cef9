//! Where words go: results to standard output, the rest to standard error. A reader that has left is no fault of ours.

use super::Exit;
use std::fmt::Display;
use std::io::{IsTerminal, Write};

/// A result, with a line feed.
pub fn result(text: impl Display) {
    let mut out = std::io::stdout().lock();
    let _ = writeln!(out, "{}", harmless(&text.to_string()));
}

/// A result for programs, which shall read what was really said: no terminal is steered by an escape of JSON either.
pub fn json(text: impl Display) {
    let mut escaped = String::new();
    for c in text.to_string().chars() {
        if steers(c) && c != '\n' {
            // Control characters and those that turn the direction of writing are all below U+10000.
            let _ = std::fmt::Write::write_fmt(&mut escaped, format_args!("\\u{:04x}", u32::from(c)));
        } else {
            escaped.push(c);
        }
    }
    let mut out = std::io::stdout().lock();
    let _ = writeln!(out, "{escaped}");
}

/// Something beside the result.
pub fn note(text: impl Display) {
    let mut err = std::io::stderr().lock();
    let _ = writeln!(err, "warmside: {}", harmless(&text.to_string()));
}

/// Text for a terminal or a log. Topics and payloads are other people's words: what would move a cursor, set a colour or
/// turn the direction of writing is shown as U+FFFD.
pub fn harmless(text: &str) -> String {
    text.chars().map(|c| if steers(c) && c != '\n' { char::REPLACEMENT_CHARACTER } else { c }).collect()
}

/// C0 and C1 controls, DEL, line and paragraph separators, and the marks of Unicode's bidirectional algorithm (UAX #9).
fn steers(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{200e}' | '\u{200f}' | '\u{61c}')
}

/// Says why a command failed.
pub fn failed(why: impl Display) -> Exit {
    note(why);
    Exit::Failed
}

/// Whether standard error is a terminal that may be coloured.
pub fn coloured() -> bool {
    std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_steers_a_terminal() {
        // (what is tried, what is shown)
        let tried = [
            ("\u{1b}[2J\u{1b}]0;all well\u{7}", "\u{fffd}[2J\u{fffd}]0;all well\u{fffd}"),
            ("\u{9b}31mred", "\u{fffd}31mred"),
            ("over\rwritten\u{8}", "over\u{fffd}written\u{fffd}"),
            ("a3\u{202e}dloc", "a3\u{fffd}dloc"),
            ("two\nlines, 31.2 \u{b0}C", "two\nlines, 31.2 \u{b0}C"),
        ];
        for (text, shown) in tried {
            assert_eq!(harmless(text), shown);
        }
    }
}
