//! An outpost that runs: beats in at the door, time passing, mails out by the post, the book written before a mail is sent.

use super::pulse::Pulse;
use super::{Error, Signals, tell_system};
use crate::clock::{Clock, ticks};
use crate::config::outpost::Config;
use crate::notice::local::Local;
use crate::notice::message_id::Seal;
use crate::outpost::beat::{Beat, Ear};
use crate::outpost::book::{Book, Page};
use crate::outpost::door::{Doors, serve};
use crate::outpost::file::Shelf;
use crate::outpost::vigil::State;
use crate::post::settings::Way;
use crate::post::{self, Fate, Post, Queued, Round, Waker};
use crate::terms::quantity::Degrees;
use crate::terms::time::Wall;
use crate::tls;
use sd_notify::NotifyState;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::mpsc;
use tokio::time::{MissedTickBehavior, interval};

/// Between two looks at the clock, and at ourselves.
const LOOK: Duration = Duration::from_secs(1);
const OWN_LOOK: Duration = Duration::from_secs(5);
/// Beats and words that wait for the loop.
const MOST_WORDS: usize = 1_024;

/// The book with its place on the disk.
struct Desk {
    book: Book,
    shelf: Shelf,
}

impl Desk {
    /// Writes what has changed. Where the disk takes nothing a mail goes out all the same: silence would be worse.
    fn write(&mut self) {
        if self.book.unwritten
            && let Err(why) = self.shelf.write(self.book.page())
        {
            tracing::error!("the book of this outpost could not be written: {why}");
        }
    }
}

fn locked(desk: &Mutex<Desk>) -> MutexGuard<'_, Desk> {
    desk.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The book's mails as the post sees them, and a count of how often it has looked.
struct Outbox {
    desk: Arc<Mutex<Desk>>,
    rounds: Arc<AtomicU64>,
}

impl post::Outbox for Outbox {
    async fn due(&self, at: Wall, at_most: usize) -> Vec<Queued> {
        self.rounds.fetch_add(1, Ordering::Relaxed);
        let due = locked(&self.desk).book.due(at, at_most).into_iter();
        due.map(|mail| Queued {
            notice: mail.row,
            queued_at: mail.queued_at,
            attempts: mail.attempts,
            to: mail.waiting,
        })
        .collect()
    }

    async fn settle(&self, round: Round) {
        self.rounds.fetch_add(1, Ordering::Relaxed);
        let of =
            |fate: Fate| -> Vec<String> { round.to.iter().filter(|to| to.1 == fate).map(|to| to.0.clone()).collect() };
        let mut desk = locked(&self.desk);
        desk.book.settle(&round.notice, &of(Fate::Accepted), &of(Fate::Refused), round.next, round.at);
        desk.write();
    }
}

/// What the door has to say.
enum Said {
    Beat(String, Beat),
    Words(String),
}

