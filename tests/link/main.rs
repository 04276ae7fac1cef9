//! The broker link against scripted brokers: one test for each way in which the client is known to go deaf.
//! Each was seen to fail with its remedy taken out.

mod script;

use script::{Script, brisk, framed, heard, next, publish, start, wish};
use std::time::Duration;
use warmside::mqtt::link::{Link, Pace};
use warmside::mqtt::settings::Broker;
use warmside::mqtt::{Incoming, Trouble};
use warmside::terms::secret::Secret;

#[tokio::test]
async fn every_connection_subscribes_whatever_the_broker_says_of_a_session() {
    let script = Script::new().await;
    let (_link, mut inbox) = start(&script, &["rack/+", "room/air"], brisk());
    for round in 0..3_u8 {
        let mut guest = script.guest().await;
        // "Session present", though a clean one was asked for: a lie that must not keep us from subscribing.
        guest.say(&[0x20, 2, 1, 0]).await;
        // Byte 7 of CONNECT's body is its flags, bit 1 a clean session (section 3.1.2.3).
        assert_eq!(guest.connect[7] & 0b10, 0b10, "a kept session would replay old readings as new ones");
        let (id, filters) = guest.subscribe().await;
        assert_eq!(filters, ["rack/+", "room/air"]);
        guest.suback(id, &[1, 1]).await;
        guest.say(&publish("rack/a", &[round], false, None)).await;
        assert!(matches!(next(&mut inbox).await, Incoming::Up));
        assert_eq!(heard(&mut inbox).await, ("rack/a".into(), vec![round]));
        drop(guest);
        assert!(matches!(next(&mut inbox).await, Incoming::Lost(Trouble::Broken(_))));
    }
}

#[tokio::test]
async fn a_megabyte_passes_and_retained_messages_say_so() {
    let script = Script::new().await;
    let (_link, mut inbox) = start(&script, &["#"], brisk());
    let (mut guest, _) = script.subscriber().await;
    guest.say(&publish("a", &vec![7; 1 << 20], true, None)).await;
    guest.say(&publish("b", b"21.5", false, None)).await;
    assert!(matches!(next(&mut inbox).await, Incoming::Up));
    let Incoming::Message(first) = next(&mut inbox).await else { panic!("no message") };
    assert!(first.retained && first.payload.len() == 1 << 20);
    let Incoming::Message(second) = next(&mut inbox).await else { panic!("no message") };
    assert!(!second.retained && second.payload == b"21.5");
}

#[tokio::test]
async fn an_oversize_message_is_named_once_and_what_came_before_it_is_kept() {
    let script = Script::new().await;
    let (_link, mut inbox) = start(&script, &["#"], Pace { largest_packet: 1_024, ..brisk() });
    let mut named = 0;
    for round in 0..4_u8 {
        let (mut guest, _) = script.subscriber().await;
        // In one piece, so that both are in the client's hands when it stumbles.
        let mut bytes = publish("small", &[round], false, None);
        bytes.extend(publish("huge", &[0; 5_000], true, None));
        guest.say(&bytes).await;
        let mut small = false;
        loop {
            match next(&mut inbox).await {
                Incoming::Lost(Trouble::Oversize { bytes }) => {
                    assert!(bytes >= 5_000 && small);
                    break;
                }
                Incoming::Trouble(Trouble::Oversize { .. }) => named += 1,
                Incoming::Message(message) => {
                    assert_eq!(message.payload, [round]);
                    small = true;
                }
                Incoming::Up => {}
                other => panic!("{other:?}"),
            }
        }
    }
    assert_eq!(named, 1);
}

#[tokio::test]
async fn a_denied_topic_is_said_and_the_others_are_heard() {
    let script = Script::new().await;
    let (_link, mut inbox) = start(&script, &["denied/+", "granted"], brisk());
    let mut guest = script.guest().await;
    guest.say(&[0x20, 2, 0, 0]).await;
    let (id, _) = guest.subscribe().await;
    guest.suback(id, &[0x80, 1]).await;
    let Incoming::Trouble(Trouble::Denied { filters }) = next(&mut inbox).await else { panic!("not said") };
    assert_eq!(filters, ["denied/+"]);
    assert!(matches!(next(&mut inbox).await, Incoming::Up));
    guest.say(&publish("granted", b"1", false, None)).await;
    assert_eq!(heard(&mut inbox).await.0, "granted");
}

