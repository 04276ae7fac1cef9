//! Who may come in: sessions in cookies, tokens in forms, and requests that other sites try to send through a browser.

use super::frame::Reader;
use super::password::{Guesses, Verifier, random_text, same};
use super::settings::Settings;
use axum::http::{HeaderMap, HeaderValue, Method, header};
use std::net::IpAddr;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::sync::Semaphore;

pub const SESSION_COOKIE: &str = "warmside_session";
pub const WHO_COOKIE: &str = "warmside_who";
/// A session that was not used for so long is over.
pub const SESSION_LASTS: Duration = Duration::from_secs(30 * 86_400);
/// Sessions at the same time; then the one unused for longest is over.
pub const MOST_SESSIONS: usize = 64;
/// Guesses that are hashed at the same time: 19 MiB each.
const MOST_HASHING: usize = 2;

struct Session {
    id: String,
    token: String,
    used: Duration,
}

/// Keeps the door.
pub struct Guard {
    verifier: Option<Verifier>,
    /// Of forms where there is no session, and of nothing else.
    house_token: String,
    /// Served by TLS, so that no cookie ever has to go in the clear.
    by_tls: bool,
    sessions: Mutex<Vec<Session>>,
    guesses: Mutex<Guesses>,
    hashing: Semaphore,
    /// Credentials of programs that were right, so that each request need not be hashed.
    known: Mutex<Vec<String>>,
}

