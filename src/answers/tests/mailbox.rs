//! A scripted mailbox: what is ours is heard and marked, what is not is left alone, and a bad server is borne.

use super::super::{Answers, Heard, Limits, Opening, settings};
use super::*;
use crate::terms::secret::Secret;
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader, DuplexStream, duplex};

const PASSWORD: &str = "pa55 \"of\\ the inbox";

fn answers(heard: &Arc<Mutex<Vec<Heard>>>) -> Answers {
    let heard = Arc::clone(heard);
    Answers::new(Opening {
        settings: settings::Answers {
            host: "localhost".into(),
            port: 1,
            login: ("warmside@example.org".into(), Secret::new(PASSWORD)),
            ca_pem: None,
        },
        seal: seal(),
        keepers: vec![("ines".into(), "ines@example.org".into())],
        hear: Box::new(move |word| heard.lock().unwrap().push(word)),
        limits: Limits {
            command: Duration::from_secs(20),
            idle: Duration::from_secs(20),
            poll: Duration::from_millis(10),
            again: Duration::from_millis(1),
        },
    })
}

/// A mailbox of UIDs; new ones can be put in while it is served.
#[derive(Default)]
struct Mailbox {
    mails: BTreeMap<u32, String>,
    seen: Vec<u32>,
    commands: Vec<String>,
}

/// Serves one connection; `idles`: whether it offers IDLE.
async fn serve(stream: DuplexStream, mailbox: Arc<Mutex<Mailbox>>, idles: bool, plain: bool) {
    let mut stream = BufReader::new(stream);
    stream.write_all(b"* OK ready\r\n").await.unwrap();
    loop {
        let mut line = String::new();
        if stream.read_line(&mut line).await.unwrap_or(0) == 0 {
            return;
        }
        let line = line.trim_end().to_owned();
        mailbox.lock().unwrap().commands.push(line.clone());
        let (tag, command) = line.split_once(' ').unwrap_or(("", &line));
        let mut out = Vec::new();
        let words: Vec<&str> = command.split(' ').collect();
        match words[..] {
            ["CAPABILITY"] => {
                let idle = if idles { " IDLE" } else { "" };
                let auth = if plain { " AUTH=PLAIN" } else { "" };
                out.extend(format!("* CAPABILITY IMAP4rev1{idle}{auth}\r\n").bytes());
            }
            ["AUTHENTICATE", "PLAIN"] => {
                stream.write_all(b"+ \r\n").await.unwrap();
                let mut proof = String::new();
                stream.read_line(&mut proof).await.unwrap();
                mailbox.lock().unwrap().commands.push(proof.trim_end().to_owned());
            }
            ["SELECT", "INBOX"] => out.extend(b"* 3 EXISTS\r\n* OK [UIDVALIDITY 7] good\r\n"),
            ["UID", "SEARCH", ref what @ ..] => {
                let inside = mailbox.lock().unwrap();
                let found: Vec<String> = match what {
                    ["UNSEEN"] => {
                        inside.mails.keys().filter(|u| !inside.seen.contains(u)).map(u32::to_string).collect()
                    }
                    // Always names the last, by RFC 3501.
                    _ => {
                        let from: u32 = what[1].trim_end_matches(":*").parse().unwrap();
                        let last = inside.mails.keys().last().copied().unwrap_or(0);
                        inside.mails.keys().filter(|u| **u >= from.min(last)).map(u32::to_string).collect()
                    }
                };
                out.extend(format!("* SEARCH {}\r\n", found.join(" ")).bytes());
            }
            ["UID", "FETCH", uid, "(INTERNALDATE)"] => {
                let date = "17-Jul-2026 02:44:25 -0700";
                out.extend(format!("* 1 FETCH (UID {uid} INTERNALDATE \"{date}\")\r\n").bytes());
            }
            ["UID", "FETCH", uid, part] => {
                let mail = mailbox.lock().unwrap().mails.get(&uid.parse().unwrap()).cloned().unwrap_or_default();
                let mail = mail.replace('\n', "\r\n");
                let sent = if part.contains("HEADER") { mail.split("\r\n\r\n").next().unwrap() } else { &mail };
                out.extend(format!("* 1 FETCH (UID {uid} BODY[] {{{}}}\r\n{sent})\r\n", sent.len()).bytes());
            }
            ["UID", "STORE", uid, "+FLAGS.SILENT", "(\\Seen)"] => {
                mailbox.lock().unwrap().seen.push(uid.parse().unwrap());
            }
            ["IDLE"] => {
                stream.write_all(b"+ idling\r\n").await.unwrap();
                let known = mailbox.lock().unwrap().mails.len();
                let mut done = [0; 6];
                loop {
                    tokio::select! {
                        read = stream.read_exact(&mut done) => { read.unwrap(); break; }
                        () = tokio::time::sleep(Duration::from_millis(2)) => {
                            if mailbox.lock().unwrap().mails.len() > known {
                                stream.write_all(b"* 9 EXISTS\r\n").await.unwrap();
                                stream.read_exact(&mut done).await.unwrap();
                                break;
                            }
                        }
                    }
                }
                assert_eq!(&done, b"DONE\r\n");
            }
            _ => {}
        }
        out.extend(format!("{tag} OK done\r\n").bytes());
        if stream.write_all(&out).await.is_err() {
            return;
        }
    }
}

