//! What every request passes before it reaches a page, and what every answer carries when it leaves.

use super::frame::{self, Reader};
use super::guard::{Refusal, bearer, only_looks};
use super::listen::{Door, Visitor};
use super::{Shared, send};
use axum::body::Body;
use axum::extract::connect_info::Connected;
use axum::extract::{ConnectInfo, Request, State};
use axum::http::{HeaderMap, Method, Response, StatusCode, Uri};
use axum::middleware::Next;
use axum::serve::IncomingStream;
use maud::html;
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;

/// Who is at the other end.
#[derive(Clone, Copy, Debug)]
pub struct Peer(pub SocketAddr);

impl Connected<IncomingStream<'_, Door>> for Peer {
    fn connect_info(stream: IncomingStream<'_, Door>) -> Peer {
        let _: &Visitor = stream.io();
        Peer(*stream.remote_addr())
    }
}

/// What tells nothing of the house: whether the watcher lives, and what the way in is made of.
const OPEN: [&str; 4] = ["/alive", "/login", "/style.css", "/icon.svg"];

/// What programs read, with a bearer's password instead of a session.
fn for_programs(path: &str) -> bool {
    path.starts_with("/api/") || path == "/metrics"
}

/// A request without its body, which must not be held while something is awaited.
struct Head {
    method: Method,
    uri: Uri,
    headers: HeaderMap,
}

pub async fn pass(
    State(shared): State<Arc<Shared>>,
    ConnectInfo(Peer(peer)): ConnectInfo<Peer>,
    mut request: Request,
    next: Next,
) -> Response<Body> {
    let head =
        Head { method: request.method().clone(), uri: request.uri().clone(), headers: request.headers().clone() };
    let mut response = match judge(&shared, peer.ip(), &head).await {
        Ok(reader) => {
            request.extensions_mut().insert(reader);
            next.run(request).await
        }
        Err(refusal) => *refusal,
    };
    send::dress(response.headers_mut());
    response
}

async fn judge(shared: &Shared, peer: IpAddr, head: &Head) -> Result<Reader, Box<Response<Body>>> {
    let (headers, path) = (&head.headers, head.uri.path());
    let refuse = |refusal| Box::new(refused(head, refusal));
    if !only_looks(&head.method) {
        shared.guard.own(headers).map_err(refuse)?;
    }
    match shared.guard.reader(headers, shared.now()) {
        Ok(reader) => Ok(reader),
        Err(Refusal::NoSession) if OPEN.contains(&path) => Ok(Reader::default()),
        Err(Refusal::NoSession) if for_programs(path) && only_looks(&head.method) => {
            program(shared, peer, headers).await.map_err(Box::new)
        }
        Err(Refusal::StrangeHost) if path == "/alive" => Ok(Reader::default()),
        Err(refusal) => Err(refuse(refusal)),
    }
}

/// A program with the password in its hand.
async fn program(shared: &Shared, peer: IpAddr, headers: &HeaderMap) -> Result<Reader, Response<Body>> {
    let plain = |status, words: &str| send::text(headers, status, "text/plain; charset=utf-8", words.to_owned());
    let Some(credential) = bearer(headers).map(str::to_owned) else {
        return Err(plain(
            StatusCode::UNAUTHORIZED,
            "log in, or send Authorization: Bearer with the page's password\n",
        ));
    };
    if shared.guard.knows(&credential) {
        return Ok(Reader::default());
    }
    if !shared.guard.wait(peer, shared.now()).is_zero() {
        return Err(plain(StatusCode::TOO_MANY_REQUESTS, "too many wrong passwords; wait\n"));
    }
    match shared.guard.guess(peer, credential.clone(), shared.now()).await {
        Some(true) => {
            shared.guard.remember(credential);
            Ok(Reader::default())
        }
        Some(false) => Err(plain(StatusCode::UNAUTHORIZED, "that is not the page's password\n")),
        None => Err(plain(StatusCode::TOO_MANY_REQUESTS, "busy; try again\n")),
    }
}

fn refused(head: &Head, refusal: Refusal) -> Response<Body> {
    let (headers, path) = (&head.headers, head.uri.path());
    match refusal {
        Refusal::NoSession if for_programs(path) || path.starts_with("/live") => {
            send::text(headers, StatusCode::UNAUTHORIZED, "text/plain; charset=utf-8", "log in first\n".to_owned())
        }
        // From a link in a mail a browser does not send the session: from our own page it does. So look once again.
        Refusal::NoSession if only_looks(&head.method) && from_elsewhere(headers) => {
            send::html(headers, StatusCode::OK, again())
        }
        Refusal::NoSession if only_looks(&head.method) => {
            let to = head.uri.path_and_query().map_or("/", |p| p.as_str());
            send::see(&format!("/login?to={}", frame::segment(to)))
        }
        Refusal::NoSession => page(
            headers,
            StatusCode::UNAUTHORIZED,
            "Not logged in",
            "Your session is over. Nothing was changed. Log in, then say it again.",
        ),
        Refusal::StrangeHost => page(
            headers,
            StatusCode::MISDIRECTED_REQUEST,
            "Not by this name",
            "Without a password this page answers to localhost and 127.0.0.1 only. To reach it by another name, set [page] password_file.",
        ),
        Refusal::OtherOrigin => page(
            headers,
            StatusCode::FORBIDDEN,
            "Not from here",
            "This was sent by another site's page. Nothing was changed.",
        ),
        Refusal::StaleForm => stale(headers),
    }
}

/// The form was of another session, or of none.
pub fn stale(headers: &HeaderMap) -> Response<Body> {
    page(
        headers,
        StatusCode::FORBIDDEN,
        "This form is too old",
        "Nothing was changed. Go back, reload the page, and say it again.",
    )
}

/// A short page with one thing to say.
pub fn page(headers: &HeaderMap, status: StatusCode, title: &str, words: &str) -> Response<Body> {
    let main = html! { div.enter { h1.ttl { (title) } p { (words) } p.gap { a href="/" { "To the wall" } } } };
    send::html(headers, status, frame::bare(title, main))
}

fn from_elsewhere(headers: &HeaderMap) -> bool {
    headers.get("sec-fetch-site").is_some_and(|site| site == "cross-site")
}

fn again() -> maud::Markup {
    let shell = frame::bare("One moment", html! { div.enter { p { a href="" { "Go on" } } } });
    let refresh = "<meta http-equiv=\"refresh\" content=\"0\"></head>";
    maud::PreEscaped(shell.into_string().replacen("</head>", refresh, 1))
}
