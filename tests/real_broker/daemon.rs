//! The real binary behind a real broker: rubbish of every kind.

use super::mosquitto::Mosquitto;
use std::fs;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::process::{Child, Command, Output, Stdio};
use std::time::Duration;
use warmside::mqtt::sensor::Sensor;

pub struct House<'a> {
    broker: &'a Mosquitto,
    page: u16,
}

impl House<'_> {
    pub fn new(broker: &Mosquitto) -> House<'_> {
        let page = std::net::TcpListener::bind("127.0.0.1:0").and_then(|l| l.local_addr()).expect("a free port").port();
        let text = format!(
            r#"
[site]
name = "Test Lane"
time_zone = "Europe/Dublin"
[broker]
url = "mqtt://127.0.0.1:{}"
[page]
listen = "127.0.0.1:{page}"
[[keeper]]
id = "ines"
name = "Ines"
mail = "ines@example.org"
[care.any]
warm_side = {{ wanted = [28, 33], never = [20, 36] }}
[[enclosure]]
id = "a3"
care = "any"
[[link]]
topic = "rack/{{enclosure}}/{{place}}/temperature"
quantity = "temperature"
unit = "Cel"
"#,
            broker.port
        );
        fs::write(broker.folder.join("warmside.toml"), text).expect("written");
        House { broker, page }
    }

    pub fn command(&self, words: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_warmside"));
        command.args(words).arg("--config").arg(self.broker.folder.join("warmside.toml")).env_remove("NOTIFY_SOCKET");
        command
    }

    pub fn run(&self, words: &[&str]) -> Output {
        self.command(words).output().expect("runs")
    }

    pub fn watch(&self) -> Daemon {
        let mut command = self.command(&["watch"]);
        Daemon(command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("starts"))
    }

    /// A page, as a browser gets it.
    pub fn page(&self, path: &str) -> String {
        let mut to = TcpStream::connect(("127.0.0.1", self.page)).expect("the page listens");
        write!(to, "GET {path} HTTP/1.0\r\nHost: 127.0.0.1:{}\r\n\r\n", self.page).expect("asked");
        let mut answer = String::new();
        to.read_to_string(&mut answer).expect("answered");
        answer
    }

    fn status(&self) -> Option<serde_json::Value> {
        serde_json::from_slice(&self.run(&["status", "--json"]).stdout).ok()
    }

    pub fn until(&self, what: &str, so: impl Fn(&serde_json::Value) -> bool) -> serde_json::Value {
        for _ in 0..600 {
            if let Some(view) = self.status().filter(&so) {
                return view;
            }
            std::thread::sleep(Duration::from_millis(100));
        }
        panic!("never {what}: {:?}", self.status());
    }
}

pub struct Daemon(Child);

impl Daemon {
    fn resident_kib(&self) -> u64 {
        let status = fs::read_to_string(format!("/proc/{}/status", self.0.id())).expect("runs");
        let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).expect("VmRSS");
        line.trim().trim_end_matches(" kB").parse().expect("a number")
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
#[ignore = "needs mosquitto"]
async fn rubbish_is_counted_and_watching_goes_on() {
    let broker = Mosquitto::open("rubbish");
    let house = House::new(&broker);
    let daemon = house.watch();
    house.until("connected", |view| view["feed"]["connected"] == true);
    let sensor = Sensor::start(&broker.plain(), "sensor-1").expect("starts");
    let topic = "rack/a3/warm_side/temperature";
    let pieces: [Vec<u8>; 9] = [
        b"".to_vec(),
        b"\xff\xfe\x00\x80".to_vec(),
        "[".repeat(200_000).into_bytes(),
        b"1e999".to_vec(),
        b"NaN".to_vec(),
        b"{\"t\":1,\"t\":2}".to_vec(),
        b"31.5 degrees".to_vec(),
        vec![b'7'; 1 << 20],
        vec![0; 1 << 20],
    ];
    let mut refused = 0;
    let mut before = None;
    for round in 0..6 {
        for piece in &pieces {
            sensor.say(topic, piece.clone()).await;
        }
        refused += pieces.len() as u64;
        sensor.say(topic, format!("30.{round}")).await;
        let view = house.until("counted", |view| view["counts"]["accepted"].as_u64() == Some(round + 1));
        let counts = &view["counts"];
        assert_eq!(counts["refused"].as_u64(), Some(refused), "{counts}");
        // The first round warms caches and buffers up.
        if round == 1 {
            before = Some(daemon.resident_kib());
        }
    }
    let (before, after) = (before.expect("measured"), daemon.resident_kib());
    // Five rounds of 2.4 MB went through meanwhile.
    assert!(after < before + 8_192, "{before} KiB grew to {after} KiB");
}
