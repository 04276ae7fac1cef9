//! Every address of the page, and what answers there.

use super::frame::{self, Here, Page, Reader};
use super::gate::{self, Peer, page};
use super::guard::{SESSION_COOKIE, SESSION_LASTS};
use super::standing::House;
use super::{Shared, answers, asset, enclosure, live, needs, send, wall};
use axum::Router;
use axum::body::Body;
use axum::extract::{ConnectInfo, DefaultBodyLimit, Extension, Form, Path, Query, State};
use axum::http::{HeaderMap, HeaderValue, Response, StatusCode, header};
use axum::middleware::from_fn_with_state;
use axum::routing::{get, post};
use maud::{Markup, html};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Bytes of a form: the longest has a note and a token.
pub const LARGEST_FORM: usize = 8 << 10;

pub type Asks = Query<BTreeMap<String, String>>;

pub fn router(shared: Arc<Shared>) -> Router {
    Router::new()
        .route("/", get(wall_page))
        .route("/e/{id}", get(enclosure_page))
        .route("/e/{id}/{what}", post(answers::about_enclosure))
        .route("/i/{id}", get(incident_page))
        .route("/i/{id}/acknowledge", post(answers::acknowledge))
        .route("/drill", post(answers::drill))
        .route("/live/wall", get(live_wall))
        .route("/live/e/{id}", get(live_enclosure))
        .route("/login", get(login_page).post(login))
        .route("/logout", post(logout))
        .route("/alive", get(alive))
        .route("/style.css", get(|h: HeaderMap| file(h, "text/css; charset=utf-8", asset::STYLE_TEXT)))
        .route("/live.js", get(|h: HeaderMap| file(h, "text/javascript; charset=utf-8", asset::SCRIPT_TEXT)))
        .route("/icon.svg", get(|h: HeaderMap| file(h, "image/svg+xml", asset::ICON_TEXT)))
        .fallback(nowhere)
        .layer(DefaultBodyLimit::max(LARGEST_FORM))
        .layer(from_fn_with_state(shared.clone(), gate::pass))
        .with_state(shared)
}

async fn file(headers: HeaderMap, kind: &'static str, text: &'static str) -> Response<Body> {
    let mut response = send::text(&headers, StatusCode::OK, kind, text.to_owned());
    // Under an address that names its version it never changes.
    response.headers_mut().insert(header::CACHE_CONTROL, HeaderValue::from_static("max-age=31536000, immutable"));
    response
}

async fn nowhere(headers: HeaderMap) -> Response<Body> {
    page(&headers, StatusCode::NOT_FOUND, "Nothing here", "There is no page at this address.")
}

/// One of the house's own pages.
pub struct Shown {
    pub here: Here,
    pub title: String,
    pub live: Option<String>,
    pub reload: bool,
    pub main: Markup,
}

pub fn show(shared: &Shared, headers: &HeaderMap, reader: &Reader, house: &House, shown: Shown) -> Response<Body> {
    let Shown { here, title, live, reload, main } = shown;
    let page = Page { house, reader, here, title, live, reload, age_s: shared.age().as_secs(), main };
    send::html(headers, StatusCode::OK, page.draw())
}

async fn wall_page(
    State(shared): State<Arc<Shared>>,
    Extension(reader): Extension<Reader>,
    Query(mut asks): Asks,
    headers: HeaderMap,
) -> Response<Body> {
    // Before the view is taken: what changes in between is said twice, never lost.
    let since = shared.live.generation();
    let view = shared.view();
    let house = House::of(&view);
    let filter =
        wall::Filter { room: asks.remove("room"), circuit: asks.remove("circuit"), state: asks.remove("state") };
    let main = wall::main(&house, &reader, &filter);
    let (title, live) = (needs::title(&house), Some(format!("/live/wall?since={since}")));
    show(&shared, &headers, &reader, &house, Shown { here: Here::Wall, title, live, reload: true, main })
}

