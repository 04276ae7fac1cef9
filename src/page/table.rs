//! The wall as a table: the twin for those who read better than they look, and for screen readers.

use super::frame::segment;
use super::standing::{House, Standing};
use super::{wall, words};
use crate::engine::view::{EnclosureView, PlaceView};
use maud::{Markup, html};

pub fn table(house: &House) -> Markup {
    let rows = house.view.enclosures.iter().zip(&house.standings);
    html! {
        div.scroll {
            table {
                caption.hid { "All " (house.view.enclosures.len()) " enclosures, " (house.words.unit()) ", " (house.words.day_and_clock(house.now())) }
                thead {
                    tr {
                        th scope="col" { "Enclosure" } th scope="col" { "State" }
                        @for place in house.places.iter().copied() { th.n scope="col" { (words::sentence(place.label())) } th.n scope="col" { "wanted" } th.n scope="col" { "never beyond" } }
                        th scope="col" { "Light" }
                    }
                }
                tbody { @for (enclosure, standing) in rows { (row(house, enclosure, *standing)) } }
            }
        }
    }
}

pub fn row(house: &House, enclosure: &EnclosureView, standing: Standing) -> Markup {
    html! {
        tr id={ "r-" (enclosure.id) } {
            th scope="row" { a href={ "/e/" (segment(&enclosure.id)) } { (words::name(enclosure)) } }
            td { (state(house, enclosure, standing)) }
            @for place in house.places.iter().copied() {
                @let seen = enclosure.places.iter().find(|p| p.place == place);
                td.n { @if let Some(p) = seen { (reading(house, p)) } }
                td.n { @if let Some(band) = seen.and_then(|p| p.wanted) { (house.words.band(band)) } }
                td.n { @if let Some(band) = seen.and_then(|p| p.never) { (house.words.band(band)) } }
            }
            td { (light(enclosure)) }
        }
    }
}

fn reading(house: &House, place: &PlaceView) -> String {
    match (&place.unseen, place.celsius) {
        (Some(_), _) => "not seen".to_owned(),
        (None, Some(c)) => house.words.bare(c),
        (None, None) => String::new(),
    }
}

/// The word of a state, and when it ends.
pub fn state(house: &House, enclosure: &EnclosureView, standing: Standing) -> String {
    let until = |at: Option<_>| at.map_or(String::new(), |at| format!(" until {}", house.words.when(at)));
    match standing {
        Standing::InBand => "in band".to_owned(),
        Standing::Shelved => format!("shelved{}", until(enclosure.shelved_until)),
        Standing::HandsIn => format!("hands in{}", until(enclosure.hands_in_until)),
        Standing::NotWatched => "not watched".to_owned(),
        Standing::Needs => wall::state(house, enclosure).map_or("needs you", |(_, word, _)| word).to_owned(),
    }
}

/// Light seen against light planned, in a word.
pub fn light(enclosure: &EnclosureView) -> &'static str {
    match (enclosure.light.planned_on, enclosure.light.seen_on) {
        (None, None) => "",
        (_, Some(true)) if enclosure.light.planned_on != Some(false) => "on",
        (Some(false), Some(true)) => "on, planned off",
        (Some(true), Some(false)) => "off, planned on",
        (_, Some(_)) => "off",
        (Some(_), None) => "not seen",
    }
}
