//! The house's own pages: what each asks of the view and of the past, and which drawing answers.

use super::frame::{self, Here, Reload};
use super::standing::House;
use super::visit::{Asks, Shown, Visit};
use super::{answers, enclosure, ledger, mark, needs, plots, wall, words};
use crate::engine::view::View;
use crate::terms::time::Wall;
use axum::body::Body;
use axum::extract::{Path, Query};
use axum::http::{Response, StatusCode};
use maud::html;
use std::collections::BTreeMap;
use std::sync::Arc;

/// Lines of the ledger on an enclosure's page.
const LAST_LINES: usize = 12;

pub async fn wall_page(visit: Visit, Query(mut asks): Asks) -> Response<Body> {
    // Before the view is taken: what changes in between is said twice, never lost.
    let since = visit.shared.live.generation();
    let view = visit.view();
    let house = House::of(&view);
    let filter =
        wall::Filter { room: asks.remove("room"), circuit: asks.remove("circuit"), state: asks.remove("state") };
    let main = wall::main(&house, &visit.reader, &filter);
    let shown = Shown::new(Here::Wall, needs::title(&house), main);
    visit.show(&house, shown.live(format!("/live/wall?since={since}")).reload(Reload::WithoutScript))
}

pub async fn enclosure_page(visit: Visit, Path(id): Path<String>, Query(asks): Asks) -> Response<Body> {
    let view = visit.view();
    let house = House::of(&view);
    let Some(of) = house.enclosure(&id) else { return visit.no_such_enclosure() };
    let mut more = past_of(&visit, &view, &id, &asks).await;
    more.told = answers::told(&visit.shared, asks.get("told"));
    let main = enclosure::main(&house, of, &visit.reader, &more);
    let shown = Shown::new(Here::Within, enclosure::title(&house, of), main);
    visit.show(&house, shown.live(format!("/live/e/{}", frame::segment(&id))))
}

/// Plots, ledger and what was before: everything that the store is asked for, on one thread.
async fn past_of(visit: &Visit, view: &Arc<View>, id: &str, asks: &BTreeMap<String, String>) -> enclosure::More {
    let (view, id) = (view.clone(), id.to_owned());
    let stretch = plots::Stretch::from_word(asks.get("span").map_or("", String::as_str));
    let until = asks.get("until").and_then(|ms| ms.parse().ok()).map(Wall::from_ms);
    let on = asks.get("on").cloned();
    let told = visit.shared.ask(move |past| {
        let house = House::of(&view);
        let Some(of) = house.enclosure(&id) else { return Err(String::new()) };
        let until = until.or_else(|| house.words.read_day(on.as_deref()?));
        let before = house.speaks_for(of).map_or(vec![], |i| plots::before(past, of, i.since));
        let lines = past.ledger(Some(&id), Wall::MAX, LAST_LINES);
        let plots = Some(plots::plots(&house, of, past, stretch, until));
        Ok(enclosure::More { told: None, before, plots, ledger: Some(ledger::of_enclosure(&house, &id, lines)) })
    });
    told.await.unwrap_or_default()
}

pub async fn ledger_page(visit: Visit, Query(asks): Asks) -> Response<Body> {
    let view = visit.view();
    let house = House::of(&view);
    let sought = asks.get("q").cloned().unwrap_or_default();
    let of = asks.get("enclosure").filter(|id| house.enclosure(id).is_some()).cloned();
    let (before, many) =
        (ledger::before(asks.get("before")), if sought.is_empty() { ledger::LINES } else { ledger::SOUGHT });
    let asked = of.clone();
    let (entries, trouble) = match visit.shared.ask(move |past| past.ledger(asked.as_deref(), before, many)).await {
        Ok(entries) => (ledger::sought(entries, &sought), None),
        Err(why) => (vec![], Some(why)),
    };
    let main = ledger::ledger(&house, &entries, &sought, of.as_deref(), trouble.as_deref());
    visit.show(&house, Shown::new(Here::Ledger, "Ledger", main))
}

pub async fn mails_page(visit: Visit, Query(asks): Asks) -> Response<Body> {
    let view = visit.view();
    let house = House::of(&view);
    let sought = asks.get("q").cloned().unwrap_or_default();
    let many = if sought.is_empty() { ledger::LINES } else { ledger::SOUGHT };
    let told = visit.shared.ask(move |past| past.mails(many)).await;
    let (mut mails, trouble) = told.map_or_else(|why| (vec![], Some(why)), |mails| (mails, None));
    mails.retain(|m| ledger::holds(&format!("{} {}", m.subject, m.text), &sought));
    mails.truncate(ledger::LINES);
    let told = answers::told(&visit.shared, asks.get("told"));
    let main = ledger::mails(&house, &visit.reader, &mails, &sought, told.as_ref(), trouble.as_deref());
    visit.show(&house, Shown::new(Here::Mails, "Mails", main))
}

pub async fn mail_page(visit: Visit, Path(id): Path<String>) -> Response<Body> {
    let view = visit.view();
    let house = House::of(&view);
    match visit.shared.ask(move |past| past.mail(&id)).await {
        Ok(Some(mail)) => {
            let main = ledger::mail(&house, &mail);
            visit.show(&house, Shown::new(Here::Within, mail.subject, main))
        }
        Ok(None) => visit.say(StatusCode::NOT_FOUND, "No such mail", "It may be older than the store keeps."),
        Err(why) => visit.say(StatusCode::SERVICE_UNAVAILABLE, "Not now", &words::cut(&why)),
    }
}

pub async fn incident_page(visit: Visit, Path(id): Path<String>, Query(asks): Asks) -> Response<Body> {
    let view = visit.view();
    let house = House::of(&view);
    let told = answers::told(&visit.shared, asks.get("told"));
    let Some(incident) = view.incidents.iter().find(|i| i.id == id) else {
        let main = html! { h1.ttl { "That has ended" } p { "The incident " (id) " is not open any more. " a href="/" { "To the wall" } ", " a href="/ledger" { "to the ledger" } "." } };
        let mut gone = visit.show(&house, Shown::new(Here::Within, "Ended", main));
        *gone.status_mut() = StatusCode::NOT_FOUND;
        return gone;
    };
    let main = enclosure::incident(&house, incident, &visit.reader, told.as_ref());
    let title = format!("{}: {}", house.whom(incident), mark::says(incident.cause));
    visit.show(&house, Shown::new(Here::Within, title, main))
}
