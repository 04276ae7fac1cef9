//! TOML to a spanned tree, past syntax errors: each is cited once, its line blanked, and the rest read again.
//!
//! The parser recovers by itself, but one unclosed bracket makes it doubt every line that follows. Blanking what is
//! broken keeps all other places of the file where they are, so that *their* faults are found in the same run.

use super::fault::Fault;
use std::ops::Range;
use toml::de::{DeTable, DeValue};

/// More broken lines than this are not told: such a file is no TOML.
const MOST_SYNTAX_FAULTS: usize = 50;

/// The text with everything broken blanked out (equally long), and a fault for each thing that was.
pub fn mend(text: &str) -> (String, Vec<Fault>) {
    let mut mended = text.to_owned();
    let mut faults = Vec::new();
    while faults.len() < MOST_SYNTAX_FAULTS {
        let Some((fault, broken)) = first_break(&mended) else { return (mended, faults) };
        faults.push(fault);
        if text_is_blank(&mended, &broken) {
            return (String::new(), faults); // nothing left to take out, and still broken
        }
        blank(&mut mended, broken);
    }
    (String::new(), faults)
}

fn first_break(text: &str) -> Option<(Fault, Range<usize>)> {
    let (tree, errors) = DeTable::parse_recoverable(text);
    let at = |e: &toml::de::Error| e.span().map_or(text.len(), |span| span.start);
    let error = errors.iter().min_by_key(|e| at(e))?;
    let at = at(error);
    if let Some(open) = left_open(tree.get_ref(), text, at) {
        let what = match text.as_bytes().get(open) {
            Some(b'{') => "this `{` is never closed",
            _ => "this `[` is never closed",
        };
        let right = "close the list or table before the next key";
        let broken = line_start(text, open)..line_start(text, at).max(line_end(text, open));
        return Some((syntax(open..open + 1, what.into(), Some(right.into())), broken));
    }
    if let Some(open) = quotes_left_open(text, at) {
        let right = "close it with the same three quotes";
        return Some((
            syntax(open..open + 3, "this text is never closed".into(), Some(right.into())),
            line_start(text, open)..text.len(),
        ));
    }
    let span = error.span().unwrap_or(at..at);
    let header = text.get(line_start(text, at)..).unwrap_or_default().trim_start().starts_with('[');
    let broken = line_start(text, at)..if header { next_header(text, at) } else { line_end(text, span.end.max(at)) };
    let (what, right) = words(error.message(), text, at);
    Some((syntax(span, what, right), broken))
}

fn syntax(span: Range<usize>, what: String, right: Option<String>) -> Fault {
    Fault { span, warning: false, absence: false, what, right, also: None }
}

/// The parser's message, and a keeper's usual slip behind it.
fn words(message: &str, text: &str, at: usize) -> (String, Option<String>) {
    let line = text.get(line_start(text, at)..line_end(text, at)).unwrap_or_default();
    let right = if message.contains("duplicate key") {
        Some("each key and each table stands once: take one of the two out".into())
    } else if message.contains("string values must be quoted") {
        Some("text stands in quotes, as \"text\"".into())
    } else if line.matches('"').count() % 2 == 1 {
        Some("a quote is missing on this line".into())
    } else if !line.contains('=') && !line.trim_start().starts_with('[') {
        Some("a line is `key = value`, or a table's name in brackets as `[site]`".into())
    } else {
        None
    };
    (format!("this is no TOML: {message}"), right)
}

fn text_is_blank(text: &str, part: &Range<usize>) -> bool {
    text.get(part.clone()).is_none_or(|t| t.trim().is_empty())
}

/// Where a text of several lines began that runs into the end of the file.
fn quotes_left_open(text: &str, at: usize) -> Option<usize> {
    let odd = |quotes: &str| (text.matches(quotes).count() % 2 == 1).then(|| text.rfind(quotes)).flatten();
    odd("\"\"\"").or_else(|| odd("'''")).filter(|open| *open <= at && line_start(text, *open) <= line_start(text, at))
}

/// Where the outermost list or inline table begins that swallowed the line of `at` because it was never closed.
fn left_open(tree: &DeTable<'_>, text: &str, at: usize) -> Option<usize> {
    let line = text.get(line_start(text, at)..line_end(text, at)).unwrap_or_default().trim();
    let key = line.split('=').next().unwrap_or_default().trim();
    let is_key = |t: &str| !t.is_empty() && t.bytes().all(|b| b.is_ascii_alphanumeric() || b"-_.\"".contains(&b));
    let swallowed = at >= text.len()
        || line.trim_matches(['[', ']']) != line && is_key(line.trim_matches(['[', ']']))
        || line.contains('=') && is_key(key);
    swallowed.then(|| opening(tree, text, at)).flatten()
}

