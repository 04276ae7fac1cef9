//! A scripted mail server on loopback: does what a test says, and remembers what it was told.

use super::tls;
use std::sync::{Arc, Mutex};
use tokio::io::{AsyncBufReadExt, AsyncRead, AsyncWrite, AsyncWriteExt, BufReader};
use tokio::net::TcpListener;
use tokio_rustls::TlsAcceptor;

pub type Replies = Arc<dyn Fn(usize, &str) -> Option<&'static str> + Send + Sync>;

/// What the server does where a decent one would do the usual.
#[derive(Clone)]
pub struct Script {
    pub address: &'static str,
    pub greeting: &'static str,
    /// First letters of a command → the reply instead of the usual one, by the number of the connection. `HANG`: none,
    /// ever. `DROP`: the connection ends.
    pub replies: Replies,
    pub certificate: (&'static [u8], &'static [u8]),
    pub tls: Tls,
}

#[derive(Clone, Copy, PartialEq)]
pub enum Tls {
    None,
    Implicit,
    /// Offered after EHLO.
    Upgrade,
}

impl Default for Script {
    fn default() -> Script {
        Script {
            address: "127.0.0.1",
            greeting: "220 mail",
            replies: Arc::new(|_, _| None),
            certificate: tls::GOOD,
            tls: Tls::None,
        }
    }
}

impl Script {
    pub fn answering(replies: impl Fn(usize, &str) -> Option<&'static str> + Send + Sync + 'static) -> Script {
        Script { replies: Arc::new(replies), ..Script::default() }
    }
}

#[derive(Default)]
pub struct Heard {
    pub lines: Vec<String>,
    /// Contents that came whole, with their dot, whatever was replied.
    pub mails: Vec<Vec<u8>>,
    pub connections: usize,
}

pub struct Served {
    pub port: u16,
    heard: Arc<Mutex<Heard>>,
}

impl Served {
    pub fn lines(&self) -> Vec<String> {
        self.heard.lock().unwrap().lines.clone()
    }
    pub fn mails(&self) -> Vec<Vec<u8>> {
        self.heard.lock().unwrap().mails.clone()
    }
    pub fn connections(&self) -> usize {
        self.heard.lock().unwrap().connections
    }
}

pub async fn serve(script: Script) -> Served {
    let listener = TcpListener::bind((script.address, 0)).await.unwrap();
    let port = listener.local_addr().unwrap().port();
    let heard = Arc::new(Mutex::new(Heard::default()));
    let kept = Arc::clone(&heard);
    tokio::spawn(async move {
        while let Ok((stream, _)) = listener.accept().await {
            let number = {
                let mut heard = heard.lock().unwrap();
                heard.connections += 1;
                heard.connections - 1
            };
            let (script, heard) = (script.clone(), Arc::clone(&heard));
            tokio::spawn(async move {
                let acceptor = tls::acceptor(script.certificate);
                if script.tls == Tls::Implicit {
                    if let Ok(stream) = acceptor.accept(stream).await {
                        talk(Box::new(stream), number, &script, &heard, None).await;
                    }
                } else {
                    talk(Box::new(stream), number, &script, &heard, Some(acceptor)).await;
                }
            });
        }
    });
    Served { port, heard: kept }
}

trait Wire: AsyncRead + AsyncWrite + Unpin + Send {}
impl<T: AsyncRead + AsyncWrite + Unpin + Send> Wire for T {}

/// One connection; goes on within TLS after STARTTLS.
async fn talk(
    stream: Box<dyn Wire>,
    number: usize,
    script: &Script,
    heard: &Mutex<Heard>,
    mut upgrade: Option<TlsAcceptor>,
) {
    let mut stream = BufReader::new(stream);
    let mut line = Vec::new();
    let mut say_now = Some(script.greeting.to_owned());
    let mut within = "";
    loop {
        if let Some(reply) = say_now.take() {
            match reply.as_str() {
                "HANG" => return std::future::pending().await,
                "DROP" => return,
                reply => {
                    if stream.write_all(format!("{reply}\r\n").as_bytes()).await.is_err() {
                        return;
                    }
                }
            }
        }
        line.clear();
        if stream.read_until(b'\n', &mut line).await.unwrap_or(0) == 0 {
            return;
        }
        let command = String::from_utf8_lossy(&line).trim_end().to_owned();
        heard.lock().unwrap().lines.push(format!("{within}{command}"));
        let usual = match command.split([' ', ':']).next().unwrap_or("") {
            "EHLO" if script.tls == Tls::Upgrade && upgrade.is_some() => "250-mail\r\n250-STARTTLS\r\n250 8BITMIME",
            "EHLO" => "250-mail\r\n250-AUTH PLAIN LOGIN\r\n250 8BITMIME",
            "STARTTLS" => "220 go on",
            "AUTH" => "235 welcome",
            "DATA" => "354 go on",
            "QUIT" => "221 bye",
            _ => "250 good",
        };
        let reply = (script.replies)(number, &command).unwrap_or(usual);
        if command == "STARTTLS" && reply.starts_with("220") {
            let Some(acceptor) = upgrade.take() else { return };
            let _ = stream.write_all(b"220 go on\r\n").await;
            let Ok(inner) = acceptor.accept(stream.into_inner()).await else { return };
            stream = BufReader::new(Box::new(inner));
            within = "(TLS) ";
            continue;
        }
        if command == "DATA" && reply.starts_with("354") {
            let _ = stream.write_all(b"354 go on\r\n").await;
            let Some(mail) = content(&mut stream).await else { return };
            heard.lock().unwrap().mails.push(mail);
            say_now = Some((script.replies)(number, ".").unwrap_or("250 queued").to_owned());
            continue;
        }
        say_now = Some(reply.to_owned());
    }
}

async fn content(stream: &mut (impl AsyncBufReadExt + Unpin)) -> Option<Vec<u8>> {
    let mut mail = Vec::new();
    loop {
        let start = mail.len();
        if stream.read_until(b'\n', &mut mail).await.ok()? == 0 {
            return None;
        }
        if &mail[start..] == b".\r\n" {
            mail.truncate(start);
            return Some(mail);
        }
        if mail[start..].starts_with(b"..") {
            mail.remove(start);
        }
    }
}
