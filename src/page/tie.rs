//! Tying, touching and sealing, drawn: what is heard and waits, where it may belong, and what is tied so far.

use super::bench::{Free, Held, Laid, Number};
use super::frame::{Reader, segment, token, who};
use super::mark::Mark;
use super::standing::House;
use super::words;
use crate::config::tied::{Fate, Tie};
use crate::survey::field::Field;
use crate::survey::offer::Offer;
use crate::terms::place::Place;
use crate::terms::quantity::Unit;
use crate::terms::time::Wall;
use maud::{Markup, html};
use std::collections::{BTreeMap, BTreeSet};

/// Numbers and places that are written out; a word narrows what there is more.
const MOST_WAITING: usize = 60;
const MOST_FREE: usize = 60;
/// Units that a keeper can choose, by their UCUM codes.
const UNITS: [(Unit, &str); 7] = [
    (Unit::Celsius, "°C"),
    (Unit::Fahrenheit, "°F"),
    (Unit::Kelvin, "K"),
    (Unit::Percent, "%"),
    (Unit::Lux, "lx"),
    (Unit::Watt, "W"),
    (Unit::Volt, "V"),
];

/// A number as a form sends it.
pub fn key(number: &Number) -> String {
    format!("{} {}", segment(&number.topic), segment(&number.pointer))
}

/// A place as a form sends it.
pub fn place_key(free: &Free) -> String {
    format!("{} {} {}", if free.room { "room" } else { "enclosure" }, free.whose, free.reads)
}

/// `c8 Loam, warm side`; of what is no temperature also what it is.
pub fn place(house: &House, whose: &str, reads: &str) -> String {
    format!("{}, {}", whose_name(house, whose), reads_name(reads))
}

fn whose_name(house: &House, whose: &str) -> String {
    house.enclosure(whose).map_or_else(|| words::room_name(house.view, whose).to_owned(), words::name)
}

/// `warm side`, `humidity, cool side`, `heat, watts`.
pub fn reads_name(reads: &str) -> String {
    let (at, quantity) = reads.rsplit_once('.').unwrap_or(("", reads));
    let at = Place::from_word(at).map_or_else(|| at.replace('_', " "), |place| place.label().to_owned());
    match quantity {
        "temperature" => at,
        "power" => format!("{at}, watts"),
        _ if at.is_empty() => quantity.replace('_', " "),
        _ => format!("{}, {at}", quantity.replace('_', " ")),
    }
}

/// The whole part of Setup that ties. `sought`: words that narrow what waits.
pub fn section(house: &House, laid: &Laid, reader: &Reader, sought: &str) -> Markup {
    html! {
        section aria-labelledby="tie" {
            h2 #tie { "Tie what is heard to where it belongs" }
            (hearing(house, laid, reader))
            @if laid.since.is_some() { (pairs(house, laid, reader, sought)) }
        }
        (tied(house, laid, reader))
    }
}

fn hearing(house: &House, laid: &Laid, reader: &Reader) -> Markup {
    html! {
        @if let Some(why) = &laid.trouble { p.told role="alert" { (words::cut(why)) } }
        @match laid.until {
            Some(until) => p.s.q.measure { "Everything on the broker is heard until " (house.words.clock(until)) ". Names are sure after three messages, values after minutes." },
            None => {
                p.s.q.measure { "Only what is tied is heard. To tie something new, let Warmside hear every topic for half an hour." }
                form.find method="post" action="/setup/hear" { (token(reader)) (who(house.view, reader)) button type="submit" { "Hear everything for 30 minutes" } }
            },
        }
    }
}

type Waiting<'l> = (Number, &'l crate::survey::Topic, &'l Field, Offer);

