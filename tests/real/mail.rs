//! Mails through a real server and back: sent by TLS and login, read by another library, answered by a reply.

use crate::mail_server::{Certificate, MailServer, PASSWORD};
use mail_parser::MessageParser;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use warmside::answers::{self, Answers, Heard};
use warmside::engine::event::PostOutcome;
use warmside::finding::cause::Urgency;
use warmside::incident::Row;
use warmside::notice::message_id::Seal;
use warmside::notice::{NoticeRow, Picture};
use warmside::plot::drawing::Drawing;
use warmside::post::settings::{Mailbox, Server, Tls, Way};
use warmside::post::{self, Limits, Post, Queued, Report, Round};
use warmside::store::{self, Fate, Names, Settled, Store};
use warmside::terms::secret::Secret;
use warmside::terms::time::{Now, Span, Wall};

/// 2026-03-03T14:11:20Z.
const AT: i64 = 1_772_547_080_000;

/// Mails of our own in the inbox that cite another of ours: the second one, for two recipients.
const OWN: usize = 2;

/// The store's outbox, as the daemon lays it before the post.
struct Outbox(Arc<Store>);

impl post::Outbox for Outbox {
    async fn due(&self, at: Wall, at_most: usize) -> Vec<Queued> {
        let mails = self.0.due(at, at_most).await.unwrap_or_default().into_iter();
        let waiting =
            |m: &store::Mail| m.to.iter().filter(|t| t.fate == Fate::Waiting).map(|t| t.address.clone()).collect();
        mails
            .map(|m| Queued { to: waiting(&m), notice: m.notice, queued_at: m.queued_at, attempts: m.attempts })
            .collect()
    }
    async fn settle(&self, round: Round) {
        let fate = |fate| match fate {
            post::Fate::Waiting => Fate::Waiting,
            post::Fate::Accepted => Fate::Accepted,
            post::Fate::Refused => Fate::Refused,
        };
        let to = round.to.into_iter().map(|(a, f, w)| (a, fate(f), w)).collect();
        self.0.settle(Settled { notice: round.notice, at: round.at, next: round.next, to }).await.unwrap();
    }
}

/// A store and a post that sends from it, with the site's seal.
struct House {
    store: Arc<Store>,
    seal: Seal,
    waker: post::Waker,
    reports: Arc<Mutex<Vec<Report>>>,
    folder: std::path::PathBuf,
}

impl House {
    fn new(ways: Vec<Way>, whole: Duration) -> House {
        static COUNT: std::sync::atomic::AtomicU32 = std::sync::atomic::AtomicU32::new(0);
        let count = COUNT.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
        let folder = std::env::temp_dir().join(format!("warmside-real-{}-{count}", std::process::id()));
        // The clock runs a minute a look, so that what waits is soon due.
        let looks = std::sync::atomic::AtomicI64::new(0);
        let clock = Arc::new(move || Now::at(AT + looks.fetch_add(1, std::sync::atomic::Ordering::SeqCst) * 60_000));
        let settings = store::settings::Settings {
            folder: folder.clone(),
            keep_readings: Span::days(90),
            keep_summaries: Span::days(365),
        };
        let fixed: store::Clock = Arc::new(|| Now::at(AT));
        let opening = store::Opening {
            names: Names::default(),
            clock: fixed,
            tell: Box::new(|told| panic!("{told:?}")),
            hook: None,
        };
        let (store, found) = Store::open(&settings, opening).unwrap();
        let (store, seal) = (Arc::new(store), Seal::new(&found.site));
        let reports = Arc::new(Mutex::new(Vec::new()));
        let heard = Arc::clone(&reports);
        let post = Post::new(post::Opening {
            ways,
            site: "Hollow Lane".into(),
            seal: seal.clone(),
            clock: Arc::new(move || clock().wall),
            report: Box::new(move |report| heard.lock().unwrap().push(report)),
            limits: Limits { whole, poll: Duration::from_millis(200) },
        });
        let waker = post.waker();
        tokio::spawn(post.run(Outbox(Arc::clone(&store))));
        House { store, seal, waker, reports, folder }
    }

    async fn commit(&self, id: &str) {
        let rows = vec![Row { key: "incident/7Q".into(), json: Some("{}".into()) }];
        self.store.commit(Wall::from_ms(AT), rows, vec![notice(id)]).await.unwrap();
        self.waker.wake();
    }

    fn outcomes(&self, id: &str) -> Vec<PostOutcome> {
        self.reports.lock().unwrap().iter().filter(|r| r.notice == id).map(|r| r.outcome.clone()).collect()
    }
}

