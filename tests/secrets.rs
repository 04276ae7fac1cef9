//! Every secret of a house, looked for in everything that a daemon writes: log, mails, pages, states, answers, store.
#![cfg(feature = "builtin-broker")]

use base64::Engine;
use base64::engine::general_purpose::{STANDARD, URL_SAFE_NO_PAD};
use std::fs;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

/// The keys of the configuration that name a file, and what stands in it.
const SECRETS: [(&str, &str); 5] = [
    ("broker", "broker-Aq7 secret \u{e9}"),
    ("post", "post-Zk3!secret"),
    ("answers", "answers-Lw9?secret"),
    ("page", "page-Tt5 secret"),
    ("beat", "beat-Mv8-secret-of-more-than-thirty-two-letters"),
];

fn port() -> u16 {
    TcpListener::bind("127.0.0.1:0").and_then(|l| l.local_addr()).expect("a free port").port()
}

/// A server of any kind that repeats what it is told, as an error message may. Talks to everybody.
fn parrot() -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let port = listener.local_addr().expect("an address").port();
    std::thread::spawn(move || {
        for mut stream in listener.incoming().flatten() {
            std::thread::spawn(move || {
                let _ = stream.write_all(b"220 parrot ESMTP\r\n");
                let mut buffer = [0; 4_096];
                while let Ok(n) = stream.read(&mut buffer) {
                    let said = String::from_utf8_lossy(&buffer[..n]).replace(['\r', '\n'], " ");
                    let answer = match &said {
                        said if n == 0 || said.starts_with("QUIT") => return,
                        said if said.starts_with("EHLO") => "250-parrot\r\n250 AUTH PLAIN LOGIN\r\n".to_owned(),
                        said => format!("535 you said {said}\r\n"),
                    };
                    if stream.write_all(answer.as_bytes()).is_err() {
                        return;
                    }
                }
            });
        }
    });
    port
}

/// A secret as it may be met: plain, and in the encodings of SMTP, IMAP and HTTP.
fn shapes(secret: &str) -> Vec<Vec<u8>> {
    let texts =
        [secret.to_owned(), format!("\0warmside\0{secret}"), format!("warmside:{secret}"), format!(":{secret}")];
    let encoded = texts.iter().skip(1).chain(texts.first()).flat_map(|text| {
        let whole = STANDARD.encode(text);
        [whole.trim_end_matches('=').to_owned(), URL_SAFE_NO_PAD.encode(text)]
    });
    std::iter::once(secret.to_owned()).chain(encoded).map(String::into_bytes).collect()
}

fn search(what: &str, bytes: &[u8]) {
    for (name, secret) in SECRETS {
        for shape in shapes(secret) {
            let found = bytes.windows(shape.len()).any(|window| window == shape);
            assert!(!found, "{what} shows the secret {name}");
        }
    }
}

fn search_folder(folder: &Path, looked: &mut usize) {
    for path in fs::read_dir(folder).expect("a folder").flatten().map(|entry| entry.path()) {
        if path.is_dir() && !path.ends_with("secret") {
            search_folder(&path, looked);
        } else if path.is_file() {
            *looked += 1;
            search(&path.display().to_string(), &fs::read(&path).unwrap_or_default());
        }
    }
}

