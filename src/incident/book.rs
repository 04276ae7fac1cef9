//! The book of incidents: edges of findings, answers, shelving and wakes go in; what may have to be told comes out.

use super::house::House;
use super::shelf::Shelf;
use super::{Answer, Incident, Row, Standing, Step, Worse, crosses_never, enclosure_of, id, origin};
use crate::finding::cause::Urgency;
use crate::finding::{Change, Finding, Key, earlier};
use crate::terms::id::EnclosureIx;
use crate::terms::time::{Mono, Now, Span};
use std::collections::{BTreeMap, BTreeSet};

/// How long the first telling waits for company.
const COMPANY_NOW: Span = Span::s(45);
const COMPANY_TODAY: Span = Span::min(3);
/// And where others are about to say the same: two readings of slow probes, and what heat's verdict holds for. Once they have, it
/// waits no longer.
const COMPANY_EXPECTED: Span = Span::min(6);
/// A cause that is raised again within this of the end joins the same incident.
const COMES_BACK: Span = Span::h(24);
/// A deadline that is past by this, and no limit crossed, was a wrong forecast.
const FORECAST_FAILED: Span = Span::min(30);

/// All incidents, open and lately ended, and all shelves.
#[derive(Clone, Debug)]
pub struct Book {
    pub(super) house: House,
    pub(super) incidents: Vec<Incident>,
    pub(super) shelves: BTreeMap<EnclosureIx, Shelf>,
    /// Number of the next id.
    pub(super) next: u64,
    /// Keys of rows that have changed since [`Book::rows`].
    pub(super) changed: BTreeSet<String>,
    /// Rows of incidents that are remembered no more, since [`Book::rows`].
    pub(super) filed: Vec<Row>,
}

impl Book {
    pub fn new(house: House) -> Book {
        Book {
            house,
            incidents: Vec::new(),
            shelves: BTreeMap::new(),
            next: 32,
            changed: BTreeSet::new(),
            filed: Vec::new(),
        }
    }

    pub fn house(&self) -> &House {
        &self.house
    }

    /// Whether an alarm can come from an enclosure at all; out of service otherwise.
    pub fn watched(&mut self, enclosure: EnclosureIx, watched: bool) {
        if let Some(member) = self.house.enclosures.get_mut(enclosure.index()) {
            member.watched = watched;
        }
    }

    pub fn get(&self, id: &str) -> Option<&Incident> {
        self.incidents.iter().find(|i| i.id == id)
    }
    /// Open ones, oldest first.
    pub fn open(&self) -> impl Iterator<Item = &Incident> {
        self.incidents.iter().filter(|i| i.is_open())
    }
    /// All that are remembered, oldest first.
    pub fn all(&self) -> &[Incident] {
        &self.incidents
    }
    pub fn shelf(&self, enclosure: EnclosureIx) -> Option<&Shelf> {
        self.shelves.get(&enclosure)
    }
    pub fn shelves(&self) -> impl Iterator<Item = (EnclosureIx, &Shelf)> {
        self.shelves.iter().map(|(ix, shelf)| (*ix, shelf))
    }

    /// Keys of all findings that are believed to stand: after a restore the engine sends `Calm` for those that no judge knows.
    pub fn standing(&self) -> Vec<Key> {
        let open = self.open().flat_map(|i| i.standing().map(|f| f.key));
        open.chain(self.shelves.values().flat_map(|s| s.held.iter().map(|f| f.key))).collect()
    }

    /// An edge of a finding.
    pub fn change(&mut self, change: Change, now: Now, out: &mut Vec<Step>) {
        match change {
            Change::Stands(finding) => self.stands(finding, now, out),
            Change::Calm(key) => self.calm(key, now, out),
        }
    }