impl Drop for House {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}

fn notice(id: &str) -> NoticeRow {
    NoticeRow {
        id: id.into(),
        thread: (id != "7Q.1").then(|| "7Q.1".to_owned()),
        json: r#"{"event":"raised"}"#.into(),
        urgency: Urgency::Now,
        digest: false,
        to: vec![("ines".into(), "ines@example.org".into()), ("tom".into(), "tom@example.org".into())],
        subject: "a3 Juno: no heat, 29.7 C and falling".into(),
        text: "a3 Juno, left rack\nACT BY ABOUT 14:55\n\nANSWER: Reply HAVE IT, or open the \npage and press the button.\n"
            .into(),
        html: "<p>a3 Juno <img src=\"cid:trace\" alt=\"29.7\"></p>".into(),
        picture: Some(Picture {
            cid: "trace".into(),
            drawing: Drawing { width: 358.0, height: 286.0, marks: Vec::new() },
        }),
    }
}

fn way(server: &MailServer, tls: Tls) -> Server {
    Server {
        tls,
        host: "localhost".into(),
        port: if tls == Tls::Implicit { server.submissions } else { server.submission },
        login: Some((server.user.clone(), Secret::new(PASSWORD))),
        ca_pem: Some(server.ca.clone()),
        from: Mailbox { name: Some("Warmside".into()), address: "warmside@example.org".into() },
    }
}

