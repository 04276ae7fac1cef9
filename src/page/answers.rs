//! What keepers say by forms: read, checked against what is there, handed to the engine, and its answer shown with the
//! form that takes it back.

use super::frame::segment;
use super::gate::stale;
use super::guard::WHO_COOKIE;
use super::standing::House;
use super::visit::{Fields, Visit};
use super::{Asked, Left, Shared, Undo, forms, send};
use crate::engine::event::{Command, Order, TAKEN_BACK_WITHIN};
use crate::engine::view::View;
use crate::terms::time::Span;
use axum::body::Body;
use axum::extract::{Form, Path};
use axum::http::{Response, StatusCode};
use std::time::Duration;
use tokio::sync::oneshot;
use tokio::time::timeout;

/// How long the engine may take to answer.
pub const PATIENCE: Duration = Duration::from_secs(10);
/// How long the next page may wait for the view that shows what was done.
const SHOWN_WITHIN: Duration = Duration::from_secs(1);
/// The longest hands-in, minutes.
const LONGEST_HANDS_IN_MIN: i64 = 240;
/// The longest note in characters.
const LONGEST_NOTE: usize = 200;

/// What a form asks for, or why not, in words for whoever pressed.
type Read = Result<Order, String>;

pub async fn about_enclosure(
    visit: Visit,
    Path((id, what)): Path<(String, String)>,
    Form(fields): Form<Fields>,
) -> Response<Body> {
    let view = visit.view();
    let house = House::of(&view);
    if house.enclosure(&id).is_none() {
        return visit.no_such_enclosure();
    }
    let Some(order) = read_order(&house, &id, &what, &fields) else {
        return visit.say(StatusCode::NOT_FOUND, "No such answer", "Nothing was changed.");
    };
    carry(&visit, &fields, &view, order, &format!("/e/{}", segment(&id))).await
}

pub async fn about_incident(
    visit: Visit,
    Path((id, what)): Path<(String, String)>,
    Form(fields): Form<Fields>,
) -> Response<Body> {
    let view = visit.view();
    let Some(incident) = view.incidents.iter().find(|i| i.id == id) else {
        let words = "This incident is not open any more. Nothing was changed.";
        return visit.say(StatusCode::NOT_FOUND, "That has ended", words);
    };
    let back = match incident.enclosures.as_slice() {
        [one] => format!("/e/{}", segment(one)),
        _ => format!("/i/{}", segment(&id)),
    };
    let order = match what.as_str() {
        "acknowledge" => Order::AcknowledgeIncident { incident: id },
        "take-back" => Order::TakeBack { incident: id },
        _ => return visit.say(StatusCode::NOT_FOUND, "No such answer", "Nothing was changed."),
    };
    carry(&visit, &fields, &view, Ok(order), &back).await
}

pub async fn drill(visit: Visit, Form(fields): Form<Fields>) -> Response<Body> {
    let view = visit.view();
    carry(&visit, &fields, &view, Ok(Order::Drill), "/mails").await
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
            Some(until) if until.since(house.now()) > forms::LONGEST_SHELF => Err("At most 7 days ahead.".to_owned()),
            Some(until) => Ok(Order::Shelve { enclosure, until }),
            None => Err("Say until when: a date and a time.".to_owned()),
        },
        "unshelve" => Ok(Order::Unshelve { enclosure }),
        "mark" => read_mark(enclosure, field("mark"), field("note")),
        "strike" => Ok(Order::Strike { enclosure, what: field("what").to_owned() }),
        _ => return None,
    })
}

