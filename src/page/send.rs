//! How an answer leaves: its headers, packed where that is understood, never kept by anybody in between.

use axum::body::Body;
use axum::http::{HeaderMap, HeaderName, HeaderValue, Response, StatusCode, header};
use flate2::Compression;
use flate2::write::GzEncoder;
use std::io::Write as _;

/// Smaller bodies are not worth packing.
const LEAST_PACKED: usize = 1_000;

/// What every answer carries. No script or style but our own files, no frame around us, nothing from elsewhere.
/// No Strict-Transport-Security (RFC 6797): at home a certificate is often one's own, and with that header a browser lets
/// nobody past a warning about it (section 8.4), not even a keeper at night.
const ALWAYS: [(HeaderName, &str); 7] = [
    (
        header::CONTENT_SECURITY_POLICY,
        "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; img-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    ),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::X_FRAME_OPTIONS, "DENY"),
    // Not no-referrer: with that a browser sends `Origin: null` with our own forms.
    (header::REFERRER_POLICY, "same-origin"),
    (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
    (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
    (HeaderName::from_static("permissions-policy"), "camera=(), microphone=(), geolocation=()"),
];

/// Puts on what every answer carries; what is already there stays.
pub fn dress(headers: &mut HeaderMap) {
    for (name, value) in ALWAYS {
        headers.entry(name).or_insert(HeaderValue::from_static(value));
    }
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
}

/// Whether the asker unpacks gzip.
fn unpacks(asked: &HeaderMap) -> bool {
    let accepted = asked.get(header::ACCEPT_ENCODING).and_then(|v| v.to_str().ok()).unwrap_or("");
    accepted.split(',').any(|part| {
        let mut words = part.trim().split(';');
        let refused = |q: &str| q.trim().strip_prefix("q=").is_some_and(|q| q.parse::<f64>().is_ok_and(|q| q <= 0.0));
        words.next().is_some_and(|name| name.trim() == "gzip") && !words.any(refused)
    })
}

/// A text, packed where that pays. `asked`: the request's headers.
pub fn text(asked: &HeaderMap, status: StatusCode, kind: &'static str, body: String) -> Response<Body> {
    let pack = body.len() >= LEAST_PACKED && unpacks(asked);
    let (body, packed) = match pack.then(|| gzip(body.as_bytes())) {
        Some(Some(packed)) => (Body::from(packed), true),
        _ => (Body::from(body), false),
    };
    let mut response = Response::new(body);
    *response.status_mut() = status;
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(kind));
    headers.insert(header::VARY, HeaderValue::from_static("accept-encoding, cookie"));
    if packed {
        headers.insert(header::CONTENT_ENCODING, HeaderValue::from_static("gzip"));
    }
    response
}

pub fn gzip(bytes: &[u8]) -> Option<Vec<u8>> {
    let mut packer = GzEncoder::new(Vec::with_capacity(bytes.len() / 4), Compression::new(4));
    packer.write_all(bytes).ok()?;
    packer.finish().ok()
}

pub const HTML: &str = "text/html; charset=utf-8";
pub const JSON: &str = "application/json";

pub fn html(asked: &HeaderMap, status: StatusCode, page: maud::Markup) -> Response<Body> {
    text(asked, status, HTML, page.into_string())
}

/// To another of our own pages, by GET.
pub fn see(address: &str) -> Response<Body> {
    let mut response = Response::new(Body::empty());
    *response.status_mut() = StatusCode::SEE_OTHER;
    let address = HeaderValue::from_str(address).unwrap_or(HeaderValue::from_static("/"));
    response.headers_mut().insert(header::LOCATION, address);
    response
}

/// Gives a browser a cookie along with an answer.
pub fn with_cookie(mut response: Response<Body>, cookie: Option<HeaderValue>) -> Response<Body> {
    if let Some(cookie) = cookie {
        response.headers_mut().append(header::SET_COOKIE, cookie);
    }
    response
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gzip_only_where_it_is_asked_for() {
        for (accept, packed) in
            [("gzip, br", true), ("br;q=1, gzip;q=0.5", true), ("gzip;q=0", false), ("", false), ("xgzip", false)]
        {
            let asked = HeaderMap::from_iter([(header::ACCEPT_ENCODING, accept.parse().unwrap())]);
            let sent = text(&asked, StatusCode::OK, HTML, "x".repeat(LEAST_PACKED));
            assert_eq!(sent.headers().contains_key(header::CONTENT_ENCODING), packed, "{accept}");
        }
    }
}