/// Why somebody may not come in, or may not do this.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Refusal {
    /// A name for this machine that is not loopback, without a password: another site's name may point here.
    StrangeHost,
    /// Log in first.
    NoSession,
    /// Sent by another site's page.
    OtherOrigin,
    /// The form is not one of ours, or of a session that is over.
    StaleForm,
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Guard {
    pub fn new(settings: &Settings) -> Result<Guard, String> {
        let verifier = settings.password.as_ref().map(Verifier::of).transpose()?;
        if verifier.is_none() && !settings.listen.ip().is_loopback() {
            return Err("beyond this machine the page is served only with a password".to_owned());
        }
        Ok(Guard {
            verifier,
            by_tls: settings.identity.is_some(),
            house_token: random_text().map_err(|_| "the machine gives no random bytes".to_owned())?,
            sessions: Mutex::default(),
            guesses: Mutex::default(),
            hashing: Semaphore::new(MOST_HASHING),
            known: Mutex::default(),
        })
    }

    pub const fn asks_for_password(&self) -> bool {
        self.verifier.is_some()
    }

    /// Who reads, or why they may not. `now`: the edge's own clock.
    pub fn reader(&self, headers: &HeaderMap, now: Duration) -> Result<Reader, Refusal> {
        let who = cookie(headers, WHO_COOKIE).map(str::to_owned);
        if self.verifier.is_none() {
            return if loopback_host(headers) {
                Ok(Reader { token: self.house_token.clone(), who, logged_in: false })
            } else {
                Err(Refusal::StrangeHost)
            };
        }
        let id = cookie(headers, SESSION_COOKIE).ok_or(Refusal::NoSession)?;
        let mut sessions = locked(&self.sessions);
        sessions.retain(|s| now.saturating_sub(s.used) < SESSION_LASTS);
        let session = sessions.iter_mut().find(|s| same(s.id.as_bytes(), id.as_bytes())).ok_or(Refusal::NoSession)?;
        session.used = now;
        Ok(Reader { token: session.token.clone(), who, logged_in: true })
    }

    /// A cookie, only by TLS for a browser that came by TLS, to us or to a proxy before us.
    pub fn cookie(&self, headers: &HeaderMap, name: &str, value: &str, lasts_s: u64) -> Option<HeaderValue> {
        let text = |name: &str| headers.get(name).and_then(|v| v.to_str().ok());
        let by_tls = self.by_tls
            || text("x-forwarded-proto") == Some("https")
            || text("origin").is_some_and(|origin| origin.starts_with("https://"));
        let secure = if by_tls { "; Secure" } else { "" };
        let cookie = format!("{name}={value}; Path=/; HttpOnly; SameSite=Strict; Max-Age={lasts_s}{secure}");
        HeaderValue::from_str(&cookie).ok()
    }

    /// Whether a request that changes something comes from our own page.
    pub fn own(&self, headers: &HeaderMap) -> Result<(), Refusal> {
        let text = |name| headers.get(name).and_then(|v| v.to_str().ok());
        if let Some(origin) = text(header::ORIGIN) {
            let host = text(header::HOST).ok_or(Refusal::OtherOrigin)?;
            let ours = origin.strip_prefix("https://").or_else(|| origin.strip_prefix("http://")) == Some(host);
            return if ours { Ok(()) } else { Err(Refusal::OtherOrigin) };
        }
        // A browser that says no origin still says whose page it was.
        match headers.get("sec-fetch-site").and_then(|v| v.to_str().ok()) {
            None | Some("same-origin" | "none") => Ok(()),
            Some(_) => Err(Refusal::OtherOrigin),
        }
    }

    /// The token of a form: of this reader's own page.
    pub fn form(&self, reader: &Reader, token: Option<&str>) -> Result<(), Refusal> {
        let good = token.is_some_and(|t| !reader.token.is_empty() && same(t.as_bytes(), reader.token.as_bytes()));
        if good { Ok(()) } else { Err(Refusal::StaleForm) }
    }

    /// How long a peer has to wait for its next guess.
    pub fn wait(&self, peer: IpAddr, now: Duration) -> Duration {
        locked(&self.guesses).wait(peer, now)
    }

    /// A guess at the password. `None`: too many guesses are being hashed; try again.
    pub async fn guess(&self, peer: IpAddr, guess: String, now: Duration) -> Option<bool> {
        let verifier = self.verifier.clone()?;
        let _hashing = self.hashing.try_acquire().ok()?;
        let right = tokio::task::spawn_blocking(move || verifier.accepts(&guess)).await.unwrap_or(false);
        let mut guesses = locked(&self.guesses);
        if right {
            guesses.right(peer)
        } else {
            guesses.wrong(peer, now)
        }
        Some(right)
    }

    /// A fresh session's cookie value. `None`: the machine gives no random bytes.
    pub fn enter(&self, now: Duration) -> Option<String> {
        let (id, token) = (random_text().ok()?, random_text().ok()?);
        let mut sessions = locked(&self.sessions);
        if sessions.len() >= MOST_SESSIONS {
            sessions.sort_by_key(|s| s.used);
            sessions.remove(0);
        }
        sessions.push(Session { id: id.clone(), token, used: now });
        Some(id)
    }

    pub fn leave(&self, headers: &HeaderMap) {
        if let Some(id) = cookie(headers, SESSION_COOKIE) {
            locked(&self.sessions).retain(|s| !same(s.id.as_bytes(), id.as_bytes()));
        }
    }

    /// Whether these credentials were right before.
    pub fn knows(&self, credential: &str) -> bool {
        locked(&self.known).iter().any(|k| same(k.as_bytes(), credential.as_bytes()))
    }

    pub fn remember(&self, credential: String) {
        let mut known = locked(&self.known);
        known.truncate(7);
        known.insert(0, credential);
    }
}

/// `Authorization: Bearer PASSWORD`, for programs.
pub fn bearer(headers: &HeaderMap) -> Option<&str> {
    headers.get(header::AUTHORIZATION)?.to_str().ok()?.strip_prefix("Bearer ").map(str::trim)
}

/// Whether this method only looks.
pub fn only_looks(method: &Method) -> bool {
    matches!(*method, Method::GET | Method::HEAD)
}

fn cookie<'a>(headers: &'a HeaderMap, name: &str) -> Option<&'a str> {
    let pairs = headers.get_all(header::COOKIE).iter().filter_map(|v| v.to_str().ok()).flat_map(|v| v.split(';'));
    pairs.filter_map(|pair| pair.trim().split_once('=')).find(|(key, _)| *key == name).map(|(_, value)| value)
}

