//! The wall: every enclosure where it stands in the house, never re-sorted; grey in band, framed where it is not.

use super::frame::{Reader, bar, moment, segment};
use super::mark::{self, Hue, Mark};
use super::slope::{self, Scale, level};
use super::standing::{House, Standing};
use super::{key, needs, table, words};
use crate::engine::view::{Condition, EnclosureView};
use maud::{Markup, html};

/// What part of the wall is asked for.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Filter {
    pub room: Option<String>,
    pub circuit: Option<String>,
    pub state: Option<String>,
}

impl Filter {
    fn lets(&self, enclosure: &EnclosureView, standing: Standing) -> bool {
        let is = |asked: &Option<String>, has: &Option<String>| asked.is_none() || asked == has;
        is(&self.room, &enclosure.room)
            && is(&self.circuit, &enclosure.circuit)
            && self.state.as_deref().is_none_or(|s| s == state_word(standing))
    }
    fn none(&self) -> bool {
        *self == Filter::default()
    }
}

const fn state_word(standing: Standing) -> &'static str {
    match standing {
        Standing::Needs => "needs",
        Standing::NotWatched => "unwatched",
        Standing::Shelved => "shelved",
        Standing::HandsIn => "hands-in",
        Standing::InBand => "in-band",
    }
}

/// What stands together: a rack of a room, in shelves.
struct Rack<'a> {
    /// After its first enclosure, so that a part of the wall and the whole of it call it the same.
    id: String,
    name: String,
    room: Option<&'a str>,
    shelves: Vec<(String, Vec<usize>)>,
}

impl Rack<'_> {
    fn indices(&self) -> impl Iterator<Item = usize> + '_ {
        self.shelves.iter().flat_map(|(_, row)| row.iter().copied())
    }
    /// At most six side by side; a shelf that is not named is filled row by row.
    fn columns(&self) -> usize {
        let longest = self.shelves.iter().map(|(_, row)| row.len()).max().unwrap_or(1);
        longest.clamp(1, 6)
    }
}

/// Neighbours of the keeper's order with the same room and rack. With three or more words the first names the rack and the
/// last but one the shelf; with two the first names the shelf.
fn racks<'a>(house: &'a House, filter: &Filter) -> Vec<Rack<'a>> {
    let mut racks: Vec<Rack> = Vec::new();
    for (i, (enclosure, standing)) in house.view.enclosures.iter().zip(&house.standings).enumerate() {
        if !filter.lets(enclosure, *standing) {
            continue;
        }
        let name = if enclosure.where_.len() >= 3 { enclosure.where_[0].clone() } else { String::new() };
        let shelf = enclosure.where_.len().checked_sub(2).and_then(|at| enclosure.where_.get(at)).cloned();
        let shelf = shelf.unwrap_or_default();
        let room = enclosure.room.as_deref();
        match racks.last_mut().filter(|r| r.name == name && r.room == room) {
            Some(rack) => match rack.shelves.last_mut().filter(|(s, _)| *s == shelf) {
                Some((_, row)) => row.push(i),
                None => rack.shelves.push((shelf, vec![i])),
            },
            None => {
                racks.push(Rack { id: format!("rack-{}", enclosure.id), name, room, shelves: vec![(shelf, vec![i])] })
            }
        }
    }
    racks
}

/// How the wall is drawn: in degrees, or laid level.
fn scale(house: &House) -> Option<Scale> {
    Scale::of(&house.view.enclosures).filter(|s| s.in_degrees(house.view.enclosures.len()))
}

