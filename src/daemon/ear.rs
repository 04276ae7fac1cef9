//! A second link that hears every topic into the page's bench while somebody sets up, and ends by itself.

use crate::clock::{Clock, ticks};
use crate::mqtt::Incoming;
use crate::mqtt::link::{Link, Pace, Wish};
use crate::mqtt::settings::Broker;
use crate::page::bench::{Bench, Number};
use crate::terms::time::{Span, Wall};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;
use tokio::time::sleep;

/// How long everything is heard after it was asked for.
pub const HEARS: Span = Span::min(30);
/// Hands that are found while the loop looks elsewhere: one at a time.
const MOST_HANDS: usize = 4;

/// What the ear needs to know of the house.
pub struct Place {
    pub broker: Broker,
    pub clock: Arc<Clock>,
    pub bench: Arc<Bench>,
    /// A part of the store's own random text: no other client may have our id.
    pub site: String,
    /// Our own states come by here, and are nobody's reading.
    pub ours: Option<String>,
}

pub struct Ear {
    place: Arc<Place>,
    task: Option<JoinHandle<()>>,
    tell: mpsc::Sender<Number>,
    /// Numbers that rose in somebody's hand.
    pub hands: mpsc::Receiver<Number>,
}

impl Drop for Ear {
    fn drop(&mut self) {
        if let Some(task) = &self.task {
            task.abort();
        }
    }
}

impl Ear {
    /// Goes on hearing where somebody asked for it before a reload.
    pub fn new(place: Place) -> Ear {
        let (tell, hands) = mpsc::channel(MOST_HANDS);
        let mut ear = Ear { place: Arc::new(place), task: None, tell, hands };
        let until = ear.place.bench.look().until;
        if let Some(until) = until {
            ear.hear_until(until);
        }
        ear
    }

    /// Hears everything for a while from now on.
    pub fn hear(&mut self) {
        let until = self.place.clock.now().wall + HEARS;
        self.hear_until(until);
    }

    fn hear_until(&mut self, until: Wall) {
        {
            let mut laid = self.place.bench.look();
            let now = self.place.clock.now().wall;
            (laid.until, laid.since) = (Some(until), laid.since.or(Some(now)));
        }
        // One that runs looks at the new end by itself.
        if self.task.as_ref().is_none_or(JoinHandle::is_finished) {
            self.task = Some(tokio::spawn(listen(self.place.clone(), self.tell.clone())));
        }
    }
}

async fn listen(place: Arc<Place>, tell: mpsc::Sender<Number>) {
    let wish = Wish {
        client_id: format!("warmside-{}-setup", place.site.get(..8).unwrap_or(&place.site)),
        filters: vec!["#".to_owned()],
        presence: None,
    };
    let trouble = |why: String| place.bench.look().trouble = Some(format!("Not everything is heard: {why}."));
    let (link, mut inbox) = match Link::start(&place.broker, wish, Pace::default(), ticks) {
        Ok(started) => started,
        Err(why) => return trouble(why.to_string()),
    };
    loop {
        let now = place.clock.now();
        let left = place.bench.look().until.map_or(Span::ZERO, |until| until.since(now.wall));
        if left <= Span::ZERO {
            break;
        }
        // Looked at again now and then: the end may have been put off.
        let nap = place.clock.until(now.mono + left).min(Duration::from_secs(60));
        let news = tokio::select! {
            news = inbox.next() => news,
            () = sleep(nap) => continue,
        };
        match news {
            Some(Incoming::Message(heard)) => {
                if place.ours.as_ref().is_some_and(|ours| heard.topic.starts_with(ours.as_str())) {
                    continue;
                }
                let found = place.bench.look().hear(&heard.topic, &heard.payload, heard.retained, now.wall);
                if let Some(number) = found {
                    let _ = tell.try_send(number);
                }
            }
            Some(Incoming::Up) => place.bench.look().trouble = None,
            Some(Incoming::Lost(why) | Incoming::Trouble(why)) => trouble(why.to_string()),
            None => break,
        }
    }
    place.bench.look().until = None;
    link.stop(Duration::from_secs(2)).await;
}
