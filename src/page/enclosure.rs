//! One enclosure: what is wrong, how long there is, what to do, who has it; the slope large, answers, numbers.

use super::frame::{self, Reader, bar, moment, segment};
use super::mark::{self, Hue};
use super::needs::answered;
use super::slope::Large;
use super::standing::{House, guilty, time_left};
use super::{coming, forms, table, wall, words};
use crate::engine::view::{Condition, EnclosureView, IncidentView, PlaceView, ProbeView};
use crate::notice::local::{Local, list};
use crate::notice::words::facts::{Part, sentences};
use crate::terms::time::Span;
use maud::{Markup, html};

/// The latest mails of an incident that its page names.
const MOST_MAILS_SHOWN: usize = 4;

/// What the page is about besides the view.
#[derive(Default)]
pub struct More {
    /// The engine's words to what was said last: whether it was done, and how it puts it.
    pub told: Option<super::Left>,
    /// What each place read when the incident began, in the view's order, °C.
    pub before: Vec<Option<f64>>,
    pub plots: Option<Markup>,
    pub ledger: Option<Markup>,
}

pub fn title(house: &House, enclosure: &EnclosureView) -> String {
    format!("{}: {}", words::name(enclosure), state_words(house, enclosure))
}

fn state_words(house: &House, enclosure: &EnclosureView) -> &'static str {
    wall::state(house, enclosure).map_or("in band", |(_, word, _)| word)
}

/// Open incidents of an enclosure, the one that speaks for it first.
fn incidents<'a>(house: &House<'a>, enclosure: &EnclosureView) -> Vec<&'a IncidentView> {
    let mut all: Vec<_> = house.view.incidents.iter().filter(|i| i.enclosures.contains(&enclosure.id)).collect();
    let first = house.speaks_for(enclosure).map(|i| i.id.as_str());
    all.sort_by_key(|i| Some(i.id.as_str()) != first);
    all
}

pub fn main(house: &House, enclosure: &EnclosureView, reader: &Reader, more: &More) -> Markup {
    html! {
        p.crumb { a href="/" { "Wall" } @if !words::stands(house.view, enclosure).is_empty() { ", " (words::stands(house.view, enclosure)) } }
        (frame::told(house, reader, more.told.as_ref()))
        div.cols {
            div { (head(house, enclosure)) (forms::act(house, &incidents(house, enclosure), reader)) }
            (slope(house, enclosure, &more.before))
        }
        @if let Some(plots) = &more.plots { (plots) }
        (forms::forms(house, enclosure, reader))
        @if let Some(ledger) = &more.ledger { (ledger) }
        (numbers(house, enclosure))
        (coming::section(house, enclosure))
        (learned(enclosure))
    }
}

/// What changes while somebody looks. Forms and plots are left alone.
pub fn pieces(house: &House, enclosure: &EnclosureView, reader: &Reader) -> Vec<(String, String)> {
    let drawn = [
        ("bar", bar(house.bar())),
        ("moment", moment(&house.words)),
        ("head", head(house, enclosure)),
        ("act", forms::act(house, &incidents(house, enclosure), reader)),
        ("numbers", numbers(house, enclosure)),
        ("coming", coming::section(house, enclosure)),
        ("learned", learned(enclosure)),
    ];
    drawn.into_iter().map(|(id, markup)| (id.to_owned(), markup.into_string())).collect()
}

fn head(house: &House, enclosure: &EnclosureView) -> Markup {
    let state = wall::state(house, enclosure);
    let all = incidents(house, enclosure);
    html! {
        div #head {
            h1.ttl {
                @if let Some((mark, _, hue)) = state { span class=(hue.class()) { (mark.draw_big()) } " " }
                (words::name(enclosure)) @if enclosure.empty { " (empty)" } ": " (state_words(house, enclosure))
            }
            @match all.as_slice() {
                [] => (calm(house, enclosure)),
                [first, rest @ ..] => {
                    (trouble(house, enclosure, first))
                    @if !rest.is_empty() {
                        p.s.gap { "Also: " @for (i, other) in rest.iter().enumerate() { @if i > 0 { ", " } a href={ "/i/" (segment(&other.id)) } { (mark::says(other.cause)) } } "." }
                    }
                }
            }
        }
    }
}

