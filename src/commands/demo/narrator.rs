//! Tells the demo in plain sentences: what happens in the house, what was noticed after how long, which mail went out.

use super::super::out;
use crate::care::calendar::Calendar;
use crate::daemon::Seen;
use crate::notice::NoticeRow;
use crate::terms::time::{Now, Span, Wall};
use serde::Deserialize;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// The parts of a notice that are told.
#[derive(Debug, Deserialize)]
struct Told {
    event: String,
    #[serde(default)]
    cause: Option<String>,
    #[serde(default)]
    enclosures: Vec<String>,
    #[serde(default)]
    letter: Option<String>,
}

pub struct Narrator {
    calendar: Calendar,
    /// Where mails go.
    mail: PathBuf,
    /// When the last fault of each enclosure began.
    began: BTreeMap<String, Wall>,
    printed_one: bool,
}

impl Narrator {
    pub fn new(time_zone: &str, mail: PathBuf) -> Narrator {
        let calendar = Calendar::new(time_zone, None).unwrap_or_else(Calendar::utc);
        Narrator { calendar, mail, began: BTreeMap::new(), printed_one: false }
    }

    /// Something happens in the house, of which the watcher is told nothing.
    pub fn happens(&mut self, at: Wall, enclosure: &str, words: &str) {
        self.began.insert(enclosure.to_owned(), at);
        out::result(format_args!("\n{}  Now {words}. The watcher is not told.", self.clock(at)));
    }

    /// Something that the watcher did.
    pub async fn seen(&mut self, seen: Seen) {
        match seen {
            Seen::Up => {}
            Seen::Notice(at, notice) => self.notice(at, &notice).await,
        }
    }

    async fn notice(&mut self, at: Now, notice: &NoticeRow) {
        let Ok(told) = serde_json::from_str::<Told>(&notice.json) else { return };
        let whom: Vec<&str> = notice.to.iter().map(|(keeper, _)| keeper.as_str()).collect();
        let what = match (told.event.as_str(), &told.letter) {
            ("raised", _) => {
                let after = told.enclosures.iter().filter_map(|id| self.began.get(id)).max();
                let after = after.map_or(String::new(), |began| format!(" after {}", long(at.wall.since(*began))));
                format!("noticed{after}: {}", told.cause.as_deref().unwrap_or("something"))
            }
            ("worse", _) => "it has got worse".into(),
            ("repeated", _) => "nobody has answered, so it is said again".into(),
            ("handed-on", _) => "nobody has answered, so the next keeper is told".into(),
            ("ended", _) => "over".into(),
            ("digest", Some(letter)) => format!("the {letter} letter"),
            (event, _) => event.to_owned(),
        };
        out::result(format_args!(
            "{}  {what}. Mail to {}: {}",
            self.clock(at.wall),
            whom.join(" and "),
            notice.subject
        ));
        if !self.printed_one && told.event == "raised" {
            self.print_mail().await;
        }
    }

    /// Prints the first mail as a phone shows it, as soon as the post has written it.
    async fn print_mail(&mut self) {
        for _ in 0..100 {
            if let Some(path) = newest(&self.mail)
                && let Some(text) = std::fs::read(&path).ok().and_then(|bytes| readable(&bytes))
            {
                self.printed_one = true;
                out::result(format_args!("\n----- {} -----\n{text}\n-----\n", path.display()));
                return;
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    }

    fn clock(&self, at: Wall) -> String {
        let s = self.calendar.civil(at).of_day.as_ms() / 1_000;
        format!("{:02}:{:02}", s / 3_600, s / 60 % 60)
    }
}

/// Who writes, about what, and the text: a mail without what only programs read. `None`: it is not whole yet.
fn readable(bytes: &[u8]) -> Option<String> {
    let mail = mail_parser::MessageParser::default().parse(bytes)?;
    let from = mail.from()?.first()?.name()?.to_owned();
    let text = mail.body_text(0)?.replace("\r\n", "\n");
    let picture = if mail.attachment_count() > 0 { " and a picture of the last hours" } else { "" };
    let beside = format!("(Beside it the same as HTML{picture}.)");
    Some(format!("From: {from}\nSubject: {}\n\n{}\n\n{beside}", mail.subject()?, text.trim_end()))
}

fn newest(folder: &Path) -> Option<PathBuf> {
    let entries = std::fs::read_dir(folder).ok()?.flatten().map(|entry| entry.path());
    let mut mails: Vec<PathBuf> = entries.filter(|path| path.extension().is_some_and(|e| e == "eml")).collect();
    mails.sort();
    mails.pop()
}

fn long(span: Span) -> String {
    format!("{} min", (span.as_min() + 0.5) as i64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mail_is_shown_without_what_only_programs_read() {
        let mail = "From: \"Warmside NOW\" <w@localhost>\r\nSubject: a3: no heat\r\nMIME-Version: 1.0\r\n\
            Content-Type: multipart/alternative; boundary=\"b\"\r\n\r\n--b\r\nContent-Type: text/plain\r\n\r\nACT NOW\r\n\
            --b\r\nContent-Type: text/html\r\n\r\n<p>ACT NOW</p>\r\n--b--\r\n";
        let shown = readable(mail.as_bytes()).unwrap();
        assert_eq!(shown, "From: Warmside NOW\nSubject: a3: no heat\n\nACT NOW\n\n(Beside it the same as HTML.)");
        assert_eq!(readable(b""), None);
    }
}
