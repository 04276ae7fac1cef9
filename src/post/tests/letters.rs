//! What is written is read by another library: headers, parts, flow, and nothing smuggled in.

use super::*;
use crate::notice::Picture;
use crate::plot::drawing::{Drawing, Ink};
use crate::post::letter::{Sender, write};
use mail_parser::{Message, MessageParser, MimeHeaders};

fn written(notice: &NoticeRow) -> Vec<u8> {
    let from = from(None, "warmside@example.org");
    write(notice, AT, &Sender { from: &from, host: "example.org", site: "Hollow Lane", seal: &seal() }).unwrap()
}

fn picture(cid: &str, width: f64) -> Option<Picture> {
    let mut drawing = Drawing { width, height: 40.0, marks: Vec::new() };
    drawing.path(Ink::Solid, "M1 1L30 30".to_owned());
    Some(Picture { cid: cid.to_owned(), drawing })
}

fn read(bytes: &[u8]) -> Message<'_> {
    MessageParser::default().parse(bytes).unwrap()
}

fn raw<'a>(mail: &'a Message<'_>, name: &str) -> &'a str {
    mail.header_raw(name.to_owned()).map_or("", str::trim)
}

#[test]
fn headers_by_the_rfcs() {
    let bytes = written(&notice("7Q.1"));
    let mail = read(&bytes);
    assert_eq!(mail.subject(), Some("a3 Juno: no heat, 29.7 C and falling"));
    let sender = mail.from().unwrap().first().unwrap();
    assert_eq!((sender.name(), sender.address()), (Some("Warmside NOW"), Some("warmside@example.org")));
    let to: Vec<_> = mail.to().unwrap().iter().map(|a| a.address().unwrap().to_owned()).collect();
    assert_eq!(to, ["ines@example.org", "tom@example.org"]);
    assert_eq!(mail.date().unwrap().to_rfc3339(), "2026-03-03T14:11:20Z");
    assert_eq!(format!("<{}>", mail.message_id().unwrap()), seal().message_id("7Q.1", "example.org"));
    assert_eq!(raw(&mail, "Auto-Submitted"), "auto-generated");
    assert_eq!(raw(&mail, "List-Id"), "Warmside at Hollow Lane <warmside.example.org>");
    assert_eq!(raw(&mail, "Importance"), "high");
    assert_eq!(raw(&mail, "References"), "");
    assert_eq!(raw(&mail, "List-Unsubscribe"), "", "nobody unsubscribes from an alarm by a slip");
    // RFC 5322: lines of at most 998 characters, CRLF, ASCII.
    assert!(bytes.is_ascii());
    assert!(bytes.split(|b| *b == b'\n').all(|line| line.len() <= 999 && (line.is_empty() || line.ends_with(b"\r"))));
}

#[test]
fn text_is_flowed_and_keeps_its_trailing_blanks() {
    let mut notice = notice("7Q.1");
    notice.text.push_str("\n From here on stuffed.\n.\n..\n");
    let bytes = written(&notice);
    let mail = read(&bytes);
    let part = mail.text_part(0).unwrap();
    let kind = part.content_type().unwrap();
    assert_eq!((kind.ctype(), kind.subtype(), kind.attribute("format")), ("text", Some("plain"), Some("flowed")));
    assert_eq!(mail.body_text(0).unwrap().replace("\r\n", "\n"), notice.text);
}

#[test]
fn a_thread_hangs_on_its_first_mail() {
    let mut second = notice("7Q.4");
    second.thread = Some("7Q.1".to_owned());
    let bytes = written(&second);
    let mail = read(&bytes);
    let first = seal().message_id("7Q.1", "example.org");
    assert_eq!(raw(&mail, "In-Reply-To"), first);
    assert_eq!(raw(&mail, "References"), first);
    assert_ne!(mail.message_id(), read(&written(&notice("7Q.1"))).message_id());
}