/// Both sides: what waits, and the places that are free.
fn pairs(house: &House, laid: &Laid, reader: &Reader, sought: &str) -> Markup {
    let (mut waiting, aside) = laid.waiting();
    let all = waiting.len();
    waiting.retain(|(number, ..)| super::ledger::holds(&format!("{} {}", number.topic, number.pointer), sought));
    let (shown, more) = (waiting.len().min(MOST_WAITING), waiting.len().saturating_sub(MOST_WAITING));
    let probes = house.view.probes.iter().filter(|p| p.last_at.is_some());
    let heard_of: BTreeSet<&str> = probes.map(|p| p.name.as_str()).collect();
    let unheard = |f: &&Free| !heard_of.contains(format!("{}/{}", f.whose, f.reads).as_str());
    let free: Vec<&Free> = laid.free().filter(unheard).collect();
    // The first pair of which both sides are there is offered.
    let offered = waiting.iter().take(shown).find_map(|(number, .., offer)| {
        let fits = |f: &&&Free| Some(&f.whose) == offer.whose.as_ref() && Some(&f.reads) == offer.reads.as_ref();
        Some((number.clone(), (*free.iter().find(fits)?).clone()))
    });
    html! {
        p.s.q.measure { (words::many(laid.survey.topics().len() as u64, "topic", "topics")) ": " (words::many(all as u64, "number waits", "numbers wait")) ", " (aside) " set aside (counters, states of devices, times)." }
        @if all > MOST_WAITING || !sought.is_empty() {
            form.find method="get" action="/setup" role="search" { label { "Part of a topic" input type="search" name="q" value=(sought) maxlength="100"; } button type="submit" { "Find" } }
        }
        @if waiting.is_empty() { p.q { "Nothing waits: every number that is heard is tied, or is nothing to tie." } }
        @else {
            form method="post" action="/setup/tie" {
                (token(reader))
                div.pair {
                    fieldset.pick.hear {
                        legend { "What is heard " span.q.plain { (waiting.len()) " waiting" } }
                        ul { @for one in waiting.iter().take(shown) { (heard(house, one, offered.as_ref().is_some_and(|(n, _)| *n == one.0))) } }
                        @if more > 0 { p.s.q { "and " (more) " more: narrow them by a part of their topic" } }
                    }
                    (belongs(house, &free, offered.as_ref().map(|(_, f)| f)))
                }
                div.tie {
                    p.s { "Nothing is tied without you, and nothing tied is watched until it is sealed." }
                    label { "It is in" select name="unit" { option value="" { "as it seems" } @for (unit, said) in UNITS { option value=(unit.code()) { (said) } } } }
                    (who(house.view, reader))
                    button.main type="submit" { "Tie these two" }
                }
            }
        }
    }
}

/// One number: topic, value and age, how it moved, and what it seems to be.
fn heard(house: &House, (number, of, field, offer): &Waiting<'_>, checked: bool) -> Markup {
    let said = field.words.iter().next_back().map(|w| words::cut(w));
    html! {
        li {
            label {
                input type="radio" name="heard" value=(key(number)) checked[checked] required;
                span.top1 { code { (words::cut(&number.topic)) } @if !number.pointer.is_empty() { br; code.q { (words::cut(&number.pointer)) } } }
                span.rdg.s {
                    b { @if let Some(last) = field.last { (words::number(last, 2)) (unit_words(offer)) } @else if let Some(said) = said { (said) } @else { "on or off" } }
                    @if let Some(at) = of.last { (house.words.age(at)) " old" }
                }
                span.spk { (spark(field)) }
                span.why {
                    (words::sentence(offer.guess.seems.words())) ": " (words::cut(&offer.guess.because).replace('`', "")) "."
                    @if let (Some(whose), Some(reads)) = (&offer.whose, &offer.reads) { " Looks like " b { (place(house, whose, reads)) } "." }
                    @else if let Some(whose) = &offer.whose { " Of " b { (whose_name(house, whose)) } "; which place, you know." }
                    @if let Some(doubt) = &offer.guess.doubt { " Unsure: " (words::cut(doubt)) "." }
                }
            }
        }
    }
}

fn unit_words(offer: &Offer) -> String {
    let unit = offer.quantity.map(|(_, unit)| unit);
    match unit {
        Some(None) => ", unit?".to_owned(),
        Some(Some(unit)) => {
            UNITS.iter().find(|(u, _)| *u == unit).map_or(String::new(), |(_, said)| format!(" {said}"))
        }
        None => String::new(),
    }
}

