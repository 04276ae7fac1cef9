//! When letters are due, and what is gathered because it was over the hour's measure.

use super::desk::{Desk, Held, Tally, World};
use super::scene::Eyes;
use super::words::{self, Mail};
use super::{Event, Letter, Note, Notice, NoticeRow};
use crate::finding::Finding;
use crate::finding::cause::Urgency;
use crate::incident::Incident;
use crate::incident::book::Book;
use crate::terms::time::{Now, Span, Wall};

/// What is over `at_most` is told together after this.
const GATHER: Span = Span::min(10);
/// Findings kept for the next letter.
const MOST_NOTES: usize = 200;

impl Desk {
    pub(super) fn note(&mut self, finding: &Finding, book: &Book) {
        let ids = book.house().concerned(finding.key.subject, finding.key.cause);
        let enclosures = ids.into_iter().map(|ix| book.house().id(ix).to_owned()).collect();
        let note = Note { cause: finding.key.cause, enclosures, place: finding.key.place };
        if !self.memory.notes.contains(&note) && self.memory.notes.len() < MOST_NOTES {
            self.memory.notes.push(note);
        }
    }

    pub(super) fn hold(&mut self, incident: &Incident, event: Event, to: &[String], now: Now) {
        self.memory.gather_at.get_or_insert(now.mono + GATHER);
        match self.memory.gathered.iter_mut().find(|h| h.incident == incident.id) {
            Some(held) => {
                held.event = held.event.min(event);
                held.to.extend(to.iter().filter(|k| !held.to.contains(k)).cloned().collect::<Vec<_>>());
            }
            None => self.memory.gathered.push(Held { incident: incident.id.clone(), event, to: to.to_vec() }),
        }
    }

    pub(super) fn within_measure(&mut self, always: bool, now: Now) -> bool {
        self.memory.urgent.retain(|at| now.mono.since(*at) < Span::h(1));
        let fits = always || (self.memory.urgent.len() as u64) < u64::from(self.settings.at_most.max(1));
        if fits {
            self.memory.urgent.push(now.mono);
        }
        fits
    }

    pub(super) fn send_gathered(&mut self, w: World, out: &mut Vec<NoticeRow>) {
        let World { book, now, .. } = w;
        self.memory.gather_at = None;
        self.changed = true;
        let held = std::mem::take(&mut self.memory.gathered);
        let open: Vec<(&Incident, Event)> = held
            .iter()
            .filter_map(|h| Some((book.get(&book.follow(&h.incident))?, h.event)))
            .filter(|(i, _)| i.is_open())
            .collect();
        if open.is_empty() {
            return;
        }
        let mut to: Vec<String> = held.iter().flat_map(|h| h.to.iter().cloned()).collect();
        to.sort();
        to.dedup();
        let house = book.house();
        let lines: Vec<(Mail, &Incident)> =
            open.iter().map(|(i, event)| (self.write(i, *event, None, w), *i)).collect();
        let mail = words::letters::gathered(&lines, &self.settings, &self.local, now);
        let note = |i: &Incident| {
            let enclosures = i.enclosures(house).into_iter().map(|ix| house.id(ix).to_owned()).collect();
            Some(Note { cause: i.cause()?, enclosures, place: i.place() })
        };
        let urgency = open.iter().map(|(i, _)| i.urgency()).max().unwrap_or(Urgency::Today);
        let notes = open.iter().filter_map(|(i, _)| note(i)).collect();
        self.memory.gatherings += 1;
        let id = format!("gathered.{}", self.memory.gatherings);
        let notice = digest(Letter::Gathered, urgency, to, notes, &mail, now);
        out.push(self.row(id, None, notice, mail));
    }

    pub(super) fn plan_letters(&mut self, now: Now) {
        let at = |minute: u16| Span::min(i64::from(minute.min(1_439)));
        let daily = self.settings.daily.map(|minute| self.local.calendar.next(now.wall, at(minute)));
        let weekly = self.settings.weekly.map(|w| {
            let mut next = self.local.calendar.next(now.wall, at(w.minute));
            for _ in 0..7 {
                if self.local.calendar.civil(next).date.weekday() == usize::from(w.weekday) {
                    break;
                }
                next = self.local.calendar.next(next, at(w.minute));
            }
            next
        });
        // One that was missed while the watcher was away is still owed.
        let owed = |was: Option<Wall>, next: Option<Wall>| next.map(|n| was.map_or(n, |w| w.min(n)));
        self.memory.daily = owed(self.memory.daily, daily);
        self.memory.weekly = owed(self.memory.weekly, weekly);
    }

    pub(super) fn letters(&mut self, w: World, out: &mut Vec<NoticeRow>) {
        let World { book, eyes, now } = w;
        let due = |at: Option<Wall>| at.is_some_and(|at| at <= now.wall);
        let (daily, weekly) = (due(self.memory.daily), due(self.memory.weekly));
        if !daily && !weekly {
            return;
        }
        let day = self.local.calendar.civil(now.wall).date;
        if daily {
            self.memory.daily = None;
        }
        if weekly {
            self.memory.weekly = None;
        }
        self.plan_letters(now);
        let to = self.first(now);
        if daily {
            let notes = std::mem::take(&mut self.memory.notes);
            let next = self.memory.daily;
            let hands = std::mem::take(&mut self.memory.hands_over);
            let label = |id: &String| book.house().find(id).map_or(id.clone(), |ix| eyes.scene(ix).label());
            let hands: Vec<String> = hands.iter().map(label).collect();
            let letter = words::letters::Subject { hands_over: &hands, ..self.letter(book, eyes, now, next, &notes) };
            let mail = words::letters::daily(&letter);
            let notice = digest(Letter::Daily, Urgency::Note, to.clone(), notes, &mail, now);
            out.push(self.row(format!("daily.{day}"), None, notice, mail));
        }
        if weekly {
            let notes = if self.settings.daily.is_none() { std::mem::take(&mut self.memory.notes) } else { Vec::new() };
            let next = self.memory.weekly;
            let mail = words::weekly::weekly(&self.letter(book, eyes, now, next, &notes));
            self.memory.tally = Tally::default();
            let notice = digest(Letter::Weekly, Urgency::Note, to, notes, &mail, now);
            out.push(self.row(format!("weekly.{day}"), None, notice, mail));
        }
    }

    fn letter<'a>(
        &'a self,
        book: &'a Book,
        eyes: &'a dyn Eyes,
        now: Now,
        next: Option<Wall>,
        notes: &'a [Note],
    ) -> words::letters::Subject<'a> {
        words::letters::Subject {
            book,
            eyes,
            notes,
            next,
            now,
            local: &self.local,
            settings: &self.settings,
            drill: self.memory.drill,
            tally: &self.memory.tally,
            hands_over: &[],
        }
    }
}

fn digest(letter: Letter, urgency: Urgency, to: Vec<String>, notes: Vec<Note>, mail: &Mail, now: Now) -> Notice {
    Notice {
        at: now.wall,
        incident: None,
        event: Event::Digest,
        urgency,
        cause: None,
        enclosures: None,
        place: None,
        since: None,
        act_by: None,
        to,
        subject: mail.subject.clone(),
        room: None,
        circuit: None,
        letter: Some(letter),
        notes: Some(notes),
    }
}
