//! Orders the rooms from reading to notice: one way in ([`event::Event`]), one way out ([`effect::Effect`]).
//!
//! [`Engine::handle`] is the main story. It never asks the time, never fails and never waits: what it wants of the world it
//! returns, and when it wants to be asked again it says by [`Engine::next_wake`].

pub mod den;
pub mod effect;
pub mod event;
mod eyes;
pub mod local;
mod memory;
mod orders;
mod pulse;
mod sense;
pub mod settings;
mod show;
mod show_care;
mod telling;
pub mod timers;
mod trail;
pub mod view;
mod week;
mod world;

use crate::finding::Change;
use crate::incident::Step;
use crate::incident::book::Book;
use crate::incident::shelf::Kind;
use crate::notice::desk::Desk;
use crate::reading::{Reading, Slot, Target};
use crate::terms::id::EnclosureIx;
use crate::terms::place::Place;
use crate::terms::quantity::Quantity;
use crate::terms::time::{Mono, Now, Span};
use effect::Effect;
use event::Event;
use settings::Settings;
use std::sync::Arc;
use timers::{Sleeper, Timers};
use world::{Before, Held, World};

/// Slewing and reading two clocks one after the other part them by less.
const CLOCKS_MAY_PART: Span = Span::s(5);

/// The whole of Warmside between a message and a mail.
#[derive(Debug)]
pub struct Engine {
    world: World,
    book: Book,
    desk: Desk,
    timers: Timers,
    /// Scratch, empty between entries; kept for its capacity.
    heard: Vec<Reading>,
    changes: Vec<Change>,
    steps: Vec<Step>,
    /// What keepers marked lately, newest first: it can still be struck out.
    marks: Vec<orders::LateMark>,
    /// Something of the book or the desk has to be looked at although no finding changed.
    stirred: bool,
}

impl Engine {
    pub fn new(settings: Arc<Settings>, now: Now) -> Engine {
        let world = World::new(settings.clone(), now);
        let book = Book::new(world.house());
        let desk = Desk::new(settings.notice.clone(), now);
        let mut engine = Engine {
            world,
            book,
            desk,
            timers: Timers::default(),
            heard: Vec::new(),
            changes: Vec::new(),
            steps: Vec::new(),
            marks: Vec::new(),
            // The letters' plan is stored at once: a death in the minute of the first one must not lose it.
            stirred: true,
        };
        engine.wish_all();
        engine
    }

    /// Takes one event; pushes what the world is asked to do.
    pub fn handle(&mut self, event: Event<'_>, now: Now, out: &mut Vec<Effect>) {
        let now = Now { mono: now.mono.max(self.world.now.mono), wall: now.wall };
        let apart = apart(self.world.now, now);
        if apart.max(Span::ZERO - apart) > CLOCKS_MAY_PART {
            self.wish_by_wall(now);
        }
        if apart > CLOCKS_MAY_PART {
            // Or the wall clock was set forward, which opens the gates of the probes for one reading.
            self.world.trust.slept(apart);
        }
        self.world.now = now;
        match event {
            Event::Message { topic, payload, retained } => self.message(topic, payload, retained, now, out),
            Event::LinkLost => {
                self.world.feed.link_lost(now);
                self.world.trust.link_lost();
            }
            Event::LinkUp => self.link_up(now),
            Event::LinkTrouble(words) => self.link_trouble(words, out),
            Event::Wake => {}
            Event::Command(command) => self.command(&command, now, out),
            Event::Post { notice, outcome } => self.posted(&notice, outcome, now),
            Event::Store(outcome) => self.stored(outcome, now),
            Event::ClockOff(by) => self.clock_off(by, now),
            Event::Outpost(heard) => self.outpost(heard, now),
            Event::Away(length) => self.away(length, now),
        }
        self.wake_due(now);
        self.settle(now, out);
    }

    /// The latest instant at which somebody has to call with [`Event::Wake`].
    pub fn next_wake(&self) -> Option<Mono> {
        self.timers.next()
    }

    fn message(&mut self, topic: &str, payload: &[u8], retained: bool, now: Now, out: &mut Vec<Effect>) {
        if self.world.settings.commands_topic.as_deref() == Some(topic) {
            return self.command_by_topic(payload, retained, now, out);
        }
        self.world.feed.hear(now, &mut self.changes);
        let mut heard = std::mem::take(&mut self.heard);
        self.world.links.hear(topic, payload, retained, now, &mut heard);
        for reading in heard.drain(..) {
            self.reading(&reading, out);
        }
        self.heard = heard;
        self.world.hear_spoiled(now, &mut self.changes);
        self.timers.wish(Sleeper::Probes, self.world.trust.next_wake());
    }

    /// One reading: is it to be believed, and if so, whose judges have to hear it.
    fn reading(&mut self, reading: &Reading, out: &mut Vec<Effect>) {
        let believed = self.world.believe(reading, &mut self.changes);
        if !reading.retained {
            self.world.pulse.count(reading.at.mono);
            out.push(Effect::Keep(*reading));
        }
        if !believed {
            return;
        }
        match (reading.target, reading.slot) {
            (Target::Enclosure(ix), _) => self.den_hears(ix, reading),
            (Target::Room(room), Slot::At(Place::Air, Quantity::Temperature)) => self.room_hears(room, reading),
            (Target::Room(_), _) => {}
        }
    }

