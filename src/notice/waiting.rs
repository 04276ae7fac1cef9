//! What becomes due while nobody answers: reminders, the next keeper, and when the desk has to be woken for them.

use super::Event;
use super::desk::{Desk, World};
use super::keepers;
use super::settings::Keeper;
use super::thread::{Thread, is_quiet};
use crate::finding::cause::Urgency;
use crate::finding::earlier;
use crate::incident::Incident;
use crate::incident::book::Book;
use crate::notice::NoticeRow;
use crate::terms::time::{Mono, Span};

/// A practice alarm is repeated this often, then left.
const MOST_DRILLS: u32 = 4;

impl Desk {
    /// The earliest instant at which [`Desk::wake`] has something to do.
    pub fn next_wake(&self, book: &Book) -> Option<Mono> {
        let letters = [self.memory.daily, self.memory.weekly].into_iter().flatten().min();
        let letters = letters.map(|at| self.clocks.mono + at.since(self.clocks.wall).max(Span::ZERO));
        self.memory.threads.iter().fold(earlier(letters, self.memory.gather_at), |wake, (id, thread)| {
            let Some(incident) = book.get(id).filter(|i| !is_quiet(i, book)) else { return wake };
            let repeat = self.repeats_at(thread, incident);
            let hand_on = self.next_keeper(thread, incident, book).map(|(at, _)| at);
            earlier(wake, earlier(thread.worse_at(), earlier(repeat, hand_on)))
        })
    }

    pub(super) fn repeats_at(&self, thread: &Thread, incident: &Incident) -> Option<Mono> {
        let over = incident.drill && thread.repeats >= MOST_DRILLS;
        (!over).then(|| thread.repeats_at(incident, &self.settings))
    }

    /// Who joins next, if nobody answers.
    pub(super) fn next_keeper(&self, thread: &Thread, incident: &Incident, book: &Book) -> Option<(Mono, &Keeper)> {
        if thread.paused_until.is_some() || thread.known || is_quiet(incident, book) {
            return None;
        }
        // What can wait until this evening is not worth a neighbour's night: only when a repeat went unanswered too.
        let patience = if incident.urgency() == Urgency::Now { Span::ZERO } else { self.settings.repeat_today };
        let here =
            |k: &&Keeper| !thread.told.contains_key(&k.id) && !keepers::is_away(k, self.clocks.wall, &self.local);
        let joins = |k| (keepers::joins_at(k, thread.unanswered, incident.act_by(), patience), k);
        self.settings.keepers.iter().filter(here).map(joins).min_by_key(|(at, _)| *at)
    }

    /// Does what has become due.
    pub fn wake(&mut self, w: World, out: &mut Vec<NoticeRow>) {
        let World { book, now, .. } = w;
        self.clocks = w.now;
        let ids: Vec<String> = self.memory.threads.keys().cloned().collect();
        for id in ids {
            if let Some(incident) = book.get(&id).filter(|i| !is_quiet(i, book)) {
                self.remind(incident, w, out);
            }
        }
        if self.memory.gather_at.is_some_and(|at| at <= now.mono) {
            self.send_gathered(w, out);
        }
        self.letters(w, out);
    }

    fn remind(&mut self, incident: &Incident, w: World, out: &mut Vec<NoticeRow>) {
        let due = |at: Option<Mono>| at.is_some_and(|at| at <= w.now.mono);
        let Some(thread) = self.memory.threads.get(&incident.id) else { return };
        let told: Vec<String> = thread.told.keys().cloned().collect();
        if due(thread.worse_at()) {
            let why = thread.worse;
            let mut to = self.first(w.now);
            to.extend(told.into_iter().filter(|k| !to.contains(k)).collect::<Vec<_>>());
            self.tell(incident, Event::Worse, why, &to, w, out);
        } else if due(self.repeats_at(thread, incident)) {
            self.repeat(incident, &told, w, out);
        }
        self.hand_on(incident, w, out);
    }

    /// To those who know and are here.
    fn repeat(&mut self, incident: &Incident, told: &[String], w: World, out: &mut Vec<NoticeRow>) {
        let here = |id: &&String| {
            let keeper = self.settings.keepers.iter().find(|k| k.id == **id);
            keeper.is_some_and(|k| !keepers::is_away(k, w.now.wall, &self.local))
        };
        let mut to: Vec<String> = told.iter().filter(here).cloned().collect();
        if to.is_empty() {
            to = self.first(w.now);
        }
        if let Some(thread) = self.memory.threads.get_mut(&incident.id) {
            if thread.paused_until.is_some() {
                thread.open_again(w.now);
            }
            thread.repeats = thread.repeats.saturating_add(1);
        }
        let event = if incident.drill { Event::Drill } else { Event::Repeated };
        self.tell(incident, event, None, &to, w, out);
    }

    /// To everybody whose time has come; each is told once, so that this ends.
    fn hand_on(&mut self, incident: &Incident, w: World, out: &mut Vec<NoticeRow>) {
        let event = if incident.drill { Event::Drill } else { Event::HandedOn };
        for _ in 0..self.settings.keepers.len() {
            let thread = self.memory.threads.get(&incident.id);
            let next = thread.and_then(|t| self.next_keeper(t, incident, w.book));
            let Some((_, keeper)) = next.filter(|(at, _)| *at <= w.now.mono) else { return };
            let to = vec![keeper.id.clone()];
            self.tell(incident, event, None, &to, w, out);
        }
    }
}