async fn until(what: &str, mut done: impl FnMut() -> bool) {
    let waited = tokio::time::timeout(Duration::from_secs(120), async {
        while !done() {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    });
    assert!(waited.await.is_ok(), "never came: {what}");
}

/// Hands a mail to the server as another server would.
async fn deliver(server: &MailServer, from: &str, mail: String) {
    use lettre::address::Envelope;
    use lettre::{AsyncSmtpTransport, AsyncTransport, Tokio1Executor};
    let transport: AsyncSmtpTransport<Tokio1Executor> =
        AsyncSmtpTransport::<Tokio1Executor>::builder_dangerous("127.0.0.1").port(server.inbound).build();
    let from = (!from.is_empty()).then(|| from.parse().unwrap());
    let envelope = Envelope::new(from, vec!["warmside@example.org".parse().unwrap()]).unwrap();
    transport.send_raw(&envelope, mail.replace('\n', "\r\n").as_bytes()).await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
#[ignore = "needs a real mail server"]
async fn an_alarm_arrives_and_a_reply_answers_it() {
    let server = MailServer::start(Certificate::Good);
    let house = House::new(vec![Way::Server(way(&server, Tls::StartTls))], Duration::from_secs(60));
    house.commit("7Q.1").await;
    house.commit("7Q.2").await;
    // exim lays a copy down for each recipient.
    until("two mails for two", || server.arrived().len() == 4).await;
    until("two reports", || house.reports.lock().unwrap().len() == 2).await;
    assert_eq!(house.outcomes("7Q.1"), [PostOutcome::Accepted]);
    let arrived = server.arrived();
    let mails: Vec<_> = arrived.iter().map(|m| MessageParser::default().parse(m).unwrap()).collect();
    let first = house.seal.message_id("7Q.1", "example.org");
    let of = |id: &str| {
        let id = house.seal.message_id(id, "example.org");
        mails.iter().find(|m| id.contains(m.message_id().unwrap())).unwrap()
    };
    for mail in &mails {
        assert_eq!(mail.subject(), Some("a3 Juno: no heat, 29.7 C and falling"));
        assert_eq!(mail.from().unwrap().first().unwrap().name(), Some("Warmside NOW"));
        assert_eq!(mail.body_text(0).unwrap().replace("\r\n", "\n"), notice("7Q.1").text, "trailing blanks and all");
        assert_eq!(mail.header_raw("Auto-Submitted").unwrap().trim(), "auto-generated");
    }
    assert_eq!(of("7Q.2").in_reply_to().as_text().map(|id| format!("<{id}>")), Some(first.clone()));
    assert!(of("7Q.1").in_reply_to().as_text().is_none());

    let heard = Arc::new(Mutex::new(Vec::new()));
    let ears = Arc::clone(&heard);
    let answers = Answers::new(answers::Opening {
        settings: answers::settings::Answers {
            host: "localhost".into(),
            port: server.imaps,
            login: (server.user.clone(), Secret::new(PASSWORD)),
            ca_pem: Some(server.ca.clone()),
        },
        seal: house.seal.clone(),
        keepers: vec![("ines".into(), "ines@example.org".into())],
        hear: Box::new(move |word| ears.lock().unwrap().push(word)),
        limits: answers::Limits::default(),
    });
    let listening = tokio::spawn(answers.run());
    // Our own two mails lie in this inbox too: they answer nothing, though one cites the other.
    until("our own mail judged", || !heard.lock().unwrap().is_empty()).await;
    let reply = |headers: &str, text: &str| {
        format!(
            "From: Ines <ines@example.org>\nTo: warmside@example.org\nSubject: Re: a3\nIn-Reply-To: {first}\n{headers}\n{text}"
        )
    };
    deliver(&server, "", reply("Auto-Submitted: auto-replied (vacation)\n", "I am away.\n\nHAVE IT\n")).await;
    deliver(&server, "eve@example.net", "From: eve@example.net\nSubject: hello\n\nHAVE IT\n".to_owned()).await;
    deliver(&server, "ines@example.org", reply("", "Have it.\n\n> ANSWER: Reply HAVE IT\n")).await;
    let answer = Heard::Answer { keeper: "ines".into(), notice: "7Q.1".into() };
    until("the answer", || heard.lock().unwrap().contains(&answer)).await;
    listening.abort();
    let heard = heard.lock().unwrap();
    assert_eq!(heard.iter().filter(|h| matches!(h, Heard::Answer { .. })).count(), 1, "{heard:?}");
    assert_eq!(heard.iter().filter(|h| matches!(h, Heard::Ignored { .. })).count(), 1 + OWN, "{heard:?}");
}

#[tokio::test(flavor = "multi_thread")]
#[ignore = "needs a real mail server"]
async fn nothing_goes_without_its_password_or_to_a_certificate_that_is_past() {
    let good = MailServer::start(Certificate::Good);
    let expired = MailServer::start(Certificate::Expired);
    let mut wrong = way(&good, Tls::Implicit);
    wrong.login = Some((good.user.clone(), Secret::new("not-the-secret")));
    let mut anonymous = way(&good, Tls::StartTls);
    anonymous.login = None;
    let mut unknown = way(&good, Tls::Implicit);
    unknown.ca_pem = None;
    let mut plain = way(&good, Tls::Implicit);
    plain.port = good.inbound;
    for (server, word, refused) in [
        (wrong, "login", false),
        (anonymous, "authentication required", true),
        (unknown, "UnknownIssuer", false),
        (way(&expired, Tls::Implicit), "xpired", false),
        (way(&expired, Tls::StartTls), "xpired", false),
        (plain, "", false),
    ] {
        let house = House::new(vec![Way::Server(server)], Duration::from_secs(5));
        house.commit("7Q.1").await;
        until(word, || !house.outcomes("7Q.1").is_empty()).await;
        let outcome = house.outcomes("7Q.1").remove(0);
        let (PostOutcome::Deferred(words) | PostOutcome::Refused(words)) = &outcome else {
            panic!("{word}: {outcome:?}")
        };
        assert_eq!(matches!(outcome, PostOutcome::Refused(_)), refused, "{words}");
        assert!(words.contains(word) && !words.contains("secret"), "{words}");
    }
    // With a second way out, what the first does not take goes there.
    let ways = vec![Way::Server(way(&expired, Tls::Implicit)), Way::Server(way(&good, Tls::Implicit))];
    let house = House::new(ways, Duration::from_secs(60));
    house.commit("7Q.1").await;
    until("the fallback", || house.outcomes("7Q.1") == [PostOutcome::Accepted]).await;
    until("its mail, for two", || good.arrived().len() == 2).await;
    assert_eq!(expired.arrived().len(), 0);
}

#[tokio::test(flavor = "multi_thread")]
#[ignore = "needs a real mail server"]
async fn a_server_that_stands_still_gets_it_later_and_the_id_is_the_same() {
    let server = MailServer::start(Certificate::Good);
    server.freeze(true);
    let house = House::new(vec![Way::Server(way(&server, Tls::Implicit))], Duration::from_secs(2));
    house.commit("7Q.1").await;
    until("a deferral", || !house.outcomes("7Q.1").is_empty()).await;
    assert!(matches!(&house.outcomes("7Q.1")[0], PostOutcome::Deferred(words) if words.contains("no answer within")));
    server.freeze(false);
    until("accepted", || house.outcomes("7Q.1").contains(&PostOutcome::Accepted)).await;
    until("arrived", || !server.arrived().is_empty()).await;
    let id = house.seal.message_id("7Q.1", "example.org");
    for mail in server.arrived() {
        let mail = MessageParser::default().parse(&mail).unwrap().message_id().unwrap().to_owned();
        assert!(id.contains(&mail), "a mail of another id: {mail}");
    }
}
