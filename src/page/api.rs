//! The same view for programs: JSON under `/api/1`, described by `openapi.json`, which a test holds against this file.
//!
//! Names and meanings under `/api/1` stay; what is added comes beside. Temperatures in °C, times as RFC 3339 in UTC.

use super::past::Past;
use super::standing::{House, Standing};
use super::{Shared, send, wall};
use crate::engine::view::{EnclosureView, IncidentView, ProbeView};
use crate::terms::time::{Span, Wall};
use axum::Router;
use axum::body::Body;
use axum::extract::{Path, Query, State};
use axum::http::{HeaderMap, Response, StatusCode};
use axum::routing::get;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::sync::Arc;

pub const OPENAPI: &str = include_str!("openapi.json");
/// Readings of one answer.
pub const MOST_READINGS: usize = 10_000;

/// Every address, as the description has it.
pub const PATHS: [&str; 7] = [
    "/api/1/house",
    "/api/1/enclosures",
    "/api/1/enclosures/{id}",
    "/api/1/incidents",
    "/api/1/incidents/{id}",
    "/api/1/probes",
    "/api/1/readings",
];

pub fn router() -> Router<Arc<Shared>> {
    Router::new()
        .route(
            "/api/1/openapi.json",
            get(|h: HeaderMap| async move { send::text(&h, StatusCode::OK, send::JSON, OPENAPI.to_owned()) }),
        )
        .route(PATHS[0], get(|s: S, h: HeaderMap| async move { answer(&h, Some(house(&House::of(&s.view())))) }))
        .route(PATHS[1], get(|s: S, h: HeaderMap| async move { answer(&h, Some(enclosures(&House::of(&s.view())))) }))
        .route(
            PATHS[2],
            get(|s: S, Path(id): Path<String>, h: HeaderMap| async move {
                answer(&h, one_enclosure(&House::of(&s.view()), &id))
            }),
        )
        .route(
            PATHS[3],
            get(
                |s: S, h: HeaderMap| async move { answer(&h, Some(s.view().incidents.iter().map(incident).collect())) },
            ),
        )
        .route(
            PATHS[4],
            get(|s: S, Path(id): Path<String>, h: HeaderMap| async move {
                answer(&h, s.view().incidents.iter().find(|i| i.id == id).map(incident))
            }),
        )
        .route(
            PATHS[5],
            get(|s: S, h: HeaderMap| async move { answer(&h, Some(s.view().probes.iter().map(probe).collect())) }),
        )
        .route(PATHS[6], get(readings))
}

type S = State<Arc<Shared>>;

fn answer(headers: &HeaderMap, value: Option<Value>) -> Response<Body> {
    match value {
        Some(value) => send::text(headers, StatusCode::OK, send::JSON, value.to_string()),
        None => refuse(headers, StatusCode::NOT_FOUND, "nothing of that id"),
    }
}

fn refuse(headers: &HeaderMap, status: StatusCode, why: &str) -> Response<Body> {
    send::text(headers, status, send::JSON, json!({ "error": why }).to_string())
}

fn time(at: Option<Wall>) -> Value {
    at.map_or(Value::Null, |at| at.rfc3339().into())
}

fn seconds(span: Option<Span>) -> Value {
    span.map_or(Value::Null, |s| s.as_s().into())
}

/// What is no number is not known.
fn amount(value: Option<f64>) -> Value {
    value.filter(|v| v.is_finite()).map_or(Value::Null, |v| ((v * 1_000.0).round() / 1_000.0).into())
}

fn band(band: Option<(f64, f64)>) -> Value {
    band.map_or(Value::Null, |(low, high)| json!({ "low": amount(Some(low)), "high": amount(Some(high)) }))
}

const fn word(standing: Standing) -> &'static str {
    match standing {
        Standing::Needs => "needs-you",
        Standing::NotWatched => "not-watched",
        Standing::Shelved => "shelved",
        Standing::HandsIn => "hands-in",
        Standing::InBand => "in-band",
    }
}

pub fn house(house: &House) -> Value {
    let (view, tally) = (house.view, house.tally);
    let (alright, _) = house.alright();
    let (awake, watcher, _) = house.awake();
    json!({
        "at": time(Some(view.at.wall)), "site": view.site, "time_zone": view.time_zone,
        "alright": alright, "watcher": watcher, "awake": awake,
        "enclosures": { "in-band": tally.in_band, "needs-you": tally.needs, "not-watched": tally.not_watched, "shelved": tally.shelved, "hands-in": tally.hands_in },
        "broker": { "connected": view.feed.connected, "newest": time(view.feed.newest) },
        "mail": { "failing": view.post.failing, "last_accepted": time(view.post.last_accepted), "waiting": view.post.waiting },
        "store_failing": view.store_failing,
        "messages": { "all": view.counts.messages, "accepted": view.counts.accepted, "refused": view.counts.refused, "unlinked": view.counts.unlinked },
    })
}

