//! The post, tried against scripted servers that refuse, hang, lie and let go; and its letters, read by another library.

mod letters;
mod runs;
mod server;
mod servers;
pub(super) mod tls;

use super::settings::{Mailbox, Server, Tls, Way};
use super::{Fate, Limits, Opening, Outbox, Post, Queued, Report, Round};
use crate::finding::cause::Urgency;
use crate::notice::NoticeRow;
use crate::notice::message_id::Seal;
use crate::terms::secret::Secret;
use crate::terms::time::Wall;
use server::{Script, Served, serve};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// 2026-03-03T14:11:20Z.
const AT: Wall = Wall::from_ms(1_772_547_080_000);
const PASSWORD: &str = "pa55-of-the-post";

fn seal() -> Seal {
    Seal::new("00112233445566778899aabbccddeeff")
}

fn from(name: Option<&str>, address: &str) -> Mailbox {
    Mailbox { name: name.map(str::to_owned), address: address.to_owned() }
}

fn way(port: u16, tls: Tls) -> Server {
    Server {
        tls,
        host: if tls == Tls::Loopback { "127.0.0.1" } else { "localhost" }.to_owned(),
        port,
        login: Some(("warmside@example.org".to_owned(), Secret::new(PASSWORD))),
        ca_pem: Some(super::tests::tls::CA.to_vec()),
        from: from(Some("Warmside"), "warmside@example.org"),
    }
}

fn notice(id: &str) -> NoticeRow {
    NoticeRow {
        id: id.to_owned(),
        thread: None,
        json: r#"{"at":"2026-03-03T14:11:20.000Z","event":"raised"}"#.to_owned(),
        urgency: Urgency::Now,
        digest: false,
        to: vec![("ines".into(), "ines@example.org".into()), ("tom".into(), "tom@example.org".into())],
        subject: "a3 Juno: no heat, 29.7 C and falling".to_owned(),
        text: "a3 Juno, left rack\nACT BY ABOUT 14:55\n\nWHAT: Heat is called for and none \narrives. Warm side 29.7 \u{b0}C.\n"
            .to_owned(),
        html: String::new(),
        picture: None,
    }
}

fn queued(id: &str) -> Queued {
    let notice = notice(id);
    let to = notice.to.iter().map(|t| t.1.clone()).collect();
    Queued { notice, queued_at: AT, attempts: 0, to }
}

/// A post with these ways, short limits, a clock that stands, and what it reported.
fn post(ways: Vec<Way>) -> (Post, Arc<Mutex<Vec<Report>>>) {
    let reports = Arc::new(Mutex::new(Vec::new()));
    let heard = Arc::clone(&reports);
    let opening = Opening {
        ways,
        site: "Hollow Lane".to_owned(),
        seal: seal(),
        clock: Arc::new(|| AT),
        report: Box::new(move |report| heard.lock().unwrap().push(report)),
        limits: Limits { whole: Duration::from_secs(20), poll: Duration::from_millis(20) },
    };
    (Post::new(opening), reports)
}

async fn attempt(ways: Vec<Server>) -> Round {
    post(ways.into_iter().map(Way::Server).collect()).0.attempt(&queued("7Q.1")).await
}

fn fates(round: &Round) -> Vec<Fate> {
    round.to.iter().map(|r| r.1).collect()
}
