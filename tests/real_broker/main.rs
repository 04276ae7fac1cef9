//! The link against Debian's mosquitto: TLS, a login, an access list, restarts, a frozen broker, huge retained messages.
//! Needs `mosquitto` and `openssl`: run by `.ci/run`, or `cargo test --test real_broker -- --ignored`.

mod commands;
mod daemon;
mod mosquitto;

use mosquitto::{Authority, Mosquitto};
use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS};
use std::fs;
use std::process::Command;
use std::time::Duration;
use tokio::time::timeout;
use warmside::mqtt::link::{Link, Pace, Wish};
use warmside::mqtt::sensor::Sensor;
use warmside::mqtt::settings::Broker;
use warmside::mqtt::{Inbox, Incoming, Trouble};
use warmside::terms::secret::Secret;

const PATIENCE: Duration = Duration::from_secs(60);

fn pace() -> Pace {
    Pace {
        keep_alive_s: 2,
        stalled_after: Duration::from_secs(8),
        backoff_first: Duration::from_millis(50),
        backoff_most: Duration::from_millis(400),
        settled_after: Duration::from_millis(500),
        ..Pace::default()
    }
}

fn link(broker: &Broker, filters: &[&str], pace: Pace) -> (Link, Inbox) {
    let filters = filters.iter().map(|filter| filter.to_string()).collect();
    let wish = Wish { client_id: "warmside-test".into(), filters, presence: Some("w/state/watcher".into()) };
    Link::start(broker, wish, pace, warmside::clock::ticks).expect("sound settings")
}

async fn next(inbox: &mut Inbox) -> Incoming {
    timeout(PATIENCE, inbox.next()).await.expect("news in time").expect("the link lives")
}

async fn up(inbox: &mut Inbox) {
    while !matches!(next(inbox).await, Incoming::Up) {}
}

async fn lost(inbox: &mut Inbox) -> Trouble {
    loop {
        if let Incoming::Lost(why) = next(inbox).await {
            return why;
        }
    }
}

async fn heard(inbox: &mut Inbox) -> (String, Vec<u8>) {
    loop {
        if let Incoming::Message(message) = next(inbox).await {
            return (message.topic, message.payload);
        }
    }
}

#[tokio::test]
#[ignore = "needs mosquitto"]
async fn tls_login_and_access_list() {
    let mut broker = Mosquitto::new(
        "tls",
        "cafile FOLDER/ca.pem\ncertfile FOLDER/srv.pem\nkeyfile FOLDER/srv.key\npassword_file FOLDER/passwords\nacl_file FOLDER/acl",
    );
    let authority = Authority::new(&broker.folder, "ca");
    let _ = authority.certify("srv", "30");
    let passwords = broker.folder.join("passwords");
    fs::write(&passwords, "warmside:correct horse\nsensor:battery staple\n").expect("written");
    assert!(Command::new("mosquitto_passwd").arg("-U").arg(&passwords).status().expect("runs").success());
    fs::write(
        broker.folder.join("acl"),
        "user warmside\ntopic read rack/#\ntopic write w/#\nuser sensor\ntopic write #\n",
    )
    .expect("written");
    broker.start();
    let with = |user: &str, password: &str| Broker {
        user: Some(user.into()),
        password: Some(Secret::new(password)),
        ..broker.tls(&authority)
    };

    let (_link, mut inbox) = link(&with("warmside", "wrong horse"), &["rack/#"], pace());
    let why = lost(&mut inbox).await;
    assert!(matches!(&why, Trouble::Refused(_)), "{why}");
    assert!(!why.to_string().contains("horse"));

    let (_link, mut inbox) = link(&with("warmside", "correct horse"), &["rack/#", "secret/#"], pace());
    up(&mut inbox).await;
    let sensor = Sensor::start(&with("sensor", "battery staple"), "sensor-1").expect("starts");
    // The broker granted both and sends nothing of the one that its list denies: only silence tells.
    sensor.say("secret/a", "1").await;
    sensor.say("rack/a", "2").await;
    assert_eq!(heard(&mut inbox).await.0, "rack/a");

    let stranger = Authority::new(&broker.folder, "stranger");
    let (_link, mut inbox) = link(&Broker { ..broker.tls(&stranger) }, &["rack/#"], pace());
    let why = lost(&mut inbox).await;
    assert!(matches!(&why, Trouble::Connect(words) if words.contains("TLS")), "{why}");

    let other_name = Broker { host: "127.0.0.1".into(), ..with("warmside", "correct horse") };
    let (_link, mut inbox) = link(&other_name, &["rack/#"], pace());
    let why = lost(&mut inbox).await;
    assert!(matches!(&why, Trouble::Connect(words) if words.contains("TLS")), "{why}");
}

