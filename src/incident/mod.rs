//! The only state machine (IEC 62682): findings of one origin become one incident, from its first minute to its end.
//!
//! [`book::Book`] takes edges of findings, answers, shelving and wakes, and reports [`Step`]s: what of it people may
//! have to be told. Whom and when is `notice/`'s affair. The rules of one origin stand in [`origin`].

pub mod book;
mod due;
mod gather;
pub mod house;
mod id;
mod kept;
pub mod origin;
pub mod shelf;
mod stored;

#[cfg(test)]
mod tests;

use crate::finding::cause::{Cause, Urgency};
use crate::finding::fact::Fact;
use crate::finding::{Finding, Subject};
use crate::terms::id::{CircuitIx, EnclosureIx, RoomIx};
use crate::terms::place::Place;
use crate::terms::time::{Mono, Now, Span, Wall};
use house::House;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// A row of engine state that must survive: a key that names it, and JSON. `None`: delete.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Row {
    /// `incident/7Q`, `shelf/a3`, `mark/…`, `desk`: the store keeps it without reading it.
    pub key: String,
    pub json: Option<String>,
}

/// Keys of rows that nobody takes back, the history of incidents that are remembered no more, begin so and go on with when
/// it ended and its id: `past/2026-01-05T07:00:00.000Z/7Q`. The store lets them age by that.
pub const PAST: &str = "past/";

/// The states of IEC 62682; shelved, suppressed by design and out of service are beside them ([`shelf`], [`House`]).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// Stands and waits for company before anybody is told.
    Gathering,
    /// Stands, nobody has answered.
    Unacknowledged,
    /// Stands, somebody has answered.
    Acknowledged,
    /// Calm, not long enough to end; nobody has answered.
    ReturnedUnacknowledged,
    /// Calm, not long enough to end; answered.
    ReturnedAcknowledged,
    /// Calm long enough, but a `never` high limit was crossed: waits for an answer.
    Latched,
    /// Ended.
    Normal,
}

/// A finding in its incident.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Standing {
    pub finding: Finding,
    /// Whether it stands now, or has become calm.
    pub stands: bool,
    /// When it last began to stand, or became calm.
    pub changed: Now,
}

/// What ties several enclosures into one incident.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Scope {
    Room(RoomIx),
    Circuit(CircuitIx),
    /// The whole house, or a part that has no name.
    Site,
}

/// Somebody said that they have it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Answer {
    pub by: String,
    pub at: Now,
}

/// One transition, with its reason and its author.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Entry {
    pub at: Wall,
    pub what: String,
    /// A keeper, or `warmside`.
    pub by: String,
}

/// What people were last told, so that only news is told again.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Told {
    pub at: Now,
    pub urgency: Urgency,
    pub cause: Cause,
    pub enclosures: BTreeSet<EnclosureIx>,
    /// `never` limits whose crossing was told: where, and whether the high one.
    pub nevers: BTreeSet<(EnclosureIx, Option<Place>, bool)>,
    /// Since when less stands than was told, and the worst of it since: when that has lasted, what comes anew is news.
    #[serde(default)]
    pub eased: Option<Eased>,
}

/// The worst that stood since something told was over.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Eased {
    pub since: Now,
    pub urgency: Urgency,
}

/// Findings that began within this tell one story.
const ONE_STORY: Span = Span::h(2);
/// Longest history of one incident; the middle is dropped.
const LONGEST_HISTORY: usize = 60;

/// Everything of one origin.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Incident {
    /// Short enough to say on the phone: `7Q`.
    pub id: String,
    pub opened: Now,
    /// Until when the telling waits for company; `None`: told, or over.
    pub due: Option<Mono>,
    pub told: Option<Told>,
    pub findings: Vec<Standing>,
    /// What ties its enclosures together, once known, and the cause that this shows.
    pub shared: Option<(Scope, Option<Cause>)>,
    /// A `never` high limit was crossed: ends only with an answer.
    pub latched: bool,
    /// The last answer since it was raised.
    pub answered: Option<Answer>,
    /// Since when all is calm.
    pub calm: Option<Now>,
    pub ended: Option<Now>,
    /// How often it was told to have come back within a day of its end.
    pub again: u32,
    /// The incident that has taken over its findings.
    pub merged_into: Option<String>,
    /// A practice alarm.
    pub drill: bool,
    pub history: Vec<Entry>,
}