fn enclosures(house: &House) -> Value {
    house.view.enclosures.iter().zip(&house.standings).map(|(e, s)| enclosure(house, e, *s)).collect()
}

fn one_enclosure(house: &House, id: &str) -> Option<Value> {
    let mut all = house.view.enclosures.iter().zip(&house.standings);
    all.find(|(e, _)| e.id == id).map(|(e, s)| enclosure(house, e, *s))
}

fn enclosure(house: &House, e: &EnclosureView, standing: Standing) -> Value {
    let places = e.places.iter().map(|p| {
        json!({
            "place": p.place.word(), "celsius": amount(p.celsius), "at": time(p.at), "k_per_min": amount(p.slope_k_per_min),
            "wanted": band(p.wanted), "never": band(p.never), "unseen": p.unseen,
        })
    });
    json!({
        "id": e.id, "animal": e.animal, "room": e.room, "circuit": e.circuit, "where": e.where_, "empty": e.empty,
        "state": word(standing), "says": wall::state(house, e).map_or("in band", |(_, word, _)| word),
        "places": places.collect::<Vec<_>>(),
        "humidity": e.humidity.as_ref().map(|h| json!({ "place": h.place.word(), "percent": amount(h.percent), "wanted": band(h.wanted) })),
        "light": { "planned_on": e.light.planned_on, "seen_on": e.light.seen_on, "lux": amount(e.light.lux) },
        "heat": { "state": e.heat.state, "power_w": amount(e.heat.power_w), "switch_on": e.heat.switch_on },
        "shelved_until": time(e.shelved_until), "hands_in_until": time(e.hands_in_until),
        "incidents": house.view.incidents.iter().filter(|i| i.enclosures.contains(&e.id)).map(|i| i.id.as_str()).collect::<Vec<_>>(),
    })
}

fn incident(i: &IncidentView) -> Value {
    json!({
        "id": i.id, "cause": i.cause.word(), "urgency": i.urgency.word(), "place": i.place.map(|p| p.word()),
        "enclosures": i.enclosures, "room": i.room, "circuit": i.circuit,
        "since": time(Some(i.since)), "act_by": time(i.act_by), "what": i.what,
        "answered_by": i.answered.as_ref().map(|(who, _)| who), "answered_at": time(i.answered.as_ref().map(|(_, at)| *at)),
        "state": i.state, "latched": i.latched,
    })
}

fn probe(p: &ProbeView) -> Value {
    json!({
        "name": p.name, "enclosure": p.enclosure, "room": p.room, "place": p.place.map(|p| p.word()), "quantity": p.quantity.word(),
        "topic": p.topic, "last": amount(p.last), "last_at": time(p.last_at), "usual_interval_s": seconds(p.usual_interval),
        "accepted": p.accepted, "doubted": p.doubted, "doubt": p.doubt,
    })
}

/// `?probe=enclosure/a3/warm_side.temperature&from=…&to=…`: stored readings, the first [`MOST_READINGS`] of the span.
async fn readings(
    State(shared): S,
    Query(asks): Query<BTreeMap<String, String>>,
    headers: HeaderMap,
) -> Response<Body> {
    let instant = |name: &str| asks.get(name).and_then(|text| Wall::parse_rfc3339(text));
    let now = shared.view().at.wall;
    let (from, to) = (instant("from").unwrap_or(now - Span::h(24)), instant("to").unwrap_or(now));
    let Some(probe) = asks.get("probe").cloned() else {
        return refuse(&headers, StatusCode::BAD_REQUEST, "say which probe: ?probe=enclosure/ID/PLACE.QUANTITY");
    };
    match shared.ask(move |past: &dyn Past| past.readings(&probe, from, to, MOST_READINGS)).await {
        Ok(found) => {
            let points: Vec<Value> = found.iter().map(|(at, v)| json!([time(Some(*at)), amount(Some(*v))])).collect();
            answer(
                &headers,
                Some(
                    json!({ "from": time(Some(from)), "to": time(Some(to)), "whole": points.len() < MOST_READINGS, "readings": points }),
                ),
            )
        }
        Err(why) => refuse(&headers, StatusCode::SERVICE_UNAVAILABLE, &why),
    }
}
