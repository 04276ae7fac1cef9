//! Every address of the page, and what answers there.

use super::frame::{self, Here, Page, Reader};
use super::gate::{self, Peer, page};
use super::guard::{SESSION_COOKIE, SESSION_LASTS};
use super::past::{Past, Told};
use super::standing::House;
use super::{Shared, answers, api, asset, enclosure, ledger, live, metrics, needs, plots, send, setup, wall};
use crate::engine::view::View;
use crate::terms::time::Wall;
use axum::Router;
use axum::body::Body;
use axum::extract::{ConnectInfo, DefaultBodyLimit, Extension, Form, Path, Query, State};
use axum::http::{HeaderMap, HeaderValue, Response, StatusCode, header};
use axum::middleware::from_fn_with_state;
use axum::routing::{get, post};
use maud::{Markup, html};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Lines of the ledger on an enclosure's page.
const LAST_LINES: usize = 12;
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
        .route("/setup", get(setup_page))
        .route("/ledger", get(ledger_page))
        .route("/mails", get(mails_page))
        .route("/mails/{id}", get(mail_page))
        .route(
            "/metrics",
            get(|State(s): State<Arc<Shared>>, h: HeaderMap| async move {
                send::text(&h, StatusCode::OK, metrics::KIND, metrics::text(&House::of(&s.view())))
            }),
        )
        .route("/live/wall", get(live_wall))
        .route("/live/e/{id}", get(live_enclosure))
        .route("/login", get(login_page).post(login))
        .route("/logout", post(logout))
        .route("/alive", get(alive))
        .route("/style.css", get(|h: HeaderMap| file(h, "text/css; charset=utf-8", asset::STYLE_TEXT)))
        .route("/live.js", get(|h: HeaderMap| file(h, "text/javascript; charset=utf-8", asset::SCRIPT_TEXT)))
        .route("/icon.svg", get(|h: HeaderMap| file(h, "image/svg+xml", asset::ICON_TEXT)))
        .merge(api::router())
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

/// Asks the past from a thread that may block.
pub async fn ask<T>(past: Arc<dyn Past>, ask: impl FnOnce(&dyn Past) -> T + Send + 'static) -> T
where
    T: FromFailure + Send + 'static,
{
    tokio::task::spawn_blocking(move || ask(&*past)).await.unwrap_or_else(|_| T::failed())
}

/// What is told when the asking itself failed.
pub trait FromFailure {
    fn failed() -> Self;
}

impl<T> FromFailure for Told<T> {
    fn failed() -> Self {
        Err("the store's thread ended".to_owned())
    }
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
    let mut more = past_of(&shared, &view, &id, &asks).await;
    more.told = answers::told(&shared, asks.get("told"));
    let main = enclosure::main(&house, of, &reader, &more);
    let live = Some(format!("/live/e/{}", frame::segment(&id)));
    let title = enclosure::title(&house, of);
    show(&shared, &headers, &reader, &house, Shown { here: Here::Within, title, live, reload: false, main })
}

/// Plots, ledger and what was before: everything that the store is asked for, on one thread.
async fn past_of(shared: &Shared, view: &Arc<View>, id: &str, asks: &BTreeMap<String, String>) -> enclosure::More {
    let (view, id) = (view.clone(), id.to_owned());
    let stretch = plots::Stretch::from_word(asks.get("span").map_or("", String::as_str));
    let until = asks.get("until").and_then(|ms| ms.parse().ok()).map(Wall::from_ms);
    let told = ask(shared.doors.past.clone(), move |past| {
        let house = House::of(&view);
        let Some(of) = house.enclosure(&id) else { return Err(String::new()) };
        let before = house.speaks_for(of).map_or(vec![], |i| plots::before(past, of, i.since));
        let lines = past.ledger(Some(&id), Wall::MAX, LAST_LINES).unwrap_or_default();
        let plots = Some(plots::plots(&house, of, past, stretch, until));
        Ok(enclosure::More { told: None, before, plots, ledger: Some(ledger::of_enclosure(&house, &id, &lines)) })
    });
    told.await.unwrap_or_default()
}

async fn setup_page(
    State(shared): State<Arc<Shared>>,
    Extension(reader): Extension<Reader>,
    headers: HeaderMap,
) -> Response<Body> {
    let view = shared.view();
    let house = House::of(&view);
    let main = setup::main(&house);
    show(
        &shared,
        &headers,
        &reader,
        &house,
        Shown { here: Here::Setup, title: "Setup".to_owned(), live: None, reload: false, main },
    )
}

async fn ledger_page(
    State(shared): State<Arc<Shared>>,
    Extension(reader): Extension<Reader>,
    Query(asks): Asks,
    headers: HeaderMap,
) -> Response<Body> {
    let view = shared.view();
    let house = House::of(&view);
    let sought = asks.get("q").cloned().unwrap_or_default();
    let of = asks.get("enclosure").filter(|id| house.enclosure(id).is_some()).cloned();
    let (before, many) =
        (ledger::before(asks.get("before")), if sought.is_empty() { ledger::LINES } else { ledger::SOUGHT });
    let asked = of.clone();
    let told = ask(shared.doors.past.clone(), move |past| past.ledger(asked.as_deref(), before, many)).await;
    let (entries, trouble) = match told {
        Ok(entries) => (ledger::sought(entries, &sought), None),
        Err(why) => (vec![], Some(why)),
    };
    let main = ledger::ledger(&house, &entries, &sought, of.as_deref(), trouble.as_deref());
    show(
        &shared,
        &headers,
        &reader,
        &house,
        Shown { here: Here::Ledger, title: "Ledger".to_owned(), live: None, reload: false, main },
    )
}

async fn mails_page(
    State(shared): State<Arc<Shared>>,
    Extension(reader): Extension<Reader>,
    Query(asks): Asks,
    headers: HeaderMap,
) -> Response<Body> {
    let view = shared.view();
    let house = House::of(&view);
    let sought = asks.get("q").cloned().unwrap_or_default();
    let many = if sought.is_empty() { ledger::LINES } else { ledger::SOUGHT };
    let told = ask(shared.doors.past.clone(), move |past| past.mails(many)).await;
    let (mut mails, trouble) = told.map_or_else(|why| (vec![], Some(why)), |mails| (mails, None));
    mails.retain(|m| ledger::holds(&format!("{} {}", m.subject, m.text), &sought));
    mails.truncate(ledger::LINES);
    let words = answers::told(&shared, asks.get("told"));
    let main = ledger::mails(&house, &reader, &mails, &sought, words.as_ref(), trouble.as_deref());
    show(
        &shared,
        &headers,
        &reader,
        &house,
        Shown { here: Here::Mails, title: "Mails".to_owned(), live: None, reload: false, main },
    )
}

async fn mail_page(
    State(shared): State<Arc<Shared>>,
    Extension(reader): Extension<Reader>,
    Path(id): Path<String>,
    headers: HeaderMap,
) -> Response<Body> {
    let view = shared.view();
    let house = House::of(&view);
    match ask(shared.doors.past.clone(), move |past| past.mail(&id)).await {
        Ok(Some(mail)) => {
            let main = ledger::mail(&house, &mail);
            show(
                &shared,
                &headers,
                &reader,
                &house,
                Shown { here: Here::Within, title: mail.subject, live: None, reload: false, main },
            )
        }
        Ok(None) => page(&headers, StatusCode::NOT_FOUND, "No such mail", "It may be older than the store keeps."),
        Err(why) => page(&headers, StatusCode::SERVICE_UNAVAILABLE, "Not now", &super::words::cut(&why)),
    }
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
