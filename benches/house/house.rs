//! A house under test: its configuration, the daemon in this process or as the real binary, and what came into its store.

use crate::feed::AN_ENCLOSURE;
use std::net::TcpListener;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::Notify;
use warmside::clock::Clock;
use warmside::config;
use warmside::daemon::{self, Setup};

pub struct House {
    folder: PathBuf,
    enclosures: usize,
}

/// A daemon in this process.
pub struct Running {
    stop: Arc<Notify>,
    thread: std::thread::JoinHandle<()>,
}

impl House {
    pub fn new(probes: usize, broker: u16) -> House {
        let enclosures = probes / AN_ENCLOSURE;
        let folder = std::env::temp_dir().join(format!("warmside-bench-{}-{broker}", std::process::id()));
        let _ = std::fs::remove_dir_all(&folder);
        std::fs::create_dir(&folder).expect("a folder");
        let page = TcpListener::bind("127.0.0.1:0").and_then(|l| l.local_addr()).expect("a free port").port();
        let text = format!(
            "[site]\nname = \"Bench\"\ntime_zone = \"Europe/Dublin\"\n[broker]\nurl = \"mqtt://127.0.0.1:{broker}\"\n\
             [page]\nlisten = \"127.0.0.1:{page}\"\n[letters]\ndaily = false\nweekly = false\n\
             [[keeper]]\nid = \"ines\"\nname = \"Ines\"\nmail = \"ines@example.org\"\n\
             [care.snake]\nconfirmed_by = \"ines\"\nwarm_side = {{ wanted = [28, 33], never = [20, 38] }}\n\
             cool_side = {{ wanted = [21, 27], never = [15, 36] }}\nbasking_spot = {{ wanted = [28, 36], never = [18, 42] }}\n\
             hide = {{ wanted = [25, 31], never = [18, 35] }}\n\
             [[link]]\ntopic = \"rack/{{enclosure}}/{{place}}/temperature\"\nquantity = \"temperature\"\nunit = \"Cel\"\n\
             [[enclosure]]\nids = [\"e0..e{}\"]\ncare = \"snake\"\n",
            enclosures - 1
        );
        std::fs::write(folder.join("warmside.toml"), text).expect("written");
        House { folder, enclosures }
    }

    fn config(&self) -> config::Config {
        config::load(&self.folder.join("warmside.toml")).unwrap_or_else(|report| panic!("{}", report.render(false)))
    }

    /// The daemon as `watch` runs it.
    pub fn run(&self) -> Running {
        let stop = Arc::new(Notify::new());
        let setup = Setup {
            config: self.config(),
            reload: Box::new(|_| Err("not here".into())),
            clock: Arc::new(Clock::real()),
            real: true,
            watcher: None,
            stop: stop.clone(),
        };
        let thread = std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build();
            runtime.expect("a runtime").block_on(daemon::run(setup)).expect("runs");
        });
        Running { stop, thread }
    }

    pub fn spawn(&self) -> Child {
        let mut command = Command::new(env!("CARGO_BIN_EXE_warmside"));
        command.arg("watch").arg("--config").arg(self.folder.join("warmside.toml"));
        command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("starts")
    }

    fn ask<T: rusqlite::types::FromSql>(&self, sql: &str) -> Option<T> {
        let db = rusqlite::Connection::open(self.folder.join("state/warmside.db")).ok()?;
        db.busy_timeout(Duration::from_secs(5)).ok()?;
        db.query_row(sql, [], |row| row.get(0)).ok()
    }

    /// Waits until the last probe has its share of so many messages stored, or no more come; how many of all are.
    pub fn until_stored(&self, messages: usize) -> usize {
        let share = messages / (AN_ENCLOSURE * self.enclosures);
        let last = format!(
            "SELECT count(*) FROM reading WHERE probe = \
             (SELECT id FROM probe WHERE name = 'enclosure/e{}/hide.temperature')",
            self.enclosures - 1
        );
        let (mut stored, mut quiet) = (0, 0);
        while stored < share && quiet < 100 {
            std::thread::sleep(Duration::from_millis(100));
            let now = self.ask::<i64>(&last).unwrap_or(0) as usize;
            quiet = if now == stored { quiet + 1 } else { 0 };
            stored = now;
        }
        self.ask::<i64>("SELECT count(*) FROM reading").unwrap_or(0) as usize
    }

    /// From the first stored reading's arrival to the last one's.
    pub fn span(&self) -> Duration {
        let ms: i64 = self.ask("SELECT max(t) - min(t) FROM reading").expect("readings");
        Duration::from_millis(ms.max(1) as u64)
    }
}

impl Drop for House {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}

impl Running {
    pub fn end(self) {
        self.stop.notify_one();
        self.thread.join().expect("no panic");
    }
}

/// Resident memory of a process, and its anonymous part, MiB.
pub fn resident_mib(process: u32) -> (f64, f64) {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).expect("runs");
    let of = |name: &str| {
        let line = status.lines().find_map(|line| line.strip_prefix(name)).expect("Linux");
        line.trim().trim_end_matches(" kB").parse::<f64>().expect("a number") / 1_024.0
    };
    (of("VmRSS:"), of("RssAnon:"))
}
