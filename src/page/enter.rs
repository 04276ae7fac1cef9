//! The way in and out: the password, its guessing slowed, and the session that follows.

use super::frame;
use super::gate::Peer;
use super::guard::{SESSION_COOKIE, SESSION_LASTS};
use super::visit::{Asks, Fields, Visit};
use super::{gate, send};
use axum::body::Body;
use axum::extract::{ConnectInfo, Form, Query};
use axum::http::{HeaderMap, HeaderValue, Response, StatusCode, header};
use maud::html;

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

pub async fn login_page(visit: Visit, Query(asks): Asks) -> Response<Body> {
    if !visit.shared.guard.asks_for_password() {
        return send::see("/");
    }
    login_form(&visit.headers, StatusCode::OK, safe_way(asks.get("to").map(String::as_str)), None)
}

pub async fn login(
    visit: Visit,
    ConnectInfo(Peer(peer)): ConnectInfo<Peer>,
    Form(fields): Form<Fields>,
) -> Response<Body> {
    let Visit { shared, headers, .. } = &visit;
    let to = safe_way(fields.get("to").map(String::as_str)).to_owned();
    let wait = shared.guard.wait(peer.ip(), shared.now());
    if !wait.is_zero() {
        let words = format!("Too many wrong passwords. Try again in {} s.", wait.as_secs() + 1);
        let mut response = login_form(headers, StatusCode::TOO_MANY_REQUESTS, &to, Some(&words));
        response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from(wait.as_secs() + 1));
        return response;
    }
    let guess = fields.get("password").cloned().unwrap_or_default();
    match shared.guard.guess(peer.ip(), guess, shared.now()).await {
        Some(true) => match shared.guard.enter(shared.now()) {
            Some(id) => {
                let cookie = shared.guard.cookie(headers, SESSION_COOKIE, &id, SESSION_LASTS.as_secs());
                send::with_cookie(send::see(&to), cookie)
            }
            None => {
                login_form(headers, StatusCode::SERVICE_UNAVAILABLE, &to, Some("This machine gives no random bytes."))
            }
        },
        Some(false) => login_form(headers, StatusCode::UNAUTHORIZED, &to, Some("That is not the password.")),
        None => login_form(headers, StatusCode::TOO_MANY_REQUESTS, &to, Some("Busy. Try again.")),
    }
}

pub async fn logout(visit: Visit, Form(fields): Form<Fields>) -> Response<Body> {
    let Visit { shared, headers, .. } = &visit;
    if !visit.own_form(&fields) {
        return gate::stale(headers);
    }
    shared.guard.leave(headers);
    send::with_cookie(send::see("/login"), shared.guard.cookie(headers, SESSION_COOKIE, "", 0))
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
