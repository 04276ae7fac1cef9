//! One scalar, as text or as a JSON value, to a number: the only place that decides what counts as a number or a state.

use super::refusal::Refusal;
use super::settings::Shape;

/// The longest text of a number in bytes. Real sensors send up to 20 (an `f64` with its whole tail).
pub const LONGEST_NUMBER: usize = 48;

/// A JSON scalar under a pointer.
#[derive(Clone, Copy, Debug)]
pub enum Scalar<'a> {
    Number(f64),
    Bool(bool),
    Text(&'a str),
    Null,
    /// An array or object where a scalar should be.
    Nested,
}

/// What a link pins about a scalar, and whether its quantity is a state.
#[derive(Clone, Copy, Debug)]
pub struct Pins<'a> {
    pub shape: &'a Shape,
    pub state: bool,
}

impl Pins<'_> {
    /// A JSON value. Pinned strictly: a link that says the number stands in a string refuses a bare number, and the reverse.
    pub fn json(self, scalar: Scalar<'_>) -> Result<f64, Refusal> {
        let shape = self.shape;
        let as_text = shape.text_number || shape.decimal.is_some() || shape.suffix.is_some() || shape.words.is_some();
        match scalar {
            Scalar::Null => Err(Refusal::Null),
            Scalar::Nested => Err(Refusal::WrongType),
            Scalar::Text(text) if as_text => self.text(text),
            Scalar::Number(n) if !as_text => self.number(n),
            Scalar::Bool(b) if !as_text && self.state => Ok(f64::from(u8::from(b))),
            Scalar::Bool(_) | Scalar::Number(_) | Scalar::Text(_) => Err(Refusal::WrongType),
        }
    }

    /// Text: a whole payload, a column, or the inside of a JSON string.
    pub fn text(self, text: &str) -> Result<f64, Refusal> {
        let text = text.trim_ascii();
        if let Some((on, off)) = &self.shape.words {
            return match text {
                _ if text == on => Ok(1.0),
                _ if text == off => Ok(0.0),
                "" => Err(Refusal::Empty),
                _ => Err(Refusal::UnknownWord),
            };
        }
        match text {
            "" => return Err(Refusal::Empty),
            "true" if self.state => return Ok(1.0),
            "false" if self.state => return Ok(0.0),
            "null" => return Err(Refusal::Null),
            _ => {}
        }
        let text = match &self.shape.suffix {
            Some(suffix) => text.strip_suffix(suffix.trim_ascii()).ok_or(Refusal::NoSuffix)?.trim_ascii_end(),
            None => text,
        };
        self.number(parse(text, self.shape.decimal)?)
    }

    fn number(self, n: f64) -> Result<f64, Refusal> {
        match n {
            _ if !n.is_finite() => Err(Refusal::OutOfRange),
            _ if self.state && n != 0.0 && n != 1.0 => Err(Refusal::NotAState),
            _ => Ok(n),
        }
    }
}

