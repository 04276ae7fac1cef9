//! The running house: everything started in order, one loop in the middle, everything ended in order.
//!
//! [`run`] is the main story. A reload is a new [`session::Session`] with the new configuration over the same store: what
//! is learned, who was told what and every mail that waits go on, and a file with faults changes nothing.

mod acting;
mod beat;
mod clocks;
mod ear;
mod effort;
mod orders;
mod outbox;
pub mod outpost;
mod parts;
mod past;
mod pulse;
mod session;
mod ties;
mod upkeep;

use crate::clock::Clock;
use crate::config::Config;
use crate::config::tied::Tie;
use crate::notice::NoticeRow;
use crate::terms::time::Now;
use crate::{control, descriptors, mqtt, store};
use sd_notify::NotifyState;
use session::{Ending, Session};
use std::fmt;
use std::sync::Arc;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::Notify;
use tokio::sync::mpsc::UnboundedSender;

/// Reads the configuration again, with what is tied on the page or with these ties instead; the words of its faults otherwise.
pub type Reread = Box<dyn Fn(Option<Vec<Tie>>) -> Result<Config, String> + Send + Sync>;

/// What [`run`] needs.
pub struct Setup {
    pub config: Config,
    pub reload: Reread,
    pub clock: Arc<Clock>,
    /// Whether the clock is the machine's, and goes on from where the store's last one stopped.
    pub real: bool,
    /// Is shown what happens; for the demo.
    pub watcher: Option<UnboundedSender<Seen>>,
    /// Ends it in good order, as SIGTERM does.
    pub stop: Arc<Notify>,
}

/// What a watcher of the daemon sees.
#[derive(Clone, Debug)]
pub enum Seen {
    /// The link to the broker is up.
    Up,
    /// A notice was committed.
    Notice(Now, Box<NoticeRow>),
}

/// Why the daemon could not start, or had to end.
#[derive(Debug)]
pub enum Error {
    /// The configuration asks for what cannot be: nothing but a change of the file helps.
    Config(String),
    Store(store::Error),
    Control(control::Error),
    /// The machine refuses something that we need.
    Machine(String),
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Error::Config(why) | Error::Machine(why) => f.write_str(why),
            Error::Store(why) => why.fmt(f),
            Error::Control(why) => why.fmt(f),
        }
    }
}

impl std::error::Error for Error {}

impl From<mqtt::Trouble> for Error {
    fn from(why: mqtt::Trouble) -> Error {
        Error::Config(why.to_string())
    }
}

/// What the system tells us to do.
struct Signals {
    terminate: Signal,
    interrupt: Signal,
    hangup: Signal,
    stop: Arc<Notify>,
}

impl Signals {
    fn listen(stop: Arc<Notify>) -> Result<Signals, Error> {
        let machine = |why: std::io::Error| Error::Machine(format!("signals cannot be heard: {why}"));
        Ok(Signals {
            terminate: signal(SignalKind::terminate()).map_err(machine)?,
            interrupt: signal(SignalKind::interrupt()).map_err(machine)?,
            hangup: signal(SignalKind::hangup()).map_err(machine)?,
            stop,
        })
    }

    /// Waits to be told to end.
    async fn end(&mut self) {
        tokio::select! {
            _ = self.terminate.recv() => {}
            _ = self.interrupt.recv() => {}
            () = self.stop.notified() => {}
        }
    }
}

/// Watches until it is told to stop. An error: it could not begin, or could not go on.
pub async fn run(setup: Setup) -> Result<(), Error> {
    let mut signals = Signals::listen(setup.stop.clone())?;
    let may_open = descriptors::may_open();
    if may_open < descriptors::ENOUGH {
        tracing::warn!(
            "this process may have only {may_open} files and connections open: allow {} or more (LimitNOFILE=)",
            descriptors::ENOUGH
        );
    }
    let mut config = setup.config.clone();
    let (mut broker, mut page) = (None, None);
    loop {
        let mut session = Session::start(&config, &setup, &mut broker, page.take()).await?;
        tell_system(&[NotifyState::Ready, NotifyState::Status(&session.summary())]);
        let ending = session.watch(&mut signals, &setup.reload).await;
        if matches!(ending, Ending::Stop) {
            tell_system(&[NotifyState::Stopping]);
        }
        // Whoever looks at the page goes on looking while everything behind it is started anew.
        page = Some(session.end().await);
        match ending {
            Ending::Stop => break,
            Ending::Reload(new) => match try_reload(&config, *new, &mut broker).await {
                Ok(new) => config = new,
                Err(why) => tracing::error!("the new configuration cannot be used, the old one goes on: {why}"),
            },
        }
    }
    if let Some(broker) = broker {
        parts::end_broker(broker).await;
    }
    Ok(())
}

/// Tries out what a check of the file cannot see. The old configuration goes on when this fails.
async fn try_reload(old: &Config, new: Config, broker: &mut Option<parts::OwnBroker>) -> Result<Config, Error> {
    parts::try_link(&new)?;
    crate::page::acceptor(&new.page).map_err(|why| Error::Config(why.to_string()))?;
    drop(beat::Beating::start(new.outpost.as_ref()).map_err(Error::Config)?);
    if old.builtin_broker != new.builtin_broker
        && let Some(broker) = broker.take()
    {
        parts::end_broker(broker).await;
    }
    Ok(new)
}

/// To the service manager, where there is one.
fn tell_system(states: &[NotifyState<'_>]) {
    if let Err(why) = sd_notify::notify(states) {
        tracing::debug!("the service manager cannot be told: {why}");
    }
}