fn calm(house: &House, enclosure: &EnclosureView) -> Markup {
    let until = match enclosure.condition {
        Condition::Shelved => enclosure.shelved_until.map(|at| ("Shelved", at)),
        Condition::HandsIn => enclosure.hands_in_until.map(|at| ("Hands in", at)),
        _ => None,
    };
    html! {
        dl.ask.one {
            @if let Some((word, at)) = until {
                div { dt { (word) } dd.txt { "Ends by itself at " b { (house.words.when(at)) } ". The never limits still speak." } }
            }
            @for place in enclosure.places.iter().filter(|p| p.unseen.is_some()) {
                div { dt { "Not watched" } dd.txt { (words::sentence(place.place.label())) ": " (words::cut(place.unseen.as_deref().unwrap_or(""))) "." } }
            }
            @if enclosure.condition == Condition::InBand {
                div { dt { "What is wrong" } dd.txt { "Nothing that Warmside can see." } }
            }
            (note(enclosure))
        }
    }
}

/// The answers that somebody needs who was just woken up, in the order in which they need them.
fn trouble(house: &House, enclosure: &EnclosureView, incident: &IncidentView) -> Markup {
    html! {
        dl.ask.one {
            div {
                dt { @if incident.act_by.is_some() { "Time left" } @else { "How soon" } }
                dd { (clock(house, enclosure, incident)) }
            }
            div { dt { "What is wrong" } dd.txt { b { (words::sentence(mark::says(incident.cause))) "." } " " (facts(house, incident, Part::What).unwrap_or_else(|| words::cut(&incident.what))) } }
            @if let Some(left) = facts(house, incident, Part::IfLeft) { div { dt { "Left alone" } dd.txt { (left) } } }
            div { dt { "How long" } dd.txt { (house.words.age(incident.since)) ", since " (house.words.when(incident.since)) "." @if incident.latched { " A never limit was crossed: this stays until somebody answers." } } }
            div { dt { "What to do" } dd { (what_to_do(enclosure, incident)) } }
            div {
                dt { "Who answered" }
                dd.txt {
                    b { @if incident.answered.is_some() { (answered(house, incident)) "." } @else { "Nobody yet." } }
                    (told(house, incident))
                }
            }
            @if let Some(sure) = facts(house, incident, Part::HowSure) { div { dt { "How sure" } dd.txt { (sure) } } }
        }
    }
}

/// The numbers behind an incident, in the words of the mails.
fn facts(house: &House, incident: &IncidentView, part: Part) -> Option<String> {
    let local = Local::new(&house.view.time_zone, house.view.degrees);
    let said = sentences(incident.facts.iter(), part, 4, &local, house.now());
    (!said.is_empty()).then_some(said)
}

fn clock(house: &House, enclosure: &EnclosureView, incident: &IncidentView) -> Markup {
    let hue = mark::hue(incident.cause);
    let limit = guilty(enclosure, incident.place).and_then(|p| p.never);
    let limit = limit.map(|(low, high)| if hue == Hue::Hot { high } else { low });
    html! {
        @match (time_left(incident, house.now()), incident.act_by) {
            (Some(left), Some(by)) if left >= Span::min(1) => {
                span class={ "clock " (hue.class()) } { (words::left(left)) }
                " " span.mid { "until " (house.words.when(words::deadline(by))) }
                @if let Some(limit) = limit { span.txt.q.all { "then " (house.words.degrees(limit)) ", your limit." } }
            },
            (Some(_), _) => { span class={ "clock " (hue.class()) } { "Now" } span.txt.q.all { "The limit is reached." } },
            _ => { span.bigger { (words::sentence(incident.urgency.word())) } },
        }
    }
}

fn what_to_do(enclosure: &EnclosureView, incident: &IncidentView) -> Markup {
    html! {
        @match &enclosure.what_to_do {
            Some(own) => { p.note { (own) } span.s.q.all { "Your own note. " (mark::first_look(incident.cause)) } },
            None => p.note { (mark::first_look(incident.cause)) },
        }
    }
}

fn note(enclosure: &EnclosureView) -> Markup {
    html! { @if let Some(own) = &enclosure.what_to_do { div { dt { "Your note" } dd { p.note { (own) } } } } }
}

