//! The top of the wall: three questions answered in words, what needs somebody, and where no alarm can come from.

use super::frame::{Reader, segment, token};
use super::mark::{self, Hue, Mark};
use super::slope;
use super::standing::{House, Standing, guilty, time_left};
use super::words;
use crate::engine::view::{Condition, EnclosureView, IncidentView};
use crate::finding::cause::Urgency;
use crate::terms::time::Span;
use maud::{Markup, html};

/// Rows of "no alarm can come from" that are written out; the rest is counted and stands in the table.
const MOST_MUTE_ROWS: usize = 12;
/// Rows of "needs you" that are written out.
const MOST_NEED_ROWS: usize = 40;

/// The title of the wall: whoever has ten tabs open reads only this.
pub fn title(house: &House) -> String {
    let (answer, _) = house.alright();
    match house.needs.first() {
        Some(first) if house.tally.needs > 0 => {
            let left = time_left(first, house.now()).map_or(String::new(), |left| format!(", {}", words::left(left)));
            format!("{} of {} need you: {} first{left}", house.tally.needs, house.tally.total(), house.whom(first))
        }
        _ => answer,
    }
}

/// What a screen reader is told when it changes.
pub fn say(house: &House) -> String {
    let first =
        house.needs.first().map_or(String::new(), |i| format!(" First: {}, {}.", house.whom(i), mark::says(i.cause)));
    format!("{}{first}", house.alright().0)
}

pub fn ask(house: &House) -> Markup {
    let (answer, more) = house.alright();
    let (awake, sentence, proof) = house.awake();
    html! {
        dl.ask #ask {
            div { dt { "Everyone alright?" } dd { h1 { (answer) } " " span.more { (more) } } }
            div {
                dt { "Where first?" }
                dd.mid {
                    @match house.needs.first() {
                        Some(first) => (first_row(house, first)),
                        None if house.tally.not_watched > 0 => span { "Look by eye at who is not watched, below." },
                        None if house.view.enclosures.is_empty() => span { "On " a href="/setup" { "Setup" } "." },
                        None => span.plain { "Nowhere." },
                    }
                }
            }
            div {
                dt { "Watcher awake?" }
                dd.mid {
                    span.yes { (sentence) } span.unk { "Unknown: this page is old." }
                    " " span.more { (proof) }
                    @if awake || !house.view.feed.per_minute.is_empty() { (pulse(&house.view.feed.per_minute)) }
                }
            }
        }
    }
}

fn first_row(house: &House, incident: &IncidentView) -> Markup {
    html! {
        span class=(mark::hue(incident.cause).class()) { (mark::of_cause(incident.cause, incident.urgency).draw()) }
        a href=(address(incident)) { (house.whom(incident)) }
        span { (how_soon(house, incident)) }
    }
}

/// `24 min left`, `now`, `today`.
fn how_soon(house: &House, incident: &IncidentView) -> String {
    match time_left(incident, house.now()) {
        Some(left) if left >= Span::min(1) => format!("{} left", words::left(left)),
        Some(_) => "now: the limit is reached".to_owned(),
        None => incident.urgency.word().to_owned(),
    }
}

/// Where a row leads: to its enclosure when there is one, else to the incident's own page.
fn address(incident: &IncidentView) -> String {
    match incident.enclosures.as_slice() {
        [one] => format!("/e/{}", segment(one)),
        _ => format!("/i/{}", segment(&incident.id)),
    }
}

/// Readings heard in each of the last minutes, so that a gap shows as a gap.
fn pulse(per_minute: &[u32]) -> Markup {
    let most = per_minute.iter().copied().max().unwrap_or(0).max(1);
    let gaps = per_minute.iter().filter(|n| **n == 0).count();
    let mut bars = String::new();
    for (i, n) in per_minute.iter().enumerate().filter(|(_, n)| **n > 0) {
        bars.push_str(&format!(
            "M{} 18v-{}",
            i as f64 * 2.0 + 0.5,
            words::number(f64::from(*n) / f64::from(most) * 17.0, 1)
        ));
    }
    let width = per_minute.len().min(120) * 2;
    html! {
        @if width > 0 {
            span.more.pulse {
                svg width=(width) height="18" viewBox={ "0 0 " (width) " 18" } role="img"
                    aria-label={ "Readings heard in each of the last " (per_minute.len()) " minutes, at most " (most) " a minute; " (gaps) " minutes without any" } {
                    path.pu d=(bars) {}
                    path.pb d={ "M0 17.5h" (width) } {}
                }
                span.xs { "readings a minute, " (Span::min(per_minute.len() as i64)) }
            }
        }
    }
}

