//! The desk: decides who is told when, and writes the row of every mail.

use super::keepers;
use super::local::Local;
use super::scene::Eyes;
use super::settings::Settings;
use super::thread::Thread;
use super::words;
use super::{Event, Note, Notice, NoticeRow};
use crate::finding::cause::{Cause, Urgency};
use crate::incident::book::Book;
use crate::incident::shelf::Kind;
use crate::incident::{Incident, Row, Step, Worse};
use crate::terms::id::EnclosureIx;
use crate::terms::time::{Mono, Now, Span, Wall};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// What of the desk survives a restart.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Memory {
    pub(super) threads: BTreeMap<String, Thread>,
    /// When urgent mails went out in the last hour.
    pub(super) urgent: Vec<Mono>,
    /// Incidents whose mails are gathered: what would have been sent, to whom.
    pub(super) gathered: Vec<Held>,
    pub(super) gather_at: Option<Mono>,
    pub(super) gatherings: u64,
    pub(super) notes: Vec<Note>,
    pub(super) daily: Option<Wall>,
    pub(super) weekly: Option<Wall>,
    /// When the last practice alarm began, and how long until it was answered.
    pub(super) drill: Option<(Wall, Option<Span>)>,
    pub(super) tally: Tally,
    /// Ids of those whose hands-in ended since the last daily letter and of which there was nothing to tell.
    #[serde(default)]
    pub(super) hands_over: BTreeSet<String>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Held {
    pub(super) incident: String,
    pub(super) event: Event,
    pub(super) to: Vec<String>,
}

/// Mails since the last weekly letter.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Tally {
    /// Keeper → (all, urgent).
    pub mails: BTreeMap<String, (u32, u32)>,
    /// Enclosure id → mails about it alone.
    pub about: BTreeMap<String, u32>,
    /// Enclosure id → cause → mails.
    #[serde(default)]
    pub causes: BTreeMap<String, BTreeMap<Cause, u32>>,
}

/// What every mail is written from.
#[derive(Clone, Copy)]
pub struct World<'a> {
    pub book: &'a Book,
    pub eyes: &'a dyn Eyes,
    pub now: Now,
}

#[derive(Clone, Debug)]
pub struct Desk {
    pub(super) settings: Settings,
    pub(super) local: Local,
    pub(super) memory: Memory,
    /// The clocks at the last call: letters are due by the wall clock, wakes are asked for by the other.
    pub(super) clocks: Now,
    pub(super) changed: bool,
}

impl Desk {
    pub fn new(settings: Settings, now: Now) -> Desk {
        let local = Local::new(&settings.time_zone, settings.degrees);
        let mut desk = Desk { settings, local, memory: Memory::default(), clocks: now, changed: true };
        desk.plan_letters(now);
        desk
    }

    /// Takes back what [`Desk::rows`] gave. `false`: it could not be read, and is left out.
    pub fn restore(&mut self, rows: &[Row], now: Now) -> bool {
        let mine = rows.iter().find(|r| r.key == "desk").and_then(|r| r.json.as_deref());
        let Some(json) = mine else { return true };
        let Ok(memory) = serde_json::from_str(json) else { return false };
        self.memory = memory;
        self.plan_letters(now);
        true
    }

    /// The row to store, if anything has changed since the last call.
    pub fn rows(&mut self) -> Vec<Row> {
        if !std::mem::take(&mut self.changed) {
            return Vec::new();
        }
        vec![Row { key: "desk".to_owned(), json: serde_json::to_string(&self.memory).ok() }]
    }

    /// Keepers told of an incident so far, and when, oldest first: for the page.
    pub fn told(&self, id: &str) -> Vec<(String, Wall)> {
        let told = self.memory.threads.get(id).into_iter().flat_map(|t| &t.told);
        let mut told: Vec<(String, Wall)> = told.map(|(k, at)| (k.clone(), at.wall)).collect();
        told.sort_by(|a, b| (a.1, &a.0).cmp(&(b.1, &b.0)));
        told
    }

    /// Who is told next if nobody answers, and when: for the page.
    pub fn next(&self, book: &Book, id: &str) -> Option<(String, Wall)> {
        let (thread, incident) = self.memory.threads.get(id).zip(book.get(id))?;
        self.next_keeper(thread, incident, book).map(|(at, k)| (k.id.clone(), self.wall_of(at)))
    }

