//! Two machines on one: namespaces with a line between them, and in each the real binary with a folder and a clock of its own.

use std::fs;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// How often something is looked for, a tenth of a second apart: two minutes.
const PATIENCE: usize = 1_200;

fn run(program: &str, words: &[&str]) {
    let output = Command::new(program).args(words).output().unwrap_or_else(|e| panic!("{program}: {e}"));
    assert!(output.status.success(), "{program} {words:?}: {}", String::from_utf8_lossy(&output.stderr));
}

/// A house's and an outpost's network, joined only by us.
pub struct Namespaces {
    prefix: String,
    /// Our address on the house's side.
    pub between_house: String,
    /// The outpost's address.
    pub outpost: String,
}

impl Namespaces {
    pub fn new(name: &str) -> Namespaces {
        let prefix = format!("wsd{name}{}", std::process::id() % 10_000);
        // RFC 2544 sets 198.18.0.0/15 aside for tests.
        let third = 10 + 2 * name.bytes().next().map_or(0, |b| b % 50);
        let net = |side: u8, host: u8| format!("198.18.{}.{host}", third + side);
        let spaces = Namespaces { prefix, between_house: net(0, 1), outpost: net(1, 2) };
        for (side, which) in ["house", "outpost"].into_iter().enumerate() {
            let side = side as u8;
            let (space, ours, theirs) = (spaces.space(which), spaces.link(which, 'o'), spaces.link(which, 't'));
            run("ip", &["netns", "add", &space]);
            run("ip", &["link", "add", &ours, "type", "veth", "peer", "name", &theirs, "netns", &space]);
            run("ip", &["addr", "add", &format!("{}/24", net(side, 1)), "dev", &ours]);
            run("ip", &["link", "set", &ours, "up"]);
            run("ip", &["-n", &space, "addr", "add", &format!("{}/24", net(side, 2)), "dev", &theirs]);
            run("ip", &["-n", &space, "link", "set", &theirs, "up"]);
            run("ip", &["-n", &space, "link", "set", "lo", "up"]);
        }
        spaces
    }

    fn space(&self, which: &str) -> String {
        format!("{}-{which}", self.prefix)
    }

    fn link(&self, which: &str, end: char) -> String {
        format!("{}{}{end}", self.prefix, &which[..1])
    }

    /// Cuts the house off, or joins it again.
    pub fn cut(&self, cut: bool) {
        run("ip", &["link", "set", &self.link("house", 'o'), if cut { "down" } else { "up" }]);
    }
}

impl Drop for Namespaces {
    fn drop(&mut self) {
        for which in ["house", "outpost"] {
            let _ = Command::new("ip").args(["link", "del", &self.link(which, 'o')]).status();
            let _ = Command::new("ip").args(["netns", "del", &self.space(which)]).status();
        }
    }
}

/// One of the two, with what it said.
pub struct Machine {
    pub folder: PathBuf,
    space: String,
    clock: Option<String>,
    child: Option<Child>,
    log: Arc<Mutex<Vec<String>>>,
    /// Lines that were looked at.
    read: usize,
}

impl Machine {
    pub fn new(spaces: &Namespaces, which: &str, clock: Option<&str>) -> Machine {
        let space = spaces.space(which);
        let folder = std::env::temp_dir().join(&space);
        let _ = fs::remove_dir_all(&folder);
        fs::create_dir(&folder).expect("a folder");
        Machine { folder, space, clock: clock.map(str::to_owned), child: None, log: Arc::default(), read: 0 }
    }

    pub fn put(&self, name: &str, text: &str) {
        fs::write(self.folder.join(name), text).expect("written");
    }

    /// `ip netns exec` becomes the program, so that what is started is what gets the signals. `faketime` would stay before
    /// it: only its library is taken.
    pub fn start(&mut self, words: &[&str]) {
        let mut command = Command::new("ip");
        command.args(["netns", "exec", &self.space]);
        if let Some(clock) = &self.clock {
            let library = Command::new("faketime").args(["-f", clock, "printenv", "LD_PRELOAD"]).output();
            let library = String::from_utf8(library.expect("faketime is installed").stdout).expect("a path");
            command.args(["env", &format!("LD_PRELOAD={}", library.trim()), &format!("FAKETIME={clock}")]);
            command.arg("FAKETIME_DONT_FAKE_MONOTONIC=1");
        }
        command.arg(env!("CARGO_BIN_EXE_warmside")).args(words).current_dir(&self.folder);
        command.env_remove("NOTIFY_SOCKET").env_remove("WARMSIDE_LOG").env_remove("CREDENTIALS_DIRECTORY");
        let mut child = command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().expect("starts");
        let lines = BufReader::new(child.stderr.take().expect("piped")).lines();
        let log = self.log.clone();
        std::thread::spawn(move || lines.map_while(Result::ok).for_each(|l| log.lock().expect("sound").push(l)));
        self.child = Some(child);
    }