/// "Needs you, soonest first": one row an incident.
pub fn needs(house: &House, reader: &Reader) -> Markup {
    let shown = house.needs.len().min(MOST_NEED_ROWS);
    html! {
        section #needs aria-labelledby="needs-h" {
            @if !house.needs.is_empty() {
                h2 #needs-h { "Needs you, soonest first" }
                ol class=[(house.needs.len() > 4).then_some("many")] {
                    @for incident in house.needs.iter().take(shown) { (row(house, reader, incident)) }
                }
                @if house.needs.len() > shown { p.s.q { "and " (house.needs.len() - shown) " more, all in the table below" } }
            }
        }
    }
}

fn row(house: &House, reader: &Reader, incident: &IncidentView) -> Markup {
    let hue = mark::hue(incident.cause);
    let class = match hue {
        Hue::Cold => "nd low-row",
        Hue::Hot => "nd high-row",
        Hue::None => "nd",
    };
    let enclosure = incident.enclosures.first().and_then(|id| house.enclosure(id));
    html! {
        li class=(class) {
            span.mk1 { (mark::of_cause(incident.cause, incident.urgency).draw_big()) }
            p.wh { a href=(address(incident)) { b { (house.whom(incident)) } } span.q.s { (house.whither(incident)) } }
            p.wt { b { (words::sentence(mark::says(incident.cause))) } span.s.q { (words::cut(&incident.what)) } }
            p.rd { @if let Some(e) = enclosure { (reading(house, incident, e)) } }
            p.lf { (deadline(house, incident, enclosure)) }
            div.wo { span.s.q { (answered(house, incident)) } (answer_button(house, reader, incident)) }
        }
    }
}

fn reading(house: &House, incident: &IncidentView, enclosure: &EnclosureView) -> Markup {
    let Some(place) = guilty(enclosure, incident.place) else {
        return html! { span.s { @if enclosure.condition == Condition::NotWatched { "not seen" } @else { "in band everywhere" } } };
    };
    let several = incident.enclosures.len() > 1;
    html! {
        @if let Some(bullet) = slope::bullet(house.view, place) { (bullet) }
        span.s {
            @if several { (enclosure.id) " " }
            (place.place.label())
            @if let Some(c) = place.celsius { " " (house.words.bare(c)) }
            @if let Some(band) = place.wanted { ", wanted " (house.words.band(band)) }
        }
    }
}

fn deadline(house: &House, incident: &IncidentView, enclosure: Option<&EnclosureView>) -> Markup {
    let limit = enclosure
        .and_then(|e| guilty(e, incident.place))
        .and_then(|p| p.never)
        .map(|(low, high)| if mark::hue(incident.cause) == Hue::Hot { high } else { low });
    html! {
        @match (time_left(incident, house.now()), incident.act_by) {
            (Some(left), Some(by)) if left >= Span::min(1) => {
                b { (words::left(left)) }
                span.s.q {
                    @if let Some(limit) = limit { span.nb { "to " (house.words.degrees(limit)) "," } " " }
                    span.nb { "by " (house.words.when(words::deadline(by))) }
                }
            },
            (Some(_), _) => { b { "Now" } span.s.q { "the limit is reached" } },
            _ => { b { (words::sentence(incident.urgency.word())) } span.s.q { "since " (house.words.when(incident.since)) } },
        }
    }
}

/// `Not answered. Tom next, 14:45` or `Ines has it, 14:27`.
pub fn answered(house: &House, incident: &IncidentView) -> String {
    match (&incident.answered, &incident.next) {
        (Some((who, at)), _) => format!("{} has it, {}", words::keeper_name(house.view, who), house.words.when(*at)),
        (None, Some((who, at))) => {
            format!("Not answered. {} next, {}", words::keeper_name(house.view, who), house.words.when(*at))
        }
        (None, None) => "Not answered.".to_owned(),
    }
}

