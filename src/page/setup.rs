//! Setup: what is heard, where it belongs, how old it is, what is doubted and why, and what nobody watches.

use super::bench::Laid;
use super::frame::{Reader, segment};
use super::offset::Offsets;
use super::standing::House;
use super::{tie, touch, words};
use crate::config::tied::Fate;
use crate::engine::view::{EnclosureView, ProbeView};
use crate::terms::time::Span;
use maud::{Markup, html};

/// Topics that nobody reads, written out.
const MOST_UNREAD: usize = 200;

/// Probes of an enclosure by the house's order of them.
fn probes<'a>(house: &House<'a>, enclosure: &EnclosureView) -> Vec<&'a ProbeView> {
    house.view.probes.iter().filter(|p| p.enclosure.as_deref() == Some(enclosure.id.as_str())).collect()
}

/// Whether something of an enclosure is wanted and not seen, or doubted.
fn lacking(house: &House, enclosure: &EnclosureView) -> bool {
    enclosure.places.iter().any(|p| p.wanted.is_some() && p.unseen.is_some())
        || enclosure.places.is_empty()
        || probes(house, enclosure).iter().any(|p| p.doubt.is_some())
}

pub fn main(house: &House, laid: &Laid, offsets: &Offsets, reader: &Reader, sought: &str) -> Markup {
    let (lack, whole): (Vec<&EnclosureView>, Vec<&EnclosureView>) =
        house.view.enclosures.iter().partition(|e| lacking(house, e));
    html! {
        (ask(house, &lack, laid))
        (tie::section(house, laid, reader, sought))
        (unread(house))
        @if !lack.is_empty() {
            section aria-labelledby="lack-h" {
                h2 #lack-h { "Not watched, or doubted: " (lack.len()) }
                @for enclosure in lack { (one(house, enclosure, offsets, reader, true)) }
            }
        }
        @if !whole.is_empty() {
            section aria-labelledby="whole-h" {
                h2 #whole-h { "Heard in every place: " (whole.len()) }
                @for enclosure in whole { (one(house, enclosure, offsets, reader, false)) }
            }
        }
        (rooms(house, offsets))
    }
}

fn ask(house: &House, lack: &[&EnclosureView], laid: &Laid) -> Markup {
    let waits = laid.tied.all.iter().find(|(_, fate)| *fate == Fate::Waits).map(|(tie, _)| tie.whose());
    let total = house.view.enclosures.len();
    let counts = &house.view.counts;
    html! {
        dl.ask #ask {
            div {
                dt { "Everything heard?" }
                dd {
                    h1 { @if total == 0 { "No enclosure is configured yet." } @else if lack.is_empty() { "Yes, all " (total) "." } @else { "No. " (lack.len()) " of " (total) " " @if lack.len() == 1 { "lacks" } @else { "lack" } " something." } }
                }
            }
            div {
                dt { "Next step?" }
                dd.mid {
                    @match lack.first() {
                        _ if waits.is_some() => a href={ "#tied-" (waits.unwrap_or_default()) } { "Touch and seal what is tied" },
                        Some(first) => a href={ "#setup-" (first.id) } { "See to " (words::name(first)) },
                        None if !house.view.unread.is_empty() => a href="#unread-h" { "Look at what nobody reads" },
                        None if total == 0 => span.plain { "Write the first enclosure into your file. " code { "warmside listen" } " drafts its links from what it hears." },
                        None => span.plain { "None." },
                    }
                }
            }
            div {
                dt { "Hearing anything?" }
                dd.mid {
                    span.yes { @if !house.view.feed.connected { "No: cut off from the broker." } @else if house.view.feed.newest.is_some() { "Yes." } @else { "Nothing yet." } }
                    span.unk { "Unknown: this page is old." }
                    " " span.more {
                        (words::many(counts.messages, "message", "messages")) ": " (words::thousands(counts.accepted)) " accepted, " (words::thousands(counts.refused)) " refused, " (words::thousands(counts.unlinked)) " that no link reads."
                        @if let Some(at) = house.view.feed.newest { " Newest " (house.words.age(at)) " old." }
                    }
                }
            }
        }
    }
}

