//! One house under one configuration: the loop between the edges and the engine.

use super::beat::Beating;
use super::clocks::{Clocks, Shown};
use super::ear::{self, Ear};
use super::pulse::{PARTS, Pulse};
use super::upkeep::{Asking, CLOCK};
use super::{Error, Reread, Seen, Setup, Signals, parts, tell_system, ties};
use crate::clock::{Clock, ticks};
use crate::config::Config;
use crate::control::server::{Asked, Door};
use crate::engine::Engine;
use crate::engine::effect::Effect;
use crate::engine::event::{Event, PostOutcome, StoreOutcome};
use crate::incident::Row;
use crate::mqtt::link::Link;
use crate::mqtt::{Inbox, Incoming};
use crate::notice::NoticeRow;
use crate::post::Report;
use crate::store::{Store, Told};
use crate::terms::time::{Mono, Now, Span, Wall};
use sd_notify::NotifyState;
use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc::{self, UnboundedSender};
use tokio::task::JoinHandle;
use tokio::time::{MissedTickBehavior, interval, sleep, timeout};

/// Messages that are taken at once before anybody else is looked at.
const MOST_AT_ONCE: usize = 512;
/// Between two looks at the house itself.
const TICK: Duration = Duration::from_secs(5);
/// Between two views for the page, at the least.
const SHOW: Duration = Duration::from_secs(1);
/// How long the farewell to the broker, and the store's last words, may take.
const FAREWELL: Duration = Duration::from_secs(2);
const LAST_WORDS: Duration = Duration::from_secs(20);
/// Why the store's gap is there: from the start until the first connection, too.
const LINK_DOWN: &str = "not connected to the broker";

/// How watching ended.
pub enum Ending {
    Stop,
    Reload(Box<Config>),
}

pub struct Session {
    pub(super) config: Config,
    pub(super) clock: Arc<Clock>,
    pub(super) engine: Engine,
    pub(super) effects: Vec<Effect>,
    /// What the last command came to.
    pub(super) answer: Option<(bool, String)>,
    pub(super) store: Arc<Store>,
    pub(super) told: mpsc::Receiver<Told>,
    /// Commits that the last event led to, as they reach the disk.
    pub(super) fresh: Vec<JoinHandle<()>>,
    /// Commits that the store could not take, oldest first.
    pub(super) owed: VecDeque<(Wall, Vec<Row>, Vec<NoticeRow>)>,
    pub(super) post: parts::RunningPost,
    pub(super) link: Link,
    pub(super) inbox: Inbox,
    /// `None`: the store's folder cannot be used.
    pub(super) door: Option<Door>,
    pub(super) asked: mpsc::Receiver<Asked>,
    pub(super) page: parts::RunningPage,
    /// Hears everything while somebody sets up.
    pub(super) ear: Ear,
    pub(super) answers: parts::RunningAnswers,
    /// When the page was last shown the house.
    pub(super) shown_at: Duration,
    pub(super) watcher: Option<UnboundedSender<Seen>>,
    pub(super) pulse: Pulse<{ PARTS.len() }>,
    pub(super) beating: Beating,
    pub(super) asking: Asking,
    /// How long nobody watched before we began; told once.
    pub(super) away: Option<Span>,
    /// `None`: no real clock, or a machine that does not say how long it has been up.
    pub(super) clocks: Option<Clocks>,
    /// The link is up.
    pub(super) listening: bool,
    /// When the engine was last handed something, which is every second.
    pub(super) present_at: Mono,
    pub(super) dropped: u64,
    pub(super) saved_at: Duration,
    pub(super) mailed: bool,
}

impl Session {
    /// Starts every part, the store first: nothing is heard that could not be kept.
    pub async fn start(
        config: &Config,
        setup: &Setup,
        broker: &mut Option<parts::OwnBroker>,
        page: Option<parts::RunningPage>,
    ) -> Result<Session, Error> {
        let clock = setup.clock.clone();
        let (store, found, told) = parts::store(config, &clock, setup.real).await?;
        let store = Arc::new(store);
        let now = clock.now();
        let noted = found.rows.iter().find(|row| row.key == CLOCK).and_then(|row| row.json.clone());
        let mut engine = Engine::new(Arc::new(config.settings.clone()), now);
        for lost in engine.restore(&rows(found.rows, found.snapshot), now) {
            tracing::warn!("{lost}");
        }
        let clocks = clocks(&clock, found.last, noted);
        drop(store.gap_begins(now.wall, LINK_DOWN));
        let (door, asked) = parts::door(config, found.locked)?;
        let post = parts::post(config, &clock, &store, &found.site);
        let broker = parts::broker(config, broker).await?;
        let (link, inbox) = parts::link(config, &broker, &found.site)?;
        let page = parts::page(config, engine.view(), page).await;
        ties::lay(&page.bench, config);
        let ear = Ear::new(ear::Place {
            broker,
            clock: clock.clone(),
            bench: page.bench.clone(),
            site: found.site.clone(),
            ours: config.settings.publish.as_ref().map(|prefix| format!("{prefix}/")),
        });
        Ok(Session {
            config: config.clone(),
            clock,
            engine,
            effects: Vec::new(),
            answer: None,
            store,
            told,
            fresh: Vec::new(),
            owed: VecDeque::new(),
            post,
            link,
            inbox,
            door,
            asked,
            page,
            ear,
            answers: parts::answers(config, &found.site),
            shown_at: ticks(),
            watcher: setup.watcher.clone(),
            pulse: Pulse::new(ticks()),
            beating: Beating::start(config.outpost.as_ref()).map_err(Error::Config)?,
            asking: Asking::default(),
            away: found.last.filter(|_| setup.real).map(|last| now.wall.since(last.wall)),
            clocks,
            listening: false,
            present_at: now.mono,
            dropped: 0,
            saved_at: ticks(),
            mailed: false,
        })
    }

