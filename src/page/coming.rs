//! What is wanted of one enclosure now and after each planned change of the next 24 hours.

use super::standing::House;
use super::words;
use crate::engine::view::{ComingView, EnclosureView};
use crate::terms::place::Place;
use maud::{Markup, html};

pub fn section(house: &House, enclosure: &EnclosureView) -> Markup {
    let rows = &enclosure.coming;
    let wanted = |place: &Place| rows.iter().any(|row| row.bands.iter().any(|b| b.place == *place));
    let places: Vec<Place> = Place::ALL.into_iter().filter(wanted).collect();
    html! {
        section #coming aria-labelledby="coming-h" {
            h2 #coming-h { "The next 24 hours" }
            @if places.is_empty() { p.measure { "No bands are stated for it: nothing is judged too warm or too cold." } }
            @else {
                div.scroll {
                    table.stack {
                        thead { tr { th scope="col" { "From" } th scope="col" { "Light" } @for place in &places { th.n scope="col" { (words::sentence(place.label())) } } } }
                        tbody {
                            @for (i, row) in rows.iter().enumerate() {
                                tr {
                                    th scope="row" { @if i == 0 { "Now" } @else { (house.words.clock(row.from)) } }
                                    td data-l="light" { (light(row)) }
                                    @for place in &places { td.n data-l=(place.label()) { (band(house, row, *place)) } }
                                }
                            }
                        }
                    }
                }
                @if rows.iter().any(|row| row.moving) { p.s.q.gap { "On its way: what was wanted before still counts." } }
                @if let Some(follows) = enclosure.follows.filter(|_| rows.iter().any(|row| row.light_on.is_some())) {
                    p.s.q {
                        "It has " (follows.within) " to follow a change"
                        @if follows.learned_from == 0 { ", until it has shown how long it needs." } @else { ": learned from its last " (follows.learned_from) "." }
                    }
                }
            }
        }
    }
}

fn light(row: &ComingView) -> String {
    let word = match row.light_on {
        Some(true) => "on",
        Some(false) => "off",
        None => "",
    };
    match (word, row.moving) {
        ("", true) => "on its way".to_owned(),
        (word, true) => format!("{word}, on its way"),
        (word, false) => word.to_owned(),
    }
}

fn band(house: &House, row: &ComingView, place: Place) -> String {
    match row.bands.iter().find(|b| b.place == place) {
        Some(b) => match b.low {
            Some(low) => house.words.band((low, b.high)),
            None => format!("to {}", house.words.degrees(b.high)),
        },
        None => "not judged".to_owned(),
    }
}
