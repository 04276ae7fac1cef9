//! Answers, tried: replies as people's programs write them, automatic replies as programs write them, and a mailbox.

mod automatic;
mod mailbox;
mod people;

use super::judge::{Bench, Verdict};
use crate::notice::message_id::Seal;

fn seal() -> Seal {
    Seal::new("00112233445566778899aabbccddeeff")
}

/// The Message-ID of the alarm that is answered.
fn alarm() -> String {
    seal().message_id("7Q.1", "example.org")
}

fn judge(mail: &str) -> Verdict {
    let keepers = ["ines@example.org".to_owned(), "tom@example.org".to_owned()];
    Bench { seal: &seal(), keepers: &keepers }.judge(mail.replace('\n', "\r\n").as_bytes())
}

/// A reply of Ines's to the alarm, with more headers and this body.
fn reply(headers: &str, body: &str) -> String {
    format!(
        "Return-Path: <ines@example.org>\nReceived: from a by b; Tue, 03 Mar 2026 14:20:00 +0000\n\
         From: Ines <ines@example.org>\nTo: Warmside NOW <warmside@example.org>\n\
         Subject: Re: a3 Juno: no heat, 29.7 C and falling\nDate: Tue, 03 Mar 2026 14:20:00 +0000\n\
         Message-ID: <abc@phone.example.org>\nIn-Reply-To: {}\nMIME-Version: 1.0\n{headers}\n{body}",
        alarm()
    )
}

const PLAIN: &str = "Content-Type: text/plain; charset=utf-8\n";

fn answer() -> Verdict {
    Verdict::Answer { notice: "7Q.1".into(), address: "ines@example.org".into() }
}

fn why(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::No { why, .. } => why,
        other => panic!("{other:?}"),
    }
}

/// What an alarm says about answering, as it comes back unquoted from programs that do not mark what they quote.
const OURS: &str = "a3 Juno, left rack\nACT BY ABOUT 14:55\n\nWHAT: Heat is called for and none arrives.\n\n\
                    ANSWER: Reply HAVE IT, or open the page and press the button.\n";
