//! Every address of the page, and what answers there.

use super::gate::page;
use super::standing::House;
use super::visit::{Asks, Visit};
use super::{Shared, answers, api, asset, enter, frame, gate, live, metrics, pages, send, tying};
use axum::Router;
use axum::body::Body;
use axum::extract::{DefaultBodyLimit, Path, Query, State};
use axum::http::{HeaderMap, HeaderValue, Response, StatusCode, header};
use axum::middleware::from_fn_with_state;
use axum::routing::{get, post};
use std::sync::Arc;

/// Bytes of a form: the longest has a note and a token.
pub const LARGEST_FORM: usize = 8 << 10;

pub fn router(shared: Arc<Shared>) -> Router {
    Router::new()
        .route("/", get(pages::wall_page))
        .route("/e/{id}", get(pages::enclosure_page))
        .route("/e/{id}/{what}", post(answers::about_enclosure))
        .route("/i/{id}", get(pages::incident_page))
        .route("/i/{id}/{what}", post(answers::about_incident))
        .route("/drill", post(answers::drill))
        .route("/setup", get(tying::setup_page))
        .route("/setup/touch", get(tying::touch_page).post(tying::touch))
        .route("/setup/{what}", post(tying::wish))
        .route("/ledger", get(pages::ledger_page))
        .route("/mails", get(pages::mails_page))
        .route("/mails/{id}", get(pages::mail_page))
        .route("/metrics", get(metrics_text))
        .route("/live/wall", get(live_wall))
        .route("/live/e/{id}", get(live_enclosure))
        .route("/login", get(enter::login_page).post(enter::login))
        .route("/logout", post(enter::logout))
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

async fn metrics_text(State(shared): State<Arc<Shared>>, headers: HeaderMap) -> Response<Body> {
    send::text(&headers, StatusCode::OK, metrics::KIND, metrics::text(&House::of(&shared.view())))
}

async fn live_wall(visit: Visit, Query(asks): Asks) -> Response<Body> {
    let Visit { shared, reader, headers } = visit;
    let since = asks.get("since").and_then(|s| s.parse().ok()).unwrap_or(0);
    live::wall_stream(shared, headers.clone(), reader, since).unwrap_or_else(|| full(&headers))
}

async fn live_enclosure(visit: Visit, Path(id): Path<String>) -> Response<Body> {
    let Visit { shared, reader, headers } = visit;
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
