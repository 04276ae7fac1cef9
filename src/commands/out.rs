//! Where words go: results to standard output, the rest to standard error. A reader that has left is no fault of ours.

use super::Exit;
use std::fmt::Display;
use std::io::{IsTerminal, Write};

/// A result, with a line feed.
pub fn result(text: impl Display) {
    let mut out = std::io::stdout().lock();
    let _ = writeln!(out, "{text}");
}

/// Something beside the result.
pub fn note(text: impl Display) {
    let mut err = std::io::stderr().lock();
    let _ = writeln!(err, "warmside: {text}");
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