/// `Mailed to Ines 14:11 and 14:26. Tom is mailed at 14:45.`
fn told(house: &House, incident: &IncidentView) -> Markup {
    let last = incident.told.get(incident.told.len().saturating_sub(MOST_MAILS_SHOWN)..).unwrap_or_default();
    let of_one_keeper = last.chunk_by(|(a, _), (b, _)| a == b).filter_map(|mails| {
        let (id, _) = mails.first()?;
        let times: Vec<String> = mails.iter().map(|(_, at)| house.words.when(*at)).collect();
        Some(format!("{} {}", words::keeper_name(house.view, id), list(&times)))
    });
    let mails: Vec<String> = of_one_keeper.collect();
    html! {
        @if !mails.is_empty() { " Mailed to " (mails.join("; ")) "." }
        @if incident.answered.is_none() {
            @if let Some((id, at)) = &incident.next { " " (words::keeper_name(house.view, id)) " is mailed at " (house.words.when(*at)) "." }
        }
    }
}

fn slope(house: &House, enclosure: &EnclosureView, before: &[Option<f64>]) -> Markup {
    let label =
        house.speaks_for(enclosure).filter(|_| before.iter().any(Option::is_some)).map(|i| house.words.clock(i.since));
    let draw = |width: f64| Large { words: &house.words, enclosure, before, before_label: label.clone(), width }.draw();
    let says = enclosure.places.iter().map(|p| {
        let band = p.wanted.map_or(String::new(), |b| format!(", wanted {}", house.words.band(b)));
        let now = p.celsius.filter(|_| p.unseen.is_none()).map_or("not seen".to_owned(), |c| house.words.bare(c));
        format!("{} {now}{band}", p.place.label())
    });
    let says: Vec<String> = says.collect();
    html! {
        figure role="group" aria-label={ "Slope of " (words::name(enclosure)) ": " (says.join("; ")) } {
            figcaption { b { "The slope now" } "Block: wanted. Bracket: never beyond. " @if label.is_some() { "Dashed: when it began. " } "Arrow: an hour ahead at this pace. Hot end left." }
            @if enclosure.places.is_empty() { p.q { "No place is wanted or heard." } }
            @else { div.wide { (draw(474.0)) } div.narrow { (draw(358.0)) } }
        }
    }
}

fn numbers(house: &House, enclosure: &EnclosureView) -> Markup {
    let probe = |place: &PlaceView| {
        let is = |p: &&ProbeView| p.enclosure.as_deref() == Some(enclosure.id.as_str()) && p.place == Some(place.place);
        house.view.probes.iter().filter(is).find(|p| p.quantity == crate::terms::quantity::Quantity::Temperature)
    };
    html! {
        section #numbers aria-labelledby="numbers-h" {
            h2 #numbers-h { "Every place in numbers" }
            div.scroll {
                table.stack {
                    thead { tr { th scope="col" { "Place" } th.n scope="col" { "Now" } th.n scope="col" { "Wanted" } th.n scope="col" { "Never beyond" } th.n scope="col" { "Pace" } th.n scope="col" { "Age" } th.n scope="col" { "Usually every" } } }
                    tbody {
                        @for place in &enclosure.places {
                            tr {
                                th scope="row" { (words::sentence(place.place.label())) }
                                td.n data-l="now" { @if place.unseen.is_some() { "not seen" } @else if let Some(c) = place.celsius { (house.words.degrees(c)) } }
                                td.n data-l="wanted" { @if let Some(b) = place.wanted { (house.words.band(b)) } @else { "not judged" } }
                                td.n data-l="never beyond" { @if let Some(b) = place.never { (house.words.band(b)) } }
                                td.n data-l="pace" { @if let Some(s) = place.slope_k_per_min.filter(|s| s.is_finite()) { (words::number(house.words.degrees.show_difference(s * 60.0), 1)) " " (house.words.unit()) "/h" } }
                                td.n data-l="age" { @if let Some(at) = place.at { (house.words.age(at)) } }
                                td.n data-l="usually every" { @if let Some(every) = probe(place).and_then(|p| p.usual_interval) { (every) } }
                            }
                        }
                        @if let Some(h) = &enclosure.humidity {
                            tr { th scope="row" { "Humidity, " (h.place.label()) } td.n data-l="now" { @if let Some(p) = h.percent { (words::number(p, 0)) " %" } } td.n data-l="wanted" { @if let Some((a, b)) = h.wanted { (words::number(a, 0)) "–" (words::number(b, 0)) " %" } } td.n {} td.n {} td.n {} td.n {} }
                        }
                        tr {
                            th scope="row" { "Light" @if let (Some(on), Some(off)) = (enclosure.light.on_at, enclosure.light.off_at) { ", planned " (house.words.clock(on)) "–" (house.words.clock(off)) } }
                            td.n data-l="now" { (table::light(enclosure)) @if let Some(lx) = enclosure.light.lux { " " (words::number(lx, 0)) " lx" } }
                            td.n data-l="wanted" { @match enclosure.light.planned_on { Some(true) => "on", Some(false) => "off", None => "" } } td.n {} td.n {} td.n {} td.n {}
                        }
                        @if enclosure.heat.power_w.is_some() || enclosure.heat.switch_on.is_some() {
                            tr {
                                th scope="row" { "Heat" }
                                td.n data-l="now" { @if let Some(w) = enclosure.heat.power_w { (words::number(w, 0)) " W" } @if let Some(on) = enclosure.heat.switch_on { @if on { ", told on" } @else { ", told off" } } }
                                td.n {} td.n {} td.n {} td.n {} td.n {}
                            }
                        }
                    }
                }
            }
        }
    }
}