fn opening(table: &DeTable<'_>, text: &str, at: usize) -> Option<usize> {
    table.iter().find_map(|(_, value)| {
        let span = value.span();
        let reaches = span.start < line_start(text, at) && at <= span.end;
        let begins = |with: u8| text.as_bytes().get(span.start) == Some(&with);
        match value.get_ref() {
            DeValue::Array(items) => {
                // A `[[table]]`'s span is its header; the items of a list in brackets are no tables, or inline ones.
                let tables = |i: &toml::Spanned<DeValue<'_>>| {
                    i.get_ref().is_table() && text.as_bytes().get(i.span().start) == Some(&b'[')
                };
                match items.iter().any(tables) {
                    true => items.iter().find_map(|i| i.get_ref().as_table().and_then(|t| opening(t, text, at))),
                    false => (reaches && begins(b'[')).then_some(span.start),
                }
            }
            DeValue::Table(_) if reaches && begins(b'{') => Some(span.start),
            DeValue::Table(inner) => opening(inner, text, at),
            _ => None,
        }
    })
}

fn blank(text: &mut String, broken: Range<usize>) {
    let blanked: String = text
        .char_indices()
        .flat_map(|(at, c)| {
            let gone = broken.contains(&at) && c != '\n';
            let (c, times) = if gone { (' ', c.len_utf8()) } else { (c, 1) };
            std::iter::repeat_n(c, times)
        })
        .collect();
    *text = blanked;
}

fn line_start(text: &str, at: usize) -> usize {
    let before = text.as_bytes().get(..at.min(text.len())).unwrap_or_default();
    before.iter().rposition(|b| *b == b'\n').map_or(0, |p| p + 1)
}

fn line_end(text: &str, at: usize) -> usize {
    let from = at.min(text.len());
    let after = text.as_bytes().get(from..).unwrap_or_default();
    after.iter().position(|b| *b == b'\n').map_or(text.len(), |p| from + p)
}

/// Where the next table's header begins: a header that cannot be read takes the keys below it along.
fn next_header(text: &str, at: usize) -> usize {
    let mut from = line_end(text, at);
    while from < text.len() {
        let start = from + 1;
        let end = line_end(text, start);
        if text.get(start..end).is_some_and(|line| line.trim_start().starts_with('[')) {
            return start;
        }
        from = end;
    }
    text.len()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn starts(text: &str) -> Vec<usize> {
        let (mended, faults) = mend(text);
        assert_eq!(mended.len(), text.len(), "places stay where they are");
        assert_eq!(DeTable::parse_recoverable(&mended).1.len(), 0);
        faults.into_iter().map(|f| text[..f.span.start].matches('\n').count() + 1).collect()
    }

    #[test]
    fn each_break_is_told_once_and_on_its_line() {
        let cases: [(&str, &[usize]); 10] = [
            ("a = 1\n[b]\nc = 2\n", &[]),
            ("a = \"x\nb = 2\n", &[1]),
            ("a = [1, 2\n\n[b]\nc = 3\n[d]\ne = = 4\n", &[1, 6]),
            ("a = { x = 1\nb = 3\n", &[1]),
            ("a = [\n  1,\n  2 3,\n]\nb = 1\n", &[3]),
            ("[site]\na = 1\n[site]\nb = 2\n[c]\nd 4\n", &[3, 6]),
            ("a = 1\na = 2\nnonsense\n", &[2, 3]),
            ("[[e]]\nid = \"a\"\n[[e]]\nid = b\nx = 1 2\n", &[4, 5]),
            ("a = \"\"\"never ends\nb = 3\n", &[1]),
            ("ü = 1\nä", &[1, 2]),
        ];
        for (text, want) in cases {
            assert_eq!(starts(text), want, "{text}");
        }
    }

    #[test]
    fn what_is_no_toml_at_all_ends() {
        let (mended, faults) = mend(&"= ?\n".repeat(1_000));
        assert_eq!((mended.as_str(), faults.len()), ("", MOST_SYNTAX_FAULTS));
    }
}
