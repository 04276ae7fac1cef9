//! The house of a month: its file, its daemon in a process of its own on a fast clock, and what is measured of it.

use crate::mosquitto::Mosquitto;
use std::fmt;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::Duration;
use warmside::clock::Clock;
use warmside::config;
use warmside::daemon::{self, Setup};
use warmside::store::copy::Backup;
use warmside::store::reader::Reader;
use warmside::store::{FILE, Names, Opening, Store, settings};
use warmside::terms::time::{Now, Span, Wall};

/// 2026-01-05T08:00:00Z.
const START: Now = Now::at(1_767_600_000_000);
/// What the daemon's process is told by its environment.
const HOUSE: &str = "WARMSIDE_LONG_HOUSE";
const KEEP_S: &str = "WARMSIDE_LONG_KEEP_S";

pub struct House {
    pub broker: Mosquitto,
    days: i64,
    speed: i64,
}

/// The daemon as `watch` runs it, but for its clock and for how long it keeps readings.
pub fn daemon() {
    let word = |name: &str| std::env::var(name).unwrap_or_else(|_| panic!("{name} is not set"));
    let mut config = config::load(&PathBuf::from(word(HOUSE))).unwrap_or_else(|r| panic!("{}", r.render(false)));
    let keep = Span::s(word(KEEP_S).parse().expect("seconds"));
    (config.store.keep_readings, config.store.keep_summaries) = (keep, keep + keep);
    warmside::commands::log::start("info");
    let speed: f64 = word("WARMSIDE_SPEED").parse().expect("a number");
    let setup = Setup {
        config,
        reload: Box::new(|_| Err("not here".into())),
        clock: Arc::new(Clock::scaled(START, speed)),
        real: false,
        watcher: None,
        stop: Arc::default(),
    };
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build();
    runtime.expect("a runtime").block_on(daemon::run(setup)).expect("runs to its end");
}

/// What the service manager would set for it: how memory is held decides what it comes to.
fn environment_of_the_unit() -> impl Iterator<Item = (&'static str, &'static str)> {
    let set =
        include_str!("../../deploy/warmside.service").lines().filter_map(|line| line.strip_prefix("Environment="));
    set.map(|pair| pair.split_once('=').expect("NAME=value"))
}

impl House {
    pub fn new(enclosures: i64, days: i64, speed: i64) -> House {
        let mut broker = Mosquitto::new("long", "allow_anonymous true\nmax_queued_messages 0\nmax_queued_bytes 0");
        broker.start();
        let page = std::net::TcpListener::bind("127.0.0.1:0").and_then(|l| l.local_addr()).expect("a free port").port();
        let text = format!(
            r#"
site.name = "Test Lane"
site.time_zone = "Europe/Dublin"
[broker]
url = "mqtt://127.0.0.1:{}"
publish = "warmside"
commands = "warmside/command"
[page]
listen = "127.0.0.1:{page}"
[[keeper]]
id = "ines"
mail = "ines@example.org"
[care.any]
confirmed_by = "ines"
warm_side = {{ wanted = [28, 33], never = [20, 36] }}
cool_side = {{ wanted = [21, 27], never = [15, 32] }}
[[enclosure]]
ids = ["e0..e{}"]
care = "any"
heat = [{{ id = "main", kind = "ceramic-emitter", at = "warm_side", thermostat = "on-off" }}]
[[link]]
topic = "rack/{{enclosure}}/{{place}}/temperature"
quantity = "temperature"
unit = "Cel"
"#,
            broker.port,
            enclosures - 1
        );
        fs::write(broker.folder.join("warmside.toml"), text).expect("written");
        House { broker, days, speed }
    }

    /// A quarter of the time, so that deleting is seen for half of it.
    pub fn keep_readings(&self) -> Span {
        Span::h(6 * self.days)
    }

    pub fn state(&self) -> PathBuf {
        self.broker.folder.join("state")
    }

    pub fn start(&self) -> Daemon {
        let log = fs::File::create(self.broker.folder.join("log")).expect("a file");
        let mut command = Command::new(std::env::current_exe().expect("this test"));
        command.args(["--exact", "as_a_daemon", "--ignored", "--nocapture", "--quiet"]);
        command.env(HOUSE, self.broker.folder.join("warmside.toml"));
        command.env(KEEP_S, (self.keep_readings().as_ms() / 1_000).to_string());
        command.env("WARMSIDE_SPEED", self.speed.to_string()).env_remove("NOTIFY_SOCKET").env_remove("WARMSIDE_LOG");
        command.envs(environment_of_the_unit());
        Daemon(command.stdout(Stdio::null()).stderr(log).spawn().expect("starts"))
    }