fn learned(enclosure: &EnclosureView) -> Markup {
    let heard = match enclosure.heat.state.as_str() {
        "hearing" => "Warmside still listens which readings come.",
        "learning" => "Warmside still learns how this enclosure warms and cools; your limits alarm all the same.",
        "young" => "Warmside has learned a first picture of this enclosure; it grows surer by the day.",
        "watching" => "Warmside knows how this enclosure warms and cools.",
        _ => "There is no heat source to learn.",
    };
    html! {
        section #learned aria-labelledby="learned-h" {
            h2 #learned-h { "What was learned" }
            p.measure { (heard) }
            @if !enclosure.heat.learned.is_empty() { ul.s.gap { @for sentence in &enclosure.heat.learned { li.measure { (words::cut(sentence)) } } } }
        }
    }
}

/// An incident's own page: where a mail's link leads. It shows; only its button acts.
pub fn incident(house: &House, incident: &IncidentView, reader: &Reader, told: Option<&super::Left>) -> Markup {
    let of: Vec<&EnclosureView> = incident.enclosures.iter().filter_map(|id| house.enclosure(id)).collect();
    html! {
        p.crumb { a href="/" { "Wall" } ", incident " (incident.id) }
        (frame::told(house, reader, told))
        h1.ttl {
            span class=(mark::hue(incident.cause).class()) { (mark::of_cause(incident.cause, incident.urgency).draw_big()) } " "
            (house.whom(incident)) ": " (mark::says(incident.cause))
        }
        @if let Some(first) = of.first() { (trouble(house, first, incident)) }
        @else { (house_trouble(house, incident)) }
        (forms::act(house, &[incident], reader))
        @if !of.is_empty() {
            section aria-labelledby="whom-h" {
                h2 #whom-h { "Whom it concerns" }
                ul.says { @for e in of { li { span {} p { a href={ "/e/" (segment(&e.id)) } { b { (words::name(e)) } } ": " (state_words(house, e)) ". " span.q { (words::stands(house.view, e)) } } p.by {} } } }
            }
        }
    }
}

fn house_trouble(house: &House, incident: &IncidentView) -> Markup {
    html! {
        dl.ask.one {
            div { dt { "What is wrong" } dd.txt { b { (words::sentence(mark::says(incident.cause))) "." } " " (words::cut(&incident.what)) } }
            div { dt { "How long" } dd.txt { (house.words.age(incident.since)) ", since " (house.words.when(incident.since)) "." } }
            div { dt { "What to do" } dd { p.note { (mark::first_look(incident.cause)) } } }
            div { dt { "Who answered" } dd.txt { b { @if incident.answered.is_some() { (answered(house, incident)) "." } @else { "Nobody yet." } } (told(house, incident)) } }
        }
    }
}