/// Digits, sign, decimal sign and exponent only: `inf`, `nan`, hexadecimal and thousands separators are no numbers.
fn parse(text: &str, decimal: Option<char>) -> Result<f64, Refusal> {
    if text.len() > LONGEST_NUMBER {
        return Err(Refusal::NotANumber);
    }
    let plain = |text: &str| {
        let allowed = |b: u8| b.is_ascii_digit() || matches!(b, b'.' | b'-' | b'+' | b'e' | b'E');
        let n = text.bytes().all(allowed).then(|| text.parse::<f64>().ok()).flatten().ok_or(Refusal::NotANumber)?;
        if n.is_finite() { Ok(n) } else { Err(Refusal::OutOfRange) }
    };
    match decimal {
        None | Some('.') => plain(text),
        // A point beside a pinned comma would be a thousands separator: refused with everything else that is not pinned.
        Some(_) if text.contains('.') => Err(Refusal::NotANumber),
        Some(sign) => {
            let mut digits = [0_u8; LONGEST_NUMBER];
            let mut len = 0;
            for c in text.chars() {
                let c = if c == sign { '.' } else { c };
                let (true, Some(slot)) = (c.is_ascii(), digits.get_mut(len)) else { return Err(Refusal::NotANumber) };
                *slot = c as u8;
                len += 1;
            }
            plain(std::str::from_utf8(digits.get(..len).unwrap_or_default()).unwrap_or_default())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(text: &str, shape: &Shape) -> Result<f64, Refusal> {
        Pins { shape, state: false }.text(text)
    }

    #[test]
    fn plain_numbers() {
        let shape = Shape::default();
        let good = [
            ("31.2", 31.2),
            (" 31.2\r\n", 31.2),
            ("-4", -4.0),
            ("+4.5", 4.5),
            ("1e2", 100.0),
            (".5", 0.5),
            ("7.", 7.0),
        ];
        for (payload, want) in good {
            assert_eq!(text(payload, &shape), Ok(want), "{payload}");
        }
        let bad =
            ["abc", "NaN", "inf", "-Infinity", "0x1F", "21,5", "1.2.3", "1 2", "--3", "e", "21.5C", "\"21\"", "1_0"];
        for payload in bad {
            assert_eq!(text(payload, &shape), Err(Refusal::NotANumber), "{payload}");
        }
        assert_eq!(text("1e999", &shape), Err(Refusal::OutOfRange));
        assert_eq!(text("", &shape), Err(Refusal::Empty));
        assert_eq!(text("null", &shape), Err(Refusal::Null));
        assert_eq!(text(&"9".repeat(49), &shape), Err(Refusal::NotANumber));
    }

    #[test]
    fn pinned_text() {
        let comma = Shape { decimal: Some(','), ..Shape::default() };
        assert_eq!(text("21,5", &comma), Ok(21.5));
        assert_eq!(text("21", &comma), Ok(21.0));
        assert_eq!(text("1.021,5", &comma), Err(Refusal::NotANumber));
        assert_eq!(text("1,021,5", &comma), Err(Refusal::NotANumber));
        assert_eq!(text("ä1,5", &comma), Err(Refusal::NotANumber));
        let suffix = Shape { suffix: Some("°F".into()), ..Shape::default() };
        assert_eq!(text("70.2 °F", &suffix), Ok(70.2));
        assert_eq!(text("70.2°F", &suffix), Ok(70.2));
        assert_eq!(text("70.2", &suffix), Err(Refusal::NoSuffix));
        assert_eq!(text("70.2 °C", &suffix), Err(Refusal::NoSuffix));
    }

    #[test]
    fn states() {
        let shape = Shape::default();
        let state = |payload| Pins { shape: &shape, state: true }.text(payload);
        assert_eq!(state("1"), Ok(1.0));
        assert_eq!(state("false"), Ok(0.0));
        assert_eq!(state("2"), Err(Refusal::NotAState));
        assert_eq!(state("ON"), Err(Refusal::NotANumber));
        let words = Shape { words: Some(("ON".into(), "OFF".into())), ..Shape::default() };
        let state = |payload| Pins { shape: &words, state: true }.text(payload);
        assert_eq!(state("ON"), Ok(1.0));
        assert_eq!(state("OFF"), Ok(0.0));
        assert_eq!(state("on"), Err(Refusal::UnknownWord));
        assert_eq!(state("1"), Err(Refusal::UnknownWord));
    }

    #[test]
    fn json_types_are_not_mixed_up() {
        let shape = Shape::default();
        let amount = Pins { shape: &shape, state: false };
        assert_eq!(amount.json(Scalar::Number(3.5)), Ok(3.5));
        assert_eq!(amount.json(Scalar::Text("3.5")), Err(Refusal::WrongType));
        assert_eq!(amount.json(Scalar::Bool(true)), Err(Refusal::WrongType));
        assert_eq!(amount.json(Scalar::Null), Err(Refusal::Null));
        let in_text = Shape { text_number: true, ..Shape::default() };
        let pins = Pins { shape: &in_text, state: false };
        assert_eq!(pins.json(Scalar::Text("3.5")), Ok(3.5));
        assert_eq!(pins.json(Scalar::Number(3.5)), Err(Refusal::WrongType));
    }
}
