//! One incident's thread of mails: who has been told, and when the next mail is due while nobody answers.

use super::settings::Settings;
use crate::finding::cause::Urgency;
use crate::incident::book::Book;
use crate::incident::{Incident, Worse, crosses_never};
use crate::terms::time::{Mono, Now, Span};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Between two mails that it got worse, unless the urgency rose: a reminder carries the rest.
pub const WORSE_APART: Span = Span::min(10);

/// What was told within the week and comes back is told by mail once it stands for longer than any day of light and any night:
/// then it no longer comes and goes with them. Ours.
const OUTLASTS_THE_DAY: Span = Span::h(18);

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Thread {
    /// Mails so far; the next is `ID.{sent + 1}`.
    pub sent: u32,
    /// Id of the first mail.
    pub first: Option<String>,
    /// Keepers told, and when.
    pub told: BTreeMap<String, Now>,
    /// When the last mail that asks for somebody went out.
    pub last: Mono,
    /// Repeats since it was raised, got worse or a pause ended.
    pub repeats: u32,
    /// An answer pauses repeats until then.
    pub paused_until: Option<Mono>,
    /// Since when nobody has answered.
    pub unanswered: Now,
    /// Worse, and not yet told.
    pub worse: Option<Worse>,
    /// The first mail `now` is out: later ones may be gathered.
    pub now_told: bool,
    /// When the last mail that asks for somebody was written.
    #[serde(default)]
    pub mailed: Option<Now>,
    /// It came back no worse than it was told of: so far only the daily letter says so.
    #[serde(default)]
    pub known: bool,
}

impl Thread {
    pub fn new(now: Now) -> Thread {
        Thread { last: now.mono, unanswered: now, ..Thread::default() }
    }

    /// Until the next repeat: as set, and slower while nobody answers.
    pub fn interval(&self, urgency: Urgency, settings: &Settings) -> Span {
        let (base, slowest) = match urgency {
            Urgency::Now => (settings.repeat_now, 16),
            // The daily letter names what is open each morning: a thread of its own need not say it daily for months.
            _ if settings.daily.is_some() => (settings.repeat_today, 28),
            _ => (settings.repeat_today, 4),
        };
        let slower = 1i64 << (self.repeats / 2).min(5);
        Span::ms(base.as_ms().max(60_000).saturating_mul(slower.min(slowest)))
    }

    /// When the next repeat is due. A repeat says `still`: what comes and goes must have stood for a while.
    pub fn repeats_at(&self, incident: &Incident, settings: &Settings) -> Mono {
        // What is calm and only waits to be looked at can wait like what is not urgent.
        let urgency = if incident.calm.is_some() { Urgency::Today } else { incident.urgency() };
        let base = if urgency == Urgency::Now { settings.repeat_now } else { settings.repeat_today };
        let stands_for = if self.known { base.max(OUTLASTS_THE_DAY) } else { base };
        let stood = incident.standing_since().map_or(Mono::MIN, |since| since + stands_for);
        let unanswered = (self.last + self.interval(urgency, settings)).max(stood);
        // An answer never brings the next repeat nearer.
        self.paused_until.map_or(unanswered, |pause| pause.max(self.last + base))
    }

    pub fn worse_at(&self) -> Option<Mono> {
        self.worse.map(|why| match why {
            Worse::Urgency | Worse::Again | Worse::Named => self.last,
            Worse::Never | Worse::Spread => self.last + WORSE_APART,
        })
    }

    pub fn answered(&mut self, now: Now, pause: Span) {
        self.paused_until = Some(now.mono + pause);
        self.repeats = 0;
    }

    /// Nobody has it (any more): waiting begins anew.
    pub fn open_again(&mut self, now: Now) {
        self.paused_until = None;
        self.repeats = 0;
        self.unanswered = now;
    }
}

/// Nothing to ask anybody for: it waits for company, all is calm, or everything that stands is shelved and no `never` limit is crossed.
pub fn is_quiet(incident: &Incident, book: &Book) -> bool {
    if !incident.is_open() || incident.due.is_some() {
        return true;
    }
    if incident.drill {
        return false;
    }
    let mut standing = incident.standing().peekable();
    if standing.peek().is_none() {
        return !incident.latched;
    }
    standing.all(|f| {
        let house = book.house();
        let concerned = house.concerned(f.key.subject, f.key.cause);
        !concerned.is_empty()
            && concerned
                .iter()
                .all(|ix| book.shelf(*ix).is_some() && (house.is_empty_enclosure(*ix) || !crosses_never(f)))
    })
}
