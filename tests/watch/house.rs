//! A keeper's folder with a house of one enclosure, and the real binary that watches it.

use std::collections::BTreeSet;
use std::fs;
use std::io::{BufRead, BufReader};
use std::net::TcpListener;
use std::path::PathBuf;
use std::process::{Child, Command, Output, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::Duration;
use warmside::mqtt::sensor::Sensor;
use warmside::mqtt::settings::BuiltinBroker;

pub const PATIENCE: Duration = Duration::from_secs(60);

/// A keeper's folder, with a house of one enclosure.
pub struct House {
    pub folder: PathBuf,
    pub port: u16,
    pub page: u16,
}

impl House {
    pub fn new(name: &str) -> House {
        let folder = std::env::temp_dir().join(format!("warmside-watch-{name}-{}", std::process::id()));
        let _ = fs::remove_dir_all(&folder);
        fs::create_dir(&folder).expect("a folder");
        let port = || TcpListener::bind("127.0.0.1:0").and_then(|l| l.local_addr()).expect("a free port").port();
        let house = House { folder, port: port(), page: port() };
        house.write(&format!(
            r#"
[site]
name = "Test Lane"
time_zone = "Europe/Dublin"
[builtin_broker]
listen = "127.0.0.1:{}"
publish = "warmside"
[page]
listen = "127.0.0.1:{}"
[[keeper]]
id = "ines"
name = "Ines"
mail = "ines@example.org"
[care.any]
warm_side = {{ wanted = [28, 33], never = [20, 36] }}
[[enclosure]]
id = "a3"
animal = "Juno"
care = "any"
[[link]]
topic = "rack/{{enclosure}}/{{place}}/temperature"
quantity = "temperature"
unit = "Cel"
"#,
            house.port, house.page
        ));
        house
    }

    pub fn file(&self) -> PathBuf {
        self.folder.join("warmside.toml")
    }

    pub fn text(&self) -> String {
        fs::read_to_string(self.file()).expect("readable")
    }

    pub fn write(&self, text: &str) {
        fs::write(self.file(), text).expect("written");
    }

    pub fn command(&self, words: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_warmside"));
        command.args(words).arg("--config").arg(self.file()).env_remove("NOTIFY_SOCKET").env_remove("WARMSIDE_LOG");
        command
    }

    pub fn run(&self, words: &[&str]) -> Output {
        self.command(words).output().expect("runs")
    }

    pub fn watch(&self) -> Daemon {
        Daemon::of(&mut self.command(&["watch"]))
    }

    /// `status --json`, read.
    pub fn status(&self) -> serde_json::Value {
        let output = self.run(&["status", "--json"]);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        serde_json::from_slice(&output.stdout).expect("JSON")
    }

    /// Asks until it is so.
    pub fn until(&self, what: &str, so: impl Fn(&serde_json::Value) -> bool) {
        for _ in 0..600 {
            if so(&self.status()) {
                return;
            }
            std::thread::sleep(Duration::from_millis(100));
        }
        panic!("never {what}: {}", self.status());
    }

    /// Waits for the first mail.
    pub fn mailed(&self) {
        for _ in 0..600 {
            if !self.message_ids().is_empty() {
                return;
            }
            std::thread::sleep(Duration::from_millis(100));
        }
        panic!("no mail was written");
    }

    /// The Message-IDs of the mails that were written, one a file.
    pub fn message_ids(&self) -> Vec<String> {
        self.mails(|mail| mail.message_id().expect("a Message-ID").to_owned())
    }

    pub fn subjects(&self) -> BTreeSet<String> {
        self.mails(|mail| mail.subject().expect("a subject").to_owned()).into_iter().collect()
    }

    pub fn mails(&self, take: impl Fn(&mail_parser::Message<'_>) -> String) -> Vec<String> {
        let Ok(entries) = fs::read_dir(self.folder.join("mail")) else { return Vec::new() };
        let mails =
            entries.map(|entry| entry.expect("entry").path()).filter(|p| p.extension().is_some_and(|e| e == "eml"));
        let read = |path: PathBuf| {
            let mail = fs::read(path).expect("readable");
            take(&mail_parser::MessageParser::default().parse(&mail).expect("a mail"))
        };
        mails.map(read).collect()
    }
}

impl Drop for House {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.folder);
    }
}

/// A running `warmside watch`, killed when dropped.
pub struct Daemon {
    pub child: Child,
    pub log: Receiver<String>,
}

impl Daemon {
    pub fn of(command: &mut Command) -> Daemon {
        let mut child = command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().expect("starts");
        let lines = BufReader::new(child.stderr.take().expect("piped")).lines();
        let (line, log) = channel();
        std::thread::spawn(move || lines.map_while(Result::ok).try_for_each(|text| line.send(text)));
        Daemon { child, log }
    }

    /// Reads the log up to a line that says so.
    pub fn says(&self, words: &str) -> String {
        self.says_within(words, PATIENCE)
    }

    /// The same; between two lines may lie `patience`.
    pub fn says_within(&self, words: &str, patience: Duration) -> String {
        let mut before = Vec::new();
        loop {
            match self.log.recv_timeout(patience) {
                Ok(line) if line.contains(words) => return line,
                Ok(line) => before.push(line),
                Err(RecvTimeoutError::Timeout | RecvTimeoutError::Disconnected) => {
                    panic!("it never said {words:?}, but:\n{}", before.join("\n"))
                }
            }
        }
    }

    pub fn signal(&self, name: &str) {
        let status = Command::new("kill").arg(format!("-{name}")).arg(self.child.id().to_string()).status();
        assert!(status.expect("kill runs").success());
    }

    pub fn exit(&mut self) -> Option<i32> {
        self.child.wait().expect("ends").code()
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Publishes until the daemon has accepted a value.
pub fn speak(house: &House) {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(async {
        let address = std::net::SocketAddr::from(([127, 0, 0, 1], house.port));
        let broker = BuiltinBroker { listen: address, login: None }.as_client(address);
        let sensor = Sensor::start(&broker, "sensor-1").expect("starts");
        for _ in 0..600 {
            sensor.say("rack/a3/warm_side/temperature", "30.5").await;
            sensor.say("rack/a3/warm_side/temperature", "no number").await;
            tokio::time::sleep(Duration::from_millis(100)).await;
            let counts = &house.status()["counts"];
            if counts["accepted"].as_u64() > Some(0) && counts["refused"].as_u64() > Some(0) {
                return;
            }
        }
        panic!("nothing was counted: {}", house.status());
    });
}
