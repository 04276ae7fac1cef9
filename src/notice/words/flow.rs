//! Plain text: `format=flowed` (RFC 3676), 64 wide, tables fixed, nothing wider than 78.

use super::doc::{Block, Doc, Table};

const WIDTH: usize = 64;
/// RFC 3676 §4.2 wants lines of at most 78; a longer word is broken.
const WIDEST: usize = 76;

pub fn text(doc: &Doc) -> String {
    let mut out = String::new();
    fixed(&mut out, &plain(&doc.place));
    fixed(&mut out, &plain(&doc.headline));
    for block in &doc.blocks {
        // A link belongs to the paragraph before it.
        if !matches!(block, Block::Button { .. } | Block::Picture { .. }) {
            out.push('\n');
        }
        match block {
            Block::Say { label, text, .. } => flowed(&mut out, &labelled(label, &plain(text))),
            Block::Steps { label, steps } => {
                flowed(&mut out, &format!("{}:", label.to_uppercase()));
                for (i, step) in steps.iter().enumerate() {
                    flowed(&mut out, &format!("{}. {}", i + 1, plain(step)));
                }
            }
            Block::Own { label, text } => {
                flowed(&mut out, &format!("{}:", label.to_uppercase()));
                own(&mut out, text);
            }
            Block::Readings { letter, rows } => {
                fixed(&mut out, &format!("{:<12}{:>8}  {:<8}{letter}", "READINGS", "now", "wanted"));
                for row in rows {
                    let (now, wanted, remark) = (plain(&row.now), plain(&row.wanted), plain(&row.remark));
                    fixed(&mut out, &format!("{:<12}{now:>8}  {wanted:<8}{remark}", cut(&row.label, 12)));
                }
            }
            Block::Table(table) => fixed_table(&mut out, table),
            Block::Picture { .. } => {}
            Block::Weeks { table, .. } => fixed_table(&mut out, table),
            Block::Button { url, .. } => fixed(&mut out, url),
        }
    }
    if !doc.foot.is_empty() {
        out.push('\n');
        flowed(&mut out, &plain(&doc.foot));
    }
    out
}

fn labelled(label: &str, text: &str) -> String {
    if label.is_empty() { text.to_owned() } else { format!("{}: {text}", label.to_uppercase()) }
}

/// Our own words in ASCII where they can be.
pub fn plain(text: &str) -> String {
    text.replace("\u{a0}°", "\u{a0}").replace('–', "-")
}

fn own(out: &mut String, text: &str) {
    let clean: String = text.chars().map(|c| if c.is_control() && c != '\n' { ' ' } else { c }).collect();
    for line in clean.trim_end().split('\n') {
        flowed(out, line);
    }
}

fn fixed_table(out: &mut String, table: &Table) {
    fixed(out, &plain(&table.title));
    let line = |cells: &mut dyn Iterator<Item = &str>| {
        let mut line = String::new();
        for ((_, width, number), cell) in table.columns.iter().zip(cells) {
            let cell = cut(&plain(cell), *width);
            let filled = if *number { format!("{cell:>width$}") } else { format!("{cell:<width$}") };
            line.push_str(&filled);
            line.push_str("  ");
        }
        line
    };
    fixed(out, &line(&mut table.columns.iter().map(|(name, ..)| *name)));
    for row in &table.rows {
        fixed(out, &line(&mut row.iter().map(String::as_str)));
    }
}

fn cut(text: &str, width: usize) -> String {
    text.chars().take(width).collect()
}

/// A line that stays as it is: no blank at its end, so that it does not flow.
fn fixed(out: &mut String, line: &str) {
    let line = line.replace(['\u{a0}', '\n', '\r', '\t'], " ");
    stuffed(out, cut(line.trim_end(), WIDEST).trim_end());
    out.push('\n');
}

/// A paragraph: soft breaks end with a blank. Non-breaking blanks hold words together and are shown as blanks.
fn flowed(out: &mut String, paragraph: &str) {
    let mut lines: Vec<String> = vec![String::new()];
    for word in paragraph.split([' ', '\n', '\t', '\r']).filter(|w| !w.is_empty()) {
        let chars: Vec<char> = word.chars().collect();
        for piece in chars.chunks(WIDEST - 2) {
            let piece: String = piece.iter().collect();
            let Some(line) = lines.last_mut() else { continue };
            let (have, need) = (line.chars().count(), piece.chars().count());
            // One column of 64 is the soft break's own blank.
            if have > 0 && have + 1 + need > WIDTH - 1 {
                lines.push(piece);
            } else {
                if have > 0 {
                    line.push(' ');
                }
                line.push_str(&piece);
            }
        }
    }
    let last = lines.len() - 1;
    for (i, line) in lines.iter().enumerate() {
        stuffed(out, &line.replace('\u{a0}', " "));
        out.push_str(if i < last { " \n" } else { "\n" });
    }
}

/// RFC 3676 §4.4: lines that begin with a blank, `>` or `From ` get a blank before them.
fn stuffed(out: &mut String, line: &str) {
    if line.starts_with([' ', '>']) || line.starts_with("From ") {
        out.push(' ');
    }
    out.push_str(line);
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What a reader of RFC 3676 §4 makes of it: paragraphs.
    fn unflow(text: &str) -> Vec<String> {
        let mut out: Vec<String> = Vec::new();
        let mut open = false;
        for line in text.lines() {
            let line = line.strip_prefix(' ').unwrap_or(line);
            match out.last_mut().filter(|_| open) {
                Some(last) => last.push_str(line),
                None => out.push(line.to_owned()),
            }
            open = line.ends_with(' ');
        }
        out
    }

    #[test]
    fn paragraphs_come_back_whole() {
        let word = "x".repeat(100);
        for paragraph in [
            "From here on > it is a long line of words that has to be broken more than once, whatever they say of it.",
            "> quoted by a keeper",
            "short",
            "",
        ] {
            let mut out = String::new();
            flowed(&mut out, paragraph);
            assert_eq!(unflow(&out), [paragraph], "{out}");
            assert!(out.lines().all(|l| l.chars().count() <= 66), "{out}");
        }
        let mut out = String::new();
        flowed(&mut out, &word);
        assert!(out.lines().all(|l| l.chars().count() <= 78));
        assert_eq!(out.replace([' ', '\n'], ""), word);
        let mut out = String::new();
        own(&mut out, "Spare emitter: drawer 2.\r\nPlug\u{7} 4.\n");
        assert_eq!(out, "Spare emitter: drawer 2.\nPlug 4.\n");
    }
}