    pub(super) fn stands(&mut self, mut finding: Finding, now: Now, out: &mut Vec<Step>) {
        let enclosure = enclosure_of(finding.key.subject);
        let empty = enclosure.is_some_and(|ix| self.house.is_empty_enclosure(ix));
        if empty {
            finding.urgency = finding.urgency.min(Urgency::Today);
            finding.latched = false;
        }
        if let Some(at) = self.position_of(finding.key) {
            return self.update(at, finding, now, out);
        }
        if finding.urgency == Urgency::Note {
            return out.push(Step::Note { finding });
        }
        if let Some((ix, shelf)) = enclosure.and_then(|ix| Some((ix, self.shelves.get_mut(&ix)?))) {
            shelf.held.retain(|f| f.key != finding.key);
            if empty || !crosses_never(&finding) {
                shelf.held.push(finding);
                self.touch_shelf(ix);
                return;
            }
            self.touch_shelf(ix);
        }
        self.admit(finding, now, out);
    }

    fn position_of(&self, key: Key) -> Option<usize> {
        self.incidents.iter().position(|i| i.is_open() && i.findings.iter().any(|s| s.finding.key == key))
    }

    fn update(&mut self, at: usize, finding: Finding, now: Now, out: &mut Vec<Step>) {
        let Some(incident) = self.incidents.get_mut(at) else { return };
        let cause = finding.key.cause;
        if let Some(s) = incident.findings.iter_mut().find(|s| s.finding.key == finding.key) {
            let was = std::mem::replace(&mut s.finding, finding);
            // A fault that stands keeps its beginning; one that had been calm keeps the incident's.
            if was.since.wall < s.finding.since.wall {
                s.finding.since = was.since;
            }
            if !s.stands {
                (s.stands, s.changed) = (true, now);
                let crossed = crosses_never(&s.finding);
                incident.record(now, "warmside", format!("{} stands again", cause.word()));
                // Whoever answered saw it calm since: a limit that is crossed again is news.
                if let (true, true, Some(told)) = (crossed, incident.answered.is_some(), &mut incident.told) {
                    told.nevers.clear();
                }
            }
        }
        self.settle(at, now, out);
    }

    /// A finding that no open incident has: it joins one, brings one back, or opens its own.
    fn admit(&mut self, finding: Finding, now: Now, out: &mut Vec<Step>) {
        let mine = enclosure_of(finding.key.subject);
        let open: Vec<usize> = (0..self.incidents.len())
            .filter(|i| self.incidents.get(*i).is_some_and(|i| i.is_open() && origin::joins(i, &finding, &self.house)))
            .collect();
        let own = open
            .iter()
            .copied()
            .find(|i| self.incidents.get(*i).is_some_and(|i| mine.is_some_and(|ix| i.members().contains(&ix))));
        let at =
            own.or(open.first().copied()).or_else(|| self.bring_back(&finding, now)).unwrap_or_else(|| self.begin(now));
        let key = finding.key;
        if let Some(incident) = self.incidents.get_mut(at) {
            let whom = mine.map_or(String::new(), |ix| format!(" in {}", self.house.id(ix)));
            incident.record(now, "warmside", format!("{} found{whom}", key.cause.word()));
            incident.findings.retain(|s| s.finding.key != key);
            incident.findings.push(Standing { finding, stands: true, changed: now });
        }
        let at = self.gather(at, key, now, out);
        self.settle(at, now, out);
    }

    pub(super) fn begin(&mut self, now: Now) -> usize {
        let id = id::name(self.next);
        self.next += 1;
        self.changed.insert("book".to_owned());
        self.incidents.push(Incident::new(id, now));
        self.incidents.len() - 1
    }

    fn bring_back(&mut self, finding: &Finding, now: Now) -> Option<usize> {
        let at = self.incidents.iter().rposition(|i| {
            i.merged_into.is_none()
                && i.told.is_some()
                && i.ended.is_some_and(|e| now.mono.since(e.mono) < COMES_BACK)
                && origin::comes_back(i, finding)
        })?;
        let incident = self.incidents.get_mut(at)?;
        (incident.ended, incident.calm, incident.answered) = (None, None, None);
        (incident.latched, incident.shared) = (false, None);
        incident.findings.clear();
        // Only when it was told counts on: what is told next is told of what stands then.
        if let Some(told) = &mut incident.told {
            (told.urgency, told.eased) = (Urgency::Note, None);
            told.nevers.clear();
            told.enclosures.clear();
        }
        incident.due = Some(Mono::MAX);
        incident.record(now, "warmside", "came back");
        Some(at)
    }

