//! One attempt through one mail server: by lettre's connection, command by command, so that we know how far it came.
//!
//! lettre's own time limit covers the connect only, and its `send` forgets who was refused and whether the final dot was
//! out. Here the limit is around everything, each recipient has a fate, and an outcome that is unknown is called so.

use super::Fate;
use super::settings::{Server, Tls};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use lettre::address::Address;
use lettre::transport::smtp::Error;
use lettre::transport::smtp::authentication::{Credentials, Mechanism};
use lettre::transport::smtp::client::{AsyncSmtpConnection, Certificate, CertificateStore, TlsParameters};
use lettre::transport::smtp::commands::{Data, Mail, Rcpt};
use lettre::transport::smtp::extension::{ClientId, Extension, MailBodyParameter, MailParameter};
use std::time::Duration;

/// Of a server's words, so many are kept.
const LONGEST_WORDS: usize = 300;
/// A server that has taken the mail owes us nothing more than this for a parting word.
const PARTING: Duration = Duration::from_secs(2);

/// How far an attempt came.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stage {
    Connecting,
    LoggingIn,
    Addressing,
    /// The content is on its way: from here on the server may have taken it.
    Sending,
    Taken,
}

struct Attempt {
    stage: Stage,
    to: Vec<(String, Fate, String)>,
}

/// What it came to for each of `to`. Never longer than `whole` and a parting word.
pub(super) async fn send(server: &Server, to: &[String], bytes: &[u8], whole: Duration) -> Vec<(String, Fate, String)> {
    let mut attempt = Attempt {
        stage: Stage::Connecting,
        to: to.iter().map(|address| (address.clone(), Fate::Waiting, String::new())).collect(),
    };
    // On expiry the future is dropped, and the connection with it.
    let ended = tokio::time::timeout(whole, attempt.go(server, bytes)).await;
    let words = match ended {
        Ok(Ok(())) => return attempt.to,
        Ok(Err(why)) => scrub(&why, server),
        Err(_) => format!("no answer within {} s", whole.as_secs().max(1)),
    };
    let stage = attempt.stage;
    for known in attempt.to.iter_mut().filter(|r| r.1 == Fate::Waiting && r.2.is_empty()) {
        known.2 = match stage {
            Stage::Connecting => format!("{}:{}: {words}", server.host, server.port),
            Stage::LoggingIn => format!("{}: login: {words}", server.host),
            Stage::Addressing => format!("{}: {words}", server.host),
            Stage::Sending => format!(
                "{}: {words}; whether it arrived is unknown, so it is sent again with the same Message-ID",
                server.host
            ),
            Stage::Taken => String::new(),
        };
    }
    attempt.to
}

impl Attempt {
    async fn go(&mut self, server: &Server, bytes: &[u8]) -> Result<(), String> {
        let mut connection = connect(server).await?;
        self.stage = Stage::LoggingIn;
        if let Some((user, secret)) = &server.login {
            let credentials = Credentials::new(user.clone(), secret.expose().to_owned());
            connection.auth(&[Mechanism::Plain, Mechanism::Login], &credentials).await.map_err(|e| words(&e))?;
        }
        self.stage = Stage::Addressing;
        let from: Address = server.from.address.parse().map_err(|e| format!("the sender's address is none: {e}"))?;
        let mut options = Vec::new();
        let wide = !from.to_string().is_ascii() || self.to.iter().any(|r| !r.0.is_ascii());
        if wide && connection.server_info().supports_feature(Extension::SmtpUtfEight) {
            options.push(MailParameter::SmtpUtfEight);
        }
        if !bytes.is_ascii() {
            options.push(MailParameter::Body(MailBodyParameter::EightBitMime));
        }
        // Refused here, it is the account that is at fault and not the mail: it waits.
        connection.command(Mail::new(Some(from), options)).await.map_err(|e| format!("sender: {}", words(&e)))?;
        if !self.recipients(&mut connection, server).await? {
            part(connection).await;
            return Ok(());
        }
        if let Err(error) = connection.command(Data).await {
            return self.judge(server, &error);
        }
        self.stage = Stage::Sending;
        if let Err(error) = connection.message(bytes).await {
            return self.judge(server, &error);
        }
        self.stage = Stage::Taken;
        for known in self.to.iter_mut().filter(|r| r.1 == Fate::Waiting && r.2.is_empty()) {
            known.1 = Fate::Accepted;
        }
        part(connection).await;
        Ok(())
    }

