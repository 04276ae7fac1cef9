//! The outpost as a friend runs it: its file judged, its key made, its door tried by strangers.

use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::PathBuf;
use std::process::{Child, Command, Output, Stdio};
use std::time::Duration;

const PATIENCE: Duration = Duration::from_secs(60);

struct Folder(PathBuf);

impl Folder {
    fn new(name: &str) -> Folder {
        let folder = std::env::temp_dir().join(format!("warmside-outpost-{name}-{}", std::process::id()));
        let _ = fs::remove_dir_all(&folder);
        fs::create_dir(&folder).expect("a folder");
        Folder(folder)
    }

    fn put(&self, name: &str, text: &str) {
        fs::write(self.0.join(name), text).expect("written");
    }

    fn command(&self, words: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_warmside"));
        command.args(words).current_dir(&self.0).env_remove("NOTIFY_SOCKET").env_remove("CREDENTIALS_DIRECTORY");
        command
    }

    fn run(&self, words: &[&str]) -> Output {
        self.command(words).output().expect("runs")
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.0);
    }
}

struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn words(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("text")
}

fn file(listen: &str) -> String {
    format!(
        "site.time_zone = \"Europe/Dublin\"\ndoor.listen = \"{listen}\"\n[[keeper]]\nid = \"ines\"\n\
         mail = \"ines@example.org\"\n[[house]]\nid = \"home\"\nname = \"Hollow Lane\"\nbeat_key_file = \"key\"\n"
    )
}

/// The file of a house that beats, without its `[outpost]`.
const HOUSE: &str = "site.time_zone = \"Europe/Dublin\"\n[[keeper]]\nid = \"ines\"\nmail = \"ines@example.org\"\n\
                     [[enclosure]]\nid = \"a3\"\n[[link]]\ntopic = \"rack/a3\"\nenclosure = \"a3\"\n\
                     reads = \"warm_side.temperature\"\nunit = \"Cel\"\n";

#[test]
fn both_files_are_judged_with_the_key_that_was_made() {
    let folder = Folder::new("files");
    let [key, other] = [(); 2].map(|()| words(&folder.run(&["outpost", "--new-key"]).stdout));
    assert!(key.trim().len() >= 43 && key != other, "{key}");
    folder.put("key", &key);
    folder.put("outpost.toml", &file("0.0.0.0:8378"));
    let said = folder.run(&["outpost", "--check"]);
    assert_eq!(said.status.code(), Some(0), "{said:?}");
    assert!(words(&said.stdout).contains("home, Hollow Lane: tells ines when it cannot be reached"), "{said:?}");

    let table = "[outpost]\nurl = \"https://outpost.example.org\"\nhouse = \"home\"\nbeat_key_file = \"key\"\n";
    folder.put("warmside.toml", &format!("{HOUSE}{table}"));
    let said = folder.run(&["check"]);
    assert_eq!(said.status.code(), Some(0), "{said:?}");
    assert!(words(&said.stdout).contains("is missed by the outpost outpost.example.org:8378\n  as home"), "{said:?}");
    assert!(!words(&[said.stdout, said.stderr].concat()).contains(key.trim()), "the key is shown");

    // What is wrong with either is told at its place.
    let faults: [(&str, &str, &str); 6] = [
        ("beat_key_file = \"key\"", "", "[outpost] has no `beat_key_file`"),
        ("beat_key_file = \"key\"", "beat_key_file = \"warmside.toml\"", "this key file holds no key"),
        ("https://outpost", "ftp://outpost", "is no address of a server"),
        ("house = \"home\"", "house = \"my home\"", "this cannot be the id of a house"),
        ("house = \"home\"", "house = \"home\"\nevery = \"1h\"", "`every` is out of range"),
        ("house = \"home\"", "house = \"home\"\nca = \"x\"", "[outpost] knows no key `ca`"),
    ];
    for (from, to, says) in faults {
        folder.put("warmside.toml", &format!("{HOUSE}{}", table.replace(from, to)));
        let said = folder.run(&["check"]);
        assert_eq!(said.status.code(), Some(78), "{says}: {said:?}");
        assert!(words(&said.stderr).contains(says), "{says}: {}", words(&said.stderr));
    }
    folder.put("key", "too short\n");
    let said = folder.run(&["outpost"]);
    assert_eq!(said.status.code(), Some(78));
    assert!(words(&said.stderr).contains("too short to keep anybody out"), "{said:?}");
    assert!(!words(&said.stderr).contains("too short\n "), "{said:?}");
    folder.put("outpost.toml", "[[keeper]]\nid = \"ines\"\nmail = \"ines@example.org\"\n");
    assert!(words(&folder.run(&["outpost"]).stderr).contains("there is no [[house]]"));
}

