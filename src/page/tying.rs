//! What is done on Setup: read from its forms, wished for at the daemon, answered in words.

use super::answers::{PATIENCE, answered_with, no_answer, not_heard, read_who, told};
use super::bench::{Free, Held, Laid, Number, Wish, Wished};
use super::frame::{self, Here, Reload};
use super::gate::stale;
use super::offset::{MOST_BUNDLES, Offsets};
use super::standing::House;
use super::visit::{Asks, Fields, Shown, Visit};
use super::{Left, Undo, setup, tie, touch};
use crate::engine::event::TAKEN_BACK_WITHIN;
use crate::terms::quantity::Unit;
use crate::terms::time::Wall;
use crate::trust::bundle::BUNDLE;
use axum::body::Body;
use axum::extract::{Form, Path, Query};
use axum::http::{Response, StatusCode};
use maud::html;
use tokio::sync::oneshot;
use tokio::time::timeout;

pub async fn setup_page(visit: Visit, Query(asks): Asks) -> Response<Body> {
    let view = visit.view();
    let left = told(&visit.shared, asks.get("told"));
    let sought = asks.get("q").cloned().unwrap_or_default();
    let (bench, reader) = (visit.shared.doors.bench.clone(), visit.reader.clone());
    let of = view.clone();
    // A survey of thousands of numbers is looked at away from the threads that serve.
    let drawn = visit.shared.ask(move |past| {
        let house = House::of(&of);
        let laid = bench.copy();
        let offsets = Offsets::of(&past.marks(BUNDLE, MOST_BUNDLES).unwrap_or_default());
        let main = setup::main(&house, &laid, &offsets, &reader, &sought);
        Ok(html! { (frame::told(&house, &reader, left.as_ref())) (main) })
    });
    let house = House::of(&view);
    let main = drawn.await.unwrap_or_else(|why| html! { p { "Setup cannot be drawn now: " (why) "." } });
    visit.show(&house, Shown::new(Here::Setup, "Setup", main))
}

pub async fn touch_page(visit: Visit) -> Response<Body> {
    let view = visit.view();
    let house = House::of(&view);
    let laid = visit.shared.doors.bench.copy();
    let waits = laid.touch.as_ref().is_some_and(|t| t.found.is_none());
    let main = touch::page(&house, &laid, &visit.reader);
    let reload = if waits { Reload::Often } else { Reload::Never };
    visit.show(&house, Shown::new(Here::Within, "Touch", main).reload(reload))
}

pub async fn touch(visit: Visit, Form(fields): Form<Fields>) -> Response<Body> {
    let wish = heard(&visit, &fields, "heard").and_then(|number| {
        let held = visit.shared.doors.bench.copy().belongs(&number, &visit.view());
        held.filter(Held::can_be_felt)
            .map(Wish::Touch)
            .ok_or_else(|| "Choose a temperature that belongs somewhere.".into())
    });
    carry(&visit, &fields, wish, "/setup/touch").await
}

pub async fn wish(visit: Visit, Path(what): Path<String>, Form(fields): Form<Fields>) -> Response<Body> {
    let field = |name: &str| fields.get(name).map_or("", String::as_str);
    let wish = match what.as_str() {
        "hear" => Ok(Wish::Hear),
        "tie" => read_tie(&visit, &fields),
        "untie" => heard(&visit, &fields, "heard").map(Wish::Untie),
        "exchange" => read_exchange(&visit, &fields),
        "let-go" => Ok(Wish::LetGo),
        "seal" => Ok(Wish::Seal { whose: field("whose").to_owned(), untouched: field("untouched") == "1" }),
        _ => return visit.say(StatusCode::NOT_FOUND, "No such step", "Nothing was changed."),
    };
    carry(&visit, &fields, wish, "/setup#tie").await
}

/// The number that a form names: one that was heard, that is tied, or that a link reads.
fn heard(visit: &Visit, fields: &Fields, field: &str) -> Result<Number, String> {
    let asked = fields.get(field).map_or("", String::as_str);
    let laid = visit.shared.doors.bench.copy();
    let tied = laid.tied.all.iter().map(|(tie, _)| Number::of(tie));
    let heard = laid.survey.topics().iter().flat_map(|(topic, of)| {
        of.fields.keys().map(|pointer| Number { topic: topic.clone(), pointer: pointer.clone() })
    });
    let view = visit.view();
    let linked = view.probes.iter().filter_map(|probe| Some(Held::of_probe(probe)?.number));
    tied.chain(heard)
        .chain(linked)
        .find(|number| tie::key(number) == asked)
        .ok_or_else(|| "Choose what was heard.".to_owned())
}

fn read_exchange(visit: &Visit, fields: &Fields) -> Result<Wish, String> {
    let by = read_who(&visit.view(), fields)?.to_owned();
    Ok(Wish::Exchange { held: heard(visit, fields, "heard")?, with: heard(visit, fields, "with")?, by })
}

fn read_tie(visit: &Visit, fields: &Fields) -> Result<Wish, String> {
    let number = heard(visit, fields, "heard")?;
    let view = visit.view();
    let by = read_who(&view, fields)?;
    let laid = visit.shared.doors.bench.copy();
    let free = place(&laid, fields).ok_or("Choose where it belongs: a place that is still empty.")?;
    let unit = match fields.get("unit").map_or("", String::as_str) {
        "" => None,
        code => Some(Unit::from_code(code).ok_or("No such unit.")?),
    };
    laid.tie(&number, free, unit, by, view.at.wall).map(|tie| Wish::Tie(Box::new(tie)))
}

fn place<'l>(laid: &'l Laid, fields: &Fields) -> Option<&'l Free> {
    let asked = fields.get("place").map(String::as_str)?;
    let asked = if asked == "other" { fields.get("other").map(String::as_str)? } else { asked };
    laid.free().find(|free| tie::place_key(free) == asked)
}

/// Takes it back: a tie can be untied at any time; offered beside the answer for a while.
fn undo(wish: &Wish, now: Wall) -> Option<Undo> {
    let Wish::Tie(made) = wish else { return None };
    let fields = vec![("heard".to_owned(), tie::key(&Number::of(made)))];
    Some(Undo { path: "/setup/untie".to_owned(), fields, until: now + TAKEN_BACK_WITHIN })
}

async fn carry(visit: &Visit, fields: &Fields, wish: Result<Wish, String>, back: &str) -> Response<Body> {
    if !visit.own_form(fields) {
        return stale(&visit.headers);
    }
    let view = visit.view();
    let read = wish.and_then(|wish| Ok((wish, read_who(&view, fields)?.to_owned())));
    let (wish, by) = match read {
        Ok(read) => read,
        Err(words) => return visit.say(StatusCode::UNPROCESSABLE_ENTITY, "Not understood", &words),
    };
    let undo = undo(&wish, view.at.wall);
    let (answer, answered) = oneshot::channel();
    if visit.shared.doors.wishes.try_send(Wished { wish, answer }).is_err() {
        return not_heard(visit);
    }
    let Ok(Ok(answer)) = timeout(PATIENCE, answered).await else { return no_answer(visit) };
    let undo = undo.filter(|_| answer.done);
    // Where nothing is held, Setup says why.
    let back = if answer.done { back } else { "/setup#tie" };
    answered_with(visit, Left { answer, undo, by: by.clone() }, &by, back)
}