/// Whether the request names this machine by its loopback: any other name may be another site's that points here.
fn loopback_host(headers: &HeaderMap) -> bool {
    let Some(host) = headers.get(header::HOST).and_then(|v| v.to_str().ok()) else { return false };
    let name = match host.strip_prefix('[') {
        Some(rest) => rest.split(']').next().unwrap_or(""),
        None => host.split(':').next().unwrap_or(""),
    };
    name == "localhost" || name.parse::<IpAddr>().is_ok_and(|ip| ip.is_loopback())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::terms::secret::Secret;

    fn headers(pairs: &[(&'static str, &str)]) -> HeaderMap {
        pairs.iter().map(|(k, v)| (axum::http::HeaderName::from_static(k), v.parse().unwrap())).collect()
    }

    fn guard(listen: &str, password: Option<&str>) -> Result<Guard, String> {
        Guard::new(&Settings { listen: listen.parse().unwrap(), password: password.map(Secret::new), identity: None })
    }

    #[test]
    fn beyond_loopback_there_is_a_password() {
        assert!(guard("0.0.0.0:8377", None).is_err());
        assert!(guard("[::]:8377", None).is_err());
        assert!(guard("127.0.0.1:8377", None).is_ok());
    }

    #[test]
    fn without_a_password_only_loopback_names_are_answered() {
        let guard = guard("127.0.0.1:8377", None).unwrap();
        let now = Duration::ZERO;
        for host in ["localhost:8377", "127.0.0.1:8377", "[::1]:8377", "localhost"] {
            assert!(guard.reader(&headers(&[("host", host)]), now).is_ok(), "{host}");
        }
        for host in ["evil.example", "localhost.evil.example", "192.0.2.1:8377", "", "[::1", "127.0.0.1.evil.example"] {
            let open = guard.reader(&headers(&[("host", host)]), now);
            assert_eq!(open.err(), (host != "[::1").then_some(Refusal::StrangeHost), "{host}");
        }
    }

    #[test]
    fn sessions_begin_end_and_are_few() {
        let guard = guard("0.0.0.0:8377", Some("x")).unwrap();
        let now = Duration::from_secs(5);
        let id = guard.enter(now).unwrap();
        let with = |id: &str| headers(&[("host", "h"), ("cookie", &format!("a=b; {SESSION_COOKIE}={id}"))]);
        let reader = guard.reader(&with(&id), now).unwrap();
        assert_eq!(guard.form(&reader, Some(&reader.token)), Ok(()));
        for forged in [None, Some(""), Some("x"), Some(guard.house_token.as_str())] {
            assert_eq!(guard.form(&reader, forged), Err(Refusal::StaleForm));
        }
        assert_eq!(guard.reader(&with("nonsense"), now).err(), Some(Refusal::NoSession));
        assert_eq!(guard.reader(&with(&id), now + SESSION_LASTS).err(), Some(Refusal::NoSession));
        let first = guard.enter(now).unwrap();
        (0..MOST_SESSIONS).for_each(|n| drop(guard.enter(now + Duration::from_secs(n as u64 + 1))));
        assert_eq!(guard.reader(&with(&first), now).err(), Some(Refusal::NoSession));
        let last = guard.enter(now).unwrap();
        guard.leave(&with(&last));
        assert_eq!(guard.reader(&with(&last), now).err(), Some(Refusal::NoSession));
    }

    #[test]
    fn other_sites_cannot_send_forms() {
        let guard = guard("127.0.0.1:8377", None).unwrap();
        let host = ("host", "127.0.0.1:8377");
        for good in [
            vec![host, ("origin", "http://127.0.0.1:8377")],
            vec![("host", "warm.example"), ("origin", "https://warm.example")],
            vec![host, ("sec-fetch-site", "same-origin")],
            vec![host],
        ] {
            assert_eq!(guard.own(&headers(&good)), Ok(()), "{good:?}");
        }
        for bad in [
            vec![host, ("origin", "http://evil.example")],
            vec![host, ("origin", "null")],
            vec![host, ("origin", "http://127.0.0.1:8378")],
            vec![host, ("origin", "http://127.0.0.1:8377.evil.example")],
            vec![host, ("sec-fetch-site", "cross-site")],
            vec![host, ("sec-fetch-site", "same-site")],
            vec![("origin", "http://127.0.0.1:8377")],
        ] {
            assert_eq!(guard.own(&headers(&bad)), Err(Refusal::OtherOrigin), "{bad:?}");
        }
    }
}