pub fn main(house: &House, reader: &Reader, filter: &Filter) -> Markup {
    let scale = scale(house);
    let racks = racks(house, filter);
    html! {
        p.hid #say aria-live="polite" { (needs::say(house)) }
        (needs::ask(house))
        (needs::needs(house, reader))
        (needs::mute(house))
        section aria-labelledby="wall-h" {
            div.wallhead { h2 #wall-h { "The wall, as it stands in the house" } (filters(house, filter)) }
            @if house.view.enclosures.is_empty() { p { "No enclosure is configured yet." } }
            @else if racks.is_empty() { p.gap { "None now." } }
            @match scale {
                Some(scale) => div.racks { @for rack in &racks { (rack_in_degrees(house, rack, scale)) } },
                None => { (level::STRIP_SYMBOL) div.barn { @for rack in &racks { (rack_level(house, rack)) } } },
            }
        }
        @if !house.view.enclosures.is_empty() {
            (key::how_to_read(house, scale))
            details { summary { "The same wall as a table" } (table::table(house)) }
        }
    }
}

/// Every piece of the wall that changes while people look, under its id in the page.
pub fn pieces(house: &House, reader: &Reader) -> Vec<(String, String)> {
    let scale = scale(house);
    let racks = racks(house, &Filter::default());
    let mut pieces = vec![
        ("bar".to_owned(), bar(house.bar())),
        ("moment".to_owned(), moment(&house.words)),
        ("ask".to_owned(), needs::ask(house)),
        ("needs".to_owned(), needs::needs(house, reader)),
        ("mute".to_owned(), needs::mute(house)),
    ];
    for rack in &racks {
        pieces.push((format!("{}-h", rack.id), rack_head(house, rack, scale.is_none())));
        for (shelf, row) in &rack.shelves {
            for (place, i) in row.iter().enumerate() {
                let Some(enclosure) = house.view.enclosures.get(*i) else { continue };
                let drawn = match scale {
                    Some(scale) => tile(house, enclosure, scale, starts_line(rack, place)),
                    None => tile_level(house, enclosure, column(rack, shelf, place)),
                };
                pieces.push((format!("t-{}", enclosure.id), drawn));
            }
        }
    }
    let rows = house.view.enclosures.iter().zip(&house.standings);
    pieces.extend(rows.map(|(e, s)| (format!("r-{}", e.id), table::row(house, e, *s))));
    let mut pieces: Vec<(String, String)> = pieces.into_iter().map(|(id, markup)| (id, markup.into_string())).collect();
    pieces.push(("say".to_owned(), needs::say(house)));
    pieces
}

/// What can be chosen: its id, its name, how many.
type Choice<'a> = (&'a str, &'a str, usize);

fn filters(house: &House, filter: &Filter) -> Markup {
    let view = house.view;
    let rooms = view.rooms.iter().map(|r| (r.id.as_str(), r.name.as_str(), in_room(house, &r.id)));
    let circuits = view.circuits.iter().map(|c| {
        let n = view.enclosures.iter().filter(|e| e.circuit.as_deref() == Some(c.id.as_str())).count();
        (c.id.as_str(), c.name.as_str(), n)
    });
    let states = [
        ("needs", "Needs you", house.tally.needs),
        ("unwatched", "Not watched", house.tally.not_watched),
        ("shelved", "Shelved", house.tally.shelved),
        ("hands-in", "Hands in", house.tally.hands_in),
    ];
    let groups: [(&str, &Option<String>, Vec<Choice>); 3] = [
        ("room", &filter.room, if view.rooms.len() > 1 { rooms.collect() } else { vec![] }),
        ("circuit", &filter.circuit, if view.circuits.len() > 1 { circuits.collect() } else { vec![] }),
        ("state", &filter.state, states.to_vec()),
    ];
    let is_choice = |key: &str, n: usize| n > 0 && (n < view.enclosures.len() || key == "state");
    // "All" alone chooses nothing.
    if !groups.iter().any(|(key, _, choices)| choices.iter().any(|(_, _, n)| is_choice(key, *n))) {
        return html! {};
    }
    html! {
        nav aria-label="Show" {
            ul.filters {
                li { @if filter.none() { b aria-current="true" { "All " (view.enclosures.len()) } } @else { a href="/" { "All " (view.enclosures.len()) } } }
                @for (key, chosen, choices) in groups {
                    @for (id, name, n) in choices.into_iter().filter(|(_, _, n)| is_choice(key, *n)) {
                        li {
                            @if chosen.as_deref() == Some(id) { b aria-current="true" { (name) " " (n) } }
                            @else { a href={ "/?" (key) "=" (segment(id)) } { (name) " " (n) } }
                        }
                    }
                }
            }
        }
    }
}

fn in_room(house: &House, id: &str) -> usize {
    house.view.enclosures.iter().filter(|e| e.room.as_deref() == Some(id)).count()
}

/// The name of a rack, its room's temperature, how many are in band, and the marks of those that are not.
fn rack_head(house: &House, rack: &Rack, level: bool) -> Markup {
    let total = rack.indices().count();
    let standing = |i: usize| house.standings.get(i).copied().unwrap_or(Standing::NotWatched);
    let in_band = rack.indices().filter(|i| standing(*i) == Standing::InBand).count();
    let room = rack
        .room
        .map(|id| house.view.rooms.iter().find(|r| r.id == id).map_or((id, None), |r| (r.name.as_str(), r.celsius)));
    let counted =
        if in_band == total { format!("all {total} in band") } else { format!("{in_band} of {total} in band") };
    html! {
        @if level {
            h3 id={ (rack.id) "-h" } {
                a href={ "#" (rack.id) } {
                    b.rn { @if rack.name.is_empty() { (room.map_or("All", |(name, _)| name)) } @else { (rack.name) } }
                    span.q { (counted.replace(" in band", if in_band == total { " in band" } else { "" })) }
                    span.mks { @for mark in rack_marks(house, rack) { (mark) } }
                }
            }
        } @else {
            h3 id={ (rack.id) "-h" } {
                @if let Some((name, celsius)) = room {
                    (name) @if let Some(c) = celsius { " " (house.words.degrees(c)) }
                    @if !rack.name.is_empty() { ", " }
                }
                (rack.name) @if room.is_some() || !rack.name.is_empty() { ": " }
                span.q { (counted) }
            }
        }
    }
}

/// Each mark that is in a rack, once.
fn rack_marks(house: &House, rack: &Rack) -> Vec<Markup> {
    let mut seen: Vec<&'static str> = Vec::new();
    let mut marks = Vec::new();
    for enclosure in rack.indices().filter_map(|i| house.view.enclosures.get(i)) {
        if let Some((mark, word, hue)) = state(house, enclosure)
            && !seen.contains(&word)
        {
            seen.push(word);
            marks.push(html! { span class=(hue.class()) { (mark.draw()) span.w { (word) } } });
        }
    }
    marks
}

/// The mark, word and hue of what is not in band.
pub fn state(house: &House, enclosure: &EnclosureView) -> Option<(Mark, &'static str, Hue)> {
    let incident = house.speaks_for(enclosure);
    Some(match (enclosure.condition, incident) {
        (Condition::InBand, None) => return None,
        (Condition::Shelved, _) => (Mark::SHELF, "shelved", Hue::None),
        (Condition::HandsIn, _) => (Mark::HANDS, "hands in", Hue::None),
        (Condition::NotWatched, _) => (Mark::BLIND, "not watched", Hue::None),
        (Condition::TooCold, None) => (Mark::LOW_TODAY, "cold", Hue::Cold),
        (Condition::TooHot, None) => (Mark::HIGH_TODAY, "hot", Hue::Hot),
        (Condition::Differs, None) => (Mark::LIGHT, "differs", Hue::None),
        (Condition::InBand, Some(i)) if !house.needs.iter().any(|n| n.id == i.id) => return None,
        (_, Some(i)) => (mark::of_cause(i.cause, i.urgency), mark::says(i.cause), mark::hue(i.cause)),
    })
}

/// The frame of a tile. An open incident frames even where the readings are in band.
fn frame(house: &House, enclosure: &EnclosureView) -> &'static str {
    match (enclosure.condition, state(house, enclosure)) {
        (Condition::InBand, Some((_, _, Hue::Cold))) => "bad s-low",
        (Condition::InBand, Some((_, _, Hue::Hot))) => "bad s-high",
        (Condition::InBand, Some(_)) => "bad s-differs",
        (condition, _) => mark::frame(condition),
    }
}