    /// Waits for a line that says so, after those that were found before.
    pub fn says(&mut self, words: &str) {
        for _ in 0..PATIENCE {
            let log = self.log.lock().expect("sound");
            if let Some(at) = log.iter().skip(self.read).position(|line| line.contains(words)) {
                self.read += at + 1;
                return;
            }
            drop(log);
            std::thread::sleep(Duration::from_millis(100));
        }
        panic!("it never said {words:?}, but:\n{}", self.heard());
    }

    pub fn heard(&self) -> String {
        self.log.lock().expect("sound").join("\n")
    }

    pub fn signal(&self, name: &str) {
        let id = self.child.as_ref().expect("runs").id().to_string();
        run("kill", &[&format!("-{name}"), &id]);
    }

    pub fn ended(&mut self) -> Option<i32> {
        self.child.take().and_then(|mut child| child.wait().expect("ends").code())
    }

    /// Subjects of the mails that were written, in the order of their numbers.
    pub fn mails(&self) -> Vec<String> {
        let Ok(entries) = fs::read_dir(self.folder.join("mail")) else { return Vec::new() };
        let mut mails: Vec<(u32, String)> = Vec::new();
        for path in entries.flatten().map(|entry| entry.path()).filter(|p| p.extension().is_some_and(|e| e == "eml")) {
            let name = path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
            let number = name.rsplit('.').next().and_then(|n| n.parse().ok()).expect("a number");
            let bytes = fs::read(&path).expect("readable");
            let mail = mail_parser::MessageParser::default().parse(&bytes).expect("a mail");
            mails.push((number, mail.subject().unwrap_or_default().to_owned()));
        }
        mails.sort();
        mails.into_iter().map(|(_, subject)| subject).collect()
    }

    pub fn until_mails(&self, count: usize) {
        for _ in 0..PATIENCE {
            if self.mails().len() >= count {
                return;
            }
            std::thread::sleep(Duration::from_millis(100));
        }
        panic!("{count} mails never came, but {:?}:\n{}", self.mails(), self.heard());
    }
}

impl Drop for Machine {
    fn drop(&mut self) {
        if let Some(mut child) = self.child.take() {
            let _ = child.kill();
            let _ = child.wait();
        }
        let _ = fs::remove_dir_all(&self.folder);
    }
}

pub fn copy(from: &Path, to: &Path, name: &str) {
    fs::copy(from.join(name), to.join(name)).expect("copied");
}

/// An authority (`ca.pem`), and a certificate of it for an address (`srv.pem`, `srv.key`).
pub fn certify(folder: &Path, address: &str) {
    let at = |name: &str| folder.join(name).display().to_string();
    let new = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"];
    let with = |before: &[&str], after: &[&str]| [before, &new, after].concat().join("\n");
    let openssl = |words: String| run("openssl", &words.split('\n').collect::<Vec<_>>());
    openssl(with(
        &["req", "-x509", "-days", "30"],
        &["-subj", "/CN=test authority", "-keyout", &at("ca.key"), "-out", &at("ca.pem")],
    ));
    openssl(with(&["req"], &["-subj", "/CN=outpost", "-keyout", &at("srv.key"), "-out", &at("srv.csr")]));
    fs::write(at("ext"), format!("subjectAltName=IP:{address}\n")).expect("written");
    let (csr, ca, key, ext, out) = (at("srv.csr"), at("ca.pem"), at("ca.key"), at("ext"), at("srv.pem"));
    let sign = ["x509", "-req", "-CAcreateserial", "-days", "30", "-in", &csr, "-CA", &ca, "-CAkey", &key];
    run("openssl", &[&sign[..], &["-extfile", &ext, "-out", &out]].concat());
}