#[test]
fn html_and_picture_stand_beside_the_text() {
    let mut notice = notice("7Q.1");
    notice.html = "<p>Warm side 29.7\u{a0}\u{b0}C <img src=\"cid:trace-7Q\" alt=\"29.7\"></p>".to_owned();
    notice.picture = picture("trace-7Q", 60.0);
    let bytes = written(&notice);
    let mail = read(&bytes);
    assert_eq!(mail.body_html(0).unwrap(), notice.html);
    let structure: Vec<String> = mail
        .parts
        .iter()
        .map(|p| p.content_type().map_or(String::new(), |c| format!("{}/{}", c.ctype(), c.subtype().unwrap_or(""))))
        .collect();
    assert_eq!(structure, ["multipart/alternative", "text/plain", "multipart/related", "text/html", "image/png"]);
    let picture = &mail.parts[4];
    assert_eq!(picture.content_id(), Some("trace-7Q"));
    assert_eq!(picture.content_disposition().unwrap().ctype(), "inline");
    let png = tiny_skia::Pixmap::decode_png(picture.contents()).unwrap();
    assert_eq!((png.width(), png.height()), (120, 80), "twice as fine");
    // The row is stored and read between attempts.
    let again: NoticeRow = serde_json::from_str(&serde_json::to_string(&notice).unwrap()).unwrap();
    assert_eq!(bytes, written(&again), "a retry is the same mail");
    notice.picture = self::picture("trace-7Q", f64::NAN);
    assert_eq!(read(&written(&notice)).parts.len(), 3, "a picture that cannot be made holds up no mail");
}

#[test]
fn only_what_calls_somebody_rings() {
    let rings = |change: &dyn Fn(&mut NoticeRow)| {
        let mut notice = notice("7Q.1");
        change(&mut notice);
        let bytes = written(&notice);
        let mail = read(&bytes);
        let name = mail.from().unwrap().first().unwrap().name().unwrap().to_owned();
        assert_eq!(name.ends_with(" NOW"), raw(&mail, "Importance") == "high");
        name.ends_with(" NOW")
    };
    assert!(rings(&|_| ()));
    assert!(rings(&|n| n.json = r#"{"event":"drill"}"#.into()));
    assert!(!rings(&|n| n.json = r#"{"event":"ended"}"#.into()));
    assert!(!rings(&|n| n.json = r#"{"event":"answered"}"#.into()));
    assert!(!rings(&|n| n.urgency = Urgency::Today));
    assert!(!rings(&|n| n.digest = true));
    assert!(rings(&|n| n.json = "no JSON".into()), "in doubt it rings");
}

#[test]
fn nothing_is_smuggled_into_a_header() {
    let mut notice = notice("7Q.1\r\nBcc: eve@example.net");
    notice.subject = "a3 Juno\r\nBcc: eve@example.net\r\n\r\nbody \u{2028} \u{e4}\0".to_owned();
    notice.thread = Some("x>\r\nBcc: eve@example.net".to_owned());
    notice.html = "<p></p>".to_owned();
    notice.picture = picture("c\"\r\nBcc: eve@example.net>", 60.0);
    notice.to.push(("eve".into(), "eve@example.net\r\nBcc: mallory@example.net".into()));
    let from = from(Some("Warm\r\nBcc: eve@example.net \"<x@y>"), "warmside@example.org");
    let host = "example.org";
    let sender = Sender { from: &from, host, site: "Hollow\r\nBcc: eve@example.net", seal: &seal() };
    let bytes = write(&notice, AT, &sender).unwrap();
    let mail = read(&bytes);
    for part in &mail.parts {
        assert!(part.headers.iter().all(|h| !h.name().eq_ignore_ascii_case("bcc")), "{:?}", part.headers);
    }
    assert_eq!(mail.to().unwrap().iter().count(), 2);
    assert_eq!(mail.subject().unwrap(), "a3 Juno  Bcc: eve@example.net    body   ?");
    assert_eq!(mail.from().unwrap().first().unwrap().address(), Some("warmside@example.org"));
    assert_eq!(mail.from().unwrap().iter().count(), 1);
}
