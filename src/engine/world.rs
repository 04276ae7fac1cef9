//! The house as the engine holds it: dens, probes, rooms, the feed and the edges' health. The judges live here; incidents
//! and mails do not, so that words can look at the house while the desk writes.

use super::den::{Around, Den};
use super::local::LocalClock;
use super::pulse::Pulse;
use super::sense::Tally;
use super::settings::Settings;
use crate::care::calendar::Calendar;
use crate::care::plan::Plan;
use crate::finding::cause::Cause;
use crate::finding::feed::Feed;
use crate::finding::room::{Air, Says};
use crate::finding::{Change, Key, Subject};
use crate::incident::house::{House, Member};
use crate::reading::links::Links;
use crate::terms::id::{EnclosureIx, RoomIx};
use crate::terms::time::{Mono, Now, Span, Wall};
use crate::trust::watch::Watch as Trust;
use std::sync::Arc;

/// So many others of a room are asked what they did.
const MOST_ASKED: usize = 8;
/// What an enclosure lost lately may have been lost by its circuit.
const CIRCUIT_LATELY: Span = Span::min(45);
/// So many thresholds on the cold side have those that fall together passed in sum. Excesses have exponential tails
/// (`heat/MODEL.md`): that several that know nothing of one another go so far at once is as rare as that one goes the sum.
const TOGETHER: f64 = 1.0;
/// A room's reading counts for its enclosures for this long.
const ROOM_HOLDS: Span = Span::min(90);

/// A room with a probe of its own.
#[derive(Clone, Debug, Default)]
pub struct RoomNow {
    pub celsius: Option<(f64, Now)>,
    pub air: Air,
    /// What its air, as last heard, tells beside the days before.
    pub says: Says,
    /// How many of its enclosures have lost or gained heat by their own judgement.
    pub disturbed: u16,
}

/// How the edges fare, as they told.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Edges {
    pub post_failing: Option<String>,
    /// The first failure since a mail was last taken, and the last that was given up.
    pub post_failing_since: Option<Mono>,
    pub post_given_up: Option<Mono>,
    pub last_accepted: Option<Wall>,
    pub waiting: u32,
    pub store_failing: Option<String>,
    pub link_trouble: Option<String>,
}

#[derive(Debug)]
pub struct World {
    pub settings: Arc<Settings>,
    pub local: LocalClock,
    pub links: Links,
    pub trust: Trust,
    pub tallies: Vec<Tally>,
    pub probe_findings: crate::finding::probe::Judge,
    /// Scratch, empty between entries.
    pub doubts: Vec<crate::trust::Event>,
    pub dens: Vec<Den>,
    pub rooms: Vec<RoomNow>,
    /// By circuit, and last for those of which none is told: which enclosure was the last to lose its heat, and when that was
    /// seen.
    lost: Vec<Option<(EnclosureIx, Mono)>>,
    pub feed: Feed,
    pub edges: Edges,
    pub pulse: Pulse,
    /// Now, as of the last entry.
    pub now: Now,
}

impl World {
    pub fn new(settings: Arc<Settings>, now: Now) -> World {
        let position = settings.position.and_then(|(lat, lon)| crate::nature::sun::Position::new(lat, lon));
        let calendar = Calendar::new(&settings.notice.time_zone, position).unwrap_or_else(Calendar::utc);
        let calendar = Arc::new(calendar);
        let enclosures: Vec<String> = settings.enclosures.iter().map(|e| e.id.clone()).collect();
        let rooms: Vec<String> = settings.rooms.iter().map(|r| r.id.clone()).collect();
        let links = Links::new(&settings.links, &enclosures, &rooms);
        let mut dens = Vec::with_capacity(settings.enclosures.len());
        for (ix, enclosure) in settings.enclosures.iter().enumerate() {
            let plan = enclosure.care.clone().map(|care| Plan::new(care, calendar.clone(), now.wall));
            dens.push(Den::new(EnclosureIx(u16::try_from(ix).unwrap_or(u16::MAX)), plan, &enclosure.heat));
        }
        World {
            local: LocalClock::new(calendar),
            links,
            trust: Trust::new(settings.enclosures.iter().map(|e| e.room).collect()),
            tallies: Vec::new(),
            probe_findings: Default::default(),
            doubts: Vec::new(),
            dens,
            rooms: vec![RoomNow::default(); settings.rooms.len()],
            lost: vec![None; settings.circuits.len() + 1],
            feed: Feed::default(),
            edges: Edges::default(),
            pulse: Pulse::default(),
            settings,
            now,
        }
    }

