//! Recordings: one JSON object a line, in order of arrival, as `record` writes them and `replay` reads them.
//!
//! A line is a message with its moment of arrival, or word that the link to the broker was lost or came back. Reading is
//! strict about what matters (the moment, the topic, the payload) and lenient about members that a later version may add.

pub mod reader;
pub mod replay;

use crate::terms::time::Wall;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use std::fmt;

/// The longest line, bytes: a 1 MB payload escaped byte by byte, and its topic.
pub const LONGEST_LINE: usize = 8 << 20;

/// One line of a recording.
#[derive(Clone, Debug, PartialEq)]
pub struct Line<'a> {
    pub at: Wall,
    pub what: What<'a>,
}

#[derive(Clone, Debug, PartialEq)]
pub enum What<'a> {
    Message { topic: Cow<'a, str>, payload: Cow<'a, [u8]>, retained: bool },
    LinkLost,
    LinkUp,
}

/// Why a line cannot be read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Fault {
    NotJson(String),
    /// `at` is missing or no RFC 3339 time with an offset.
    NoTime,
    /// Neither a message nor word of the link.
    Neither,
    NotBase64,
    TooLong,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Fault::NotJson(why) => write!(f, "not a JSON object: {why}"),
            Fault::NoTime => write!(f, "`at` is missing or no RFC 3339 time such as 2026-01-05T07:00:12.345Z"),
            Fault::Neither => write!(f, "neither `topic` with `payload`, nor `link` with \"lost\" or \"up\""),
            Fault::NotBase64 => write!(f, "`payload_base64` is not base64"),
            Fault::TooLong => write!(f, "longer than {LONGEST_LINE} bytes"),
        }
    }
}

/// A member's text, borrowed from its line where nothing is escaped. (An optional `Cow` by itself is always copied.)
#[derive(Serialize, Deserialize)]
#[serde(transparent)]
struct Text<'a>(#[serde(borrow)] Cow<'a, str>);

#[derive(Serialize, Deserialize)]
struct Raw<'a> {
    #[serde(borrow)]
    at: Option<Text<'a>>,
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    topic: Option<Text<'a>>,
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    payload: Option<Text<'a>>,
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    payload_base64: Option<Text<'a>>,
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    retain: bool,
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    link: Option<Text<'a>>,
}

/// Reads one line, without its line feed.
pub fn parse(line: &str) -> Result<Line<'_>, Fault> {
    if line.len() > LONGEST_LINE {
        return Err(Fault::TooLong);
    }
    let raw: Raw = serde_json::from_str(line).map_err(|e| Fault::NotJson(e.to_string()))?;
    let at = raw.at.and_then(|at| Wall::parse_rfc3339(&at.0)).ok_or(Fault::NoTime)?;
    let what = match (raw.link.as_ref().map(|link| &*link.0), raw.topic, raw.payload, raw.payload_base64) {
        (Some("lost"), ..) => What::LinkLost,
        (Some("up"), ..) => What::LinkUp,
        (None, Some(Text(topic)), Some(payload), None) => {
            let payload = match payload.0 {
                Cow::Borrowed(text) => Cow::Borrowed(text.as_bytes()),
                Cow::Owned(text) => Cow::Owned(text.into_bytes()),
            };
            What::Message { topic, payload, retained: raw.retain }
        }
        (None, Some(Text(topic)), None, Some(coded)) => {
            let payload = Cow::Owned(STANDARD.decode(coded.0.as_bytes()).map_err(|_| Fault::NotBase64)?);
            What::Message { topic, payload, retained: raw.retain }
        }
        _ => return Err(Fault::Neither),
    };
    Ok(Line { at, what })
}

/// Writes one line, without a line feed. Text payloads stay text, others become base64.
pub fn write(line: &Line<'_>) -> String {
    let mut raw = Raw {
        at: text(line.at.rfc3339()),
        topic: None,
        payload: None,
        payload_base64: None,
        retain: false,
        link: None,
    };
    match &line.what {
        What::LinkLost => raw.link = text("lost"),
        What::LinkUp => raw.link = text("up"),
        What::Message { topic, payload, retained } => {
            raw.topic = text(&**topic);
            raw.retain = *retained;
            match std::str::from_utf8(payload) {
                Ok(own) => raw.payload = text(own),
                Err(_) => raw.payload_base64 = text(STANDARD.encode(payload)),
            }
        }
    }
    serde_json::to_string(&raw).unwrap_or_default()
}

fn text<'a>(of: impl Into<Cow<'a, str>>) -> Option<Text<'a>> {
    Some(Text(of.into()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn what_is_not_escaped_is_not_copied() {
        let line = parse(r#"{"at":"2026-01-05T07:00:12.345Z","topic":"rack/a3/x","payload":"31.2"}"#).map(|l| l.what);
        let borrowed =
            |what: &What<'_>| matches!(what, What::Message { topic: Cow::Borrowed(_), payload: Cow::Borrowed(_), .. });
        assert!(line.is_ok_and(|what| borrowed(&what)));
    }

    #[test]
    fn the_lines_of_the_format_are_read() {
        let cases = [
            (r#"{"at":"2026-01-05T07:00:12.345Z","topic":"rack/a3/warm_side/temperature","payload":"31.2"}"#, "31.2"),
            (
                r#"{"at":"2026-01-05T07:00:13.001Z","topic":"climate/a4","payload":"{\"t\":30.9}","retain":true}"#,
                "{\"t\":30.9}",
            ),
            (r#"{"at":"2026-01-05T07:00:14.000Z","topic":"bin/a5","payload_base64":"AAEC"}"#, "\0\u{1}\u{2}"),
        ];
        for (text, want) in cases {
            match parse(text).map(|l| l.what) {
                Ok(What::Message { payload, .. }) => assert_eq!(&*payload, want.as_bytes()),
                other => panic!("{text}: {other:?}"),
            }
        }
        assert_eq!(parse(r#"{"at":"2026-01-05T09:12:00.000Z","link":"lost"}"#).map(|l| l.what), Ok(What::LinkLost));
    }

    #[test]
    fn what_cannot_be_read_says_why() {
        let cases = [
            ("", "not a JSON object"),
            ("[1]", "not a JSON object"),
            (r#"{"topic":"a","payload":"1"}"#, "`at` is missing"),
            (r#"{"at":"yesterday","topic":"a","payload":"1"}"#, "no RFC 3339 time"),
            (r#"{"at":"2026-01-05T07:00:12Z","topic":"a"}"#, "neither"),
            (r#"{"at":"2026-01-05T07:00:12Z","link":"maybe"}"#, "neither"),
            (r#"{"at":"2026-01-05T07:00:12Z","topic":"a","payload_base64":"*"}"#, "not base64"),
        ];
        for (text, want) in cases {
            let fault = parse(text).expect_err(text).to_string();
            assert!(fault.contains(want), "{text}: {fault}");
        }
    }

    proptest! {
        #[test]
        fn what_is_written_is_read(topic in ".*", payload: Vec<u8>, retained: bool, ms in 0i64..4_000_000_000_000) {
            let what = What::Message { topic: topic.into(), payload: payload.into(), retained };
            let line = Line { at: Wall::from_ms(ms), what };
            let written = write(&line);
            prop_assert_eq!(parse(&written), Ok(line));
        }

        #[test]
        fn nothing_panics(text in ".*") {
            let _ = parse(&text);
        }
    }
}