    /// In one line, for the service manager and the log.
    pub fn summary(&self) -> String {
        let settings = &self.config.settings;
        format!("watching {} enclosures by {} links", settings.enclosures.len(), settings.links.len())
    }

    /// The loop: whatever happens becomes an event, and what the engine asks for is carried out.
    pub(super) async fn watch(&mut self, signals: &mut Signals, reload: &Reread) -> Ending {
        if let Some(away) = self.away.take() {
            self.handle(Event::Away(away));
        }
        let mut tick = interval(TICK);
        let mut show = interval(SHOW);
        tick.set_missed_tick_behavior(MissedTickBehavior::Delay);
        show.set_missed_tick_behavior(MissedTickBehavior::Delay);
        loop {
            let wake = self.clock.until(self.engine.next_wake().unwrap_or(Mono::MAX));
            tokio::select! {
                biased;
                _ = signals.terminate.recv() => return Ending::Stop,
                _ = signals.interrupt.recv() => return Ending::Stop,
                () = signals.stop.notified() => return Ending::Stop,
                _ = signals.hangup.recv() => {
                    if let Some(new) = reread(reload) {
                        return Ending::Reload(Box::new(new));
                    }
                }
                Some(asked) = self.asked.recv() => self.reply_to(asked),
                Some(asked) = self.page.asked.recv() => self.keeper_says(asked),
                Some(wished) = self.page.wishes.recv() => {
                    if let Some(ending) = self.set_up(wished, reload).await {
                        return ending;
                    }
                }
                Some(number) = self.ear.hands.recv() => self.touched(number).await,
                Some(heard) = self.answers.heard.recv() => self.mail_says(heard),
                Some(report) = self.post.reports.recv() => self.posted(report),
                Some(told) = self.told.recv() => {
                    if self.store_told(told) {
                        return Ending::Reload(Box::new(self.config.clone()));
                    }
                }
                _ = tick.tick() => self.look_at_the_house(),
                _ = show.tick() => self.show_page_in_turn(),
                news = self.inbox.next() => match news {
                    Some(news) => self.hear(news),
                    None => {
                        tracing::error!("the link to the broker ended by itself; everything is started anew");
                        return Ending::Reload(Box::new(self.config.clone()));
                    }
                },
                () = sleep(wake) => self.handle(Event::Wake),
            }
        }
    }

    /// Ends every part but the page, the store last: what was heard is kept.
    pub async fn end(mut self) -> parts::RunningPage {
        drop(self.door);
        drop(self.ear);
        drop(self.answers);
        self.post.task.abort();
        self.link.stop(FAREWELL).await;
        let mut rest = Vec::new();
        while let Some(news) = self.inbox.try_next() {
            rest.push(news);
        }
        let Session { clock, mut engine, store, mut owed, page, .. } = self;
        let mut effects = Vec::new();
        for news in rest {
            if let Incoming::Message(message) = news {
                let event =
                    Event::Message { topic: &message.topic, payload: &message.payload, retained: message.retained };
                engine.handle(event, clock.now(), &mut effects);
            }
        }
        for effect in effects {
            match effect {
                Effect::Keep(reading) => store.keep(&reading),
                Effect::Commit { rows, notices } => owed.push_back((clock.now().wall, rows, notices)),
                _ => {}
            }
        }
        let last_words = async {
            for (at, rows, notices) in owed {
                store.commit(at, rows, notices).await?;
            }
            store.save(packed(engine.snapshot())).await?;
            store.close().await
        };
        match timeout(LAST_WORDS, last_words).await {
            Ok(Ok(())) => {}
            Ok(Err(why)) => tracing::error!("the store did not close in good order: {why}"),
            Err(_) => tracing::error!("the store did not close within {} s", LAST_WORDS.as_secs()),
        }
        page
    }

    pub(super) fn handle(&mut self, event: Event<'_>) {
        let now = self.clock.now();
        self.notice_absence(now);
        self.engine.handle(event, now, &mut self.effects);
        if !self.effects.is_empty() {
            self.carry_out(now);
        }
    }