    /// What incidents need to know of the house.
    pub fn house(&self) -> House {
        let member = |e: &super::settings::Enclosure| Member {
            id: e.id.clone(),
            room: e.room,
            circuit: e.circuit,
            empty: e.empty,
            watched: true,
        };
        House {
            enclosures: self.settings.enclosures.iter().map(member).collect(),
            rooms: self.settings.rooms.iter().map(|r| r.id.clone()).collect(),
            circuits: self.settings.circuits.iter().map(|c| c.id.clone()).collect(),
        }
    }

    /// What a den is told beside its own readings.
    pub fn around(&mut self, ix: EnclosureIx, held: Held, now: Now) -> Around {
        let room = self.room_of(ix);
        let own = self.dens.get(ix.index()).is_some_and(Den::is_disturbed);
        let of_room = room.and_then(|r| self.rooms.get(r.index()));
        let heard = of_room.filter(|r| r.celsius.is_some_and(|(_, at)| now.mono.since(at.mono) < ROOM_HOLDS));
        let room_c = heard.and_then(|r| r.celsius).map(|(c, _)| c);
        let others = of_room.map(|r| r.disturbed.saturating_sub(u16::from(own)));
        Around {
            local: self.local.at(now.wall),
            hold: held != Held::No,
            hands_in: held == Held::HandsIn,
            room_c,
            room_says: heard.map_or(Says::Nothing, |r| r.says),
            circuit_lost: self.circuit_lost(ix, now),
            falls_together: self.falls_together(ix, now),
            neighbours_as_usual: others.map(|n| n == 0),
            others_went_k: self.others_went(ix),
        }
    }

    /// How far the cool sides of others in its room, and the room's own air, went up and down within an hour lately, K, on the
    /// median.
    fn others_went(&self, ix: EnclosureIx) -> Option<(f64, f64)> {
        if !self.dens.get(ix.index()).is_some_and(Den::asks_others) {
            return None;
        }
        let room = self.room_of(ix);
        let others = self.dens.iter().enumerate().filter(|(at, _)| *at != ix.index());
        let near = others.filter(|(at, _)| self.settings.enclosures.get(*at).is_some_and(|e| e.room == room));
        let air = room.and_then(|r| self.rooms.get(r.index())).and_then(|r| r.air.went_in_an_hour());
        let (mut ups, mut downs): (Vec<f64>, Vec<f64>) =
            near.filter_map(|(_, den)| den.went_along()).take(MOST_ASKED).chain(air).unzip();
        let median = |list: &mut Vec<f64>| {
            list.sort_by(f64::total_cmp);
            list.get(list.len() / 2).copied()
        };
        Some((median(&mut ups)?, median(&mut downs)?))
    }

    pub fn room_of(&self, ix: EnclosureIx) -> Option<RoomIx> {
        self.settings.enclosures.get(ix.index()).and_then(|e| e.room)
    }

    pub fn enclosure(&self, id: &str) -> Option<EnclosureIx> {
        let at = self.settings.enclosures.iter().position(|e| e.id == id)?;
        u16::try_from(at).ok().map(EnclosureIx)
    }

    /// Its place in [`World::lost`].
    fn circuit_of(&self, ix: EnclosureIx) -> usize {
        let circuit = self.settings.enclosures.get(ix.index()).and_then(|e| e.circuit);
        circuit.map_or(self.settings.circuits.len(), |c| c.index())
    }

