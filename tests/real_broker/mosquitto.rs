//! A mosquitto of this test alone: its folder, certificates, configuration, and its life and death.

use std::fs;
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;
use warmside::mqtt::settings::Broker;
use warmside::terms::secret::{Identity, Secret};

pub struct Mosquitto {
    pub folder: PathBuf,
    pub port: u16,
    child: Option<Child>,
}

impl Mosquitto {
    /// `lines`: more of its configuration; `FOLDER` in it is its folder.
    pub fn new(name: &str, lines: &str) -> Mosquitto {
        let folder = std::env::temp_dir().join(format!("warmside-mosquitto-{name}-{}", std::process::id()));
        let _ = fs::remove_dir_all(&folder);
        fs::create_dir(&folder).expect("a folder");
        let port = TcpListener::bind("127.0.0.1:0").and_then(|l| l.local_addr()).expect("a free port").port();
        let lines = lines.replace("FOLDER", &folder.display().to_string());
        // As root it would give up its rights and could not read its own files.
        let user = Command::new("id").arg("-un").output().expect("id runs").stdout;
        let user = String::from_utf8_lossy(&user).trim().to_owned();
        fs::write(
            folder.join("mosquitto.conf"),
            format!("listener {port} 127.0.0.1\nuser {user}\npersistence false\nlog_type none\n{lines}\n"),
        )
        .expect("written");
        Mosquitto { folder, port, child: None }
    }

    pub fn open(name: &str) -> Mosquitto {
        let mut broker = Mosquitto::new(name, "allow_anonymous true");
        broker.start();
        broker
    }

    /// One whose log tells who subscribed: see [`Mosquitto::until_subscribed`].
    pub fn telling(name: &str) -> Mosquitto {
        let lines = "allow_anonymous true\nlog_dest file FOLDER/log\nlog_type subscribe";
        let mut broker = Mosquitto::new(name, lines);
        broker.start();
        broker
    }

    /// Waits until a client whose id begins so has subscribed to something.
    pub fn until_subscribed(&self, client: &str) {
        for _ in 0..600 {
            if fs::read_to_string(self.folder.join("log")).unwrap_or_default().contains(client) {
                return;
            }
            std::thread::sleep(Duration::from_millis(100));
        }
        panic!("{client} never subscribed");
    }

    pub fn start(&mut self) {
        let mut command = Command::new("mosquitto");
        command.arg("-c").arg(self.folder.join("mosquitto.conf")).stdout(Stdio::null()).stderr(Stdio::null());
        self.child = Some(command.spawn().expect("mosquitto is installed"));
        for _ in 0..600 {
            if TcpStream::connect(("127.0.0.1", self.port)).is_ok() {
                return;
            }
            std::thread::sleep(Duration::from_millis(100));
        }
        panic!("mosquitto does not listen");
    }

    pub fn kill(&mut self) {
        if let Some(mut child) = self.child.take() {
            let _ = child.kill();
            let _ = child.wait();
        }
    }

    pub fn signal(&self, name: &str) {
        let id = self.child.as_ref().expect("runs").id().to_string();
        assert!(Command::new("kill").args([format!("-{name}"), id]).status().expect("kill runs").success());
    }

    pub fn plain(&self) -> Broker {
        Broker {
            tls: false,
            host: "127.0.0.1".into(),
            port: self.port,
            user: None,
            password: None,
            ca_pem: None,
            identity: None,
        }
    }

    pub fn tls(&self, authority: &Authority) -> Broker {
        Broker { tls: true, host: "localhost".into(), ca_pem: Some(authority.pem()), ..self.plain() }
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        self.kill();
        let _ = fs::remove_dir_all(&self.folder);
    }
}

/// A certificate authority in a folder.
pub struct Authority(PathBuf);

impl Authority {
    pub fn new(folder: &Path, name: &str) -> Authority {
        let at = folder.join(name);
        let (key, pem) = (file(&at, "key"), file(&at, "pem"));
        let words =
            ["req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "30"];
        openssl(words.into_iter().chain(["-subj", "/CN=test authority", "-keyout", &key, "-out", &pem]));
        Authority(at)
    }

    pub fn pem(&self) -> Vec<u8> {
        fs::read(file(&self.0, "pem")).expect("readable")
    }

    /// A certificate for `localhost` and `::1`, as `NAME.pem` and `NAME.key` in the folder.
    pub fn certify(&self, name: &str, days: &str) -> Identity {
        let at = self.0.with_file_name(name);
        let [key, pem, csr, ext] = ["key", "pem", "csr", "ext"].map(|e| file(&at, e));
        let words =
            ["req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-subj", "/CN=localhost"];
        openssl(words.into_iter().chain(["-keyout", &key, "-out", &csr]));
        fs::write(&ext, "subjectAltName=DNS:localhost,IP:::1\n").expect("written");
        let [ca, ca_key] = ["pem", "key"].map(|e| file(&self.0, e));
        let words = ["x509", "-req", "-CAcreateserial", "-days", days, "-CA", &ca, "-CAkey", &ca_key];
        openssl(words.into_iter().chain(["-extfile", &ext, "-in", &csr, "-out", &pem]));
        Identity {
            certificate_pem: fs::read(&pem).expect("readable"),
            key_pem: Secret::new(fs::read_to_string(&key).expect("readable")),
        }
    }
}

fn file(at: &Path, extension: &str) -> String {
    at.with_extension(extension).display().to_string()
}

fn openssl<'a>(words: impl IntoIterator<Item = &'a str>) {
    let output = Command::new("openssl").args(words).output().expect("openssl is installed");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}