#[test]
fn the_example_loads() {
    let folder = Folder::new("example");
    fs::create_dir(folder.0.join("secret")).expect("a folder");
    folder.put("secret/beat", &words(&folder.run(&["outpost", "--new-key"]).stdout));
    folder.put("secret/post", "a password\n");
    folder.put("outpost.toml", include_str!("../config/outpost.toml"));
    let said = folder.run(&["outpost", "--check"]);
    assert_eq!(said.status.code(), Some(0), "{said:?}");
    assert!(words(&said.stdout).contains("hollow-lane, Hollow Lane: tells ines, tom"), "{said:?}");
}

#[test]
fn strangers_at_the_door_learn_nothing_and_break_nothing() {
    let folder = Folder::new("door");
    let port = TcpListener::bind("127.0.0.1:0").and_then(|l| l.local_addr()).expect("a free port").port();
    folder.put("key", &words(&folder.run(&["outpost", "--new-key"]).stdout));
    folder.put("outpost.toml", &file(&format!("127.0.0.1:{port}")));
    let mut child = folder.command(&["outpost"]).stderr(Stdio::piped()).spawn().expect("starts");
    let mut log = BufReader::new(child.stderr.take().expect("piped"));
    let running = Running(child);
    let mut line = String::new();
    while !line.contains("listening") {
        line.clear();
        assert!(log.read_line(&mut line).expect("a log") > 0, "it ended");
    }
    let ask = |request: &[u8]| -> Option<String> {
        let mut stream = TcpStream::connect(("127.0.0.1", port)).expect("it listens");
        stream.set_read_timeout(Some(PATIENCE)).expect("set");
        let _ = stream.write_all(request);
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer);
        (!answer.is_empty()).then(|| String::from_utf8_lossy(&answer).into_owned())
    };
    let request = |method: &str, path: &str, headers: &str, body: &str| {
        format!(
            "{method} {path} HTTP/1.1\r\nHost: x\r\nConnection: close\r\n{headers}Content-Length: {}\r\n\r\n{body}",
            body.len()
        )
    };
    // Status and what it is that is tried.
    let tried: [(u16, &str, String); 10] = [
        (200, "is it there", request("GET", "/", "", "")),
        (200, "a challenge for a house", request("GET", "/beat/home", "", "")),
        (200, "a challenge for a house that is none", request("GET", "/beat/nobody", "", "")),
        (403, "no signature", request("POST", "/beat/home", "", "{}")),
        (403, "rubbish as a signature", request("POST", "/beat/home", "warmside-signature: AAAA\r\n", "{}")),
        (403, "a house that is none", request("POST", "/beat/%1b31mbody", "warmside-signature: AAAA\r\n", "{}")),
        (400, "a house that a terminal obeys", request("POST", "/beat/\u{1b}[31m", "", "{}")),
        (413, "a huge beat", request("POST", "/beat/home", "", &"x".repeat(100_000))),
        (404, "a path trick", request("GET", "/../../etc/passwd", "", "")),
        (404, "another method", request("DELETE", "/beat/home", "", "")),
    ];
    for (status, what, request) in &tried {
        let answer = ask(request.as_bytes());
        let begins = format!("HTTP/1.1 {status} ");
        assert!(answer.as_ref().is_some_and(|a| a.starts_with(&begins)), "{what}: {answer:?}");
        let text = answer.unwrap_or_default();
        assert!(!text.contains("home") && !text.contains("Hollow"), "{what}: it tells whom it knows: {text}");
    }
    let _ = ask(&[0xff; 5_000]);
    let _ = ask(format!("GET / HTTP/1.1\r\nHost: x\r\n{}\r\n", "x: y\r\n".repeat(20_000)).as_bytes());
    // Strangers that sit on their connections and say nothing: one address has few seats, and gets more when it leaves.
    let idle: Vec<_> = (0..50).filter_map(|_| TcpStream::connect(("127.0.0.1", port)).ok()).collect();
    drop(idle);
    for _ in 0..600 {
        if ask(request("GET", "/", "", "").as_bytes()).is_some_and(|a| a.starts_with("HTTP/1.1 200")) {
            drop(running);
            let mut rest = String::new();
            let _ = log.read_to_string(&mut rest);
            // One line for each kind of refusal, however often, and nothing of a stranger's that a terminal obeys.
            assert_eq!(rest.matches("does not count").count(), 2, "{rest}");
            assert!(!rest.contains('\u{1b}'), "{rest:?}");
            return;
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    panic!("it no longer answers");
}