    /// Whether another enclosure on its circuit has just lost its heat.
    fn circuit_lost(&self, ix: EnclosureIx, now: Now) -> bool {
        let lost = self.lost.get(self.circuit_of(ix)).copied().flatten();
        lost.is_some_and(|(other, at)| other != ix && now.mono.since(at) <= CIRCUIT_LATELY)
    }

    /// Whether it is one of at least half of its circuit (or of those of which none is told) that fall as without heat, together
    /// as far past where heat always came back as one alone has to go.
    fn falls_together(&self, ix: EnclosureIx, now: Now) -> bool {
        let lean = |ix: EnclosureIx| self.dens.get(ix.index()).and_then(|den| den.lean(now.mono));
        // Asked of all only where it falls itself: seldom.
        if lean(ix).is_none_or(|own| own <= 0.0) {
            return false;
        }
        let circuit = self.circuit_of(ix);
        let (mut watched, mut falling, mut sum) = (0_u32, 0_u32, 0.0);
        for at in (0..).take(self.dens.len()).map(EnclosureIx).filter(|at| self.circuit_of(*at) == circuit) {
            let Some(lean) = lean(at) else { continue };
            watched += 1;
            falling += u32::from(lean > 0.0);
            sum += lean.min(1.0);
        }
        falling >= 2 && 2 * falling >= watched && sum >= TOGETHER
    }

    /// Marks what is found of an enclosure's lost heat where others on its circuit are on the way to the same.
    pub fn expect_company(&self, ix: EnclosureIx, changes: &mut [Change]) {
        let lost = |change: &&mut Change| matches!(change, Change::Stands(f) if f.key.cause == Cause::HeatFailed);
        for change in changes.iter_mut().filter(lost) {
            let circuit = self.circuit_of(ix);
            let others = self.dens.iter().enumerate().filter(|(at, _)| *at != ix.index());
            let mut beside = others.filter(|(at, _)| {
                let Ok(at) = u16::try_from(*at) else { return false };
                self.circuit_of(EnclosureIx(at)) == circuit
            });
            if let (Change::Stands(finding), true) = (change, beside.any(|(_, den)| den.leans_lost())) {
                finding.expects_company = true;
            }
        }
    }

    /// Keeps count of disturbed dens a room, and of heat lost a circuit, for the neighbours' sake.
    pub fn note_disturbance(&mut self, ix: EnclosureIx, before: Before) {
        let now = self.now.mono;
        let Some(den) = self.dens.get(ix.index()) else { return };
        let (is, lost) = (den.is_disturbed(), den.has_lost_heat());
        if lost
            && !before.lost_heat
            && let circuit = self.circuit_of(ix)
            && let Some(circuit) = self.lost.get_mut(circuit)
        {
            *circuit = Some((ix, now));
        }
        let was = before.disturbed;
        let Some(room) = self.room_of(ix).and_then(|r| self.rooms.get_mut(r.index())) else { return };
        match (was, is) {
            (false, true) => room.disturbed = room.disturbed.saturating_add(1),
            (true, false) => room.disturbed = room.disturbed.saturating_sub(1),
            _ => {}
        }
    }

    /// Whether a finding is held back because the feed explains it.
    pub fn explained_by_feed(&self, change: &Change) -> bool {
        let silent = |key: &Key| key.cause == Cause::ProbeSilent && key.subject != Subject::Site;
        match change {
            Change::Stands(finding) => silent(&finding.key) && self.feed.covers_silence(self.now.mono),
            Change::Calm(_) => false,
        }
    }
}

/// What a den was like before it heard something.
#[derive(Clone, Copy, Debug)]
pub struct Before {
    disturbed: bool,
    lost_heat: bool,
}

impl Before {
    pub fn of(den: &Den) -> Before {
        Before { disturbed: den.is_disturbed(), lost_heat: den.has_lost_heat() }
    }
}

/// Whether an enclosure is suppressed by design.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Held {
    #[default]
    No,
    HandsIn,
    Shelved,
}