/// How a number moved in the last two hours, on a scale of its own.
fn spark(field: &Field) -> Markup {
    let means = field.minutes.means();
    let recent = means.get(means.len().saturating_sub(120)..).unwrap_or_default();
    let seen = || recent.iter().copied().filter(|v| v.is_finite());
    let (low, high) = (seen().fold(f32::INFINITY, f32::min), seen().fold(f32::NEG_INFINITY, f32::max));
    let span = (high - low).max(f32::EPSILON);
    let y = |v: f32| if high > low { 20.0 - 18.0 * (v - low) / span } else { 11.0 };
    let points = recent.iter().enumerate().filter(|(_, v)| v.is_finite());
    let points: Vec<String> = points.map(|(i, v)| format!("{i},{:.1}", y(*v))).collect();
    html! {
        svg.sp viewBox="0 0 120 22" width="120" height="22" aria-hidden="true" {
            path.hl d="M0 21.5h120" {}
            @if points.len() > 1 { polyline.ln points=(points.join(" ")) {} }
        }
    }
}

fn belongs(house: &House, free: &[&Free], offered: Option<&Free>) -> Markup {
    let shown: Vec<&Free> = free.iter().copied().filter(|f| f.wanted).take(MOST_FREE).collect();
    html! {
        fieldset.pick.belong {
            legend { "Where it belongs " span.q.plain { (words::many(free.iter().filter(|f| f.wanted).count() as u64, "empty place", "empty places")) } }
            ul {
                @for f in &shown {
                    li { label {
                        input type="radio" name="place" value=(place_key(f)) checked[offered == Some(*f)] required;
                        span { b { (place(house, &f.whose, &f.reads)) } span.q { (wanted(house, f)) } }
                        span.q { "empty" }
                    } }
                }
                li { label {
                    input type="radio" name="place" value="other" required;
                    span {
                        b { "Somewhere else" }
                        select name="other" aria-label="Somewhere else" {
                            option value="" { "choose" }
                            @for f in free.iter().filter(|f| !shown.contains(f)) { option value=(place_key(f)) { (place(house, &f.whose, &f.reads)) } }
                        }
                    }
                } }
            }
        }
    }
}

/// The wanted band of an empty place, where the view has one.
fn wanted(house: &House, free: &Free) -> String {
    let at = free.reads.strip_suffix(".temperature").and_then(Place::from_word);
    let seen = house.enclosure(&free.whose).and_then(|e| e.places.iter().find(|p| Some(p.place) == at));
    seen.and_then(|p| p.wanted)
        .map_or(String::new(), |b| format!("wanted {} {}", house.words.band(b), house.words.unit()))
}

/// What is tied, of each enclosure or room.
fn tied(house: &House, laid: &Laid, reader: &Reader) -> Markup {
    let mut whose: BTreeMap<&str, Vec<&(Tie, Fate)>> = BTreeMap::new();
    for one in &laid.tied.all {
        whose.entry(one.0.whose()).or_default().push(one);
    }
    html! {
        @if let Some(why) = &laid.tied.trouble { p.told role="alert" { b { "Nothing that was tied here is watched. " } (words::cut(why)) } }
        @for (id, ties) in whose { (ties_of(house, laid, reader, id, &ties)) }
    }
}

/// Whether a hand can prove a tie: only warmth can be felt.
pub fn needs_touch(tie: &Tie) -> bool {
    Held::of(tie).can_be_felt() && tie.touched.is_none()
}