    pub(super) fn wall_of(&self, at: Mono) -> Wall {
        self.clocks.wall + at.since(self.clocks.mono)
    }

    /// Steps of the book become mails.
    pub fn steps(&mut self, steps: &[Step], w: World, out: &mut Vec<NoticeRow>) {
        let World { book, now, .. } = w;
        self.clocks = w.now;
        for step in steps {
            self.changed = true;
            match step {
                Step::Raised { incident } => self.begin(incident, Event::Raised, w, out),
                Step::Drill { incident } => {
                    self.memory.drill = Some((now.wall, None));
                    self.begin(incident, Event::Drill, w, out);
                }
                Step::Worse { incident, why } => self.worse(incident, *why, w),
                Step::Answered { incident, by } => self.answered(incident, by, w, out),
                Step::TakenBack { incident } => {
                    if let Some(thread) = self.memory.threads.get_mut(incident) {
                        thread.open_again(now);
                    }
                }
                Step::Ended { incident } => self.ended(incident, w, out),
                Step::Merged { incident, into } => self.merged(incident, into),
                // Hands are in every day: their end is a mail only where something waited for it.
                Step::Resumed { enclosure, kind: Kind::HandsIn, incident: None, held: 0, .. } => {
                    self.memory.hands_over.insert(book.house().id(*enclosure).to_owned());
                }
                Step::Resumed { enclosure, by, incident, .. } => {
                    self.resumed(*enclosure, by, incident.as_deref(), w, out);
                }
                Step::Note { finding } => self.note(finding, book),
            }
        }
        self.wake(w, out);
    }

    fn begin(&mut self, id: &str, event: Event, w: World, out: &mut Vec<NoticeRow>) {
        let World { book, now, .. } = w;
        let Some(incident) = book.get(id) else { return };
        let known = event == Event::Raised && self.is_known(incident, book, now);
        self.memory.threads.insert(id.to_owned(), Thread { known, ..Thread::new(now) });
        if known {
            return self.note_of(incident, book);
        }
        let to = self.first(now);
        self.tell(incident, event, None, &to, w, out);
    }

    fn worse(&mut self, id: &str, why: Worse, w: World) {
        let World { book, now, .. } = w;
        let known = book.get(id).filter(|i| why == Worse::Again && self.is_known(i, book, now));
        let thread = self.memory.threads.entry(id.to_owned()).or_insert_with(|| Thread::new(now));
        thread.open_again(now);
        thread.last = if why == Worse::Again { now.mono } else { thread.last };
        if let Some(incident) = known {
            (thread.known, thread.worse) = (true, None);
            return self.note_of(incident, book);
        }
        // The stronger reason stands: `Urgency` breaks through at once.
        thread.worse = Some(match (thread.worse, why) {
            (Some(at_once @ (Worse::Urgency | Worse::Named | Worse::Again)), _) => at_once,
            (_, why) => why,
        });
    }

    fn answered(&mut self, id: &str, by: &str, w: World, out: &mut Vec<NoticeRow>) {
        let World { book, now, .. } = w;
        let pause = self.settings.pause;
        let (Some(thread), Some(incident)) = (self.memory.threads.get_mut(id), book.get(id)) else { return };
        let since = thread.unanswered.mono;
        let first = thread.paused_until.is_none();
        thread.answered(now, pause);
        if self.settings.keepers.iter().any(|k| k.id == by) {
            thread.told.entry(by.to_owned()).or_insert(now);
        }
        let others: Vec<String> = thread.told.keys().filter(|k| k.as_str() != by).cloned().collect();
        if incident.drill {
            self.memory.drill = self.memory.drill.map(|(at, was)| (at, was.or(Some(now.mono.since(since)))));
        }
        if first && !others.is_empty() {
            self.tell(incident, Event::Answered, None, &others, w, out);
        }
    }

    fn ended(&mut self, id: &str, w: World, out: &mut Vec<NoticeRow>) {
        let World { book, .. } = w;
        let Some(incident) = book.get(id) else { return };
        let thread = self.memory.threads.get(id).filter(|t| !t.known);
        let told: Vec<String> = thread.map(|t| t.told.keys().cloned().collect()).unwrap_or_default();
        if incident.drill {
            self.memory.threads.remove(id);
        } else if !told.is_empty() {
            self.tell(incident, Event::Ended, None, &told, w, out);
        }
        // Kept until the book forgets the incident: it may come back into the same thread.
        self.memory.threads.retain(|id, _| book.get(id).is_some());
    }

