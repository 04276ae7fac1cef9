//! The payload's own time: RFC 3339 text, Unix seconds or Unix milliseconds.

use super::number::Scalar;
use crate::terms::time::{Span, Wall};

/// From here on (1973 in ms, the year 5138 in s) a Unix time must be milliseconds.
const MILLISECONDS_FROM: f64 = 1e11;

/// `None` where it is no time: a text without a zone, or a number before 1970. A wrong year is still a time: `trust/`
/// recognises a wrong clock.
pub fn read(scalar: Scalar<'_>) -> Option<Wall> {
    match scalar {
        Scalar::Number(n) => unix(n),
        Scalar::Text(text) => {
            let text = text.trim_ascii();
            Wall::parse_rfc3339(text).or_else(|| text.parse::<f64>().ok().and_then(unix))
        }
        _ => None,
    }
}

fn unix(n: f64) -> Option<Wall> {
    let seconds = if n >= MILLISECONDS_FROM { n / 1_000.0 } else { n };
    (0.0..1e12).contains(&seconds).then(|| Wall::from_ms(0) + Span::from_s(seconds))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_spellings_of_one_instant() {
        let want = Wall::parse_rfc3339("2026-01-05T00:00:24.500Z");
        assert!(want.is_some());
        for scalar in [
            Scalar::Number(1_767_571_224.5),
            Scalar::Number(1_767_571_224_500.0),
            Scalar::Text("2026-01-05T01:00:24.5+01:00"),
            Scalar::Text("1767571224.5"),
        ] {
            assert_eq!(read(scalar), want, "{scalar:?}");
        }
        for scalar in [
            Scalar::Number(-1.0),
            Scalar::Number(f64::NAN),
            Scalar::Text("2026-01-05 00:00"),
            Scalar::Text("inf"),
            Scalar::Null,
        ] {
            assert_eq!(read(scalar), None, "{scalar:?}");
        }
    }
}