async fn enclosure_page(
    State(shared): State<Arc<Shared>>,
    Extension(reader): Extension<Reader>,
    Path(id): Path<String>,
    Query(asks): Asks,
    headers: HeaderMap,
) -> Response<Body> {
    let view = shared.view();
    let house = House::of(&view);
    let Some(of) = house.enclosure(&id) else {
        return page(
            &headers,
            StatusCode::NOT_FOUND,
            "No such enclosure",
            "It may have been renamed or taken out of the configuration.",
        );
    };
    let more = enclosure::More { told: answers::told(&shared, asks.get("told")), ..Default::default() };
    let main = enclosure::main(&house, of, &reader, &more);
    let live = Some(format!("/live/e/{}", frame::segment(&id)));
    let title = enclosure::title(&house, of);
    show(&shared, &headers, &reader, &house, Shown { here: Here::Within, title, live, reload: false, main })
}

async fn incident_page(
    State(shared): State<Arc<Shared>>,
    Extension(reader): Extension<Reader>,
    Path(id): Path<String>,
    Query(asks): Asks,
    headers: HeaderMap,
) -> Response<Body> {
    let view = shared.view();
    let house = House::of(&view);
    let Some(incident) = view.incidents.iter().find(|i| i.id == id) else {
        let main = html! { h1.ttl { "That has ended" } p { "The incident " (id) " is not open any more. " a href="/" { "To the wall" } ", " a href="/ledger" { "to the ledger" } "." } };
        let mut gone = show(
            &shared,
            &headers,
            &reader,
            &house,
            Shown { here: Here::Within, title: "Ended".to_owned(), live: None, reload: false, main },
        );
        *gone.status_mut() = StatusCode::NOT_FOUND;
        return gone;
    };
    let told = answers::told(&shared, asks.get("told"));
    let main = enclosure::incident(&house, incident, &reader, told.as_ref());
    let title = format!("{}: {}", house.whom(incident), super::mark::says(incident.cause));
    show(&shared, &headers, &reader, &house, Shown { here: Here::Within, title, live: None, reload: false, main })
}

async fn live_wall(
    State(shared): State<Arc<Shared>>,
    Extension(reader): Extension<Reader>,
    Query(asks): Asks,
    headers: HeaderMap,
) -> Response<Body> {
    let since = asks.get("since").and_then(|s| s.parse().ok()).unwrap_or(0);
    let stream = live::wall_stream(shared, headers.clone(), reader, since);
    stream.unwrap_or_else(|| full(&headers))
}

async fn live_enclosure(
    State(shared): State<Arc<Shared>>,
    Extension(reader): Extension<Reader>,
    Path(id): Path<String>,
    headers: HeaderMap,
) -> Response<Body> {
    live::enclosure_stream(shared, headers.clone(), reader, id).unwrap_or_else(|| full(&headers))
}

fn full(headers: &HeaderMap) -> Response<Body> {
    page(headers, StatusCode::SERVICE_UNAVAILABLE, "Too many viewers", "Live updates are full. The page still reloads.")
}

/// For whatever watches the watcher: tells nothing but that the engine showed itself lately.
async fn alive(State(shared): State<Arc<Shared>>, headers: HeaderMap) -> Response<Body> {
    let alive = shared.age().as_secs() < frame::OLD_AFTER_S;
    let (status, words) = if alive {
        (StatusCode::OK, "alive\n")
    } else {
        (StatusCode::SERVICE_UNAVAILABLE, "the engine stands still\n")
    };
    send::text(&headers, status, "text/plain; charset=utf-8", words.to_owned())
}

/// Where to go after the way in: one of our own pages, never somebody else's.
fn safe_way(to: Option<&str>) -> &str {
    let ours = |to: &&str| {
        to.starts_with('/') && !to.starts_with("//") && to.bytes().all(|b| b.is_ascii_graphic() && b != b'\\')
    };
    to.filter(ours).unwrap_or("/")
}