#[tokio::test]
async fn with_every_topic_denied_the_link_is_not_up() {
    let script = Script::new().await;
    let (_link, mut inbox) = start(&script, &["a", "b"], brisk());
    let mut guest = script.guest().await;
    guest.say(&[0x20, 2, 0, 0]).await;
    let (id, _) = guest.subscribe().await;
    // One code only, for two filters: what is not granted is denied.
    guest.suback(id, &[0x80]).await;
    let Incoming::Lost(Trouble::Denied { filters }) = next(&mut inbox).await else { panic!("not lost") };
    assert_eq!(filters, ["a", "b"]);
}

#[tokio::test]
async fn a_subscription_that_is_never_answered_ends_the_connection() {
    let script = Script::new().await;
    let pace = Pace { subscribed_within: Duration::from_millis(100), ..brisk() };
    let (_link, mut inbox) = start(&script, &["a"], pace);
    let mut guest = script.guest().await;
    guest.say(&[0x20, 2, 0, 0]).await;
    let _ = guest.subscribe().await;
    // An answer to somebody else's question is none; messages that come meanwhile do not make it one.
    guest.suback([0x7F, 0xFF], &[1]).await;
    guest.say(&publish("a", b"1", false, None)).await;
    assert_eq!(heard(&mut inbox).await.0, "a");
    assert!(matches!(next(&mut inbox).await, Incoming::Lost(Trouble::Broken(why)) if why.contains("subscription")));
    let (_guest, _) = script.subscriber().await;
    assert!(matches!(next(&mut inbox).await, Incoming::Up));
}

#[tokio::test]
async fn a_half_open_link_is_noticed_by_its_pings() {
    let script = Script::new().await;
    let (_link, mut inbox) = start(&script, &["a"], Pace { keep_alive_s: 1, ..brisk() });
    let (mut guest, _) = script.subscriber().await;
    assert!(matches!(next(&mut inbox).await, Incoming::Up));
    // Its ping comes, and no answer.
    assert_eq!(guest.next().await.map(|(kind, _)| kind), Some(0xC0));
    assert!(matches!(next(&mut inbox).await, Incoming::Lost(Trouble::Broken(why)) if why.contains("answers")));
}

#[tokio::test]
async fn a_write_that_never_returns_is_given_up() {
    let script = Script::new().await;
    let (link, mut inbox) = start(&script, &["a"], Pace { stalled_after: Duration::from_millis(300), ..brisk() });
    let (_guest, _) = script.subscriber().await;
    assert!(matches!(next(&mut inbox).await, Incoming::Up));
    // The guest reads nothing: some of these fill the sockets' buffers.
    for i in 0..200 {
        link.publisher().publish(format!("state/{i}"), "x".repeat(200_000));
    }
    assert!(matches!(next(&mut inbox).await, Incoming::Lost(Trouble::Stalled)));
    let (_guest, _) = script.subscriber().await;
    assert!(matches!(next(&mut inbox).await, Incoming::Up));
}

#[tokio::test]
async fn a_broker_that_accepts_and_is_silent_is_given_up() {
    let script = Script::new().await;
    let (_link, mut inbox) = start(&script, &["a"], Pace { connect_s: 1, ..brisk() });
    let _silent = script.accept().await;
    assert!(matches!(next(&mut inbox).await, Incoming::Lost(Trouble::Connect(_))));
    let (_guest, _) = script.subscriber().await;
    assert!(matches!(next(&mut inbox).await, Incoming::Up));
}

#[tokio::test]
async fn it_backs_off_between_tries() {
    let script = Script::new().await;
    let pace = Pace { backoff_first: Duration::from_millis(20), backoff_most: Duration::from_millis(80), ..brisk() };
    let (_link, _inbox) = start(&script, &["a"], pace);
    let mut last = None;
    for tries in 0..5 {
        drop(script.accept().await);
        let now = warmside::clock::ticks();
        if let Some(before) = last.replace(now) {
            // A lower limit only, which no slow machine can break: half of what doubling gives.
            let least = Duration::from_millis([0, 10, 20, 40, 40][tries]).saturating_sub(Duration::from_millis(5));
            assert!(now - before >= least, "try {tries} after {:?}", now - before);
        }
    }
}