    fn calm(&mut self, key: Key, now: Now, out: &mut Vec<Step>) {
        let mut freed = None;
        for (ix, shelf) in &mut self.shelves {
            if shelf.held.iter().any(|f| f.key == key) {
                shelf.held.retain(|f| f.key != key);
                freed = Some(*ix);
            }
        }
        if let Some(ix) = freed {
            self.touch_shelf(ix);
        }
        let Some(at) = self.position_of(key) else { return };
        let Some(incident) = self.incidents.get_mut(at) else { return };
        if let Some(s) = incident.findings.iter_mut().find(|s| s.finding.key == key && s.stands) {
            (s.stands, s.changed) = (false, now);
            incident.record(now, "warmside", format!("{} is calm", key.cause.word()));
        }
        self.settle(at, now, out);
    }

    /// Brings what follows from an incident's findings up to date, and says what is news.
    fn settle(&mut self, at: usize, now: Now, out: &mut Vec<Step>) {
        let Some(incident) = self.incidents.get_mut(at) else { return };
        let id = incident.id.clone();
        let latched = incident.standing().any(|f| f.latched);
        incident.latched |= latched;
        match (incident.shared, origin::shared(incident, &self.house)) {
            // A cause once known stays known while its members recover.
            (Some((_, Some(_))), new) if new.is_none_or(|(_, cause)| cause.is_none()) => {}
            (_, new) => incident.shared = new,
        }
        if incident.standing().next().is_none() {
            if incident.calm.is_none() {
                incident.calm = Some(now);
            }
            if incident.due.is_some() && !incident.latched {
                return self.never_mind(at, now);
            }
        } else {
            incident.calm = None;
            incident.ease(now);
            let expected = incident.shared.is_none() && incident.standing().all(|f| f.expects_company);
            let wait = match incident.urgency() {
                Urgency::Now if expected => COMPANY_EXPECTED,
                Urgency::Now => COMPANY_NOW,
                _ => COMPANY_TODAY,
            };
            if incident.told.is_none() || incident.due.is_some() {
                let due = now.mono + wait;
                incident.due = Some(incident.due.map_or(due, |d| d.min(due)));
            } else if let Some(why) = incident.news() {
                incident.tell(now, &self.house);
                // What was answered was less than this.
                incident.answered = None;
                incident.record(now, "warmside", format!("worse: {why:?}"));
                out.push(Step::Worse { incident: id.clone(), why });
            }
        }
        self.touch(&id);
    }

    /// Calm before anybody was told: nobody will be.
    fn never_mind(&mut self, at: usize, now: Now) {
        let Some(incident) = self.incidents.get_mut(at) else { return };
        let id = incident.id.clone();
        incident.record(now, "warmside", "calm before anybody was told");
        (incident.due, incident.ended) = (None, Some(now));
        if incident.told.is_none() {
            self.incidents.remove(at);
        }
        self.touch(&id);
    }

    /// Somebody answers one incident. `false`: there is no such open incident.
    pub fn answer(&mut self, id: &str, by: &str, now: Now, out: &mut Vec<Step>) -> bool {
        let target = self.follow(id);
        let Some(incident) = self.incidents.iter_mut().find(|i| i.id == target && i.is_open()) else { return false };
        incident.answered = Some(Answer { by: by.to_owned(), at: now });
        incident.record(now, by, "answered");
        let unsaid = incident.due.is_some() && incident.told.is_none();
        if !unsaid {
            out.push(Step::Answered { incident: target.clone(), by: by.to_owned() });
        }
        self.touch(&target);
        self.end_those_due(now, out);
        true
    }

    /// Whoever answered did so by mistake, not longer ago than `within`. `false`: there is no such answer.
    pub fn take_back(&mut self, id: &str, by: &str, within: Span, now: Now, out: &mut Vec<Step>) -> bool {
        let target = self.follow(id);
        let lately = |i: &Incident| i.answered.as_ref().is_some_and(|a| now.mono.since(a.at.mono) <= within);
        let Some(incident) = self.incidents.iter_mut().find(|i| i.id == target && i.is_open() && lately(i)) else {
            return false;
        };
        incident.answered = None;
        incident.record(now, by, "took the answer back");
        out.push(Step::TakenBack { incident: target.clone() });
        self.touch(&target);
        true
    }

