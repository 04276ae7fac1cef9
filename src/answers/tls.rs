//! The connection to the mailbox: TLS from the first byte, the keeper's authority or the system's, no secret in a word.

use super::settings::Answers;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use rustls::pki_types::ServerName;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpStream;
use tokio_rustls::TlsConnector;
use tokio_rustls::client::TlsStream;

/// Within `limit`, from the name's look-up to the end of the handshake.
pub(super) async fn connect(settings: &Answers, limit: Duration) -> Result<TlsStream<TcpStream>, String> {
    let place = format!("{}:{}", settings.host, settings.port);
    let connecting = async {
        let config = crate::tls::client(settings.ca_pem.as_deref(), None)?;
        let name = ServerName::try_from(settings.host.clone()).map_err(|e| e.to_string())?;
        let stream = TcpStream::connect((settings.host.as_str(), settings.port)).await.map_err(|e| e.to_string())?;
        TlsConnector::from(Arc::new(config)).connect(name, stream).await.map_err(|e| format!("TLS: {e}"))
    };
    let connected = tokio::time::timeout(limit, connecting).await;
    connected
        .unwrap_or_else(|_| Err(format!("no answer within {} s", limit.as_secs().max(1))))
        .map_err(|e| format!("{place}: {e}"))
}

/// A server may repeat what it was told: no password gets into a log that way, plain or encoded.
pub(super) fn scrub(words: &str, settings: &Answers) -> String {
    let (user, secret) = &settings.login;
    let plain = secret.expose();
    let mut clean = words.to_owned();
    for form in [STANDARD.encode(format!("\0{user}\0{plain}")), STANDARD.encode(plain), plain.to_owned()] {
        if !form.is_empty() {
            clean = clean.replace(&form, "•••");
        }
    }
    clean
}
