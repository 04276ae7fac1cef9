//! A real mail server: exim4 takes mails by TLS and login, dovecot shows the mailbox by IMAP. Unprivileged, in a folder of its own.

use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

/// The mailbox's password; its user is [`MailServer::user`].
pub const PASSWORD: &str = "secret";

pub struct MailServer {
    folder: PathBuf,
    exim: Child,
    dovecot: Child,
    pub user: String,
    /// STARTTLS and login.
    pub submission: u16,
    /// TLS from the first byte and login.
    pub submissions: u16,
    /// As from another server: no TLS, no login.
    pub inbound: u16,
    pub imaps: u16,
    /// PEM of the authority to trust.
    pub ca: Vec<u8>,
}

/// Which certificate the server shows.
#[derive(Clone, Copy, PartialEq)]
pub enum Certificate {
    Good,
    /// Of 2020 to 2021, by an authority that is trusted.
    Expired,
}

fn run(program: &str, arguments: &[&str]) -> String {
    let output = Command::new(program).args(arguments).output().unwrap_or_else(|e| panic!("{program}: {e}"));
    assert!(output.status.success(), "{program}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8_lossy(&output.stdout).trim().to_owned()
}

fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

impl MailServer {
    pub fn start(certificate: Certificate) -> MailServer {
        let root = run("id", &["-u"]) == "0";
        // exim delivers to nobody as root, by Debian's build.
        let (user, group) =
            if root { ("nobody".to_owned(), "nogroup".to_owned()) } else { (run("id", &["-un"]), run("id", &["-gn"])) };
        let folder = std::env::temp_dir().join(format!("warmside-mail-{}-{}", std::process::id(), free_port()));
        let [submission, submissions, inbound, imaps] = [0; 4].map(|_| free_port());
        for part in ["spool", "dc"] {
            std::fs::create_dir_all(folder.join(part)).unwrap();
        }
        let ca = certificates(&folder, certificate);
        let fill = |template: &str| {
            template
                .replace("@DIR@", &folder.display().to_string())
                .replace("@USER@", &user)
                .replace("@GROUP@", &group)
                .replace("@SUBMISSION@", &submission.to_string())
                .replace("@SUBMISSIONS@", &submissions.to_string())
                .replace("@INBOUND@", &inbound.to_string())
                .replace("@IMAPS@", &imaps.to_string())
        };
        std::fs::write(folder.join("exim.conf"), fill(include_str!("exim.conf.in"))).unwrap();
        let mut dovecot = fill(include_str!("dovecot.conf.in"));
        if !root {
            dovecot.push_str(&fill(
                "default_internal_user = @USER@\ndefault_login_user = @USER@\ndefault_internal_group = @GROUP@\n\
                 service anvil {\n  chroot =\n}\nservice imap-login {\n  chroot =\n}\n",
            ));
        }
        std::fs::write(folder.join("dovecot.conf"), dovecot).unwrap();
        if root {
            run("chown", &["-R", &format!("{user}:{group}"), &folder.display().to_string()]);
        }
        let quiet = |command: &mut Command| {
            command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap()
        };
        let mut exim = if root {
            let mut command = Command::new("setpriv");
            command.args([
                &format!("--reuid={user}"),
                &format!("--regid={group}"),
                "--clear-groups",
                "/usr/sbin/exim4",
            ]);
            command
        } else {
            Command::new("/usr/sbin/exim4")
        };
        let exim = quiet(exim.args(["-bdf", "-C"]).arg(folder.join("exim.conf")));
        let dovecot = quiet(Command::new("/usr/sbin/dovecot").args(["-F", "-c"]).arg(folder.join("dovecot.conf")));
        let server = MailServer { folder, exim, dovecot, user, submission, submissions, inbound, imaps, ca };
        for port in [submission, submissions, inbound, imaps] {
            server.wait_for(port);
        }
        server
    }

    fn wait_for(&self, port: u16) {
        for _ in 0..3_000 {
            if TcpStream::connect(("127.0.0.1", port)).is_ok() {
                return;
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        panic!("nobody listens on {port}: {}", self.log());
    }

    pub fn log(&self) -> String {
        let logs = ["exim-mainlog", "exim-paniclog", "dovecot.log"];
        logs.map(|name| std::fs::read_to_string(self.folder.join(name)).unwrap_or_default()).join("\n")
    }

    /// Mails that have arrived, whether they were seen or not.
    pub fn arrived(&self) -> Vec<Vec<u8>> {
        let mut mails = Vec::new();
        for part in ["new", "cur"] {
            let Ok(files) = std::fs::read_dir(self.folder.join("maildir").join(part)) else { continue };
            mails.extend(files.flatten().filter_map(|f| std::fs::read(f.path()).ok()));
        }
        mails
    }

    /// Stops or continues the mail server's processes, as a machine that hangs.
    pub fn freeze(&self, frozen: bool) {
        run("kill", &[if frozen { "-STOP" } else { "-CONT" }, &self.exim.id().to_string()]);
    }
}

impl Drop for MailServer {
    fn drop(&mut self) {
        self.freeze(false);
        for child in [&mut self.exim, &mut self.dovecot] {
            // TERM: dovecot ends its own children.
            let _ = Command::new("kill").arg(child.id().to_string()).status();
            let _ = child.wait();
        }
        if std::thread::panicking() {
            eprintln!("{}", self.log());
        }
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}

/// An authority made for this run, which signs the server's certificate; its PEM.
fn certificates(folder: &Path, which: Certificate) -> Vec<u8> {
    let at = |name: &str| folder.join(name).display().to_string();
    run(
        "openssl",
        &[
            "req",
            "-x509",
            "-newkey",
            "rsa:2048",
            "-nodes",
            "-days",
            "2",
            "-subj",
            "/CN=test authority",
            "-keyout",
            &at("ca.key"),
            "-out",
            &at("ca.pem"),
        ],
    );
    run(
        "openssl",
        &[
            "req",
            "-newkey",
            "rsa:2048",
            "-nodes",
            "-subj",
            "/CN=localhost",
            "-keyout",
            &at("srv.key"),
            "-out",
            &at("srv.csr"),
        ],
    );
    std::fs::write(at("ext"), "subjectAltName=DNS:localhost,IP:127.0.0.1\nbasicConstraints=CA:FALSE\n").unwrap();
    std::fs::write(at("index"), "").unwrap();
    std::fs::write(at("serial"), "01\n").unwrap();
    std::fs::write(
        at("ca.conf"),
        format!(
            "[ca]\ndefault_ca=d\n[d]\ndatabase={}\nserial={}\nnew_certs_dir={}\ndefault_md=sha256\npolicy=p\n[p]\ncommonName=supplied\n",
            at("index"), at("serial"), folder.display()
        ),
    )
    .unwrap();
    let mut sign = vec!["ca".to_owned(), "-batch".into(), "-notext".into(), "-config".into(), at("ca.conf")];
    sign.extend(["-cert".into(), at("ca.pem"), "-keyfile".into(), at("ca.key"), "-in".into(), at("srv.csr")]);
    sign.extend(["-extfile".into(), at("ext"), "-out".into(), at("srv.pem")]);
    match which {
        Certificate::Good => sign.extend(["-days".into(), "2".into()]),
        Certificate::Expired => {
            sign.extend(["-startdate".into(), "20200101000000Z".into(), "-enddate".into(), "20210101000000Z".into()]);
        }
    }
    run("openssl", &sign.iter().map(String::as_str).collect::<Vec<_>>());
    std::fs::read(at("ca.pem")).unwrap()
}
