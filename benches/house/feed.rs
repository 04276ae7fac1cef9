//! Who speaks: a scripted broker that sends what is ready made, a publisher into a real broker, and that broker.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::process::{Child, Command, Stdio};
use std::thread::JoinHandle;
use std::time::Duration;

/// Probes of an enclosure.
pub const AN_ENCLOSURE: usize = 4;
/// Rounds of all probes in one block.
const ROUNDS: usize = 16;

/// PUBLISH packets, ready made.
#[derive(Clone)]
pub struct Feed {
    packets: Vec<Vec<u8>>,
}

impl Feed {
    /// Healthy readings of so many probes, four an enclosure.
    pub fn new(topics: usize) -> Feed {
        let mut packets = Vec::new();
        for round in 0..ROUNDS {
            for n in 0..topics {
                let (place, level) =
                    [("warm_side", 30), ("cool_side", 24), ("basking_spot", 32), ("hide", 28)][n % AN_ENCLOSURE];
                let topic = format!("rack/e{}/{place}/temperature", n / AN_ENCLOSURE);
                packets.push(publish(&topic, format!("{level}.{}", (round + n) % 4).as_bytes()));
            }
        }
        Feed { packets }
    }

    /// Writes so many messages, in pieces of some kilobytes.
    fn write(&self, to: &mut impl Write, messages: usize) -> std::io::Result<()> {
        let mut piece = Vec::new();
        for packet in self.packets.iter().cycle().take(messages) {
            piece.extend_from_slice(packet);
            if piece.len() > 60_000 {
                to.write_all(&piece)?;
                piece.clear();
            }
        }
        to.write_all(&piece)
    }

    /// Publishes into a real broker, after a while in which the listener subscribes.
    pub fn publish_after(&self, port: u16, messages: usize, wait: Duration) -> JoinHandle<()> {
        let feed = self.clone();
        std::thread::spawn(move || {
            std::thread::sleep(wait);
            let mut stream = TcpStream::connect(("127.0.0.1", port)).expect("connects");
            stream.write_all(&[0x10, 14, 0, 4, b'M', b'Q', b'T', b'T', 4, 2, 0, 0, 0, 2, b'f', b'd']).expect("CONNECT");
            stream.read_exact(&mut [0; 4]).expect("CONNACK");
            feed.write(&mut stream, messages).expect("published");
            // The broker answers this behind all that was published.
            stream.write_all(&[0xC0, 0]).expect("PINGREQ");
            stream.read_exact(&mut [0; 2]).expect("PINGRESP");
        })
    }
}

/// A PUBLISH at QoS 0 (MQTT 3.1.1, section 3.3), shorter than 128 bytes.
fn publish(topic: &str, payload: &[u8]) -> Vec<u8> {
    let length = 2 + topic.len() + payload.len();
    assert!(length < 128);
    let mut packet = vec![0x30, length as u8, 0, topic.len() as u8];
    packet.extend(topic.bytes());
    packet.extend(payload);
    packet
}

/// A broker for one client: takes its subscription, sends the feed as fast as it is taken, and answers pings from then on.
pub struct Scripted {
    pub port: u16,
    serving: JoinHandle<()>,
}

impl Scripted {
    pub fn start(feed: &Feed, messages: usize) -> Scripted {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
        let port = listener.local_addr().expect("bound").port();
        let feed = feed.clone();
        let serving = std::thread::spawn(move || {
            let (mut stream, _) = listener.accept().expect("a client");
            packet(&mut stream).expect("CONNECT");
            stream.write_all(&[0x20, 2, 0, 0]).expect("CONNACK");
            let (_, subscribe) = packet(&mut stream).expect("SUBSCRIBE");
            stream.write_all(&[0x90, 3, subscribe[0], subscribe[1], 1]).expect("SUBACK");
            feed.write(&mut stream, messages).expect("taken");
            while let Some((kind, _)) = packet(&mut stream) {
                if kind == 0xC0 && stream.write_all(&[0xD0, 0]).is_err() {
                    return;
                }
            }
        });
        Scripted { port, serving }
    }

    /// Waits for the client to leave.
    pub fn end(self) {
        self.serving.join().expect("no panic");
    }
}

fn packet(stream: &mut TcpStream) -> Option<(u8, Vec<u8>)> {
    let mut byte = [0];
    stream.read_exact(&mut byte).ok()?;
    let (kind, mut length, mut shift) = (byte[0], 0_usize, 0);
    loop {
        stream.read_exact(&mut byte).ok()?;
        length |= usize::from(byte[0] & 127) << shift;
        shift += 7;
        if byte[0] & 128 == 0 {
            break;
        }
    }
    let mut body = vec![0; length];
    stream.read_exact(&mut body).ok()?;
    Some((kind, body))
}

/// A real broker, where one is installed.
pub struct Mosquitto {
    pub port: u16,
    child: Child,
    file: std::path::PathBuf,
}

impl Mosquitto {
    pub fn start() -> Option<Mosquitto> {
        let port = TcpListener::bind("127.0.0.1:0").and_then(|l| l.local_addr()).ok()?.port();
        let file = std::env::temp_dir().join(format!("warmside-bench-{}.conf", std::process::id()));
        // Nothing is thrown away, however far the listener is behind.
        let text = format!(
            "listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\nlog_type none\nmax_queued_messages 0\n"
        );
        std::fs::write(&file, text).ok()?;
        let mut command = Command::new("mosquitto");
        let child = command.arg("-c").arg(&file).stdout(Stdio::null()).stderr(Stdio::null()).spawn().ok()?;
        let mosquitto = Mosquitto { port, child, file };
        for _ in 0..300 {
            if TcpStream::connect(("127.0.0.1", port)).is_ok() {
                return Some(mosquitto);
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        None
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
        let _ = std::fs::remove_file(&self.file);
    }
}
