//! Where an outpost is spoken to: small requests over HTTP, by TLS where it has a certificate, and none of them for long.

use super::beat::{Beat, Ear, LARGEST_BEAT, Refusal, SIGNATURE};
use http_body_util::{BodyExt, Full, Limited};
use hyper::body::{Bytes, Incoming};
use hyper::service::service_fn;
use hyper::{Method, Request, Response, StatusCode};
use hyper_util::rt::TokioIo;
use std::collections::BTreeMap;
use std::convert::Infallible;
use std::net::{IpAddr, Ipv6Addr};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::time::{sleep, timeout};
use tokio_rustls::TlsAcceptor;

/// A whole connection: handshake and two requests.
const WHOLE: Duration = Duration::from_secs(20);
/// Connections at a time, and of one address (of one network by IPv6): a stranger who sits on his leaves room for houses.
const MOST_CONNECTIONS: usize = 256;
const MOST_OF_ONE: usize = 8;
/// Line and headers of a request, bytes.
const LARGEST_HEAD: usize = 16 << 10;
/// Refusals of one kind are logged once in so long.
const SAID: Duration = Duration::from_secs(600);

/// What the door needs.
pub struct Doors {
    /// The edge's own clock, real time since any origin: `clock::ticks`.
    pub ticks: fn() -> Duration,
    /// Is handed each beat that is believed, with its house. Must not block.
    pub heard: Box<dyn Fn(String, Beat) + Send + Sync>,
    /// Something for the log, at most a few lines in ten minutes. Must not block.
    pub say: Box<dyn Fn(String) + Send + Sync>,
}

struct Shared {
    doors: Doors,
    ear: Mutex<Ear>,
    seats: Mutex<BTreeMap<IpAddr, usize>>,
    said: Mutex<BTreeMap<Refusal, Duration>>,
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Serves until the task is dropped.
pub async fn serve(listener: TcpListener, tls: Option<rustls::ServerConfig>, ear: Ear, doors: Doors) {
    let tls = tls.map(|config| TlsAcceptor::from(Arc::new(config)));
    let shared = Arc::new(Shared { doors, ear: Mutex::new(ear), seats: Mutex::default(), said: Mutex::default() });
    loop {
        match listener.accept().await {
            Ok((stream, peer)) => {
                // Without a seat the newcomer is closed at once.
                let Some(seat) = Seat::take(&shared, peer.ip()) else { continue };
                tokio::spawn(connection(stream, tls.clone(), shared.clone(), seat));
            }
            // Out of file descriptors and the like: the next moment may be better.
            Err(why) => {
                tracing::warn!("nobody new is let in: {why}");
                sleep(Duration::from_millis(100)).await;
            }
        }
    }
}

async fn connection(stream: TcpStream, tls: Option<TlsAcceptor>, shared: Arc<Shared>, _seat: Seat) {
    let whole = async {
        match tls {
            None => talk(stream, shared).await,
            Some(tls) => {
                if let Ok(stream) = tls.accept(stream).await {
                    talk(stream, shared).await;
                }
            }
        }
    };
    let _ = timeout(WHOLE, whole).await;
}

async fn talk(stream: impl AsyncRead + AsyncWrite + Unpin, shared: Arc<Shared>) {
    let answer = service_fn(move |request| {
        let shared = shared.clone();
        async move { Ok::<_, Infallible>(answer(request, &shared).await) }
    });
    // However it ends: a house that was not heard tries again.
    let _ = hyper::server::conn::http1::Builder::new()
        .max_buf_size(LARGEST_HEAD)
        .serve_connection(TokioIo::new(stream), answer)
        .await;
}

async fn answer(request: Request<Incoming>, shared: &Shared) -> Response<Full<Bytes>> {
    let (head, body) = request.into_parts();
    let house = head.uri.path().strip_prefix("/beat/").map(str::to_owned);
    match (&head.method, house) {
        (&Method::GET, None) if head.uri.path() == "/" => plain(StatusCode::OK, "An outpost of Warmside.\n"),
        // Strangers get one too: whether a house is known here is nobody's business.
        (&Method::GET, Some(house)) => {
            plain(StatusCode::OK, &locked(&shared.ear).challenge(&house, (shared.doors.ticks)()))
        }
        (&Method::POST, Some(house)) => {
            let tag = head.headers.get(SIGNATURE).and_then(|tag| tag.to_str().ok()).unwrap_or_default();
            let Ok(beat) = Limited::new(body, LARGEST_BEAT).collect().await else {
                return plain(StatusCode::PAYLOAD_TOO_LARGE, "");
            };
            hear(shared, &house, &beat.to_bytes(), tag)
        }
        _ => plain(StatusCode::NOT_FOUND, ""),
    }
}

fn hear(shared: &Shared, house: &str, beat: &[u8], tag: &str) -> Response<Full<Bytes>> {
    let mut ear = locked(&shared.ear);
    match ear.hear(house, beat, tag, (shared.doors.ticks)()) {
        Ok(beat) => {
            let mut answer = plain(StatusCode::OK, "");
            if let Ok(tag) = ear.heard(house, &beat).parse() {
                answer.headers_mut().insert(SIGNATURE, tag);
            }
            drop(ear);
            (shared.doors.heard)(house.to_owned(), beat);
            answer
        }
        Err(why) => {
            drop(ear);
            shared.refused(house, why);
            // No reason to strangers; the log has it.
            plain(StatusCode::FORBIDDEN, "")
        }
    }
}

impl Shared {
    fn refused(&self, house: &str, why: Refusal) {
        let now = (self.doors.ticks)();
        let mut said = locked(&self.said);
        if said.get(&why).is_some_and(|last| now.saturating_sub(*last) < SAID) {
            return;
        }
        said.insert(why, now);
        let name: String = house.chars().filter(|c| c.is_ascii_alphanumeric() || "-_.".contains(*c)).take(64).collect();
        (self.doors.say)(format!("a beat that calls itself {name} does not count: {}", why.words()));
    }
}

fn plain(status: StatusCode, text: &str) -> Response<Full<Bytes>> {
    let mut answer = Response::new(Full::new(Bytes::copy_from_slice(text.as_bytes())));
    *answer.status_mut() = status;
    answer
}

/// A connection's place among those that are served.
struct Seat {
    shared: Arc<Shared>,
    of: IpAddr,
}

impl Seat {
    fn take(shared: &Arc<Shared>, peer: IpAddr) -> Option<Seat> {
        let of = network(peer);
        let mut seats = locked(&shared.seats);
        let all: usize = seats.values().sum();
        let own = seats.entry(of).or_default();
        if all >= MOST_CONNECTIONS || *own >= MOST_OF_ONE {
            return None;
        }
        *own += 1;
        drop(seats);
        Some(Seat { shared: shared.clone(), of })
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        let mut seats = locked(&self.shared.seats);
        if let Some(own) = seats.get_mut(&self.of) {
            *own = own.saturating_sub(1);
            if *own == 0 {
                seats.remove(&self.of);
            }
        }
    }
}

/// An IPv4 address, or the /64 of an IPv6 address, which one household usually has (RFC 6177).
fn network(peer: IpAddr) -> IpAddr {
    match peer.to_canonical() {
        IpAddr::V6(v6) => Ipv6Addr::from_bits(v6.to_bits() & !u128::from(u64::MAX)).into(),
        v4 => v4,
    }
}