fn read_mark(enclosure: String, mark: &str, note: &str) -> Read {
    if let Some((word, _)) = forms::MARKS.iter().find(|(word, _)| *word == mark) {
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

/// The form that takes an order back, where it can be.
fn undo(house: &House, order: &Order) -> Option<Undo> {
    let of = |id: &str, what: &str| format!("/e/{}/{what}", segment(id));
    let mut fields = vec![];
    let path = match order {
        Order::AcknowledgeIncident { incident } => format!("/i/{}/take-back", segment(incident)),
        Order::HandsIn { enclosure, length } if *length > Span::ZERO => of(enclosure, "hands-out"),
        Order::Shelve { enclosure, .. } => of(enclosure, "unshelve"),
        Order::Unshelve { enclosure } => {
            let until = house.enclosure(enclosure).and_then(|e| e.shelved_until)?;
            fields.push(("until".to_owned(), house.words.field(until)));
            of(enclosure, "shelve")
        }
        Order::Mark { enclosure, what } if forms::may_be_struck(what) => {
            fields.push(("what".to_owned(), what.clone()));
            of(enclosure, "strike")
        }
        _ => return None,
    };
    Some(Undo { path, fields, until: house.now() + TAKEN_BACK_WITHIN })
}

/// Who says it: a keeper by id, or the page where there is no keeper.
pub fn read_who<'a>(view: &View, fields: &'a Fields) -> Result<&'a str, String> {
    let by = fields.get("by").map_or("", String::as_str);
    let known = view.keepers.iter().any(|k| k.id == by) || (view.keepers.is_empty() && by == "page");
    if known { Ok(by) } else { Err("Say who you are.".to_owned()) }
}

/// Hands an order to the engine, waits for its answer, and leads to the page that shows it.
async fn carry(visit: &Visit, fields: &Fields, view: &View, order: Read, back: &str) -> Response<Body> {
    if !visit.own_form(fields) {
        return stale(&visit.headers);
    }
    let read = order.and_then(|order| read_who(view, fields).map(|by| Command { by: by.to_owned(), order }));
    let command = match read {
        Ok(command) => command,
        Err(words) => return visit.say(StatusCode::UNPROCESSABLE_ENTITY, "Not understood", &words),
    };
    let (by, undo) = (command.by.clone(), undo(&House::of(view), &command.order));
    let mut view = visit.shared.doors.view.clone();
    view.borrow_and_update();
    let (answer, answered) = oneshot::channel();
    if visit.shared.doors.asked.try_send(Asked { command, answer }).is_err() {
        return not_heard(visit);
    }
    let Ok(Ok(answer)) = timeout(PATIENCE, answered).await else { return no_answer(visit) };
    // The page that is shown next should show what was done: the daemon publishes a view after each command.
    let _ = timeout(SHOWN_WITHIN, view.changed()).await;
    let undo = undo.filter(|_| answer.done);
    answered_with(visit, Left { answer, undo, by: by.clone() }, &by, back)
}

pub fn not_heard(visit: &Visit) -> Response<Body> {
    let words = "Warmside is busy or going down. Nothing was changed. Try again.";
    visit.say(StatusCode::SERVICE_UNAVAILABLE, "Not heard", words)
}

pub fn no_answer(visit: &Visit) -> Response<Body> {
    let words = "Warmside took it but has not answered. Look at the wall before you say it again.";
    visit.say(StatusCode::GATEWAY_TIMEOUT, "No answer yet", words)
}

/// Leads to the page that shows what was answered; the browser remembers who spoke.
pub fn answered_with(visit: &Visit, left: Left, by: &str, back: &str) -> Response<Body> {
    let shared = &visit.shared;
    let key = shared.leave_words(left);
    let cookie = shared.guard.cookie(&visit.headers, WHO_COOKIE, by, 365 * 86_400);
    let (path, anchor) = back.split_once('#').map_or((back, String::new()), |(path, at)| (path, format!("#{at}")));
    send::with_cookie(send::see(&format!("{path}?told={key}{anchor}")), cookie)
}

/// The words that a page's address carries the key of.
pub fn told(shared: &Shared, key: Option<&String>) -> Option<Left> {
    shared.words_left(key.map_or("", String::as_str))
}