#[tokio::test]
async fn three_closes_right_after_connecting_are_said_once() {
    let script = Script::new().await;
    let (_link, mut inbox) = start(&script, &["a"], Pace { settled_after: Duration::from_secs(3_600), ..brisk() });
    let (mut said, mut ups) = (0, 0);
    for round in 0..6_u8 {
        let (mut guest, _) = script.subscriber().await;
        guest.say(&publish("a", &[round], false, None)).await;
        loop {
            match next(&mut inbox).await {
                Incoming::Up => ups += 1,
                Incoming::Trouble(Trouble::SameId { client_id }) => {
                    assert_eq!(client_id, "warmside-test");
                    said += 1;
                }
                Incoming::Message(message) => {
                    assert_eq!(message.payload, [round]);
                    break;
                }
                _ => {}
            }
        }
    }
    assert_eq!(said, 1);
    assert_eq!(ups, 1, "a link that flaps is called lost until it holds, or nobody would hear of it");
}

#[tokio::test]
async fn a_loop_that_is_busy_does_not_stop_the_polling() {
    let script = Script::new().await;
    let (link, mut inbox) = start(&script, &["a"], Pace { longest_queue: 100, ..brisk() });
    let (mut guest, _) = script.subscriber().await;
    assert!(matches!(next(&mut inbox).await, Incoming::Up));
    // Nobody reads the inbox: each of 5,000 messages must be acknowledged all the same.
    for id in 1..=5_000_u16 {
        guest.say(&publish("a", b"21.5", false, Some(id))).await;
        if id % 50 == 0 {
            for want in id - 49..=id {
                let (_, body) = guest.expect(0x40).await;
                assert_eq!(body, want.to_be_bytes());
            }
        }
    }
    assert!(link.rounds() > 100);
    assert_eq!(inbox.dropped(), 4_900);
    for _ in 0..100 {
        assert!(matches!(next(&mut inbox).await, Incoming::Message(_)));
    }
    guest.say(&publish("a", b"last", false, None)).await;
    assert_eq!(heard(&mut inbox).await.1, b"last");
}

#[tokio::test]
async fn states_and_messages_pass_each_other() {
    let script = Script::new().await;
    let (link, mut inbox) = start(&script, &["a"], brisk());
    let (mut guest, _) = script.subscriber().await;
    assert!(matches!(next(&mut inbox).await, Incoming::Up));
    // Far more states than the client's own queue holds, while as many messages come that want to be acknowledged.
    for i in 0..3_000_u16 {
        link.publisher().publish(format!("state/{i}"), "in-band".into());
    }
    let (mut states, mut acks) = (0, 0);
    for id in 1..=3_000_u16 {
        guest.say(&publish("a", b"21.5", false, Some(id))).await;
    }
    while states < 3_000 || acks < 3_000 {
        match guest.next().await.expect("the link lives").0 & 0xF0 {
            0x30 => states += 1,
            0x40 => acks += 1,
            0xC0 => guest.say(&[0xD0, 0]).await,
            other => panic!("{other:#x}"),
        }
    }
    for _ in 0..3_000 {
        assert_eq!(heard(&mut inbox).await.1, b"21.5");
    }
}

#[tokio::test]
async fn a_message_that_two_filters_match_is_heard_once() {
    let script = Script::new().await;
    let (_link, mut inbox) = start(&script, &["a/+", "+/b", "$SYS/uptime"], brisk());
    let (mut guest, _) = script.subscriber().await;
    for (topic, payload) in
        [("a/b", "1"), ("a/b", "1"), ("a/b", "2"), ("a/b", "2"), ("a/c", "3"), ("a/c", "3"), ("$SYS/uptime", "4")]
    {
        guest.say(&publish(topic, payload.as_bytes(), false, None)).await;
    }
    for want in ["1", "2", "3", "3", "4"] {
        assert_eq!(heard(&mut inbox).await.1, want.as_bytes());
    }
}