    /// Names each recipient to the server; whether anybody is left to send to.
    async fn recipients(&mut self, connection: &mut AsyncSmtpConnection, server: &Server) -> Result<bool, String> {
        let mut any = false;
        for (address, fate, said) in &mut self.to {
            let Ok(parsed) = address.parse::<Address>() else {
                (*fate, *said) = (Fate::Refused, "this is no mail address".to_owned());
                continue;
            };
            match connection.command(Rcpt::new(parsed, Vec::new())).await {
                Ok(_) => any = true,
                Err(error) if error.status().is_some() => {
                    *fate = if error.is_permanent() { Fate::Refused } else { Fate::Waiting };
                    *said = format!("{}: {}", server.host, scrub(&words(&error), server));
                }
                Err(error) => return Err(words(&error)),
            }
        }
        Ok(any)
    }

    /// The server's word on the content: a permanent no is final for all whom it had accepted.
    fn judge(&mut self, server: &Server, error: &Error) -> Result<(), String> {
        if error.status().is_some() {
            // It spoke: nothing is unknown.
            self.stage = Stage::Addressing;
        }
        if error.is_permanent() {
            let said = format!("{}: {}", server.host, scrub(&words(error), server));
            for known in self.to.iter_mut().filter(|r| r.1 == Fate::Waiting && r.2.is_empty()) {
                (known.1, known.2) = (Fate::Refused, said.clone());
            }
        }
        Err(words(error))
    }
}

async fn connect(server: &Server) -> Result<AsyncSmtpConnection, String> {
    let hello = ClientId::default();
    let address = (server.host.as_str(), server.port);
    let tls = match server.tls {
        Tls::Implicit | Tls::StartTls => Some(tls(server)?),
        Tls::Loopback => None,
    };
    let at_once = tls.clone().filter(|_| server.tls == Tls::Implicit);
    let mut connection =
        AsyncSmtpConnection::connect_tokio1(address, None, &hello, at_once, None).await.map_err(|e| words(&e))?;
    if let Some(tls) = tls.filter(|_| server.tls == Tls::StartTls) {
        // Required: a server that does not offer it, or somebody between who hides it, gets no login and no mail.
        connection.starttls(tls, &hello).await.map_err(|e| format!("STARTTLS: {}", words(&e)))?;
    }
    Ok(connection)
}

fn tls(server: &Server) -> Result<TlsParameters, String> {
    let mut builder = TlsParameters::builder(server.host.clone());
    if let Some(pem) = &server.ca_pem {
        let certificate = Certificate::from_pem(pem).map_err(|e| format!("ca_file: {}", words(&e)))?;
        builder = builder.certificate_store(CertificateStore::None).add_root_certificate(certificate);
    }
    builder.build().map_err(|e| format!("TLS: {}", words(&e)))
}

/// QUIT, for good manners; what it comes to changes nothing.
async fn part(mut connection: AsyncSmtpConnection) {
    let _ = tokio::time::timeout(PARTING, connection.quit()).await;
}

/// An error with all its causes.
fn words(error: &Error) -> String {
    let mut all = error.to_string();
    let mut cause = std::error::Error::source(error);
    while let Some(why) = cause {
        let why_words = why.to_string();
        if !all.contains(&why_words) {
            all = format!("{all}: {why_words}");
        }
        cause = why.source();
    }
    all
}

/// What a server says may repeat what we told it: no password gets into a log, a page or a mail that way, plain or encoded.
pub(super) fn scrub(words: &str, server: &Server) -> String {
    let mut clean: String = words.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    if let Some((user, secret)) = &server.login {
        let plain = secret.expose();
        let forms = [
            STANDARD.encode(format!("\0{user}\0{plain}")),
            STANDARD.encode(format!("{user}\0{user}\0{plain}")),
            STANDARD.encode(plain),
            plain.to_owned(),
        ];
        for form in forms.iter().filter(|form| !form.is_empty()) {
            clean = clean.replace(form.as_str(), "•••");
        }
    }
    clean.chars().take(LONGEST_WORDS).collect()
}