fn login_form(headers: &HeaderMap, status: StatusCode, to: &str, words: Option<&str>) -> Response<Body> {
    let main = html! {
        div.enter {
            h1.ttl { "Warmside" }
            @if let Some(words) = words { p.told role="alert" { (words) } }
            form method="post" action="/login" {
                input type="hidden" name="to" value=(to);
                label { "Password" input type="password" name="password" autocomplete="current-password" required autofocus; }
                button.main type="submit" { "Log in" }
            }
        }
    };
    send::html(headers, status, frame::bare("Log in", main))
}

async fn login_page(State(shared): State<Arc<Shared>>, Query(asks): Asks, headers: HeaderMap) -> Response<Body> {
    if !shared.guard.asks_for_password() {
        return send::see("/");
    }
    login_form(&headers, StatusCode::OK, safe_way(asks.get("to").map(String::as_str)), None)
}

async fn login(
    State(shared): State<Arc<Shared>>,
    ConnectInfo(Peer(peer)): ConnectInfo<Peer>,
    headers: HeaderMap,
    Form(fields): Form<BTreeMap<String, String>>,
) -> Response<Body> {
    let to = safe_way(fields.get("to").map(String::as_str)).to_owned();
    let wait = shared.guard.wait(peer.ip(), shared.now());
    if !wait.is_zero() {
        let words = format!("Too many wrong passwords. Try again in {} s.", wait.as_secs() + 1);
        let mut response = login_form(&headers, StatusCode::TOO_MANY_REQUESTS, &to, Some(&words));
        response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from(wait.as_secs() + 1));
        return response;
    }
    let guess = fields.get("password").cloned().unwrap_or_default();
    match shared.guard.guess(peer.ip(), guess, shared.now()).await {
        Some(true) => match shared.guard.enter(shared.now()) {
            Some(id) => {
                let cookie = gate::session_cookie(&headers, SESSION_COOKIE, &id, SESSION_LASTS.as_secs());
                let mut response = send::see(&to);
                if let Ok(cookie) = HeaderValue::from_str(&cookie) {
                    response.headers_mut().append(header::SET_COOKIE, cookie);
                }
                response
            }
            None => {
                login_form(&headers, StatusCode::SERVICE_UNAVAILABLE, &to, Some("This machine gives no random bytes."))
            }
        },
        Some(false) => login_form(&headers, StatusCode::UNAUTHORIZED, &to, Some("That is not the password.")),
        None => login_form(&headers, StatusCode::TOO_MANY_REQUESTS, &to, Some("Busy. Try again.")),
    }
}

async fn logout(
    State(shared): State<Arc<Shared>>,
    Extension(reader): Extension<Reader>,
    headers: HeaderMap,
    Form(fields): Form<BTreeMap<String, String>>,
) -> Response<Body> {
    if shared.guard.form(&reader, fields.get("token").map(String::as_str)).is_err() {
        return gate::stale(&headers);
    }
    shared.guard.leave(&headers);
    let mut response = send::see("/login");
    let over = gate::session_cookie(&headers, SESSION_COOKIE, "", 0);
    if let Ok(over) = HeaderValue::from_str(&over) {
        response.headers_mut().append(header::SET_COOKIE, over);
    }
    response
}

#[cfg(test)]
mod tests {
    use super::safe_way;

    #[test]
    fn after_the_login_one_stays_in_the_house() {
        for (to, want) in [
            ("/e/a3?told=x", "/e/a3?told=x"),
            ("//evil.example", "/"),
            ("/\\evil.example", "/"),
            ("https://evil.example", "/"),
            ("/x\r\nSet-Cookie: a=b", "/"),
            ("", "/"),
        ] {
            assert_eq!(safe_way(Some(to)), want, "{to}");
        }
        assert_eq!(safe_way(None), "/");
    }
}
