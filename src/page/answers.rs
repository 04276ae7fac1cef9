//! What keepers say by forms: read, checked against what is there, handed to the engine, and its answer shown.

use super::frame::{Reader, segment};
use super::gate::{page, session_cookie, stale};
use super::guard::WHO_COOKIE;
use super::standing::House;
use super::{Answer, Asked, Shared, enclosure, send};
use crate::engine::event::{Command, Order};
use crate::engine::view::View;
use crate::terms::time::Span;
use axum::body::Body;
use axum::extract::{Extension, Form, Path, State};
use axum::http::{HeaderMap, HeaderValue, Response, StatusCode, header};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::oneshot;
use tokio::time::timeout;

/// How long the engine may take to answer.
const PATIENCE: Duration = Duration::from_secs(10);
/// How long the next page may wait for the view that shows what was done.
const SHOWN_WITHIN: Duration = Duration::from_secs(1);
/// The longest hands-in, minutes.
const LONGEST_HANDS_IN_MIN: i64 = 240;
/// The longest note in characters.
const LONGEST_NOTE: usize = 200;

type Fields = BTreeMap<String, String>;

/// What a form asks for, or why not, in words for whoever pressed.
type Read = Result<Order, String>;

pub async fn about_enclosure(
    State(shared): State<Arc<Shared>>,
    Extension(reader): Extension<Reader>,
    Path((id, what)): Path<(String, String)>,
    headers: HeaderMap,
    Form(fields): Form<Fields>,
) -> Response<Body> {
    let view = shared.view();
    let house = House::of(&view);
    if house.enclosure(&id).is_none() {
        return page(
            &headers,
            StatusCode::NOT_FOUND,
            "No such enclosure",
            "It may have been renamed or taken out of the configuration.",
        );
    }
    let order = read_order(&house, &id, &what, &fields);
    let Some(order) = order else {
        return page(&headers, StatusCode::NOT_FOUND, "No such answer", "Nothing was changed.");
    };
    carry(&shared, &reader, &headers, &fields, &view, order, &format!("/e/{}", segment(&id))).await
}

pub async fn acknowledge(
    State(shared): State<Arc<Shared>>,
    Extension(reader): Extension<Reader>,
    Path(id): Path<String>,
    headers: HeaderMap,
    Form(fields): Form<Fields>,
) -> Response<Body> {
    let view = shared.view();
    let Some(incident) = view.incidents.iter().find(|i| i.id == id) else {
        return page(
            &headers,
            StatusCode::NOT_FOUND,
            "That has ended",
            "This incident is not open any more. Nothing was changed.",
        );
    };
    let back = match incident.enclosures.as_slice() {
        [one] => format!("/e/{}", segment(one)),
        _ => format!("/i/{}", segment(&id)),
    };
    let order = Ok(Order::AcknowledgeIncident { incident: id });
    carry(&shared, &reader, &headers, &fields, &view, order, &back).await
}

pub async fn drill(
    State(shared): State<Arc<Shared>>,
    Extension(reader): Extension<Reader>,
    headers: HeaderMap,
    Form(fields): Form<Fields>,
) -> Response<Body> {
    let view = shared.view();
    carry(&shared, &reader, &headers, &fields, &view, Ok(Order::Drill), "/mails").await
}

/// `None`: no such word.
fn read_order(house: &House, id: &str, what: &str, fields: &Fields) -> Option<Read> {
    let enclosure = id.to_owned();
    let field = |name: &str| fields.get(name).map_or("", |v| v.trim());
    Some(match what {
        "hands-in" => match field("minutes").parse::<i64>() {
            Ok(min) if (1..=LONGEST_HANDS_IN_MIN).contains(&min) => {
                Ok(Order::HandsIn { enclosure, length: Span::min(min) })
            }
            _ => Err(format!("Say how many minutes, 1 to {LONGEST_HANDS_IN_MIN}.")),
        },
        "hands-out" => Ok(Order::HandsIn { enclosure, length: Span::ZERO }),
        "shelve" => match house.words.read_field(field("until")) {
            Some(until) if until <= house.now() => Err("That time has passed already.".to_owned()),
            Some(until) if until.since(house.now()) > enclosure::LONGEST_SHELF => {
                Err("At most 7 days ahead.".to_owned())
            }
            Some(until) => Ok(Order::Shelve { enclosure, until }),
            None => Err("Say until when: a date and a time.".to_owned()),
        },
        "unshelve" => Ok(Order::Unshelve { enclosure }),
        "mark" => read_mark(enclosure, field("mark"), field("note")),
        _ => return None,
    })
}

fn read_mark(enclosure: String, mark: &str, note: &str) -> Read {
    if let Some((word, _)) = enclosure::MARKS.iter().find(|(word, _)| *word == mark) {
        return Ok(Order::Mark { enclosure, what: (*word).to_owned() });
    }
    // One line of text: what a control character would do to a log or a mail is nobody's note.
    let note: String = note.chars().filter(|c| !c.is_control()).take(LONGEST_NOTE).collect();
    if note.trim().is_empty() {
        Err("Write a note, or choose a mark.".to_owned())
    } else {
        Ok(Order::Mark { enclosure, what: note })
    }
}

/// Who says it: a keeper by id, or the page where there is no keeper.
fn read_who<'a>(view: &View, fields: &'a Fields) -> Result<&'a str, String> {
    let by = fields.get("by").map_or("", String::as_str);
    let known = view.keepers.iter().any(|k| k.id == by) || (view.keepers.is_empty() && by == "page");
    if known { Ok(by) } else { Err("Say who you are.".to_owned()) }
}

/// Hands an order to the engine, waits for its answer, and leads to the page that shows it.
async fn carry(
    shared: &Shared,
    reader: &Reader,
    headers: &HeaderMap,
    fields: &Fields,
    view: &View,
    order: Read,
    back: &str,
) -> Response<Body> {
    if shared.guard.form(reader, fields.get("token").map(String::as_str)).is_err() {
        return stale(headers);
    }
    let read = order.and_then(|order| read_who(view, fields).map(|by| Command { by: by.to_owned(), order }));
    let command = match read {
        Ok(command) => command,
        Err(words) => return page(headers, StatusCode::UNPROCESSABLE_ENTITY, "Not understood", &words),
    };
    let by = command.by.clone();
    let mut view = shared.doors.view.clone();
    view.borrow_and_update();
    let (answer, answered) = oneshot::channel();
    if shared.doors.asked.try_send(Asked { command, answer }).is_err() {
        return page(
            headers,
            StatusCode::SERVICE_UNAVAILABLE,
            "Not heard",
            "Warmside is busy or going down. Nothing was changed. Try again.",
        );
    }
    let Ok(Ok(answer)) = timeout(PATIENCE, answered).await else {
        return page(
            headers,
            StatusCode::GATEWAY_TIMEOUT,
            "No answer yet",
            "Warmside took it but has not answered. Look at the wall before you say it again.",
        );
    };
    // The page that is shown next should show what was done: the daemon publishes a view after each command.
    let _ = timeout(SHOWN_WITHIN, view.changed()).await;
    let key = shared.leave_words(answer);
    let mut response = send::see(&format!("{back}?told={key}"));
    let cookie = session_cookie(headers, WHO_COOKIE, &by, 365 * 86_400);
    if let Ok(cookie) = HeaderValue::from_str(&cookie) {
        response.headers_mut().append(header::SET_COOKIE, cookie);
    }
    response
}

/// The words that a page's address carries the key of.
pub fn told(shared: &Shared, key: Option<&String>) -> Option<Answer> {
    shared.words_left(key.map_or("", String::as_str))
}