    pub fn log(&self) -> String {
        fs::read_to_string(self.broker.folder.join("log")).unwrap_or_default()
    }

    pub async fn until_connected(&self) {
        for _ in 0..600 {
            if self.log().contains("connected to the broker") {
                return;
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
        panic!("never connected:\n{}", self.log());
    }

    /// What the process and its files take now.
    pub fn sample(&self, process: u32) -> Sample {
        let status = fs::read_to_string(format!("/proc/{process}/status")).expect("it still runs");
        let kib = |name: &str| {
            let line = status.lines().find_map(|line| line.strip_prefix(name)).expect("Linux");
            line.trim().trim_end_matches(" kB").parse().expect("a number")
        };
        let size = |path: PathBuf| fs::metadata(path).map_or(0, |file| file.len() / 1_024);
        let count = |path: PathBuf| fs::read_dir(path).map_or(0, |all| all.count() as u64);
        Sample {
            resident_kib: kib("VmRSS:"),
            anonymous_kib: kib("RssAnon:"),
            descriptors: count(format!("/proc/{process}/fd").into()),
            store_kib: size(self.state().join(FILE)) + size(self.state().join(format!("{FILE}-wal"))),
            log_kib: size(self.broker.folder.join("log")),
            mails: count(self.broker.folder.join("mail")),
        }
    }

    /// `warmside backup`, by the real binary, while it watches.
    pub fn backup(&self, ix: i64) -> PathBuf {
        let file = self.broker.folder.join(format!("backup-{ix}.db"));
        let mut command = Command::new(env!("CARGO_BIN_EXE_warmside"));
        command.arg("backup").arg(&file).arg("--config").arg(self.broker.folder.join("warmside.toml"));
        let output = command.output().expect("runs");
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        file
    }

    /// A backup put back into a folder of its own is a store with what the house knew then. Whether what was learned had been written
    /// by then: that is done by real minutes, of which a fast month has few.
    pub fn restore(&self, backup: &Path) -> bool {
        let folder = backup.with_extension("restored");
        Backup::open(backup).and_then(|copy| copy.restore(&folder, START.wall)).expect("restored");
        let (keep_readings, keep_summaries) = (self.keep_readings(), self.keep_readings());
        let settings = settings::Settings { folder: folder.clone(), keep_readings, keep_summaries };
        let opening =
            Opening { names: Names::default(), clock: Arc::new(|| START), tell: Box::new(|_| {}), hook: None };
        let (store, found) = Store::open(&settings, opening).expect("opens");
        let last = found.last.expect("it was written to").wall;
        assert!(found.set_aside.is_none(), "a whole store");
        let probe = "enclosure/e1/warm_side.temperature";
        let reader = Reader::open(&folder).expect("opens");
        let readings = reader.readings(probe, last - Span::h(1), Wall::MAX, usize::MAX).expect("reads");
        assert!(readings.len() > 100, "{} readings of its last hour", readings.len());
        store.close().wait().expect("closes");
        !found.snapshot.is_empty()
    }

    fn ask(&self, sql: &str) -> i64 {
        let db = rusqlite::Connection::open(self.state().join(FILE)).expect("opens");
        db.query_row(sql, [], |row| row.get(0)).expect(sql)
    }

    pub fn stored(&self) -> i64 {
        self.ask("SELECT count(*) FROM reading") + self.ask("SELECT count(*) FROM chunk")
    }

    pub fn last_reading(&self) -> Wall {
        Wall::from_ms(self.ask("SELECT max(t) FROM reading"))
    }

    pub fn kept(&self) -> String {
        let of = |table: &str| self.ask(&format!("SELECT count(*) FROM {table}"));
        format!("{} readings in rows, {} chunks, {} summaries", of("reading"), of("chunk"), of("summary"))
    }
}

pub struct Sample {
    pub resident_kib: u64,
    pub anonymous_kib: u64,
    pub descriptors: u64,
    pub store_kib: u64,
    pub log_kib: u64,
    pub mails: u64,
}

impl fmt::Display for Sample {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Sample { resident_kib, anonymous_kib, descriptors, store_kib, log_kib, mails } = self;
        write!(
            f,
            "{resident_kib:6} KiB  {anonymous_kib:6} KiB  {descriptors:12}  {store_kib:6} KiB  {log_kib:6} KiB  {mails:8}"
        )
    }
}

pub struct Daemon(Child);

impl Daemon {
    pub fn id(&self) -> u32 {
        self.0.id()
    }

    pub fn end(&mut self) {
        assert!(Command::new("kill").arg("-TERM").arg(self.0.id().to_string()).status().expect("kill runs").success());
        let status = self.0.wait().expect("ends");
        assert!(status.success(), "{status}");
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}
