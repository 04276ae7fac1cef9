//! The house's end: fetches a challenge, signs it, and knows from the answer's signature whether it was heard.

use super::beat::{Beat, Key, LARGEST_BEAT, SIGNATURE};
use super::settings::Outpost;
use crate::tls;
use http_body_util::{BodyExt, Full, Limited};
use hyper::body::Bytes;
use hyper::client::conn::http1::{SendRequest, handshake};
use hyper::{Method, Request, Response, StatusCode, header};
use hyper_util::rt::TokioIo;
use rustls::ClientConfig;
use rustls::pki_types::ServerName;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;
use tokio::time::timeout;
use tokio_rustls::TlsConnector;

/// One beat, from the name's look-up to the last answer.
const WHOLE: Duration = Duration::from_secs(20);

/// Says beats of one house to one outpost.
#[derive(Clone)]
pub struct Messenger {
    settings: Outpost,
    key: Key,
    tls: Option<Arc<ClientConfig>>,
}

impl Messenger {
    /// An error: the settings cannot work.
    pub fn new(settings: Outpost) -> Result<Messenger, String> {
        let key = Key::new(&settings.key).ok_or("the key of the outpost is too short")?;
        let tls = settings.tls.then(|| tls::client(settings.ca_pem.as_deref(), None)).transpose()?;
        Ok(Messenger { settings, key, tls: tls.map(Arc::new) })
    }

    /// One beat. `Ok`: the outpost has heard it; otherwise why not, in words without a secret.
    pub async fn beat(&self, mails: bool) -> Result<(), String> {
        let Outpost { host, port, .. } = &self.settings;
        let said = match timeout(WHOLE, self.go(mails)).await {
            Ok(said) => said,
            Err(_) => Err(format!("no answer within {} s", WHOLE.as_secs())),
        };
        said.map_err(|why| format!("{host}:{port}: {why}"))
    }

    async fn go(&self, mails: bool) -> Result<(), String> {
        let Outpost { host, port, .. } = &self.settings;
        let stream = TcpStream::connect((host.as_str(), *port)).await.map_err(|e| e.to_string())?;
        match &self.tls {
            None => self.talk(stream, mails).await,
            Some(config) => {
                let name = ServerName::try_from(host.clone()).map_err(|e| e.to_string())?;
                let connecting = TlsConnector::from(config.clone()).connect(name, stream);
                self.talk(connecting.await.map_err(|e| format!("TLS: {e}"))?, mails).await
            }
        }
    }

    async fn talk(
        &self,
        stream: impl AsyncRead + AsyncWrite + Send + Unpin + 'static,
        mails: bool,
    ) -> Result<(), String> {
        let (mut sender, connection) = handshake(TokioIo::new(stream)).await.map_err(|e| e.to_string())?;
        // Ends with the sender.
        let moves = tokio::spawn(connection);
        let said = self.say(&mut sender, mails).await;
        moves.abort();
        said
    }

    async fn say(&self, sender: &mut SendRequest<Full<Bytes>>, mails: bool) -> Result<(), String> {
        let house = &self.settings.house;
        let (_, challenge) = self.ask(sender, Method::GET, Bytes::new(), None).await?;
        let challenge = String::from_utf8(challenge.to_vec()).map_err(|_| "its challenge is no text")?;
        let beat = Beat { challenge, every: self.settings.every, mails };
        let bytes = beat.bytes();
        if bytes.len() > LARGEST_BEAT {
            return Err("its challenge is too long: is this an outpost?".into());
        }
        let tag = self.key.sign(house, &bytes);
        let (answer, _) = self.ask(sender, Method::POST, bytes.into(), Some(tag)).await?;
        let tag = answer.headers().get(SIGNATURE).and_then(|tag| tag.to_str().ok()).unwrap_or_default();
        match self.key.is_heard(house, &beat.challenge, tag) {
            true => Ok(()),
            false => Err("somebody answers who does not hold the key: is this our outpost?".into()),
        }
    }

    /// One request. Only its status is shown: what an unknown server says may be anything.
    async fn ask(
        &self,
        sender: &mut SendRequest<Full<Bytes>>,
        method: Method,
        body: Bytes,
        tag: Option<String>,
    ) -> Result<(Response<()>, Bytes), String> {
        let Outpost { host, port, house, .. } = &self.settings;
        let host = if host.contains(':') { format!("[{host}]:{port}") } else { format!("{host}:{port}") };
        let mut request = Request::builder().method(method).uri(format!("/beat/{house}")).header(header::HOST, host);
        if let Some(tag) = tag {
            request = request.header(SIGNATURE, tag);
        }
        let request = request.body(Full::new(body)).map_err(|e| e.to_string())?;
        let (head, body) = sender.send_request(request).await.map_err(|e| e.to_string())?.into_parts();
        match head.status {
            StatusCode::OK => {}
            StatusCode::FORBIDDEN => {
                return Err("it refuses us: does it hold the same key for this house? Its log says why".into());
            }
            other => return Err(format!("it answers with status {}: is this an outpost?", other.as_u16())),
        }
        let body = Limited::new(body, LARGEST_BEAT).collect().await.map_err(|_| "its answer is too long")?;
        Ok((Response::from_parts(head, ()), body.to_bytes()))
    }
}