    fn den_hears(&mut self, ix: EnclosureIx, reading: &Reading) {
        let around = self.world.around(ix, held(&self.book, ix), reading.at);
        let Some(den) = self.world.dens.get_mut(ix.index()) else { return };
        let (before, said) = (Before::of(den), self.changes.len());
        den.hear(reading, &around, &mut self.changes);
        let wake = den.next_wake(reading.at);
        self.world.expect_company(ix, self.changes.get_mut(said..).unwrap_or_default());
        self.world.note_disturbance(ix, before);
        self.world.doubt_heat_unseen(ix, &mut self.changes);
        self.timers.wish(Sleeper::Enclosure(ix), wake);
    }

    fn room_hears(&mut self, room: crate::terms::id::RoomIx, reading: &Reading) {
        if let Some(now_there) = self.world.rooms.get_mut(room.index()) {
            now_there.celsius = Some((reading.value, reading.at));
            now_there.says = now_there.air.hear(reading.value, reading.at);
        }
        for ix in 0..self.world.dens.len() {
            let Ok(ix) = u16::try_from(ix).map(EnclosureIx) else { return };
            if self.world.room_of(ix) != Some(room) {
                continue;
            }
            let around = self.world.around(ix, held(&self.book, ix), reading.at);
            let Some(den) = self.world.dens.get_mut(ix.index()) else { return };
            let before = Before::of(den);
            den.hear_room(reading.value, reading.at, &around, &mut self.changes);
            self.world.note_disturbance(ix, before);
        }
    }

    fn link_up(&mut self, now: Now) {
        self.world.feed.link_up(now, &mut self.changes);
        self.world.edges.link_trouble = None;
        self.world.trust.link_up(now);
        self.timers.wish(Sleeper::Probes, self.world.trust.next_wake());
    }

    fn link_trouble(&mut self, words: String, out: &mut Vec<Effect>) {
        if self.world.edges.link_trouble.as_deref() != Some(&words) {
            out.push(Effect::Log { warn: true, text: words.clone() });
            self.world.edges.link_trouble = Some(words);
        }
    }

    /// Wakes everybody whose time has come. Each sleeper wakes at most once an entry, so that this ends.
    fn wake_due(&mut self, now: Now) {
        let mut awake = Vec::new();
        while let Some(sleeper) = self.timers.due(now.mono) {
            awake.push(sleeper);
        }
        for sleeper in awake {
            let next = match sleeper {
                Sleeper::Probes => {
                    self.world.wake_probes(now, &mut self.changes);
                    self.judge_feed(now);
                    self.world.trust.next_wake()
                }
                Sleeper::Enclosure(ix) => self.wake_den(ix, now),
                Sleeper::Feed => {
                    self.judge_feed(now);
                    self.world.feed.next_wake()
                }
                Sleeper::Incidents | Sleeper::Desk => {
                    self.stirred = true;
                    continue;
                }
            };
            self.timers.again(sleeper, next, now.mono);
        }
        self.timers.wish(Sleeper::Feed, self.world.feed.next_wake());
    }

    fn wake_den(&mut self, ix: EnclosureIx, now: Now) -> Option<Mono> {
        let around = self.world.around(ix, held(&self.book, ix), now);
        let den = self.world.dens.get_mut(ix.index())?;
        den.wake(now, &around, &mut self.changes);
        den.next_wake(now)
    }

    fn judge_feed(&mut self, now: Now) {
        let (known, speaking) = self.world.trust.speaking();
        self.world.feed.judge(known, speaking, now, &mut self.changes);
    }

    /// Who sleeps until an hour of the day is asked again: the clock on the wall was set, or the machine slept.
    fn wish_by_wall(&mut self, now: Now) {
        for ix in (0..self.world.dens.len()).filter_map(|ix| u16::try_from(ix).ok()) {
            self.timers.wish(Sleeper::Enclosure(EnclosureIx(ix)), Some(now.mono));
        }
        self.timers.wish(Sleeper::Desk, Some(now.mono));
    }

    fn wish_all(&mut self) {
        for ix in 0..self.world.dens.len() {
            let Ok(ix) = u16::try_from(ix).map(EnclosureIx) else { return };
            let now = self.world.now;
            let wake = self.world.dens.get_mut(ix.index()).and_then(|den| den.next_wake(now));
            self.timers.wish(Sleeper::Enclosure(ix), wake);
        }
        self.timers.wish(Sleeper::Feed, self.world.feed.next_wake());
        self.timers.wish(Sleeper::Probes, self.world.trust.next_wake());
        self.timers.wish(Sleeper::Incidents, self.book.next_wake());
        self.timers.wish(Sleeper::Desk, self.desk.next_wake(&self.book));
    }
}

/// By how much more the wall clock moved than the monotonic one since the last entry.
fn apart(before: Now, now: Now) -> Span {
    now.wall.since(before.wall) - now.mono.since(before.mono)
}

/// Whether an enclosure is suppressed by design.
fn held(book: &Book, ix: EnclosureIx) -> Held {
    match book.shelf(ix).map(|shelf| shelf.kind) {
        None => Held::No,
        Some(Kind::HandsIn) => Held::HandsIn,
        Some(Kind::Shelved) => Held::Shelved,
    }
}