#[test]
fn no_secret_is_written_anywhere() {
    let folder = std::env::temp_dir().join(format!("warmside-secrets-{}", std::process::id()));
    let _ = fs::remove_dir_all(&folder);
    fs::create_dir_all(folder.join("secret")).expect("a folder");
    for (name, secret) in SECRETS {
        fs::write(folder.join("secret").join(name), format!("{secret}\n")).expect("written");
    }
    let (broker, page, parrot) = (port(), port(), parrot());
    let file = folder.join("warmside.toml");
    let text = format!(
        r#"
site.time_zone = "Europe/Dublin"
[builtin_broker]
listen = "127.0.0.1:{broker}"
user = "warmside"
password_file = "secret/broker"
publish = "warmside"
[post]
server = "smtp://127.0.0.1:{parrot}"
user = "warmside"
password_file = "secret/post"
from = "warmside@example.org"
[answers]
server = "imaps://127.0.0.1:{parrot}"
user = "warmside"
password_file = "secret/answers"
[page]
listen = "127.0.0.1:{page}"
password_file = "secret/page"
[outpost]
url = "http://127.0.0.1:{parrot}"
house = "home"
beat_key_file = "secret/beat"
every = "1s"
[[keeper]]
id = "ines"
mail = "ines@example.org"
[[enclosure]]
id = "a3"
[[link]]
topic = "rack/a3"
enclosure = "a3"
reads = "warm_side.temperature"
unit = "Cel"
"#
    );
    fs::write(&file, &text).expect("written");
    let command = |words: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_warmside"));
        command.args(words).arg("--config").arg(&file).env_remove("NOTIFY_SOCKET").env_remove("CREDENTIALS_DIRECTORY");
        command
    };
    let log = folder.join("log");
    let mut child = command(&["watch"])
        .env("WARMSIDE_LOG", "trace")
        .stdout(Stdio::null())
        .stderr(fs::File::create(&log).expect("a file"))
        .spawn()
        .expect("starts");
    let says = |words: &str| {
        (0..600).any(|_| {
            std::thread::sleep(Duration::from_millis(100));
            String::from_utf8_lossy(&fs::read(&log).unwrap_or_default()).contains(words)
        })
    };
    // Every secret was used: the broker let us in, and each server was spoken to and refused us.
    let used =
        says("connected to the broker") && says("outpost does not hear us") && says("answers by mail are not heard");
    let drilled = command(&["drill"]).output().expect("runs");
    let used = used && says("you said");
    for words in [&["status"][..], &["status", "--json"], &["explain", "a3"], &["check"], &["check", "--json"]] {
        let output = command(words).output().expect("runs");
        search(&format!("warmside {}", words.join(" ")), &[output.stdout, output.stderr].concat());
    }
    // A password that is wrong, one that is right, and a page behind it.
    for password in ["wrong", SECRETS[3].1] {
        let login = STANDARD.encode(format!(":{password}"));
        let mut stream = TcpStream::connect(("127.0.0.1", page)).expect("the page listens");
        let head = format!("Host: 127.0.0.1:{page}\r\nConnection: close\r\nAuthorization: Basic {login}\r\n");
        write!(stream, "GET /api/v1/view HTTP/1.1\r\n{head}\r\n").expect("sent");
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer);
        search("the page", &answer);
    }
    // A file with faults is told with its place: the lines shown are of the file, which holds no secret.
    fs::write(&file, text.replace("every = \"1s\"", "every = \"1 week\"")).expect("written");
    let said = command(&["check"]).output().expect("runs");
    assert_eq!(said.status.code(), Some(78));
    search("the faults of a file", &[said.stdout, said.stderr].concat());
    fs::write(&file, &text).expect("written");
    let hup = Command::new("kill").args(["-HUP", &child.id().to_string()]).status().expect("kill runs");
    let reread = hup.success() && says("the configuration was read again");
    let _ = Command::new("kill").args(["-TERM", &child.id().to_string()]).status();
    let ended = child.wait().expect("ends");
    let mut looked = 0;
    search_folder(&folder, &mut looked);
    let log = fs::read_to_string(&log).unwrap_or_default();
    let _ = fs::remove_dir_all(&folder);
    assert!(used && reread && drilled.status.success() && ended.success(), "not every secret was used:\n{log}");
    assert!(looked >= 4, "log, file and store were searched");
}

/// The search finds what it is to find, in each shape.
#[test]
fn a_secret_that_is_shown_is_found() {
    for text in
        ["auth post-Zk3!secret", &STANDARD.encode("\0warmside\0post-Zk3!secret"), &STANDARD.encode("post-Zk3!secret")]
    {
        assert!(std::panic::catch_unwind(|| search("a log", text.as_bytes())).is_err(), "{text}");
    }
    search("a log", b"post-Zk3");
}