/// A finding that says a `never` limit is crossed.
pub fn crosses_never(finding: &Finding) -> bool {
    finding.latched || finding.facts.iter().any(|f| matches!(f, Fact::Reading { never: true, .. }))
}

/// Whether it is the high limit that is crossed.
fn crosses_high(finding: &Finding) -> bool {
    finding.latched
        || finding
            .facts
            .iter()
            .any(|f| matches!(f, Fact::Reading { never: true, value, limit: Some(limit), .. } if value > limit))
}

impl Incident {
    fn new(id: String, now: Now) -> Incident {
        Incident {
            id,
            opened: now,
            due: None,
            told: None,
            findings: Vec::new(),
            shared: None,
            latched: false,
            answered: None,
            calm: None,
            ended: None,
            again: 0,
            merged_into: None,
            drill: false,
            history: Vec::new(),
        }
    }

    pub fn is_open(&self) -> bool {
        self.ended.is_none()
    }

    pub fn state(&self) -> State {
        match (self.ended, self.due, self.calm, &self.answered) {
            (Some(_), ..) => State::Normal,
            (_, Some(_), ..) => State::Gathering,
            (_, _, None, None) => State::Unacknowledged,
            (_, _, None, Some(_)) => State::Acknowledged,
            (_, _, Some(_), Some(_)) => State::ReturnedAcknowledged,
            (_, _, Some(_), None) if self.latched => State::Latched,
            (_, _, Some(_), None) => State::ReturnedUnacknowledged,
        }
    }

    /// How long all must be calm before it ends: longer each time it comes back, so that chattering is told once.
    pub fn dwell(&self) -> Span {
        match self.again {
            0 => Span::min(20),
            1 => Span::h(1),
            _ => Span::h(6),
        }
    }

    /// Comes and goes: named as such in its mails.
    pub fn chatters(&self) -> bool {
        self.again >= 2
    }

    pub fn standing(&self) -> impl Iterator<Item = &Finding> {
        self.findings.iter().filter(|s| s.stands).map(|s| &s.finding)
    }

    /// Those that stand, or, when all are calm, all.
    pub fn telling(&self) -> Vec<&Finding> {
        let standing: Vec<&Finding> = self.standing().collect();
        if standing.is_empty() { self.findings.iter().map(|s| &s.finding).collect() } else { standing }
    }

    /// The highest urgency of what stands; what was latched stays urgent.
    pub fn urgency(&self) -> Urgency {
        if self.latched || self.drill {
            return Urgency::Now;
        }
        let own = self.telling().iter().map(|f| f.urgency).max().unwrap_or(Urgency::Today);
        let shared = match self.shared {
            Some((_, Some(cause))) if self.standing().next().is_some() => cause.usual_urgency(),
            _ => Urgency::Note,
        };
        own.max(shared)
    }

    /// The most specific explanation, and the finding that carries it. `None`: a drill.
    pub fn cause(&self) -> Option<Cause> {
        let own = self.leading().map(|f| f.key.cause);
        match (own, self.shared.and_then(|(_, cause)| cause)) {
            // What warms half of a room from outside is the room.
            (Some(Cause::OutsideHeat), Some(Cause::RoomHot)) => Some(Cause::RoomHot),
            (Some(own), Some(shared)) if own.explains() >= shared.explains() => Some(own),
            (own, shared) => shared.or(own),
        }
    }

    /// The finding that explains most, of the family that is most urgent.
    pub fn leading(&self) -> Option<&Finding> {
        origin::leading(self.findings.iter().map(|s| &s.finding))
    }

    /// When the fault began, by the best estimate.
    pub fn since(&self) -> Now {
        if let Some((_, Some(Cause::PowerLost))) = self.shared {
            // Each heater's own end is dated to its last peak: the power went with the latest of them.
            let heatless =
                self.findings.iter().filter(|s| origin::kin(s.finding.key.cause) == Some(origin::Kin::Power));
            let before = heatless.map(|s| s.finding.since).filter(|since| since.mono <= self.opened.mono);
            if let Some(latest) = before.max_by_key(|n| n.mono) {
                return latest;
            }
        }
        // A lesser fault may have stood for weeks before: what its cause shows began with what is near it.
        let lead = self.leading().map_or(self.opened, |f| f.since);
        let near = self.findings.iter().map(|s| s.finding.since).filter(|n| n.mono >= lead.mono - ONE_STORY);
        near.min_by_key(|n| n.wall).unwrap_or(lead)
    }

    /// The first deadline of what stands.
    pub fn act_by(&self) -> Option<Wall> {
        self.standing().filter_map(|f| f.act_by).min()
    }

