//! The forms of an enclosure: the one button that matters, hands in, a shelf, marks; each works without script.

use super::frame::{Reader, segment, token, who};
use super::standing::House;
use crate::engine::event::TAKEN_BACK_WITHIN;
use crate::engine::view::{EnclosureView, IncidentView};
use crate::terms::time::Span;
use maud::{Markup, html};

/// The longest that an enclosure may be shelved from the page.
pub const LONGEST_SHELF: Span = Span::days(7);
/// What can be marked with one press: the word of the ledger, and how a keeper says it.
pub const MARKS: [(&str, &str); 8] = [
    ("fed", "fed"),
    ("water-changed", "water changed"),
    ("shed", "shed"),
    ("cleaned", "cleaned"),
    ("setting-changed", "thermostat set"),
    ("heater-changed", "heater changed"),
    ("lamp-changed", "lamp changed"),
    ("probe-moved", "probe moved"),
];

/// Marks that made the watcher learn anew: what has been forgotten cannot be brought back.
const LEARNS_ANEW: [&str; 4] = ["setting-changed", "heater-changed", "lamp-changed", "probe-moved"];

/// Whether a mark made by mistake can be struck out.
pub fn may_be_struck(what: &str) -> bool {
    !LEARNS_ANEW.contains(&what) && !what.starts_with("checked ")
}

/// The one button that matters, always in reach on a phone; after it was pressed, for a while, the one that takes it back.
pub fn act(house: &House, incidents: &[&IncidentView], reader: &Reader) -> Markup {
    let open = incidents.iter().find(|i| i.answered.is_none());
    let until = |i: &IncidentView| i.answered.as_ref().map(|(_, at)| *at + TAKEN_BACK_WITHIN);
    let late = incidents.iter().find_map(|i| Some((i, until(i).filter(|until| *until > house.now())?)));
    html! {
        // The piece itself sticks to a phone's lower edge: a wrapper around it would hold it back.
        div #act class=[open.is_some().then_some("act noprint").or(late.is_some().then_some("act quiet noprint"))] {
            @if let Some(incident) = open {
                (acknowledge(house, incident, reader))
                p.s.q { "Stops the reminders for a while. Getting worse breaks through." }
            } @else if let Some((incident, until)) = late {
                form method="post" action={ "/i/" (segment(&incident.id)) "/take-back" } {
                    (token(reader)) (who(house.view, reader))
                    button type="submit" { "Take it back" }
                }
                p.s.q { "Until " (house.words.clock(until)) ", if nobody has it after all: reminders go on." }
            }
        }
    }
}

/// The form that says: somebody has it.
pub fn acknowledge(house: &House, incident: &IncidentView, reader: &Reader) -> Markup {
    html! {
        form method="post" action={ "/i/" (segment(&incident.id)) "/acknowledge" } {
            (token(reader)) (who(house.view, reader))
            button.main type="submit" { "I have it" }
        }
    }
}

/// What a keeper can say of an enclosure at any time.
pub fn forms(house: &House, enclosure: &EnclosureView, reader: &Reader) -> Markup {
    let action = |what: &str| format!("/e/{}/{what}", segment(&enclosure.id));
    let now = house.now();
    html! {
        section.noprint aria-labelledby="forms-h" {
            h2 #forms-h { "Tell Warmside" }
            div.forms {
                @if enclosure.hands_in_until.is_some() {
                    form method="post" action=(action("hands-out")) {
                        (token(reader)) h3 { "Hands in" } p.s.q { "You are working in it. Ends by itself." }
                        (who(house.view, reader)) button type="submit" { "Hands out again" }
                    }
                } @else {
                    form method="post" action=(action("hands-in")) {
                        (token(reader)) h3 { "Hands in" } p.s.q { "You are working in it. Ends by itself." }
                        div.row { label { "Minutes" input type="number" name="minutes" value="20" min="1" max="240" required; } (who(house.view, reader)) }
                        button type="submit" { "Hands in" }
                    }
                }
                @if enclosure.shelved_until.is_some() {
                    form method="post" action=(action("unshelve")) {
                        (token(reader)) h3 { "Shelved" } p.s.q { "No mail until it ends. The never limits still speak." }
                        (who(house.view, reader)) button type="submit" { "Take off the shelf" }
                    }
                } @else {
                    form method="post" action=(action("shelve")) {
                        (token(reader)) h3 { "Shelve until" } p.s.q { "No mail until then, at most 7 days. The never limits still speak." }
                        div.row {
                            label { "Ends" input type="datetime-local" name="until" required value=(house.words.field(now + Span::h(2))) min=(house.words.field(now)) max=(house.words.field(now + LONGEST_SHELF)); }
                            (who(house.view, reader))
                        }
                        button type="submit" { "Shelve" }
                    }
                }
                form method="post" action=(action("mark")) {
                    (token(reader)) h3 { "Mark in the ledger, now" }
                    p.s.q { "After the last four Warmside learns anew instead of alarming." }
                    div.row { (who(house.view, reader)) }
                    div.marks role="group" aria-label="Mark" { @for (word, said) in MARKS { button type="submit" name="mark" value=(word) { (said) } } }
                    div.row { label { "or a note" input type="text" name="note" maxlength="200"; } }
                    button type="submit" { "Add note" }
                }
            }
        }
    }
}
