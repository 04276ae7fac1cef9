//! The page: is everyone alright, is the watcher awake, where do I go.
//!
//! [`serve`] runs until the task is dropped. It is told of the house by a watched [`View`], asks the past of a [`Past`],
//! and hands what keepers say to the daemon's loop. Nothing in it reaches an engine, a store or another edge.
//!
//! The daemon has to publish a view after each command, and at least every [`LIVE_WITHIN`], changed or not: a page greys after 90 s without one,
//! so a watcher that stands still cannot look calm.

pub mod answers;
pub mod api;
pub mod asset;
pub mod bench;
pub mod coming;
pub mod enclosure;
pub mod enter;
pub mod forms;
pub mod frame;
pub mod gate;
pub mod guard;
pub mod key;
pub mod ledger;
pub mod listen;
pub mod live;
pub mod mark;
pub mod metrics;
pub mod needs;
pub mod offset;
pub mod pages;
pub mod password;
pub mod past;
pub mod plots;
pub mod routes;
pub mod secure;
pub mod send;
pub mod settings;
pub mod setup;
pub mod slope;
pub mod standing;
pub mod stretch;
pub mod table;
pub mod tie;
pub mod touch;
pub mod tying;
pub mod visit;
pub mod wall;
pub mod words;

use crate::engine::event::Command;
use crate::engine::view::View;
use crate::terms::time::Wall;
use crate::tls;
use bench::{Bench, Wished};
use guard::Guard;
use past::Past;
use settings::Settings;
use std::collections::VecDeque;
use std::fmt;
use std::net::SocketAddr;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::{mpsc, oneshot, watch};
use tokio_rustls::TlsAcceptor;

/// How often the daemon has to publish a view, changed or not.
pub const LIVE_WITHIN: Duration = Duration::from_secs(10);
/// Words to a keeper that wait for the page that shows them.
const MOST_WORDS: usize = 64;

/// What a keeper says, and where the engine's answer goes.
#[derive(Debug)]
pub struct Asked {
    pub command: Command,
    pub answer: oneshot::Sender<Answer>,
}

/// What became of it: `Effect::Answer`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answer {
    pub done: bool,
    pub words: String,
}

/// The form that takes back what was just said.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Undo {
    pub path: String,
    /// Hidden fields.
    pub fields: Vec<(String, String)>,
    /// No longer than until then.
    pub until: Wall,
}

/// An answer that waits for the page that shows it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Left {
    pub answer: Answer,
    pub undo: Option<Undo>,
    /// Who spoke.
    pub by: String,
}

/// Everything that the page is given.
#[derive(Clone)]
pub struct Doors {
    pub view: watch::Receiver<Arc<View>>,
    pub past: Arc<dyn Past>,
    pub asked: mpsc::Sender<Asked>,
    /// What Setup works with, and where its wishes go.
    pub bench: Arc<Bench>,
    pub wishes: mpsc::Sender<Wished>,
    /// The edge's own clock, real time since any origin: `clock::ticks`.
    pub ticks: fn() -> Duration,
}

/// Why the page is not served.
#[derive(Debug)]
pub enum Error {
    /// The address cannot be listened on.
    Listen(SocketAddr, std::io::Error),
    /// The password, or the lack of one.
    Password(String),
    /// The certificate or its key.
    Certificate(String),
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Error::Listen(at, why) => {
                write!(f, "the page cannot listen on {at}: {why}; is another Warmside running, or is the port taken?")
            }
            Error::Certificate(why) => {
                write!(f, "the page cannot be served by TLS: {why}; see [page] certificate_file and key_file")
            }
            Error::Password(why) => write!(f, "{why}; set [page] password_file"),
        }
    }
}

impl std::error::Error for Error {}

/// What all requests share.
pub struct Shared {
    pub doors: Doors,
    pub guard: Guard,
    pub live: live::Live,
    /// When the last view came, ms of the edge's clock.
    seen_ms: AtomicU64,
    words: Mutex<VecDeque<(String, Left)>>,
}

impl Shared {
    fn new(settings: &Settings, doors: Doors) -> Result<Shared, Error> {
        let guard = Guard::new(settings).map_err(Error::Password)?;
        let seen_ms = AtomicU64::new(ms((doors.ticks)()));
        Ok(Shared { doors, guard, live: live::Live::new(), seen_ms, words: Mutex::default() })
    }

    pub fn view(&self) -> Arc<View> {
        self.doors.view.borrow().clone()
    }

    pub fn now(&self) -> Duration {
        (self.doors.ticks)()
    }

    /// How long ago the engine last showed itself.
    pub fn age(&self) -> Duration {
        Duration::from_millis(ms(self.now()).saturating_sub(self.seen_ms.load(Ordering::Relaxed)))
    }

    /// Asks the past from a thread that may block.
    pub async fn ask<T>(&self, ask: impl FnOnce(&dyn Past) -> past::Told<T> + Send + 'static) -> past::Told<T>
    where
        T: Send + 'static,
    {
        let past = self.doors.past.clone();
        let told = tokio::task::spawn_blocking(move || ask(&*past)).await;
        told.unwrap_or_else(|_| Err("the store's thread ended".to_owned()))
    }

    /// Notes that a view came.
    fn saw(&self) {
        self.seen_ms.store(ms(self.now()), Ordering::Relaxed);
    }

    /// Keeps words for the page that is shown next; returns what that page's address carries.
    pub fn leave_words(&self, left: Left) -> String {
        let key = password::random_text().unwrap_or_default();
        let mut words = self.words.lock().unwrap_or_else(PoisonError::into_inner);
        words.truncate(MOST_WORDS - 1);
        words.push_front((key.clone(), left));
        key
    }

    /// The words under a key; they stay until others push them out, so that a reload shows them again.
    pub fn words_left(&self, key: &str) -> Option<Left> {
        let words = self.words.lock().unwrap_or_else(PoisonError::into_inner);
        words.iter().find(|(k, _)| !key.is_empty() && k == key).map(|(_, a)| a.clone())
    }
}

fn ms(span: Duration) -> u64 {
    u64::try_from(span.as_millis()).unwrap_or(u64::MAX)
}

/// Binds the page's address: told apart from [`serve`], so that a taken port is known at the start.
pub async fn bind(settings: &Settings) -> Result<TcpListener, Error> {
    TcpListener::bind(settings.listen).await.map_err(|why| Error::Listen(settings.listen, why))
}

/// Who the page is in TLS; `None`: it is served in the clear.
pub fn acceptor(settings: &Settings) -> Result<Option<TlsAcceptor>, Error> {
    let server = settings.identity.as_ref().map(tls::server).transpose().map_err(Error::Certificate)?;
    Ok(server.map(|server| TlsAcceptor::from(Arc::new(server))))
}

/// Serves the page on a listener until the task is dropped.
pub async fn serve(listener: TcpListener, settings: &Settings, doors: Doors) -> Result<(), Error> {
    serve_patiently(listener, settings, doors, listen::Patience::default()).await
}

/// As [`serve`], with other time limits.
pub async fn serve_patiently(
    listener: TcpListener,
    settings: &Settings,
    doors: Doors,
    patience: listen::Patience,
) -> Result<(), Error> {
    let shared = Arc::new(Shared::new(settings, doors)?);
    let app = routes::router(shared.clone());
    let door = listen::Door::new(listener, patience, acceptor(settings)?);
    let served = axum::serve(door, app.into_make_service_with_connect_info::<gate::Peer>()).into_future();
    tokio::select! {
        () = live::follow(shared) => Ok(()),
        outcome = served => outcome.map_err(|why| Error::Listen(settings.listen, why)),
    }
}