/// Listens until it is told to stop. An error: it could not begin.
pub async fn run(config: Config, clock: Arc<Clock>) -> Result<(), Error> {
    let mut signals = Signals::listen(Arc::default())?;
    let machine = |why: &dyn std::fmt::Display| Error::Machine(why.to_string());
    let (shelf, page) = Shelf::open(&config.folder).map_err(|why| machine(&why))?;
    let page = match page {
        Some(page) => page,
        None => Page::first(random()?),
    };
    let seal = Seal::new(&page.site);
    let now = clock.now();
    let local = Local::new(&config.outpost.time_zone, Degrees::C);
    let book = Book::open(page, config.outpost.houses.clone(), local, now);
    let desk = Arc::new(Mutex::new(Desk { book, shelf }));
    // Before anything is heard: a folder that cannot be written is found out now.
    locked(&desk).write();

    let identity = config.outpost.identity.as_ref().map(tls::server).transpose().map_err(Error::Config)?;
    let listen = config.outpost.listen;
    let listener = TcpListener::bind(listen).await;
    let listener = listener.map_err(|why| Error::Machine(format!("the outpost cannot listen on {listen}: {why}")))?;
    let (tell, mut said) = mpsc::channel(MOST_WORDS);
    let words = tell.clone();
    let doors = Doors {
        ticks,
        // Full only if the loop has stood still for thousands of them, which the watchdog ends.
        heard: Box::new(move |house, beat| drop(tell.try_send(Said::Beat(house, beat)))),
        say: Box::new(move |text| drop(words.try_send(Said::Words(text)))),
    };
    let ear = Ear::new(random()?, config.outpost.houses.iter().map(|house| (house.id.as_str(), &house.key)));
    let door = tokio::spawn(serve(listener, identity, ear, doors));
    let (mailing, waker, rounds) = start_post(&config, &clock, seal, &desk);

    tracing::info!("{}", summary(&desk));
    tell_system(&[NotifyState::Ready, NotifyState::Status(&summary(&desk))]);
    let mut look = interval(LOOK);
    let mut own = interval(OWN_LOOK);
    look.set_missed_tick_behavior(MissedTickBehavior::Delay);
    own.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut pulse = Pulse::new(ticks());
    loop {
        let turns: Vec<String> = tokio::select! {
            biased;
            () = signals.end() => break,
            Some(said) = said.recv() => match said {
                Said::Beat(house, beat) => locked(&desk).book.beat(&house, &beat, clock.now()).into_iter().collect(),
                Said::Words(words) => {
                    tracing::warn!("{words}");
                    Vec::new()
                }
            },
            _ = look.tick() => locked(&desk).book.look(clock.now()),
            _ = own.tick() => {
                match pulse.feel([rounds.load(Ordering::Relaxed)], ticks()) {
                    None => tell_system(&[NotifyState::Watchdog, NotifyState::Status(&summary(&desk))]),
                    Some(_) => tracing::error!("the post stands still; the watchdog is not fed"),
                }
                if door.is_finished() {
                    return Err(Error::Machine("the door of this outpost fell shut".into()));
                }
                Vec::new()
            }
        };
        let turned = !turns.is_empty();
        for words in turns {
            tracing::info!("{words}");
        }
        locked(&desk).write();
        if turned {
            waker.wake();
        }
    }
    tell_system(&[NotifyState::Stopping]);
    door.abort();
    mailing.abort();
    let mut desk = locked(&desk);
    desk.book.unwritten = true;
    desk.write();
    Ok(())
}

fn start_post(
    config: &Config,
    clock: &Arc<Clock>,
    seal: Seal,
    desk: &Arc<Mutex<Desk>>,
) -> (tokio::task::JoinHandle<()>, Waker, Arc<AtomicU64>) {
    let mut ways = vec![config.post.clone()];
    ways.extend(config.post_fallback.clone().map(Way::Server));
    if let Way::Folder { folder, .. } = &config.post {
        tracing::warn!("no mail server is set: mails are written into {}", folder.display());
    }
    let clock = clock.clone();
    let post = Post::new(post::Opening {
        ways,
        site: "the outpost".into(),
        seal,
        clock: Arc::new(move || clock.now().wall),
        report: Box::new(|report| match report.outcome {
            crate::engine::event::PostOutcome::Accepted => tracing::info!("mail {}: sent", report.notice),
            crate::engine::event::PostOutcome::Deferred(why) | crate::engine::event::PostOutcome::Refused(why) => {
                tracing::warn!("mail {}: {why}", report.notice);
            }
        }),
        limits: post::Limits::default(),
    });
    let (waker, rounds) = (post.waker(), Arc::new(AtomicU64::new(0)));
    let outbox = Outbox { desk: desk.clone(), rounds: rounds.clone() };
    (tokio::spawn(post.run(outbox)), waker, rounds)
}

/// In one line, for the service manager and the log.
fn summary(desk: &Mutex<Desk>) -> String {
    let desk = locked(desk);
    let of = |state: State| match state {
        State::Unheard => "not heard yet",
        State::Heard => "heard",
        State::Lost { .. } => "OUT OF REACH",
    };
    let houses: Vec<String> = desk.book.states().map(|(house, state)| format!("{}: {}", house.id, of(state))).collect();
    format!("listening; {}", houses.join(", "))
}

fn random<const N: usize>() -> Result<[u8; N], Error> {
    let mut bytes = [0; N];
    getrandom::fill(&mut bytes).map_err(|why| Error::Machine(format!("the machine gives no random bytes: {why}")))?;
    Ok(bytes)
}