/// One press where it is known who presses, else the way to the page that asks.
fn answer_button(house: &House, reader: &Reader, incident: &IncidentView) -> Markup {
    let only = match house.view.keepers.as_slice() {
        [only] => Some(only.id.clone()),
        _ => reader.who.clone().filter(|who| house.view.keepers.iter().any(|k| k.id == *who)),
    };
    html! {
        @if incident.answered.is_none() {
            @match only {
                Some(who) => form method="post" action={ "/i/" (segment(&incident.id)) "/acknowledge" } {
                    (token(reader)) input type="hidden" name="by" value=(who);
                    button type="submit" { "I have it" span.hid { " " (house.whom(incident)) } }
                },
                None => a.btn href={ "/i/" (segment(&incident.id)) } { "Answer" span.hid { " " (house.whom(incident)) } },
            }
        }
    }
}

/// "No alarm can come from": silence must be visible. One row an incident or an enclosure.
pub fn mute(house: &House) -> Markup {
    let mut rows: Vec<Markup> = Vec::new();
    let mut told: Vec<&str> = Vec::new();
    for (enclosure, standing) in house.view.enclosures.iter().zip(&house.standings) {
        match standing {
            Standing::NotWatched => {
                let incident = house.speaks_for(enclosure);
                if incident.is_some_and(|i| told.contains(&i.id.as_str())) {
                    continue;
                }
                told.extend(incident.map(|i| i.id.as_str()));
                rows.push(unseen_row(house, enclosure, incident));
            }
            Standing::Shelved => rows.push(ending_row(house, enclosure, Mark::SHELF)),
            Standing::HandsIn => rows.push(ending_row(house, enclosure, Mark::HANDS)),
            Standing::Needs | Standing::InBand => {}
        }
    }
    let more = rows.len().saturating_sub(MOST_MUTE_ROWS);
    html! {
        section #mute aria-labelledby="mute-h" {
            @if !rows.is_empty() {
                h2 #mute-h { "No alarm can come from" }
                ul.says { @for row in rows.iter().take(MOST_MUTE_ROWS) { (row) } }
                @if more > 0 { p.s.q { "and " (more) " more, all in the table below" } }
            }
        }
    }
}

fn unseen_row(house: &House, enclosure: &EnclosureView, incident: Option<&IncidentView>) -> Markup {
    let why = enclosure.places.iter().find_map(|p| p.unseen.as_ref().map(|why| (p.place, why)));
    let others = incident.map_or(1, |i| i.enclosures.len());
    html! {
        li {
            (Mark::BLIND.draw())
            p {
                a href=(incident.filter(|_| others > 1).map_or(format!("/e/{}", segment(&enclosure.id)), address)) {
                    b { (incident.filter(|_| others > 1).map_or(words::name(enclosure), |i| house.whom(i))) }
                }
                ", not watched. "
                span.q {
                    @match (incident, why) {
                        (Some(i), _) => (words::cut(&i.what)),
                        (None, Some((place, why))) => { (words::sentence(place.label())) ": " (words::cut(why)) "." },
                        (None, None) => "No reading.",
                    }
                    @if others == 1 { " " (words::sentence(&words::stands(house.view, enclosure))) "." }
                }
            }
            p.by {
                @match incident {
                    Some(i) => { @if i.urgency == Urgency::Now { b { "look now" } } @else { "since " b { (house.words.when(i.since)) } } },
                    None => "look by eye",
                }
            }
        }
    }
}

fn ending_row(house: &House, enclosure: &EnclosureView, mark: Mark) -> Markup {
    let (word, until) =
        if mark == Mark::SHELF { ("shelved", enclosure.shelved_until) } else { ("hands in", enclosure.hands_in_until) };
    html! {
        li {
            (mark.draw())
            p {
                a href={ "/e/" (segment(&enclosure.id)) } { b { (words::name(enclosure)) } }
                ", " (word) ". " span.q { "The never limits still speak. " (words::sentence(&words::stands(house.view, enclosure))) "." }
            }
            p.by { @if let Some(at) = until { "ends by itself " b { (house.words.when(at)) } } }
        }
    }
}