    /// The place, when the findings of its cause agree on one.
    pub fn place(&self) -> Option<Place> {
        let lead = self.leading()?;
        let same = |f: &&Finding| f.key.cause == lead.key.cause;
        let all_agree = self.telling().into_iter().filter(same).all(|f| f.key.place == lead.key.place);
        if all_agree { lead.key.place } else { None }
    }

    /// The enclosures that it is about, soonest deadline first, then in the order of the house.
    pub fn enclosures(&self, house: &House) -> Vec<EnclosureIx> {
        let some_recovered = self.findings.iter().any(|s| !s.stands);
        let mut list: Vec<(Wall, EnclosureIx)> = Vec::new();
        for finding in self.telling() {
            for ix in house.concerned(finding.key.subject, finding.key.cause) {
                list.push((finding.act_by.unwrap_or(Wall::MAX), ix));
            }
        }
        if let (Some((scope, Some(Cause::PowerLost))), false) = (self.shared, some_recovered) {
            // What has no power shows it later where the glass is larger: all of the circuit are concerned.
            list.extend(house.within(scope).filter(|ix| house.is_watched(*ix)).map(|ix| (Wall::MAX, ix)));
        }
        list.sort();
        let mut seen = BTreeSet::new();
        list.into_iter().map(|(_, ix)| ix).filter(|ix| seen.insert(*ix)).collect()
    }

    /// Since when something of it stands without a break.
    pub fn standing_since(&self) -> Option<Mono> {
        self.findings.iter().filter(|s| s.stands).map(|s| s.changed.mono).min()
    }

    /// Every enclosure that it has ever been about.
    pub fn all_enclosures(&self, house: &House) -> Vec<EnclosureIx> {
        let mut all: BTreeSet<EnclosureIx> = self.told.iter().flat_map(|t| t.enclosures.iter().copied()).collect();
        for s in &self.findings {
            all.extend(house.concerned(s.finding.key.subject, s.finding.key.cause));
        }
        all.into_iter().collect()
    }

    /// Enclosures with a finding of their own, standing or calm.
    fn members(&self) -> BTreeSet<EnclosureIx> {
        self.findings.iter().filter_map(|s| enclosure_of(s.finding.key.subject)).collect()
    }

    fn standing_members(&self) -> BTreeSet<EnclosureIx> {
        self.standing().filter_map(|f| enclosure_of(f.key.subject)).collect()
    }

    fn record(&mut self, now: Now, by: &str, what: impl Into<String>) {
        if self.history.len() >= LONGEST_HISTORY {
            self.history.remove(LONGEST_HISTORY / 4);
        }
        self.history.push(Entry { at: now.wall, what: what.into(), by: by.to_owned() });
    }

    /// `never` limits that are crossed now.
    fn nevers(&self) -> BTreeSet<(EnclosureIx, Option<Place>, bool)> {
        self.standing()
            .filter(|f| crosses_never(f))
            .filter_map(|f| Some((enclosure_of(f.key.subject)?, f.key.place, crosses_high(f))))
            .collect()
    }
}

fn enclosure_of(subject: Subject) -> Option<EnclosureIx> {
    match subject {
        Subject::Enclosure(ix) => Some(ix),
        _ => None,
    }
}

/// Why an incident is told again.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Worse {
    /// Its urgency rose.
    Urgency,
    /// A `never` limit was crossed.
    Never,
    /// It concerns several enclosures.
    Spread,
    /// What several enclosures have in common is now known.
    Named,
    /// It came back within a day of its end.
    Again,
}

/// Something of an incident that people may have to be told.
#[derive(Clone, Debug, PartialEq)]
pub enum Step {
    Raised {
        incident: String,
    },
    Worse {
        incident: String,
        why: Worse,
    },
    Answered {
        incident: String,
        by: String,
    },
    /// An answer was a mistake: nobody has it.
    TakenBack {
        incident: String,
    },
    Ended {
        incident: String,
    },
    /// A practice alarm begins.
    Drill {
        incident: String,
    },
    /// The findings of one incident have moved to another; nobody is told.
    Merged {
        incident: String,
        into: String,
    },
    /// A shelf or hands-in ran out by itself.
    Resumed {
        enclosure: EnclosureIx,
        kind: shelf::Kind,
        by: String,
        incident: Option<String>,
        /// How many findings were held back and stand.
        held: usize,
    },
    /// For the next letter only.
    Note {
        finding: Finding,
    },
}
