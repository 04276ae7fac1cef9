//! A probe in a hand: whether it is the one that it is taken for, and what to do where two are the wrong way round.

use super::bench::{Held, Laid, Number, Touch};
use super::frame::{Reader, segment, token};
use super::standing::House;
use super::tie::{by, key, place};
use super::words;
use crate::engine::view::ProbeView;
use maud::{Markup, html};

/// The page of somebody who holds a probe; it looks again by itself every few seconds.
pub fn page(house: &House, laid: &Laid, reader: &Reader) -> Markup {
    html! {
        p.crumb { a href="/setup" { "Setup" } ", touch" }
        @match &laid.touch {
            None => { h1.ttl { "Nobody holds a probe" } p.measure { "On " a href="/setup#tie" { "Setup" } ", choose a probe and press Touch it, then hold it in your hand: this page says which one grew warm." } },
            Some(touch) => {
                h1.ttl { "Hold the probe at " (place(house, &touch.held.whose, &touch.held.reads)) }
                div role="status" { (verdict(house, laid, touch)) }
                @if let Some((number, _)) = touch.found.as_ref().filter(|(number, _)| *number != touch.held.number) {
                    (exchange(house, laid, touch, number, reader))
                }
                form.find method="post" action="/setup/let-go" { (token(reader)) input type="hidden" name="by" value=(by(house, reader)); button type="submit" { @if touch.found.is_some() { "Done" } @else { "Stop" } } }
            },
        }
    }
}

fn said(number: &Number) -> String {
    let pointer = if number.pointer.is_empty() { String::new() } else { format!(" {}", number.pointer) };
    words::cut(&format!("{}{pointer}", number.topic))
}

fn verdict(house: &House, laid: &Laid, touch: &Touch) -> Markup {
    let own = &touch.held.number;
    html! {
        @match &touch.found {
            Some((number, rise)) if number == own => p { b { "Yes: it is this one. " } code { (said(number)) } " rose by " (words::number(*rise, 1)) "." },
            Some((number, rise)) => {
                @match laid.belongs(number, house.view) {
                    Some(other) => p.measure { b { "No: what you hold is taken for " (place(house, &other.whose, &other.reads)) ". " } "If your hand is on the right probe, these two are the wrong way round." },
                    None => p.measure { b { "No: what you hold belongs nowhere yet. " } "If your hand is on the right probe, untie the other one and tie this one." },
                }
                p.s.q { code { (said(number)) } " rose by " (words::number(*rise, 1)) ", not " code { (said(own)) } "." }
            },
            None => {
                p.measure { "Keep it in your closed hand for a minute, or until this page says more. Held since " (house.words.clock(touch.since)) ", " (house.words.age(touch.since)) "." }
                @match touch.survey.warmed().filter(|w| w.rise > 0.0) {
                    Some(w) => p.s.q { "So far " code { (said(&Number { topic: w.topic.to_owned(), pointer: w.pointer.to_owned() })) } " rose most, by " (words::number(w.rise, 1)) "; the next one by " (words::number(w.next, 1)) "." },
                    None => p.s.q { "Nothing has risen yet. Slow sensors report once in minutes." },
                }
            },
        }
    }
}

/// The way out where two are the wrong way round: at once where both were tied here, by hand where the keeper's file says so.
fn exchange(house: &House, laid: &Laid, touch: &Touch, found: &Number, reader: &Reader) -> Markup {
    let own = &touch.held.number;
    let Some(other) = laid.belongs(found, house.view).filter(Held::can_be_felt) else { return html! {} };
    html! {
        @if laid.tie_of(own).is_some() && laid.tie_of(found).is_some() {
            form.find method="post" action="/setup/exchange" {
                (token(reader)) input type="hidden" name="by" value=(by(house, reader));
                input type="hidden" name="heard" value=(key(found)); input type="hidden" name="with" value=(key(own));
                button.main type="submit" { "I hold the right one: exchange the two" }
            }
            p.s.q.measure { "Then hold the probe at " (place(house, &other.whose, &other.reads)) " as well." }
        } @else {
            p.s.measure { "Your own file links them: exchange the two probes, or the two topics in the file, and then say " code { "warmside mark " (touch.held.whose) " probe-moved" } "." }
        }
    }
}

/// Asks to hold one of the probes of an enclosure or room, whoever linked or tied it.
pub fn ask(house: &House, probes: &[&ProbeView], reader: &Reader) -> Markup {
    let held: Vec<Held> = probes.iter().filter_map(|probe| Held::of_probe(probe)).filter(Held::can_be_felt).collect();
    html! {
        @if let Some(first) = held.first() {
            form.find method="post" action="/setup/touch" {
                (token(reader)) input type="hidden" name="by" value=(by(house, reader));
                label {
                    "Is each probe where it is said to be? Hold one"
                    select name="heard" aria-label={ "Probe of " (first.whose) " to hold" } {
                        @for one in &held { option value=(key(&one.number)) { (words::sentence(&super::tie::reads_name(&one.reads))) } }
                    }
                }
                button type="submit" aria-label={ "Touch it: a probe of " (segment(&first.whose)) } { "Touch it" }
            }
        }
    }
}