/// Waits for what must come; the limit only keeps a broken test from hanging for ever.
async fn until(mut done: impl FnMut() -> bool) {
    let waited = tokio::time::timeout(Duration::from_secs(60), async {
        while !done() {
            tokio::time::sleep(Duration::from_millis(2)).await;
        }
    });
    waited.await.unwrap();
}

#[tokio::test]
async fn answers_are_heard_at_once_and_strangers_mail_is_left_alone() {
    for (idles, plain) in [(true, true), (false, false)] {
        let heard = Arc::new(Mutex::new(Vec::new()));
        let mailbox = Arc::new(Mutex::new(Mailbox::default()));
        let private = "From: bank@example.net\nSubject: private\n\nHAVE IT: nothing of yours\n";
        mailbox.lock().unwrap().mails.insert(3, private.to_owned());
        mailbox.lock().unwrap().mails.insert(5, reply(PLAIN, "HAVE IT\n"));
        let (ours, theirs) = duplex(1 << 20);
        tokio::spawn(serve(theirs, Arc::clone(&mailbox), idles, plain));
        let mut answers = answers(&heard);
        let listening = tokio::spawn(async move { answers.listen(ours).await });
        until(|| heard.lock().unwrap().len() == 1).await;
        // While it waits: an automatic reply, then an answer.
        let away = reply(&format!("Auto-Submitted: auto-replied\n{PLAIN}"), "HAVE IT\n");
        mailbox.lock().unwrap().mails.insert(8, away);
        until(|| mailbox.lock().unwrap().seen.len() == 2).await;
        mailbox.lock().unwrap().mails.insert(9, reply(PLAIN, "Have it!\n"));
        until(|| mailbox.lock().unwrap().seen.len() == 3).await;
        listening.abort();
        let answer = Heard::Answer { keeper: "ines".into(), notice: "7Q.1".into() };
        let (dates, heard): (Vec<_>, Vec<_>) =
            heard.lock().unwrap().iter().cloned().partition(|h| matches!(h, Heard::Dated(_)));
        // 09:44:25 UTC. Only what an IDLE announced is known to have come just now.
        let date = Heard::Dated(crate::terms::time::Wall::parse_rfc3339("2026-07-17T09:44:25Z").unwrap());
        assert_eq!(dates, vec![date; if idles { 2 } else { 0 }]);
        assert_eq!(heard[0], answer);
        assert!(matches!(&heard[1], Heard::Ignored { notice, .. } if notice == "7Q.1"));
        assert_eq!(heard[2..], [answer]);
        let mailbox = mailbox.lock().unwrap();
        assert_eq!(mailbox.seen, [5, 8, 9], "the private one stays unseen");
        let fetched = |uid: u32, what: &str| {
            mailbox.commands.iter().filter(|c| c.contains(&format!("FETCH {uid} (BODY.PEEK[{what}]"))).count()
        };
        assert_eq!((fetched(3, "HEADER"), fetched(3, "")), (1, 0), "of a private mail only the headers, once");
        assert!(mailbox.commands.iter().any(|c| c.contains(if plain { "AUTHENTICATE" } else { "LOGIN" })));
        assert!(
            plain
                || mailbox
                    .commands
                    .iter()
                    .any(|c| c.ends_with(r#"LOGIN "warmside@example.org" "pa55 \"of\\ the inbox""#))
        );
    }
}

#[tokio::test]
async fn a_server_may_say_what_it_likes() {
    let long = vec![b'x'; 100_000];
    let huge = b"* OK ready\r\n* 1 FETCH (BODY[] {999999999}\r\n".to_vec();
    let cases: [(&[u8], &str); 6] = [
        (b"* BYE go away\r\n", "refused"),
        (b"", "ended the connection"),
        (&long, "do not end"),
        (&huge, "more than was asked for"),
        (b"* OK ready\r\nw1 NO not today\r\n", "not today"),
        (b"* OK ready\r\n\xff\xfe{\r\n{}\r\n{-1}\r\nw1 BAD \xff\r\n", "BAD"),
    ];
    for (said, word) in cases {
        let heard = Arc::new(Mutex::new(Vec::new()));
        let (ours, mut theirs) = duplex(1 << 20);
        theirs.write_all(said).await.unwrap();
        theirs.shutdown().await.unwrap();
        let why = answers(&heard).listen(ours).await;
        assert!(why.contains(word), "{word}: {why}");
        assert_eq!(*heard.lock().unwrap(), []);
    }
}

#[tokio::test]
async fn a_mailbox_that_cannot_be_reached_is_told_once_without_its_password() {
    let heard = Arc::new(Mutex::new(Vec::new()));
    let running = tokio::spawn(answers(&heard).run());
    until(|| !heard.lock().unwrap().is_empty()).await;
    tokio::time::sleep(Duration::from_millis(50)).await;
    running.abort();
    let heard = heard.lock().unwrap();
    assert!(matches!(&heard[..], [Heard::Failing(why)] if why.contains("localhost:1")), "{heard:?}");
    let settings = answers(&Arc::default()).opening.settings;
    let said = super::super::tls::scrub(&format!("NO {PASSWORD} is wrong"), &settings);
    assert_eq!(said, "NO ••• is wrong");
}