#[tokio::test]
async fn states_are_retained_and_told_again_to_a_broker_that_forgot() {
    let script = Script::new().await;
    let mut with_presence = wish(&["a"]);
    with_presence.presence = Some("warmside/state/watcher".into());
    let (link, mut inbox) =
        Link::start(&script.broker(), with_presence, brisk(), warmside::clock::ticks).expect("sound settings");
    link.publisher().publish("warmside/state/a3".into(), "old".into());
    link.publisher().publish("warmside/state/a3".into(), "in-band".into());
    link.publisher().publish("bad/#".into(), "x".into());
    assert_eq!(link.publisher().refused(), 1);
    for _ in 0..2 {
        let (mut guest, _) = script.subscriber().await;
        let text = String::from_utf8_lossy(&guest.connect).into_owned();
        assert!(text.contains("warmside/state/watcher") && text.contains(r#"{"watching":false}"#), "last will");
        let mut states = [state(&mut guest).await, state(&mut guest).await];
        states.sort();
        assert_eq!(states, ["warmside/state/a3 in-band", r#"warmside/state/watcher {"watching":true}"#]);
        drop(guest);
        while !matches!(next(&mut inbox).await, Incoming::Lost(_)) {}
    }
    let (mut guest, _) = script.subscriber().await;
    while !matches!(next(&mut inbox).await, Incoming::Up) {}
    let left = tokio::spawn(link.stop(script::PATIENCE));
    let mut last = String::new();
    loop {
        match guest.next().await.expect("a farewell") {
            (0xE0, _) => break,
            (first, body) => {
                assert_eq!(first, 0x31);
                last = said(&body);
            }
        }
    }
    assert_eq!(last, r#"warmside/state/watcher {"watching":false}"#);
    drop(guest);
    left.await.expect("no panic");
    assert!(inbox.next().await.is_none_or(|news| matches!(news, Incoming::Lost(_))));
}

/// The next PUBLISH, which must be QoS 0 and retained.
async fn state(guest: &mut script::Guest) -> String {
    let (first, body) = guest.expect(0x30).await;
    assert_eq!(first, 0x31, "QoS 0, retained");
    said(&body)
}

fn said(body: &[u8]) -> String {
    let length = usize::from(body[0]) << 8 | usize::from(body[1]);
    let (topic, payload) = body[2..].split_at(length);
    format!("{} {}", String::from_utf8_lossy(topic), String::from_utf8_lossy(payload))
}

#[tokio::test]
async fn a_refusal_is_told_in_words_without_the_password() {
    let script = Script::new().await;
    let login =
        Broker { user: Some("warmside".into()), password: Some(Secret::new("correct horse")), ..script.broker() };
    let (_link, mut inbox) =
        Link::start(&login, wish(&["a"]), brisk(), warmside::clock::ticks).expect("sound settings");
    let mut guest = script.guest().await;
    assert!(String::from_utf8_lossy(&guest.connect).contains("correct horse"));
    guest.say(&[0x20, 2, 0, 4]).await;
    let Incoming::Lost(why) = next(&mut inbox).await else { panic!("not lost") };
    assert!(why.to_string().contains("user or password is wrong"), "{why}");
    assert!(!format!("{why} {why:?} {_link:?}").contains("horse"));
}

#[tokio::test]
async fn rubbish_from_a_broker_ends_a_connection_and_nothing_else() {
    let script = Script::new().await;
    let (_link, mut inbox) = start(&script, &["a"], brisk());
    let mut seed = 0x2545_F491_4F6C_DD1D_u64;
    let mut random = move || {
        // xorshift64*, Vigna 2016 (from memory): any bytes will do, the same on every run.
        seed ^= seed >> 12;
        seed ^= seed << 25;
        seed ^= seed >> 27;
        seed.wrapping_mul(0x2545_F491_4F6C_DD1D)
    };
    for _ in 0..300 {
        let (mut guest, _) = script.subscriber().await;
        let length = random() as usize % 24;
        let body: Vec<u8> = (0..length).map(|_| random() as u8).collect();
        // Half of them framed rightly, so that the inner readers are reached too.
        let first = random() as u8;
        let bytes = if random() % 2 == 0 { framed(first, &body) } else { body };
        guest.say(&bytes).await;
        drop(guest);
        while !matches!(next(&mut inbox).await, Incoming::Lost(_)) {}
    }
    let (mut guest, _) = script.subscriber().await;
    guest.say(&publish("a", b"still here", false, None)).await;
    while heard(&mut inbox).await.1 != b"still here" {}
}