/// What a tile says, beside its visible words, to somebody who cannot see it.
fn aloud(house: &House, enclosure: &EnclosureView) -> String {
    let places = enclosure.places.iter().map(|p| {
        let band = p.wanted.map_or(String::new(), |b| format!(" ({})", house.words.band(b)));
        match p.celsius.filter(|_| p.unseen.is_none()) {
            Some(c) => format!("{} {}{band}", p.place.label(), house.words.bare(c)),
            None => format!("{} not seen{band}", p.place.label()),
        }
    });
    places.collect::<Vec<_>>().join(", ")
}

fn starts_line(rack: &Rack, place: usize) -> bool {
    place == 0 && rack.shelves.len() > 1
}

fn rack_in_degrees(house: &House, rack: &Rack, scale: Scale) -> Markup {
    html! {
        section class={ "rack c" (rack.columns()) } id=(rack.id) {
            (rack_head(house, rack, false))
            ul.tiles {
                @for (_, row) in &rack.shelves {
                    @for (place, enclosure) in row.iter().enumerate().filter_map(|(p, i)| house.view.enclosures.get(*i).map(|e| (p, e))) {
                        (tile(house, enclosure, scale, starts_line(rack, place)))
                    }
                }
            }
        }
    }
}

fn tile(house: &House, enclosure: &EnclosureView, scale: Scale, new_line: bool) -> Markup {
    let state = state(house, enclosure);
    let left = house.speaks_for(enclosure).filter(|_| state.is_some_and(|(_, _, h)| h != Hue::None));
    let left =
        left.and_then(|i| super::standing::time_left(i, house.now())).map(|l| format!("{} left", words::left(l)));
    let hue = state.map_or(Hue::None, |(_, _, hue)| hue);
    html! {
        li id={ "t-" (enclosure.id) } class={ "t " (frame(house, enclosure)) @if new_line { " nl" } } {
            a href={ "/e/" (segment(&enclosure.id)) } {
                span.nm { b { (enclosure.id) } @if let Some(animal) = &enclosure.animal { " " (animal) } @if enclosure.empty { " (empty)" } }
                @if let Some((mark, word, hue)) = state {
                    span class={ "st " (hue.class()) } { (mark.draw()) " " (word) }
                }
                span.hid { @if state.is_none() { ": in band. " } @else { ". " } (aloud(house, enclosure)) }
                (slope::tile(&house.words, enclosure, scale, hue, left.filter(|l| l != "now left").as_deref()))
            }
        }
    }
}