    /// One thing that the link tells, and what else waits behind it.
    fn hear(&mut self, news: Incoming) {
        let mut next = Some(news);
        for _ in 0..MOST_AT_ONCE {
            match next {
                None => return,
                Some(Incoming::Message(message)) => self.handle(Event::Message {
                    topic: &message.topic,
                    payload: &message.payload,
                    retained: message.retained,
                }),
                Some(other) => self.link_told(other),
            }
            next = self.inbox.try_next();
        }
        if let Some(last) = next {
            self.hear(last);
        }
    }

    fn link_told(&mut self, news: Incoming) {
        let wall = self.clock.now().wall;
        match news {
            Incoming::Message(_) => {}
            Incoming::Up => {
                tracing::info!("connected to the broker");
                self.listening = true;
                drop(self.store.gap_ends(wall, LINK_DOWN));
                self.handle(Event::LinkUp);
                self.show(|| Seen::Up);
            }
            Incoming::Lost(why) => {
                tracing::warn!("{why}");
                self.listening = false;
                drop(self.store.gap_begins(wall, LINK_DOWN));
                self.handle(Event::LinkLost);
            }
            Incoming::Trouble(why) => self.handle(Event::LinkTrouble(why.to_string())),
        }
    }

    fn posted(&mut self, report: Report) {
        if let PostOutcome::Deferred(why) | PostOutcome::Refused(why) = &report.outcome {
            tracing::warn!("mail {}: {why}", report.notice);
        }
        self.handle(Event::Post { notice: report.notice, outcome: report.outcome });
    }

    /// Whether everything has to be started anew.
    fn store_told(&mut self, told: Told) -> bool {
        match told {
            Told::Health(outcome) => {
                match &outcome {
                    StoreOutcome::Failing(why) => tracing::error!("{why}"),
                    StoreOutcome::Healthy => {
                        tracing::info!("the store is written again");
                        self.open_door();
                    }
                }
                self.handle(Event::Store(outcome));
            }
            Told::Dropped { notice, why } => self.handle(Event::Post { notice, outcome: PostOutcome::Refused(why) }),
            Told::Older => {
                tracing::warn!(
                    "the store can be used again, and remembers more than we do: everything is started anew"
                );
                return true;
            }
            Told::Log(words) => tracing::warn!("{words}"),
        }
        false
    }

    /// A store that was taken up late has a folder for the control socket.
    fn open_door(&mut self) {
        if self.door.is_none()
            && let Ok((door, asked)) = Door::open(&self.config.store.folder)
        {
            (self.door, self.asked) = (Some(door), asked);
        }
    }
}

/// What the machine's clocks show; a scaled clock has nothing to be held against.
pub(super) fn shown(clock: &Clock) -> Option<Shown> {
    let now = clock.now();
    let up = crate::clock::up().filter(|_| clock.is_real())?;
    Some(Shown { wall: now.wall, mono: now.mono, up, is_set: crate::clock::is_set_by_network() })
}

/// `noted`: the last process's row of its clocks.
fn clocks(clock: &Clock, last: Option<Now>, noted: Option<String>) -> Option<Clocks> {
    if !clock.is_real() {
        return None;
    }
    let Some((boot, shown)) = crate::clock::boot().zip(shown(clock)) else {
        tracing::warn!("this machine does not show /proc/uptime: a wrong clock and a sleep will not be recognised");
        return None;
    };
    // What cannot be read was written by another version: as if nothing had been noted.
    let noted = noted.and_then(|json| serde_json::from_str(&json).ok());
    Some(Clocks::new(boot, last.map(|last| (last.wall, noted)), shown))
}

/// The new configuration, or nothing when it has faults: then the old one goes on.
fn reread(reload: &Reread) -> Option<Config> {
    let mut states = vec![NotifyState::Reloading];
    states.extend(NotifyState::monotonic_usec_now().ok());
    tell_system(&states);
    match reload(None) {
        Ok(config) => {
            tracing::info!("the configuration was read again");
            Some(config)
        }
        Err(why) => {
            tracing::error!("the configuration has faults, the old one goes on:\n{why}");
            tell_system(&[NotifyState::Ready]);
            None
        }
    }
}

/// A snapshot as the store keeps it.
pub(super) fn packed(rows: Vec<Row>) -> Vec<(String, Vec<u8>)> {
    rows.into_iter().filter_map(|row| Some((row.key, row.json?.into_bytes()))).collect()
}

/// Everything that was stored, as the engine takes it up.
fn rows(mut rows: Vec<Row>, snapshot: Vec<(String, Vec<u8>)>) -> Vec<Row> {
    let learned = snapshot.into_iter().map(|(key, bytes)| Row { key, json: String::from_utf8(bytes).ok() });
    rows.extend(learned);
    rows
}