#[tokio::test]
#[ignore = "needs mosquitto"]
async fn an_expired_certificate_is_refused_and_a_client_certificate_shown() {
    let lines = "allow_anonymous true\ncafile FOLDER/ca.pem\ncertfile FOLDER/srv.pem\nkeyfile FOLDER/srv.key\n";
    let mut old = Mosquitto::new("expired", lines);
    let authority = Authority::new(&old.folder, "ca");
    let _ = authority.certify("srv", "-1");
    old.start();
    let (_link, mut inbox) = link(&old.tls(&authority), &["a"], pace());
    let why = lost(&mut inbox).await;
    assert!(why.to_string().to_lowercase().contains("expired"), "{why}");

    let mut strict = Mosquitto::new("client", &format!("{lines}require_certificate true"));
    let authority = Authority::new(&strict.folder, "ca");
    let _ = authority.certify("srv", "30");
    let identity = authority.certify("us", "30");
    strict.start();
    let (_link, mut inbox) = link(&strict.tls(&authority), &["a"], pace());
    let why = lost(&mut inbox).await;
    assert!(matches!(why, Trouble::Connect(_) | Trouble::Broken(_)), "{why}");
    let (_link, mut inbox) = link(&Broker { identity: Some(identity), ..strict.tls(&authority) }, &["a"], pace());
    up(&mut inbox).await;
}

#[tokio::test]
#[ignore = "needs mosquitto"]
async fn an_ipv6_address_is_reached_with_tls_and_without() {
    if std::net::TcpListener::bind("[::1]:0").is_err() {
        println!("this machine has no IPv6: not tried");
        return;
    }
    let lines = "listener SECOND ::1\nallow_anonymous true\ncafile FOLDER/ca.pem\ncertfile FOLDER/srv.pem\n\
                 keyfile FOLDER/srv.key\nlistener THIRD ::1\n";
    let port = || std::net::TcpListener::bind("[::1]:0").and_then(|l| l.local_addr()).expect("a free port").port();
    let (second, third) = (port(), port());
    let lines = lines.replace("SECOND", &second.to_string()).replace("THIRD", &third.to_string());
    let mut broker = Mosquitto::new("six", &lines);
    let authority = Authority::new(&broker.folder, "ca");
    let _ = authority.certify("srv", "30");
    broker.start();
    for (port, tls) in [(second, true), (third, false)] {
        let six = Broker { host: "::1".into(), port, tls, ..broker.tls(&authority) };
        let (_link, mut inbox) = link(&six, &["a"], pace());
        up(&mut inbox).await;
    }
}

#[tokio::test]
#[ignore = "needs mosquitto"]
async fn a_broker_that_restarts_is_heard_again() {
    let mut broker = Mosquitto::open("restart");
    let (_link, mut inbox) = link(&broker.plain(), &["a"], pace());
    for round in 0..3 {
        up(&mut inbox).await;
        let sensor = Sensor::start(&broker.plain(), "sensor-1").expect("starts");
        sensor.say("a", round.to_string()).await;
        assert_eq!(heard(&mut inbox).await.1, round.to_string().as_bytes());
        broker.kill();
        lost(&mut inbox).await;
        broker.start();
    }
    up(&mut inbox).await;
}

