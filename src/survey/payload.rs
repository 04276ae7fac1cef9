//! One payload of nobody knows what, taken apart into values under pointers.

use serde_json::Value;

/// The deepest nesting, the most values of one message and the longest payload that are looked at.
const DEEPEST: usize = 6;
const MOST: usize = 64;
const LONGEST: usize = 64 * 1_024;

/// How a payload is written beyond a bare number or JSON.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum Shape {
    #[default]
    Bare,
    Json,
    /// A number, with a decimal comma or not, and text after it.
    Text {
        comma: bool,
        suffix: String,
    },
    Columns {
        separator: char,
        count: usize,
    },
    Word,
}

#[derive(Clone, Debug, PartialEq)]
pub enum Scalar {
    Number(f64),
    /// A number that stands in a JSON string.
    TextNumber(f64),
    Flag(bool),
    Word(String),
    Null,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Seen {
    /// RFC 6901; empty: the whole payload.
    pub pointer: String,
    pub value: Scalar,
}

/// `None`: nothing that we could ever read.
pub fn take_apart(bytes: &[u8]) -> Option<(Shape, Vec<Seen>)> {
    if bytes.len() > LONGEST {
        return None;
    }
    let text = std::str::from_utf8(bytes).ok()?.trim();
    let one = |shape, value| Some((shape, vec![Seen { pointer: String::new(), value }]));
    if let Some(number) = number(text) {
        return one(Shape::Bare, Scalar::Number(number));
    }
    if let Ok(json) = serde_json::from_str::<Value>(text) {
        let mut seen = Vec::new();
        walk(&json, String::new(), 0, &mut seen);
        return Some((Shape::Json, seen));
    }
    for separator in [';', '\t', '|', ','] {
        let columns: Vec<&str> = text.split(separator).collect();
        let numbers = columns.iter().filter(|c| number(&c.trim().replace(',', ".")).is_some()).count();
        // "21,5" is one number with a decimal comma and not two columns.
        if columns.len() >= 2 && numbers * 2 >= columns.len() && (separator != ',' || columns.len() > 2) {
            let seen = columns.iter().enumerate().take(MOST).map(|(i, column)| {
                let value = number(column.trim()).map_or_else(|| Scalar::Word(short(column)), Scalar::Number);
                Seen { pointer: format!("/{i}"), value }
            });
            return Some((Shape::Columns { separator, count: columns.len() }, seen.collect()));
        }
    }
    let end = text.find(|c: char| !(c.is_ascii_digit() || "+-.,".contains(c))).unwrap_or(text.len());
    let (digits, suffix) = text.split_at(end);
    if let Some(value) = number(&digits.replace(',', ".")) {
        let comma = digits.contains(',');
        return one(Shape::Text { comma, suffix: suffix.trim().to_owned() }, Scalar::Number(value));
    }
    one(Shape::Word, Scalar::Word(short(text)))
}

fn number(text: &str) -> Option<f64> {
    let plain = !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit() || b"+-.eE".contains(&b));
    plain.then(|| text.parse().ok()).flatten().filter(|n: &f64| n.is_finite())
}

fn short(text: &str) -> String {
    text.trim().chars().take(24).collect()
}

fn walk(value: &Value, pointer: String, depth: usize, seen: &mut Vec<Seen>) {
    if seen.len() >= MOST || depth > DEEPEST {
        return;
    }
    let scalar = match value {
        Value::Null => Scalar::Null,
        Value::Bool(flag) => Scalar::Flag(*flag),
        Value::Number(n) => Scalar::Number(n.as_f64().unwrap_or_default()),
        Value::String(text) => number(text.trim()).map_or_else(|| Scalar::Word(short(text)), Scalar::TextNumber),
        Value::Array(list) => {
            for (i, element) in list.iter().enumerate() {
                walk(element, format!("{pointer}/{i}"), depth + 1, seen);
            }
            return;
        }
        Value::Object(members) => {
            for (name, member) in members {
                let name = name.replace('~', "~0").replace('/', "~1");
                walk(member, format!("{pointer}/{name}"), depth + 1, seen);
            }
            return;
        }
    };
    seen.push(Seen { pointer, value: scalar });
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pointers(text: &str) -> Option<(Shape, Vec<String>)> {
        take_apart(text.as_bytes()).map(|(shape, seen)| (shape, seen.into_iter().map(|s| s.pointer).collect()))
    }

    #[test]
    fn every_way_to_write_a_number() {
        assert_eq!(pointers("21.5"), Some((Shape::Bare, vec![String::new()])));
        assert_eq!(pointers(r#"{"a":{"t":1,"x/y":"2"}}"#), Some((Shape::Json, vec!["/a/t".into(), "/a/x~1y".into()])));
        let comma = Shape::Text { comma: true, suffix: "°C".into() };
        assert_eq!(take_apart("21,5 °C".as_bytes()).map(|t| t.0), Some(comma));
        let columns = Shape::Columns { separator: ';', count: 3 };
        assert_eq!(pointers("a;21.5;3"), Some((columns, vec!["/0".into(), "/1".into(), "/2".into()])));
        assert_eq!(pointers("ON").map(|p| p.0), Some(Shape::Word));
        assert_eq!(take_apart(b"\xff"), None);
    }
}
