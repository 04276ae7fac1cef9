//! What the daily letter says and no mail: what comes from outside, passes by itself, and came within this week before.
//!
//! A front that stands in the sun each fine day, a cool side that each cold night leaves by a kelvin: the first mail was news,
//! the fifth teaches its reader to skip mails. It stands on the page and in the daily letter like any other; a mail of its own it
//! gets when it is urgent, when it outlasts a day of light or a night, and after a week.

use super::desk::Desk;
use super::thread::Thread;
use crate::finding::Finding;
use crate::finding::cause::{Cause, Urgency};
use crate::incident::book::Book;
use crate::incident::{Incident, origin};
use crate::terms::time::{Now, Span};
use std::collections::BTreeMap;

/// For so long after a mail its return is no news. Ours.
const KNOWN_FOR: Span = Span::days(7);

/// What comes and goes with sun, weather and season, and breaks nothing.
pub(super) const fn passes(cause: Cause) -> bool {
    matches!(
        cause,
        Cause::OutsideHeat
            | Cause::RoomHot
            | Cause::RoomCold
            | Cause::TooHot
            | Cause::TooCold
            | Cause::GradientLost
            | Cause::NightDropMissing
            | Cause::HumidityHigh
            | Cause::HumidityLow
    )
}

/// Of the same enclosure and place, and in the same direction.
fn alike(a: &Finding, b: &Finding) -> bool {
    let same = match (origin::kin(a.key.cause), origin::kin(b.key.cause)) {
        (Some(a), Some(b)) => a == b,
        _ => a.key.cause == b.key.cause,
    };
    same && a.key.subject == b.key.subject && a.key.place == b.key.place
}

/// Whether people were told of the like of it within the week.
fn is_known(incident: &Incident, book: &Book, threads: &BTreeMap<String, Thread>, now: Now) -> bool {
    let house = book.house();
    let Some(lead) = incident.leading() else { return false };
    if incident.urgency() != Urgency::Today || !passes(lead.key.cause) {
        return false;
    }
    let mine = incident.enclosures(house);
    book.all().iter().any(|other| {
        let mailed = threads.get(&other.id).and_then(|thread| thread.mailed);
        mailed.is_some_and(|at| now.mono.since(at.mono) <= KNOWN_FOR)
            && other.findings.iter().any(|s| alike(&s.finding, lead))
            && mine.iter().all(|ix| other.all_enclosures(house).contains(ix))
    })
}

impl Desk {
    /// Without a daily letter everything is a mail.
    pub(super) fn is_known(&self, incident: &Incident, book: &Book, now: Now) -> bool {
        self.settings.daily.is_some() && is_known(incident, book, &self.memory.threads, now)
    }

    pub(super) fn note_of(&mut self, incident: &Incident, book: &Book) {
        if let Some(lead) = incident.leading() {
            self.note(lead, book);
        }
    }
}
