//! Servers that refuse, hang, lie and let go: who has the mail, who has it not, who is told what.

use super::server::Tls as Offer;
use super::*;

fn said(round: &Round) -> &str {
    &round.to[0].2
}

#[tokio::test]
async fn a_decent_server_gets_each_mail_once() {
    let server = serve(Script::default()).await;
    let round = attempt(vec![way(server.port, Tls::Loopback)]).await;
    assert_eq!(fates(&round), [Fate::Accepted, Fate::Accepted]);
    let lines = server.lines();
    assert!(lines.iter().any(|l| l.starts_with("MAIL FROM:<warmside@example.org>")));
    assert_eq!(lines.iter().filter(|l| l.starts_with("RCPT TO:<")).count(), 2);
    assert_eq!(lines.last().map(String::as_str), Some("QUIT"));
    let mails = server.mails();
    assert_eq!(mails.len(), 1);
    let mail = mail_parser::MessageParser::default().parse(&mails[0]).unwrap();
    assert_eq!(seal().notice(mail.message_id().unwrap()).as_deref(), Some("7Q.1"));
}

#[tokio::test]
async fn one_bad_recipient_costs_the_others_nothing() {
    let server =
        serve(Script::answering(|_, line| line.starts_with("RCPT TO:<tom").then_some("550 5.1.1 no such user"))).await;
    let round = attempt(vec![way(server.port, Tls::Loopback)]).await;
    assert_eq!(fates(&round), [Fate::Accepted, Fate::Refused]);
    assert!(round.to[1].2.contains("no such user"));
    assert_eq!(server.mails().len(), 1);
    let outcome = crate::post::round::outcome(&round);
    assert!(
        matches!(&outcome, crate::engine::event::PostOutcome::Refused(w) if w.starts_with("to tom@example.org: ")),
        "{outcome:?}"
    );

    let greylist = |_, line: &str| line.starts_with("RCPT TO:<ines").then_some("451 4.7.1 greylisted");
    let server = serve(Script::answering(greylist)).await;
    let round = attempt(vec![way(server.port, Tls::Loopback)]).await;
    assert_eq!(fates(&round), [Fate::Waiting, Fate::Accepted]);
    assert_eq!(round.next.since(round.at).as_ms(), 30_000);
}

#[tokio::test]
async fn later_is_waited_for_and_never_is_not() {
    let cases: [(&str, &str, Fate); 9] = [
        ("EHLO", "421 4.3.2 shutting down", Fate::Waiting),
        ("AUTH", "535 5.7.8 password expired", Fate::Waiting),
        ("MAIL", "550 5.7.1 sender not yours", Fate::Waiting),
        ("RCPT", "451 4.7.1 greylisted", Fate::Waiting),
        ("RCPT", "552 5.2.2 mailbox full", Fate::Refused),
        ("DATA", "451 4.3.0 later", Fate::Waiting),
        ("DATA", "554 5.6.0 no", Fate::Refused),
        (".", "452 4.3.1 disk full", Fate::Waiting),
        (".", "554 5.7.1 looks like junk", Fate::Refused),
    ];
    for (command, reply, fate) in cases {
        let server = serve(Script::answering(move |_, line| line.starts_with(command).then_some(reply))).await;
        let round = attempt(vec![way(server.port, Tls::Loopback)]).await;
        assert_eq!(fates(&round), [fate, fate], "{command} {reply}");
        assert!(said(&round).contains(&reply[10..]), "{command} {reply}: {}", said(&round));
        assert!(!said(&round).contains("unknown"), "the server spoke: {}", said(&round));
    }
    let round = attempt(vec![way(1, Tls::Loopback)]).await;
    assert_eq!(fates(&round), [Fate::Waiting, Fate::Waiting], "nobody listens");
}