    /// The incident that has taken over an id.
    pub fn follow(&self, id: &str) -> String {
        let mut at = id;
        for _ in 0..self.incidents.len() {
            match self.get(at).and_then(|i| i.merged_into.as_deref()) {
                Some(into) => at = into,
                None => break,
            }
        }
        at.to_owned()
    }

    /// Answers every open incident that concerns an enclosure. `false`: there is none.
    pub fn answer_enclosure(&mut self, ix: EnclosureIx, by: &str, now: Now, out: &mut Vec<Step>) -> bool {
        let concerns = |i: &&Incident| i.enclosures(&self.house).contains(&ix);
        let ids: Vec<String> = self.open().filter(concerns).map(|i| i.id.clone()).collect();
        let answered: Vec<bool> = ids.iter().map(|id| self.answer(id, by, now, out)).collect();
        answered.contains(&true)
    }

    /// A practice alarm, until answered. Its id.
    pub fn drill(&mut self, by: &str, now: Now, out: &mut Vec<Step>) -> String {
        let at = self.begin(now);
        let Some(incident) = self.incidents.get_mut(at) else { return String::new() };
        incident.drill = true;
        incident.record(now, by, "drill");
        incident.tell(now, &self.house);
        let id = incident.id.clone();
        self.touch(&id);
        out.push(Step::Drill { incident: id.clone() });
        id
    }

    /// The earliest instant at which [`Book::wake`] has something to do.
    pub fn next_wake(&self) -> Option<Mono> {
        let shelves = self.shelves.values().map(|s| s.until).min();
        self.incidents.iter().fold(shelves, |wake, i| {
            if !i.is_open() {
                return wake;
            }
            earlier(earlier(wake, i.due), earlier(i.ends_at(), i.splits_at()))
        })
    }

    /// Does what has become due.
    pub fn wake(&mut self, now: Now, out: &mut Vec<Step>) {
        let over: Vec<EnclosureIx> =
            self.shelves.iter().filter(|(_, s)| s.until <= now.mono).map(|(ix, _)| *ix).collect();
        for ix in over {
            self.resume(ix, now, out);
        }
        let due = |i: &Incident| i.is_open() && i.due.is_some_and(|d| d <= now.mono);
        for i in 0..self.incidents.len() {
            let Some(incident) = self.incidents.get_mut(i).filter(|i| due(i)) else { continue };
            incident.due = None;
            let id = incident.id.clone();
            if incident.told.is_some() {
                incident.again = incident.again.saturating_add(1);
                incident.record(now, "warmside", "told again");
                out.push(Step::Worse { incident: id.clone(), why: Worse::Again });
            } else {
                incident.record(now, "warmside", "raised");
                out.push(Step::Raised { incident: id.clone() });
            }
            incident.tell(now, &self.house);
            self.touch(&id);
        }
        self.split_those_due(now, out);
        self.end_those_due(now, out);
        self.drop_failed_forecasts(now);
        self.forget(now);
    }

    fn drop_failed_forecasts(&mut self, now: Now) {
        for incident in self.incidents.iter_mut().filter(|i| i.is_open()) {
            for s in &mut incident.findings {
                let past = s.finding.act_by.is_some_and(|by| now.wall.since(by) > FORECAST_FAILED);
                if past && !crosses_never(&s.finding) {
                    s.finding.act_by = None;
                }
            }
        }
    }

    fn end_those_due(&mut self, now: Now, out: &mut Vec<Step>) {
        for i in 0..self.incidents.len() {
            let ends = |i: &Incident| i.is_open() && i.ends_at().is_some_and(|at| at <= now.mono);
            let Some(incident) = self.incidents.get_mut(i).filter(|i| ends(i)) else { continue };
            incident.ended = Some(now);
            incident.record(now, "warmside", "ended");
            let id = incident.id.clone();
            self.touch(&id);
            out.push(Step::Ended { incident: id });
        }
    }

    pub(super) fn touch(&mut self, id: &str) {
        self.changed.insert(format!("incident/{id}"));
    }
}
