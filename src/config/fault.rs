//! What is wrong with a keeper's file, each thing cited at its place; and how a report of all of them looks.

use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};
use std::fmt;
use std::ops::Range;

/// One thing that is wrong, or doubtful.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Bytes of the file that it is about.
    pub span: Range<usize>,
    /// Doubtful, not wrong: told, and the file is obeyed all the same.
    pub warning: bool,
    /// Rests on something *not* being there, so it is not judged in a file that could not be read whole.
    pub absence: bool,
    /// What is wrong, one line.
    pub what: String,
    /// What would be right.
    pub right: Option<String>,
    /// Another place that belongs to it: where the first of two was.
    pub also: Option<(Range<usize>, String)>,
}

/// Everything found in one file, in the order of the file; an error when anything in it is more than a warning.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Report {
    /// The path as it was given.
    pub file: String,
    pub text: String,
    pub faults: Vec<Fault>,
}

impl Report {
    pub fn new(file: String, text: String, mut faults: Vec<Fault>) -> Report {
        faults.sort_by(|a, b| (a.span.start, a.span.end, &a.what).cmp(&(b.span.start, b.span.end, &b.what)));
        faults.dedup();
        Report { file, text, faults }
    }

    pub fn is_fatal(&self) -> bool {
        self.faults.iter().any(|f| !f.warning)
    }

    /// Line and column of a byte, both from 1, the column in characters as editors count.
    pub fn line_column(&self, byte: usize) -> (usize, usize) {
        let mut end = byte.min(self.text.len());
        while !self.text.is_char_boundary(end) {
            end -= 1;
        }
        let before = self.text.get(..end).unwrap_or_default();
        let line_start = before.rfind('\n').map_or(0, |at| at + 1);
        let line = before.matches('\n').count() + 1;
        let column = before.get(line_start..).unwrap_or_default().trim_start_matches('\u{feff}').chars().count() + 1;
        (line, column)
    }

    /// All of it as text, and last how many there are.
    pub fn render(&self, colour: bool) -> String {
        self.cited(colour) + &self.last_line() + "\n"
    }

    /// For each `file:line:column`, the line, a caret, what is wrong and what would be right.
    pub fn cited(&self, colour: bool) -> String {
        let renderer = if colour { Renderer::styled() } else { Renderer::plain() };
        let mut out = String::new();
        for fault in &self.faults {
            out.push_str(&renderer.render(&[self.group(fault)]));
            out.push_str("\n\n");
        }
        out
    }

    fn group<'a>(&'a self, fault: &'a Fault) -> Group<'a> {
        let level = if fault.warning { Level::WARNING.with_name("doubt") } else { Level::ERROR.with_name("fault") };
        let span = self.within(&fault.span);
        let mut snippet = Snippet::source(self.text.as_str())
            .path(self.file.as_str())
            .annotation(AnnotationKind::Primary.span(span.clone()));
        if let Some((also, label)) = &fault.also {
            snippet = snippet.annotation(AnnotationKind::Context.span(self.within(also)).label(label.as_str()));
        }
        let (title, right) = (level.primary_title(fault.what.as_str()), Level::HELP.with_name("right"));
        match &fault.right {
            // Of a file that could not be read there is no line to cite.
            Some(right_is) if self.text.is_empty() => title.element(right.message(right_is.as_str())),
            Some(right_is) => title.element(snippet).element(right.message(right_is.as_str())),
            None => title.element(snippet),
        }
    }

    /// The span cut to its first line and to the text, so that a caret never spreads over a page.
    fn within(&self, span: &Range<usize>) -> Range<usize> {
        let mut start = span.start.min(self.text.len());
        while !self.text.is_char_boundary(start) {
            start -= 1;
        }
        let mut end = span.end.clamp(start, self.text.len());
        while !self.text.is_char_boundary(end) {
            end -= 1;
        }
        let cited = self.text.get(start..end).unwrap_or_default();
        let first = cited.split(['\n', '\r']).next().unwrap_or_default();
        start..start + first.len()
    }

    fn last_line(&self) -> String {
        let warnings = self.faults.iter().filter(|f| f.warning).count();
        let faults = self.faults.len() - warnings;
        let count = |n: usize, word: &str| format!("{n} {word}{}", if n == 1 { "" } else { "s" });
        match (faults, warnings) {
            (0, 0) => format!("{}: no faults", self.file),
            (0, w) => format!("{}: no faults, {}", self.file, count(w, "doubt")),
            (f, 0) => format!("{}: {}", self.file, count(f, "fault")),
            (f, w) => format!("{}: {}, {}", self.file, count(f, "fault"), count(w, "doubt")),
        }
    }

    /// For programs: one object a fault.
    pub fn json(&self) -> serde_json::Value {
        let one = |fault: &Fault| {
            let (line, column) = self.line_column(fault.span.start);
            serde_json::json!({
                "file": self.file, "line": line, "column": column, "warning": fault.warning,
                "what": fault.what, "right": fault.right,
            })
        };
        self.faults.iter().map(one).collect()
    }
}

/// Plain, as for a log.
impl fmt::Display for Report {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.render(false))
    }
}

impl std::error::Error for Report {}