#[tokio::test]
async fn a_server_that_hangs_anywhere_is_left_in_time() {
    for stage in ["", "EHLO", "AUTH", "MAIL", "RCPT", "DATA", "."] {
        let hang = move |_, line: &str| (!stage.is_empty() && line.starts_with(stage)).then_some("HANG");
        let greeting = if stage.is_empty() { "HANG" } else { "220 mail" };
        let server = serve(Script { greeting, ..Script::answering(hang) }).await;
        let (mut post, _) = post(vec![Way::Server(way(server.port, Tls::Loopback))]);
        // Long enough to come as far as the stage on a busy machine, where the server then waits for ever.
        post.opening.limits.whole = Duration::from_millis(1_500);
        let round = post.attempt(&queued("7Q.1")).await;
        assert_eq!(fates(&round), [Fate::Waiting, Fate::Waiting], "{stage}");
        assert!(said(&round).contains("no answer within"), "{stage}: {}", said(&round));
        assert_eq!(said(&round).contains("unknown"), stage == ".", "{stage}: {}", said(&round));
    }
}

#[tokio::test]
async fn lost_after_the_final_dot_it_is_sent_again_with_the_same_message_id() {
    let server = serve(Script::answering(|n, line| (n == 0 && line == ".").then_some("DROP"))).await;
    let (post, _) = post(vec![Way::Server(way(server.port, Tls::Loopback))]);
    let first = post.attempt(&queued("7Q.1")).await;
    assert_eq!(fates(&first), [Fate::Waiting, Fate::Waiting]);
    assert!(said(&first).contains("unknown"), "{}", said(&first));
    let second = post.attempt(&Queued { attempts: 1, ..queued("7Q.1") }).await;
    assert_eq!(fates(&second), [Fate::Accepted, Fate::Accepted]);
    let mails = server.mails();
    assert_eq!(mails.len(), 2);
    assert_eq!(mails[0], mails[1], "the same bytes, Message-ID and all");
}

#[tokio::test]
async fn tls_is_demanded_and_certificates_are_looked_at() {
    let script = |tls, certificate| Script { tls, certificate, ..Script::default() };
    let good = serve(script(Offer::Implicit, tls::GOOD)).await;
    assert_eq!(fates(&attempt(vec![way(good.port, Tls::Implicit)]).await)[0], Fate::Accepted);
    let upgraded = serve(script(Offer::Upgrade, tls::GOOD)).await;
    assert_eq!(fates(&attempt(vec![way(upgraded.port, Tls::StartTls)]).await)[0], Fate::Accepted);
    let lines = upgraded.lines();
    let at = |word: &str| lines.iter().position(|l| l.starts_with(word)).unwrap();
    assert!(at("STARTTLS") < at("(TLS) EHLO") && at("(TLS) EHLO") < at("(TLS) AUTH"), "{lines:?}");

    // Not offered, refused, expired, or of an authority that nobody named: no login, no mail.
    let plain = serve(script(Offer::None, tls::GOOD)).await;
    let refusing = Script {
        tls: Offer::Upgrade,
        ..Script::answering(|_, line| (line == "STARTTLS").then_some("454 4.7.0 not now"))
    };
    let refusing = serve(refusing).await;
    let expired = serve(script(Offer::Implicit, tls::EXPIRED)).await;
    let mut stranger = way(good.port, Tls::Implicit);
    stranger.ca_pem = None;
    // Its certificate names localhost and 127.0.0.1.
    let elsewhere = serve(Script { address: "127.0.0.2", ..script(Offer::Implicit, tls::GOOD) }).await;
    let mut other_name = way(elsewhere.port, Tls::Implicit);
    other_name.host = "127.0.0.2".to_owned();
    let before = good.mails().len();
    for (server, word) in [
        (way(plain.port, Tls::StartTls), "STARTTLS"),
        (way(refusing.port, Tls::StartTls), "STARTTLS"),
        (way(expired.port, Tls::Implicit), "xpired"),
        (stranger, "UnknownIssuer"),
        (other_name, "not valid for name"),
        (way(plain.port, Tls::Implicit), "127.0.0.1"),
    ] {
        let mut server = server;
        if word == "127.0.0.1" {
            server.host = "127.0.0.1".to_owned();
        }
        let round = attempt(vec![server]).await;
        assert_eq!(fates(&round), [Fate::Waiting, Fate::Waiting], "{word}");
        assert!(said(&round).contains(word), "{word}: {}", said(&round));
    }
    for server in [&plain, &refusing, &expired] {
        assert!(server.lines().iter().all(|l| !l.contains("AUTH") && !l.contains("MAIL")), "{:?}", server.lines());
    }
    assert_eq!(good.mails().len(), before);
}

