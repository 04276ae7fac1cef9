//! A scripted broker: says byte for byte what a test wants said, so that every way to go deaf can be staged.

use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use warmside::mqtt::link::{Link, Pace, Wish};
use warmside::mqtt::settings::Broker;
use warmside::mqtt::{Inbox, Incoming};

/// Long enough for a loaded machine; nothing passes because of it.
pub const PATIENCE: Duration = Duration::from_secs(60);

pub struct Script {
    listener: TcpListener,
}

/// One connection of the client under test.
pub struct Guest {
    pub stream: TcpStream,
    /// The body of its CONNECT.
    pub connect: Vec<u8>,
}

impl Script {
    pub async fn new() -> Script {
        Script { listener: TcpListener::bind("127.0.0.1:0").await.expect("a free port") }
    }

    pub fn broker(&self) -> Broker {
        let port = self.listener.local_addr().expect("bound").port();
        Broker { tls: false, host: "127.0.0.1".into(), port, user: None, password: None, ca_pem: None, identity: None }
    }

    pub async fn accept(&self) -> TcpStream {
        tokio::time::timeout(PATIENCE, self.listener.accept()).await.expect("somebody comes").expect("accepts").0
    }

    /// Takes the next connection up to its CONNECT.
    pub async fn guest(&self) -> Guest {
        let mut stream = self.accept().await;
        let (kind, connect) = packet(&mut stream).await.expect("CONNECT");
        assert_eq!(kind, 0x10, "first packet");
        Guest { stream, connect }
    }

    /// The same up to the answered SUBSCRIBE, whose filters it gives.
    pub async fn subscriber(&self) -> (Guest, Vec<String>) {
        let mut guest = self.guest().await;
        guest.say(&[0x20, 2, 0, 0]).await;
        let (id, filters) = guest.subscribe().await;
        guest.suback(id, &vec![1; filters.len()]).await;
        (guest, filters)
    }
}

impl Guest {
    pub async fn say(&mut self, bytes: &[u8]) {
        // A client that has left already is what some tests want.
        let _ = self.stream.write_all(bytes).await;
    }

    pub async fn next(&mut self) -> Option<(u8, Vec<u8>)> {
        packet(&mut self.stream).await
    }

    /// Waits for a packet of this kind (upper four bits), passing over pings.
    pub async fn expect(&mut self, kind: u8) -> (u8, Vec<u8>) {
        loop {
            match self.next().await {
                Some((0xC0, _)) => self.say(&[0xD0, 0]).await,
                Some((first, body)) => {
                    assert_eq!(first & 0xF0, kind, "kind of packet");
                    return (first, body);
                }
                None => panic!("the client left before packet {kind:#x}"),
            }
        }
    }

    /// Packet id and filters of the SUBSCRIBE that must come next, each at QoS 1.
    pub async fn subscribe(&mut self) -> ([u8; 2], Vec<String>) {
        let (_, body) = self.expect(0x80).await;
        let (mut rest, mut filters) = (&body[2..], Vec::new());
        while let [high, low, tail @ ..] = rest {
            let (text, tail) = tail.split_at(usize::from(*high) << 8 | usize::from(*low));
            filters.push(String::from_utf8(text.to_vec()).expect("UTF-8"));
            assert_eq!(tail[0], 1, "QoS");
            rest = &tail[1..];
        }
        ([body[0], body[1]], filters)
    }

    pub async fn suback(&mut self, id: [u8; 2], codes: &[u8]) {
        let mut body = id.to_vec();
        body.extend(codes);
        let bytes = framed(0x90, &body);
        self.say(&bytes).await;
    }
}

/// A packet with its length in front (MQTT 3.1.1, section 2.2.3).
pub fn framed(first: u8, body: &[u8]) -> Vec<u8> {
    let mut bytes = vec![first];
    let mut length = body.len();
    loop {
        let digit = (length % 128) as u8;
        length /= 128;
        bytes.push(if length > 0 { digit | 128 } else { digit });
        if length == 0 {
            break;
        }
    }
    bytes.extend(body);
    bytes
}

/// A PUBLISH; `id`: QoS 1.
pub fn publish(topic: &str, payload: &[u8], retain: bool, id: Option<u16>) -> Vec<u8> {
    let mut body = (topic.len() as u16).to_be_bytes().to_vec();
    body.extend(topic.as_bytes());
    if let Some(id) = id {
        body.extend(id.to_be_bytes());
    }
    body.extend(payload);
    framed(0x30 | u8::from(retain) | if id.is_some() { 2 } else { 0 }, &body)
}

pub async fn packet(stream: &mut TcpStream) -> Option<(u8, Vec<u8>)> {
    let read = async {
        let first = stream.read_u8().await.ok()?;
        let (mut length, mut shift) = (0_usize, 0);
        loop {
            let digit = stream.read_u8().await.ok()?;
            length |= usize::from(digit & 127) << shift;
            shift += 7;
            if digit & 128 == 0 {
                break;
            }
        }
        let mut body = vec![0; length];
        stream.read_exact(&mut body).await.ok()?;
        Some((first, body))
    };
    tokio::time::timeout(PATIENCE, read).await.expect("a packet in time")
}

/// A pace at which nobody has to wait: what a test is not about is long, the pauses are short.
pub fn brisk() -> Pace {
    Pace {
        keep_alive_s: 60,
        stalled_after: PATIENCE,
        connect_s: 60,
        subscribed_within: PATIENCE,
        backoff_first: Duration::from_millis(1),
        backoff_most: Duration::from_millis(4),
        settled_after: Duration::ZERO,
        ..Pace::default()
    }
}

pub fn wish(filters: &[&str]) -> Wish {
    Wish {
        client_id: "warmside-test".into(),
        filters: filters.iter().map(|filter| filter.to_string()).collect(),
        presence: None,
    }
}

pub fn start(script: &Script, filters: &[&str], pace: Pace) -> (Link, Inbox) {
    Link::start(&script.broker(), wish(filters), pace, warmside::clock::ticks).expect("sound settings")
}

pub async fn next(inbox: &mut Inbox) -> Incoming {
    tokio::time::timeout(PATIENCE, inbox.next()).await.expect("news in time").expect("the link lives")
}

/// The next message's topic and payload, passing over what is said about the link.
pub async fn heard(inbox: &mut Inbox) -> (String, Vec<u8>) {
    loop {
        if let Incoming::Message(message) = next(inbox).await {
            return (message.topic, message.payload);
        }
    }
}
