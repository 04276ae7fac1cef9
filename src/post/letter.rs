//! From a notice to the bytes of its mail: RFC 5322 headers, text first, HTML beside it, the picture with the HTML.
//!
//! The same notice gives the same bytes at every attempt. Whatever a keeper wrote into a name or a subject, a header stays
//! one line: nothing that could end it gets through.

use super::settings::Mailbox;
use crate::finding::cause::Urgency;
use crate::notice::NoticeRow;
use crate::notice::message_id::Seal;
use crate::plot::pixels;
use crate::terms::time::Wall;
use lettre::message::header::{ContentType, HeaderName, HeaderValue};
use lettre::message::{Attachment, Mailbox as Box_, Message, MultiPart, SinglePart};
use std::time::{Duration, SystemTime};

/// Who sends, and what its Message-IDs are made of.
pub struct Sender<'a> {
    pub from: &'a Mailbox,
    /// The domain of Message-IDs.
    pub host: &'a str,
    pub site: &'a str,
    pub seal: &'a Seal,
}

/// Longest subject. RFC 5322 recommends lines of at most 78 characters; notices keep to 45.
const LONGEST_SUBJECT: usize = 78 - "Subject: ".len();

/// The mail, ready to send; in words what makes it impossible.
pub fn write(notice: &NoticeRow, at: Wall, sender: &Sender<'_>) -> Result<Vec<u8>, String> {
    let from = sender.from.address.parse().map_err(|e| format!("the sender's address is none: {e}"))?;
    let name = one_line(sender.from.name.as_deref().unwrap_or("Warmside"));
    // A phone's own rule rings for this name; what only ends or is answered must not wake anybody.
    let rings = notice.urgency == Urgency::Now && !notice.digest && !is_calm(&notice.json);
    let name = if rings { format!("{name} NOW") } else { name };
    let mut mail = Message::builder()
        .from(Box_::new(Some(name), from))
        .subject(ascii(&notice.subject, LONGEST_SUBJECT))
        .date(SystemTime::UNIX_EPOCH + Duration::from_millis(at.as_ms().max(0) as u64))
        .message_id(Some(sender.seal.message_id(&notice.id, sender.host)))
        .raw_header(header("Auto-Submitted", "auto-generated")?)
        .raw_header(header("List-Id", &list_id(sender))?);
    if rings {
        mail = mail.raw_header(header("Importance", "high")?);
    }
    for (_, address) in &notice.to {
        // One that does not parse is refused by the way itself, the others shall still have their mail.
        if let Ok(address) = address.parse() {
            mail = mail.to(Box_::new(None, address));
        }
    }
    if let Some(first) = notice.thread.as_deref().filter(|first| *first != notice.id) {
        let first = sender.seal.message_id(first, sender.host);
        mail = mail.in_reply_to(first.clone()).references(first);
    }
    let body = body(notice, sender)?;
    mail.multipart(body).map(|m| m.formatted()).map_err(|e| format!("the mail cannot be written: {e}"))
}

fn body(notice: &NoticeRow, sender: &Sender<'_>) -> Result<MultiPart, String> {
    // Boundaries from the Message-ID's word, since a retry is to be the same mail. They cannot occur in a body: every
    // body is encoded or holds no line that begins so.
    let id = sender.seal.message_id(&notice.id, "b");
    let word: String = id.chars().filter(char::is_ascii_alphanumeric).collect();
    let flowed = ContentType::parse("text/plain; charset=utf-8; format=flowed").map_err(|e| e.to_string())?;
    let text = SinglePart::builder().header(flowed).body(notice.text.clone());
    let alternative = MultiPart::alternative().boundary(format!("=_a{word}")).singlepart(text);
    if notice.html.is_empty() {
        return Ok(alternative);
    }
    let html = SinglePart::html(notice.html.clone());
    // A picture that cannot be made holds up no alarm: its words stand in the HTML.
    let made = notice.picture.as_ref().and_then(|picture| Some((&picture.cid, pixels::png(&picture.drawing)?)));
    let Some((cid, png)) = made else { return Ok(alternative.singlepart(html)) };
    let cid: String = cid.chars().filter(|c| c.is_ascii_graphic() && !"<>\"\\".contains(*c)).collect();
    let kind = ContentType::parse("image/png").map_err(|e| e.to_string())?;
    let png = Attachment::new_inline_with_name(cid, "trace.png".to_owned()).body(png, kind);
    Ok(alternative.multipart(MultiPart::related().boundary(format!("=_r{word}")).singlepart(html).singlepart(png)))
}

/// RFC 2919: a phrase, then an identifier in the sender's own domain.
fn list_id(sender: &Sender<'_>) -> String {
    let site: String = one_line(sender.site).chars().filter(|c| !"<>\"\\,;:@()[]".contains(*c)).collect();
    format!("Warmside at {site} <warmside.{}>", sender.host)
}

/// Whether the notice only calms: `ended`, or told to the others as `answered`.
fn is_calm(json: &str) -> bool {
    #[derive(serde::Deserialize)]
    struct Event {
        event: String,
    }
    serde_json::from_str::<Event>(json).is_ok_and(|e| e.event == "ended" || e.event == "answered")
}

fn header(name: &'static str, value: &str) -> Result<HeaderValue, String> {
    let name = HeaderName::new_from_ascii(name.to_owned()).map_err(|e| e.to_string())?;
    Ok(HeaderValue::new(name, one_line(value)))
}

/// Without anything that could end a header's line.
fn one_line(text: &str) -> String {
    text.chars().map(|c| if c.is_control() || c == '\u{2028}' || c == '\u{2029}' { ' ' } else { c }).collect()
}

/// Plain ASCII of at most so many characters: a lock screen and an old pager show it alike.
fn ascii(text: &str, longest: usize) -> String {
    one_line(text).chars().map(|c| if c.is_ascii() { c } else { '?' }).take(longest).collect()
}
