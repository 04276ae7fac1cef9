//! A request on its way to a page: who asks, in which house, and how an answer is shown.

use super::frame::{Here, Page, Reader, Reload};
use super::standing::House;
use super::{Shared, gate, send};
use crate::engine::view::View;
use axum::body::Body;
use axum::extract::{Extension, FromRequestParts, Query};
use axum::http::request::Parts;
use axum::http::{HeaderMap, Response, StatusCode};
use maud::Markup;
use std::collections::BTreeMap;
use std::sync::Arc;

/// What an address asks after its question mark.
pub type Asks = Query<BTreeMap<String, String>>;
/// What a form says.
pub type Fields = BTreeMap<String, String>;

/// Whoever asks, and what all pages need to answer.
pub struct Visit {
    pub shared: Arc<Shared>,
    pub reader: Reader,
    pub headers: HeaderMap,
}

impl FromRequestParts<Arc<Shared>> for Visit {
    type Rejection = Response<Body>;

    async fn from_request_parts(parts: &mut Parts, shared: &Arc<Shared>) -> Result<Visit, Response<Body>> {
        let headers = parts.headers.clone();
        // The gate puts the reader there; without one nobody gets in.
        match Extension::<Reader>::from_request_parts(parts, shared).await {
            Ok(Extension(reader)) => Ok(Visit { shared: shared.clone(), reader, headers }),
            Err(_) => Err(gate::stale(&headers)),
        }
    }
}

impl Visit {
    pub fn view(&self) -> Arc<View> {
        self.shared.view()
    }

    /// One of the house's own pages.
    pub fn show(&self, house: &House, shown: Shown) -> Response<Body> {
        let Shown { here, title, live, reload, main } = shown;
        let age_s = self.shared.age().as_secs();
        let page = Page { house, reader: &self.reader, here, title, live, reload, age_s, main };
        send::html(&self.headers, StatusCode::OK, page.draw())
    }

    /// A short page with one thing to say.
    pub fn say(&self, status: StatusCode, title: &str, words: &str) -> Response<Body> {
        gate::page(&self.headers, status, title, words)
    }

    pub fn no_such_enclosure(&self) -> Response<Body> {
        let words = "It may have been renamed or taken out of the configuration.";
        self.say(StatusCode::NOT_FOUND, "No such enclosure", words)
    }

    /// Whether a form is of this reader's own page.
    pub fn own_form(&self, fields: &Fields) -> bool {
        self.shared.guard.form(&self.reader, fields.get("token").map(String::as_str)).is_ok()
    }
}

/// A page to be shown: quiet, unless it is told to live or to reload.
pub struct Shown {
    here: Here,
    title: String,
    live: Option<String>,
    reload: Reload,
    main: Markup,
}

impl Shown {
    pub fn new(here: Here, title: impl Into<String>, main: Markup) -> Shown {
        Shown { here, title: title.into(), live: None, reload: Reload::Never, main }
    }

    /// The address of its live updates.
    pub fn live(self, address: String) -> Shown {
        Shown { live: Some(address), ..self }
    }

    pub fn reload(self, reload: Reload) -> Shown {
        Shown { reload, ..self }
    }
}