    fn merged(&mut self, from: &str, into: &str) {
        let Some(old) = self.memory.threads.remove(from) else { return };
        match self.memory.threads.get_mut(into) {
            Some(thread) => {
                for (keeper, at) in old.told {
                    thread.told.entry(keeper).or_insert(at);
                }
                thread.now_told |= old.now_told;
            }
            None => {
                self.memory.threads.insert(into.to_owned(), old);
            }
        }
    }

    fn resumed(&mut self, ix: EnclosureIx, by: &str, id: Option<&str>, w: World, out: &mut Vec<NoticeRow>) {
        let World { book, eyes, now } = w;
        let mut to = self.first(now);
        if self.settings.keepers.iter().any(|k| k.id == by) && !to.iter().any(|k| k == by) {
            to.push(by.to_owned());
        }
        let incident = id.and_then(|id| book.get(id)).filter(|i| i.is_open());
        if let Some(thread) = incident.and_then(|i| self.memory.threads.get_mut(&i.id)) {
            thread.last = now.mono;
        }
        let scene = eyes.scene(ix);
        let mail = words::letters::resumed(&scene, by, incident, &self.settings, &self.local, now);
        let notice = Notice {
            at: now.wall,
            incident: incident.map(|i| i.id.clone()),
            event: Event::Resumed,
            urgency: Urgency::Today,
            cause: incident.and_then(Incident::cause),
            enclosures: Some(vec![book.house().id(ix).to_owned()]),
            place: None,
            since: None,
            act_by: None,
            to,
            subject: mail.subject.clone(),
            room: None,
            circuit: None,
            letter: None,
            notes: None,
        };
        let id = format!("resumed.{}.{}", book.house().id(ix), now.wall.as_ms());
        let thread = incident.and_then(|i| self.memory.threads.get(&i.id)).and_then(|t| t.first.clone());
        out.push(self.row(id, thread, notice, mail));
    }

    pub(super) fn first(&self, now: Now) -> Vec<String> {
        keepers::first(&self.settings.keepers, now.wall, &self.local).into_iter().map(|k| k.id.clone()).collect()
    }

    /// Writes one mail of an incident, or, over the hour's measure, keeps it for the gathered one.
    pub(super) fn tell(
        &mut self,
        incident: &Incident,
        event: Event,
        why: Option<Worse>,
        to: &[String],
        w: World,
        out: &mut Vec<NoticeRow>,
    ) {
        let World { book, now, .. } = w;
        let asks = matches!(event, Event::Raised | Event::Worse | Event::Repeated | Event::HandedOn);
        let urgency = incident.urgency();
        let Some(thread) = self.memory.threads.get_mut(&incident.id) else { return };
        self.changed = true;
        for keeper in to {
            thread.told.entry(keeper.clone()).or_insert(now);
        }
        let event = if thread.known && thread.sent == 0 && asks { Event::Raised } else { event };
        if asks {
            // Nobody could answer what nobody was told.
            thread.unanswered = if thread.known { now } else { thread.unanswered };
            (thread.mailed, thread.known) = (Some(now), false);
        }
        if asks || event == Event::Drill {
            thread.worse = None;
            if event != Event::HandedOn {
                thread.last = now.mono;
            }
        }
        let first_now = urgency == Urgency::Now && !thread.now_told;
        thread.now_told |= urgency == Urgency::Now && asks;
        if asks && !self.within_measure(first_now, now) {
            return self.hold(incident, event, to, now);
        }
        let (id, first) = match self.memory.threads.get_mut(&incident.id) {
            Some(thread) => {
                thread.sent += 1;
                let id = format!("{}.{}", incident.id, thread.sent);
                let first = thread.first.clone();
                thread.first.get_or_insert(id.clone());
                (id, first)
            }
            None => return,
        };
        let mail = self.write(incident, event, why, w);
        let notice = self.notice(incident, event, to, &mail, book, now);
        let row = self.row(id, first, notice, mail);
        out.push(row);
    }
}