fn unread(house: &House) -> Markup {
    let unread = &house.view.unread;
    html! {
        section aria-labelledby="unread-h" {
            h2 #unread-h { "What is heard and goes nowhere" }
            @if unread.is_empty() { p.q { "Nothing: every message that came was read by a link." } }
            @else {
                p.s.q.measure { "These came on topics that a link seems to want. See to the sender, or to the link: " code { "warmside check" } " says what fits." }
                div.scroll {
                    table.stack {
                        thead { tr { th scope="col" { "Topic" } th scope="col" { "Raw bytes" } th.n scope="col" { "Age" } th.n scope="col" { "Times" } th scope="col" { "Why" } } }
                        tbody {
                            @for u in unread.iter().take(MOST_UNREAD) {
                                tr {
                                    th scope="row" { code { (words::cut(&u.topic)) } }
                                    td data-l="raw" { code { (words::cut(&u.payload)) } }
                                    td.n data-l="age" { (house.words.age(u.at)) }
                                    td.n data-l="times" { (words::thousands(u.times)) }
                                    td data-l="why" { @match &u.refused { Some(why) => { "refused: " (words::cut(why)) }, None => "no link reads this topic" } }
                                }
                            }
                        }
                    }
                }
                @if unread.len() > MOST_UNREAD { p.s.q { "and " (unread.len() - MOST_UNREAD) " more" } }
            }
        }
    }
}

fn one(house: &House, enclosure: &EnclosureView, offsets: &Offsets, reader: &Reader, open: bool) -> Markup {
    let probes = probes(house, enclosure);
    html! {
        details open[open] id={ "setup-" (enclosure.id) } {
            summary { b { (words::name(enclosure)) } " " span.q { (words::many(probes.len() as u64, "probe", "probes")) ", " (words::stands(house.view, enclosure)) } }
            @for place in enclosure.places.iter().filter(|p| p.wanted.is_some()) {
                @if let Some(why) = &place.unseen { p.s { b { "Not watched: " (place.place.label()) "." } " " (words::cut(why)) "." } }
            }
            @if enclosure.places.is_empty() { p.s { b { "Not watched: nothing is wanted and nothing is heard." } " Give it a care and a link." } }
            @if !probes.is_empty() { (table(house, &probes, offsets)) (touch::ask(house, &probes, reader)) }
            p.s { a href={ "/e/" (segment(&enclosure.id)) } { "To " (enclosure.id) } }
        }
    }
}

fn rooms(house: &House, offsets: &Offsets) -> Markup {
    let probes: Vec<&ProbeView> = house.view.probes.iter().filter(|p| p.enclosure.is_none()).collect();
    html! {
        @if !probes.is_empty() {
            section aria-labelledby="rooms-h" { h2 #rooms-h { "Rooms" } (table(house, &probes, offsets)) }
        }
    }
}

fn table(house: &House, probes: &[&ProbeView], offsets: &Offsets) -> Markup {
    html! {
        div.scroll {
            table.stack {
                thead { tr { th scope="col" { "Place" } th scope="col" { "Topic" } th scope="col" { "Raw bytes" } th.n scope="col" { "Reads" } th.n scope="col" { "Age" } th.n scope="col" { "Usually every" } th scope="col" { "Offset" } th.n scope="col" { "Accepted" } th scope="col" { "Doubt" } } }
                tbody {
                    @for p in probes {
                        tr {
                            th scope="row" { (what(p)) }
                            td data-l="topic" { code { (words::cut(&p.topic)) } }
                            td data-l="raw" { @if let Some(raw) = &p.payload { code { (words::cut(raw)) } } }
                            td.n data-l="reads" { @if let Some(v) = p.last { (house.words.reading(p.quantity, v)) } @else { "never" } }
                            td.n data-l="age" { @if let Some(at) = p.last_at { (house.words.age(at)) } }
                            td.n data-l="usually every" { @if let Some(every) = p.usual_interval.filter(|s| *s > Span::ZERO) { (every) } }
                            td data-l="offset" { (offsets.words(house, p)) }
                            td.n data-l="accepted" { (words::thousands(p.accepted)) @if p.doubted > 0 { ", " (p.doubted) " doubted" } }
                            td data-l="doubt" { @if let Some(why) = &p.doubt { b { (words::cut(why)) } } }
                        }
                    }
                }
            }
        }
    }
}

fn what(probe: &ProbeView) -> String {
    match (probe.place, &probe.room) {
        (Some(place), _) if probe.quantity == crate::terms::quantity::Quantity::Temperature => {
            words::sentence(place.label())
        }
        (Some(place), _) => format!("{}, {}", words::sentence(place.label()), probe.quantity.word().replace('_', " ")),
        // What is at no place goes by its own name, without the enclosure before it.
        (None, _) => {
            let own = probe.name.split_once('/').map_or(probe.name.as_str(), |(_, rest)| rest);
            // A battery's name carries its topic, which stands beside it; a first heat source its number.
            let own = own.split('@').next().unwrap_or(own).replace("heat.0.", "heat.");
            words::cut(&words::sentence(&tie::reads_name(&own)))
        }
    }
}
