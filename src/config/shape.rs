//! The keys that pin a link's payload: `text_number`, `decimal`, `suffix`, `columns`, `words`, `pick`, `format`.

use super::walk::Table;
use crate::reading::settings::{Read, Shape};

pub fn shape(link: &Table<'_>) -> Shape {
    let text_number = link.get("text_number").and_then(|v| v.flag()).unwrap_or(false);
    let decimal = link.get("decimal").and_then(|v| {
        let text = v.text()?;
        let mut signs = text.chars();
        match (signs.next(), signs.next()) {
            (Some(sign), None) if !sign.is_alphanumeric() && !sign.is_control() => Some(sign),
            _ => {
                v.fault("the decimal sign is one sign", "as decimal = \",\"");
                None
            }
        }
    });
    let suffix = link.get("suffix").and_then(|v| v.line());
    let columns = link.get("columns").and_then(|v| columns(&v.table("columns")));
    let words = link.get("words").and_then(|v| {
        let table = v.table("words");
        let on = table.need("on", "on = \"ON\"").and_then(|v| v.line());
        let off = table.need("off", "off = \"OFF\"").and_then(|v| v.line());
        table.finish();
        if on.is_some() && on == off {
            v.fault("the same word for on and off", "as { on = \"ON\", off = \"OFF\" }");
            return None;
        }
        on.zip(off)
    });
    let pick = link.get("pick").and_then(|v| {
        let table = v.table("pick");
        let member = table.need("member", "member = \"id\"").and_then(|v| v.line());
        let equals = table.need("equals", "equals = \"28-0a\"").and_then(|v| v.line());
        table.finish();
        member.zip(equals)
    });
    let format = link.get("format").and_then(|v| v.word(&[("senml", "senml"), ("homie", "homie")]));
    let (senml, homie) = (format == Some("senml"), format == Some("homie"));
    Shape { text_number, decimal, suffix, columns, words, pick, senml, homie }
}

fn columns(table: &Table<'_>) -> Option<(String, usize)> {
    const MOST: i64 = 256;
    let separator = table.need("separator", "separator = \";\"").and_then(|v| {
        let text = v.text()?;
        if text.is_empty() || text.len() > 8 || text.chars().any(|c| c.is_ascii_digit()) {
            v.fault("this separates nothing", "as separator = \";\"");
            return None;
        }
        Some(text)
    });
    let count = table.need("count", "count = 4").and_then(|v| v.whole(1, MOST)).map(|n| n as usize);
    table.finish();
    separator.zip(count)
}

/// Whether the pins fit each other and what is read.
pub fn check(link: &Table<'_>, shape: &Shape, reads: &[Read], time: Option<&str>) {
    let fault = |key: &'static str, what: &str, right: &str| {
        if let Some(value) = link.get(key) {
            link.walk.fault(&value.key_span, what, right);
        }
    };
    let given: Vec<&'static str> =
        ["columns", "pick", "format"].into_iter().filter(|key| link.get(key).is_some()).collect();
    // SenML's own names are picked by `n`, so those two go together.
    if given.contains(&"columns") && given.len() > 1 {
        fault("columns", "`columns` beside JSON", "a payload is of columns or of JSON, not both");
    }
    if shape.homie {
        for key in ["columns", "pick", "decimal", "suffix", "text_number", "read"] {
            fault(
                key,
                &format!("`{key}` beside Homie"),
                "a property of that convention is a bare number or true or false",
            );
        }
        if reads.len() > 1 {
            fault("format", "several readings in one property", "give each property a link of its own");
        }
    }
    if shape.words.is_some() && reads.iter().any(|r| !r.what.quantity().is_state()) {
        fault(
            "words",
            "`words` where a number is read",
            "words are for light and switches: give the number a link of its own",
        );
    }
    if shape.suffix.as_ref().is_some_and(|s| s.starts_with(|c: char| c.is_ascii_digit() || c == '.')) {
        fault("suffix", "a suffix that could be part of the number", "what follows the number, as suffix = \"°F\"");
    }
    let Some((_, count)) = &shape.columns else { return };
    let column = |pointer: Option<&str>| {
        let index = pointer.and_then(|p| p.strip_prefix('/')).and_then(|p| p.parse::<usize>().ok());
        index.is_some_and(|i| i < *count)
    };
    let right = format!("columns count from 0: pointer = \"/0\" to \"/{}\"", count.saturating_sub(1));
    if reads.iter().any(|r| !column(r.pointer.as_deref())) {
        fault("columns", "a reading without its column", &right);
    }
    if time.is_some_and(|time| !column(Some(time))) {
        fault("time", "`time` is not one of the columns", &right);
    }
}