fn ties_of(house: &House, laid: &Laid, reader: &Reader, id: &str, ties: &[&(Tie, Fate)]) -> Markup {
    let waits = ties.iter().filter(|(_, fate)| *fate == Fate::Waits).count();
    let untouched = ties.iter().filter(|(tie, fate)| *fate == Fate::Waits && needs_touch(tie)).count();
    let name = whose_name(house, id);
    html! {
        section aria-labelledby={ "tied-" (id) } {
            h2 id={ "tied-" (id) } {
                @if waits > 0 { (Mark::BLIND.draw()) " " }
                (name) ": "
                @match (waits, untouched) {
                    (0, _) => "tied here and sealed",
                    (_, 0) => "tied, not watched until it is sealed",
                    (_, 1) => "one touch missing, not watched yet",
                    (_, n) => { (n) " touches missing, not watched yet" },
                }
            }
            div.scroll {
                table.stack.lad {
                    thead { tr { th scope="col" { "Place" } th scope="col" { "Topic" } th.n scope="col" { "Reads" } th scope="col" { "Read as" } th scope="col" { "Touched" } th scope="col" { "Sealed" } th scope="col" { span.hid { "Change" } } } }
                    tbody { @for (tie, fate) in ties.iter().copied() { (row(house, laid, reader, tie, fate)) } }
                }
            }
            @if waits > 0 { (seal(house, reader, id, &name, untouched)) }
        }
    }
}

fn row(house: &House, laid: &Laid, reader: &Reader, tie: &Tie, fate: &Fate) -> Markup {
    let number = Number::of(tie);
    let last = laid.survey.topics().get(&number.topic).and_then(|t| t.fields.get(&number.pointer)?.last);
    let at = |text: &Option<String>| text.as_deref().and_then(Wall::parse_rfc3339).map(|at| house.words.when(at));
    html! {
        tr {
            th scope="row" { (words::sentence(&reads_name(&tie.reads))) }
            td data-l="topic" { code { (words::cut(&tie.topic)) } }
            td.n data-l="reads" { @if let Some(last) = last { (words::number(last, 2)) } }
            td data-l="read as" { (tie.pointer.as_deref().map_or("the whole payload".to_owned(), words::cut)) @if let Some(unit) = &tie.unit { ", " (words::cut(unit)) } }
            td data-l="touched" { @if let Some(at) = at(&tie.touched) { (at) } @else if needs_touch(tie) { span.miss { "not yet" } } @else { "not needed" } }
            td data-l="sealed" {
                @match fate {
                    Fate::Watched => { (at(&tie.sealed).unwrap_or_default()) },
                    Fate::Waits => span.miss { "not yet" },
                    Fate::Idle(why) => span.miss { "Not watched: " (words::cut(why)) },
                }
            }
            td {
                div.row {
                    @if !matches!(fate, Fate::Idle(_)) && Held::of(tie).can_be_felt() { (act("/setup/touch", &number, if tie.touched.is_some() { "Touch again" } else { "Touch it" }, house, reader)) }
                    (act("/setup/untie", &number, "Untie", house, reader))
                }
            }
        }
    }
}

fn act(path: &str, number: &Number, said: &str, house: &House, reader: &Reader) -> Markup {
    html! {
        form method="post" action=(path) {
            (token(reader)) input type="hidden" name="by" value=(by(house, reader)); input type="hidden" name="heard" value=(key(number));
            button type="submit" aria-label={ (said) " " (number.topic) } { (said) }
        }
    }
}

/// Who says it where no name is chosen: a choice in every row of a table would be in the way.
pub fn by<'a>(house: &'a House, reader: &'a Reader) -> &'a str {
    reader.who.as_deref().or(house.view.keepers.first().map(|k| k.id.as_str())).unwrap_or("page")
}

fn seal(house: &House, reader: &Reader, id: &str, name: &str, untouched: usize) -> Markup {
    html! {
        form.sealrow method="post" action="/setup/seal" {
            (token(reader)) input type="hidden" name="whose" value=(id); (who(house.view, reader))
            @if untouched == 0 {
                button.main type="submit" { "Seal " (name) }
                p.s.q { "From then on it is watched, without a restart." }
            } @else {
                button type="submit" name="untouched" value="1" { "Seal untouched" }
                p.s.q.measure { "Touch every probe first: an exchanged pair looks healthy from afar. Seal untouched only if you are sure which probe is which." }
            }
        }
    }
}
