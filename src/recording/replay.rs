//! Runs recorded lines through the very engine that `watch` runs, on the recording's own time: timers first, then the line.

use super::{Line, What};
use crate::engine::Engine;
use crate::engine::effect::Effect;
use crate::engine::event::Event;
use crate::engine::settings::Settings;
use crate::terms::time::{Now, Wall};
use std::sync::Arc;

/// An engine that stands where the recording stands.
#[derive(Debug)]
pub struct Replay {
    settings: Arc<Settings>,
    engine: Option<Engine>,
    now: Now,
}

impl Replay {
    pub fn new(settings: Settings) -> Replay {
        Replay { settings: Arc::new(settings), engine: None, now: Now::default() }
    }

    /// One line. What the engine asks for meanwhile is handed to `sink` with the moment at which it did; commits carry the
    /// mails. The monotonic clock follows the lines and never goes back; the wall clock is the line's.
    pub fn line(&mut self, line: &Line<'_>, effects: &mut Vec<Effect>, sink: &mut dyn FnMut(Now, &mut Vec<Effect>)) {
        let at = Now::at(line.at.as_ms());
        let engine = match &mut self.engine {
            Some(engine) => engine,
            None => {
                self.now = at;
                self.engine.insert(Engine::new(self.settings.clone(), at))
            }
        };
        let mono = at.mono.max(self.now.mono);
        while let Some(due) = engine.next_wake().filter(|due| *due < mono) {
            let now = self.now + due.max(self.now.mono).since(self.now.mono);
            engine.handle(Event::Wake, now, effects);
            sink(now, effects);
            self.now = now;
        }
        let now = Now { mono, wall: line.at };
        let event = match &line.what {
            What::Message { topic, payload, retained } => Event::Message { topic, payload, retained: *retained },
            What::LinkLost => Event::LinkLost,
            What::LinkUp => Event::LinkUp,
        };
        engine.handle(event, now, effects);
        sink(now, effects);
        self.now = now;
    }

    /// The engine, once there was a line.
    pub fn engine(&self) -> Option<&Engine> {
        self.engine.as_ref()
    }

    /// The moment of the last line.
    pub fn at(&self) -> Wall {
        self.now.wall
    }
}