#[tokio::test]
async fn the_fallback_takes_what_the_first_way_does_not() {
    let second = serve(Script::default()).await;
    let mut fallback = way(second.port, Tls::Loopback);
    fallback.from = from(Some("Warmside by the other way"), "warmside@example.net");
    let refusing = serve(Script::answering(|_, line| line.starts_with("RCPT TO:<tom").then_some("550 no"))).await;
    let round = attempt(vec![way(refusing.port, Tls::Loopback), fallback.clone()]).await;
    assert_eq!(fates(&round), [Fate::Accepted, Fate::Accepted]);
    let to: Vec<_> = second.lines().into_iter().filter(|l| l.starts_with("RCPT")).collect();
    assert_eq!(to.len(), 1, "only for whom it is needed: {to:?}");
    let mails = second.mails();
    let mail = mail_parser::MessageParser::default().parse(&mails[0]).unwrap();
    assert_eq!(
        format!("<{}>", mail.message_id().unwrap()),
        seal().message_id("7Q.1", "example.org"),
        "one id for both ways"
    );

    // Refused by one, put off by the other: hope. Refused by both: none.
    let later = serve(Script::answering(|_, line| line.starts_with("RCPT").then_some("451 later"))).await;
    let never = serve(Script::answering(|_, line| line.starts_with("RCPT").then_some("550 never"))).await;
    let ways = |a: &Served, b: &Served| vec![way(a.port, Tls::Loopback), way(b.port, Tls::Loopback)];
    assert_eq!(fates(&attempt(ways(&never, &later)).await)[0], Fate::Waiting);
    assert_eq!(fates(&attempt(ways(&later, &never)).await)[0], Fate::Waiting);
    let round = attempt(ways(&never, &never)).await;
    assert_eq!(fates(&round)[0], Fate::Refused);
}

#[tokio::test]
async fn no_password_is_ever_repeated() {
    let encoded = "535 AHdhcm1zaWRlQGV4YW1wbGUub3JnAHBhNTUtb2YtdGhlLXBvc3Q= or pa55-of-the-post is wrong";
    let server = serve(Script::answering(move |_, line| line.starts_with("AUTH").then_some(encoded))).await;
    let round = attempt(vec![way(server.port, Tls::Loopback)]).await;
    assert!(
        server.lines().iter().any(|l| l.contains("AHdhcm1zaWRlQGV4YW1wbGUub3JnAHBhNTUtb2YtdGhlLXBvc3Q=")),
        "it was told"
    );
    assert!(said(&round).contains("login") && said(&round).contains("is wrong"), "{}", said(&round));
    for secret in [PASSWORD, "AHdhcm1zaWRlQGV4YW1wbGUub3JnAHBhNTUtb2YtdGhlLXBvc3Q"] {
        assert!(!said(&round).contains(secret), "{}", said(&round));
    }
    assert!(!format!("{:?}", way(1, Tls::Loopback)).contains(PASSWORD));
}

#[tokio::test]
async fn patience_ends_with_words() {
    let later = serve(Script::answering(|_, line| line.starts_with("RCPT").then_some("451 later"))).await;
    let (mut post, _) = post(vec![Way::Server(way(later.port, Tls::Loopback))]);
    post.opening.clock = Arc::new(|| AT + crate::post::patience::GIVE_UP);
    let round = post.attempt(&Queued { attempts: 300, ..queued("7Q.1") }).await;
    assert_eq!(fates(&round), [Fate::Refused, Fate::Refused]);
    assert!(said(&round).starts_with("given up after 4 days") && said(&round).contains("later"), "{}", said(&round));
}