/// The column of a level tile, 1–6, where shelves are named; unnamed ones flow.
fn column(rack: &Rack, shelf: &str, place: usize) -> usize {
    if shelf.is_empty() { place % rack.columns() + 1 } else { place % 6 + 1 }
}

fn rack_level(house: &House, rack: &Rack) -> Markup {
    let columns = rack.columns();
    let named = rack.shelves.iter().any(|(shelf, _)| !shelf.is_empty());
    let longest = rack.shelves.iter().max_by_key(|(_, row)| row.len());
    let heads: Vec<String> = longest.map_or(vec![], |(_, row)| {
        let place =
            |i: &usize| house.view.enclosures.get(*i).and_then(|e| e.where_.last()).map_or(String::new(), |w| short(w));
        row.iter().take(columns).map(place).collect()
    });
    html! {
        section.rk id=(rack.id) {
            (rack_head(house, rack, true))
            div class={ "grid g" (columns) } {
                @if named { @for (k, head) in heads.iter().enumerate() { span class={ "cx k" (k + 1) } aria-hidden="true" { (head) } } }
                @for (shelf, row) in &rack.shelves {
                    @if named { span.ax aria-hidden="true" { (short(shelf)) } }
                    @for (place, enclosure) in row.iter().enumerate().filter_map(|(p, i)| house.view.enclosures.get(*i).map(|e| (p, e))) {
                        (tile_level(house, enclosure, column(rack, shelf, place)))
                    }
                }
            }
        }
    }
}

/// `shelf 3` → `3`: the word before it stands once, in how to read it.
fn short(label: &str) -> String {
    label.split_whitespace().last().unwrap_or("").chars().take(3).collect()
}

fn tile_level(house: &House, enclosure: &EnclosureView, column: usize) -> Markup {
    html! {
        div id={ "t-" (enclosure.id) } class={ "t3 k" (column) " " (frame(house, enclosure)) } {
            a href={ "/e/" (segment(&enclosure.id)) } {
                @match state(house, enclosure) {
                    Some((mark, word, hue)) => {
                        span class={ "id " (hue.class()) } { (mark.draw()) (enclosure.id) }
                        span.hid { ": " (word) ". " (aloud(house, enclosure)) }
                    },
                    None => span.hid { (enclosure.id) ": in band. " (aloud(house, enclosure)) },
                }
                (level::tile(enclosure))
            }
        }
    }
}