#[tokio::test]
#[ignore = "needs mosquitto"]
async fn a_frozen_broker_is_noticed_within_two_keep_alives() {
    let broker = Mosquitto::open("frozen");
    let (_link, mut inbox) = link(&broker.plain(), &["a"], pace());
    up(&mut inbox).await;
    broker.signal("STOP");
    let frozen = warmside::clock::ticks();
    let why = lost(&mut inbox).await;
    let took = warmside::clock::ticks() - frozen;
    assert!(matches!(why, Trouble::Broken(_)), "{why}");
    // Twice 2 s, and not the 8 s after which the poll is given up.
    assert!(took < Duration::from_secs(8), "{took:?}");
    broker.signal("CONT");
    up(&mut inbox).await;
}

#[tokio::test]
#[ignore = "needs mosquitto"]
async fn huge_retained_messages_pass_or_are_named() {
    let broker = Mosquitto::open("huge");
    retain(&broker, "a/huge", 1 << 20).await;
    retain(&broker, "a/small", 1).await;
    let (link_, mut inbox) = link(&broker.plain(), &["a/#"], pace());
    let mut sizes = [heard(&mut inbox).await.1.len(), heard(&mut inbox).await.1.len()];
    sizes.sort_unstable();
    assert_eq!(sizes, [1, 1 << 20]);
    drop(link_);
    let (_link, mut inbox) = link(&broker.plain(), &["a/#"], Pace { largest_packet: 64 << 10, ..pace() });
    loop {
        if let Incoming::Trouble(Trouble::Oversize { bytes }) = next(&mut inbox).await {
            assert!(bytes >= 1 << 20);
            break;
        }
    }
    // Cleared as the words say, and all is well.
    retain(&broker, "a/huge", 0).await;
    up(&mut inbox).await;
}

/// Has the broker keep so many bytes under a topic; none clears it.
async fn retain(broker: &Mosquitto, topic: &str, bytes: usize) {
    let mut options = MqttOptions::new("filler", "127.0.0.1", broker.port);
    options.set_max_packet_size(2 << 20, 2 << 20);
    let (client, mut events) = AsyncClient::new(options, 8);
    client.publish(topic, QoS::AtLeastOnce, true, vec![b'x'; bytes]).await.expect("queued");
    let kept =
        async { while !matches!(events.poll().await.expect("connected"), Event::Incoming(Packet::PubAck(_))) {} };
    timeout(PATIENCE, kept).await.expect("in time");
}

#[tokio::test]
#[ignore = "needs mosquitto"]
async fn overlapping_filters_and_system_topics() {
    let broker = Mosquitto::open("overlap");
    let filters = ["a/+", "+/b", "$SYS/broker/version"];
    let (_link, mut inbox) = link(&broker.plain(), &filters, pace());
    assert_eq!(heard(&mut inbox).await.0, "$SYS/broker/version");
    let sensor = Sensor::start(&broker.plain(), "sensor-1").expect("starts");
    sensor.say("a/b", "1").await;
    sensor.say("a/c", "end").await;
    let mut of_both = 0;
    loop {
        match heard(&mut inbox).await {
            (topic, _) if topic == "a/b" => of_both += 1,
            (topic, _) => {
                assert_eq!(topic, "a/c");
                break;
            }
        }
    }
    // MQTT 3.1.1, section 3.3.5, lets a broker send it once for each filter that matches.
    assert_eq!(of_both, 1);
}

#[tokio::test]
#[ignore = "needs mosquitto"]
async fn two_clients_of_one_id_are_told_so() {
    let broker = Mosquitto::open("twins");
    let settle = Pace { settled_after: Duration::from_secs(10), ..pace() };
    let (_one, mut first) = link(&broker.plain(), &["a"], settle.clone());
    let (_two, mut second) = link(&broker.plain(), &["a"], settle);
    let told = async {
        loop {
            let news = tokio::select! { news = first.next() => news, news = second.next() => news };
            if let Some(Incoming::Trouble(Trouble::SameId { client_id })) = news {
                return client_id;
            }
        }
    };
    assert_eq!(timeout(PATIENCE, told).await.expect("in time"), "warmside-test");
}
