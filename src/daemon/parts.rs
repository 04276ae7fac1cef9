//! The edges of a house, started as its configuration says.

use super::Error;
use super::outbox::Outbox;
use super::past::HousePast;
use crate::answers::{self, Answers, Heard};
use crate::clock::{Clock, ticks};
use crate::config::Config;
use crate::control;
use crate::control::server::{Asked, Door};
use crate::engine::view::View;
use crate::mqtt::link::{Link, Pace, Wish};
use crate::mqtt::settings::Broker;
use crate::mqtt::{Inbox, filter};
use crate::notice::message_id::Seal;
use crate::page;
use crate::page::bench::{Bench, Wished};
use crate::post::settings::Way;
use crate::post::{self, Post, Report, Waker};
use crate::store::{self, Found, Names, Store, Told};
use std::sync::Arc;
use std::sync::atomic::AtomicU64;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;

/// What the store and the post may have to say before the loop has listened.
const MOST_WORDS: usize = 4_096;
/// What keepers may have said on the page before the loop has listened.
const MOST_REQUESTS: usize = 64;
/// A topic on which nobody speaks.
const NOTHING: &str = "warmside/nothing-is-tied-yet";
/// How long another process, or our own last session, may need to let go of the store, or of a port.
const STORE_LETS_GO: Duration = Duration::from_secs(5);

/// A broker of our own that runs, and with which settings.
#[derive(Debug)]
pub struct OwnBroker {
    #[cfg(feature = "builtin-broker")]
    settings: crate::mqtt::settings::BuiltinBroker,
    #[cfg(feature = "builtin-broker")]
    running: crate::mqtt::builtin::Builtin,
}

/// The broker to connect to: the keeper's, or our own, which is started unless it runs already.
pub async fn broker(config: &Config, own: &mut Option<OwnBroker>) -> Result<Broker, Error> {
    if let Some(broker) = &config.broker {
        return Ok(broker.clone());
    }
    let Some(settings) = &config.builtin_broker else {
        return Err(Error::Config("the configuration names no broker".into()));
    };
    #[cfg(feature = "builtin-broker")]
    {
        let own = match own {
            Some(own) if own.settings == *settings => own,
            own => {
                *own = None;
                // A port in use is free again one day: no fault of the file, after which nothing would be tried again.
                let running = crate::mqtt::builtin::Builtin::start(settings).await;
                let running = running.map_err(|why| Error::Machine(why.to_string()))?;
                tracing::info!("the built-in broker listens on {}", running.address());
                own.insert(OwnBroker { settings: settings.clone(), running })
            }
        };
        Ok(settings.as_client(own.running.address()))
    }
    #[cfg(not(feature = "builtin-broker"))]
    {
        let _ = (own, settings);
        Err(Error::Config("this Warmside was built without a broker of its own: name one in [broker]".into()))
    }
}

/// Ends our own broker in good order.
pub async fn end_broker(own: OwnBroker) {
    #[cfg(feature = "builtin-broker")]
    own.running.stop(Duration::from_secs(2)).await;
    #[cfg(not(feature = "builtin-broker"))]
    let _ = own;
}

/// The link to the broker. `site`: the store's random part, from which the client id is made.
pub fn link(config: &Config, broker: &Broker, site: &str) -> Result<(Link, Inbox), Error> {
    let settings = &config.settings;
    let topics = settings.links.iter().flat_map(|link| link.topics()).chain(settings.commands_topic.clone());
    let mut filters = filter::covering(topics);
    if filters.is_empty() {
        // A house that is still to be tied hears nothing, and is connected all the same.
        filters.push(NOTHING.to_owned());
    }
    let wish = Wish {
        client_id: format!("warmside-{}", site.get(..12).unwrap_or(site)),
        filters,
        presence: settings.publish.as_ref().map(|prefix| format!("{prefix}/state/watcher")),
    };
    Ok(Link::start(broker, wish, Pace::default(), ticks)?)
}

/// Whether a link could be started with this configuration: certificates that cannot be used, a topic that is none.
pub fn try_link(config: &Config) -> Result<(), Error> {
    match &config.broker {
        Some(broker) => link(config, broker, "trial").map(drop),
        None => Ok(()),
    }
}

/// Opens the store, whose clock goes on from where it stopped.
pub async fn store(
    config: &Config,
    clock: &Arc<Clock>,
    real: bool,
) -> Result<(Store, Found, mpsc::Receiver<Told>), Error> {
    let (tell, told) = mpsc::channel(MOST_WORDS);
    let started = ticks();
    loop {
        let (its_clock, tell) = (clock.clone(), tell.clone());
        let opening = store::Opening {
            names: Names::from(&config.settings),
            clock: Arc::new(move || its_clock.now()),
            // Full only if the loop has stood still for thousands of them, which the watchdog ends.
            tell: Box::new(move |words| drop(tell.try_send(words))),
            hook: None,
        };
        match Store::open(&config.store, opening) {
            Err(store::Error::InUse(_)) if ticks() - started < STORE_LETS_GO => {
                tokio::time::sleep(Duration::from_millis(100)).await;
            }
            Err(why) => return Err(Error::Store(why)),
            Ok((store, found)) => {
                if let Some(last) = found.last.filter(|_| real) {
                    clock.resume(last);
                }
                return Ok((store, found, told));
            }
        }
    }
}

/// The control socket. Without the store's folder there is none, and animals are watched all the same.
/// `locked`: the folder is ours, so that a socket in it is a leftover.
pub fn door(config: &Config, locked: bool) -> Result<(Option<Door>, mpsc::Receiver<Asked>), Error> {
    let why = match locked.then(|| Door::open(&config.store.folder)) {
        Some(Ok((door, asked))) => return Ok((Some(door), asked)),
        Some(Err(why @ control::Error::TooLong(_))) => return Err(Error::Control(why)),
        Some(Err(why)) => why.to_string(),
        None => "its folder is the store's".into(),
    };
    tracing::error!("no command is answered until the store can be used: {why}");
    Ok((None, mpsc::channel(1).1))
}

/// A post that runs.
pub struct RunningPost {
    pub task: JoinHandle<()>,
    pub waker: Waker,
    pub reports: mpsc::Receiver<Report>,
    pub rounds: Arc<AtomicU64>,
}

pub fn post(config: &Config, clock: &Arc<Clock>, store: &Arc<Store>, site: &str) -> RunningPost {
    let (report, reports) = mpsc::channel(MOST_WORDS);
    let rounds = Arc::new(AtomicU64::new(0));
    let mut ways = vec![config.post.clone()];
    ways.extend(config.post_fallback.clone().map(Way::Server));
    if let Way::Folder { folder, .. } = &config.post {
        tracing::warn!("no mail server is set: mails are written into {}", folder.display());
    }
    let clock = clock.clone();
    let post = Post::new(post::Opening {
        ways,
        site: config.settings.notice.site.clone(),
        seal: Seal::new(site),
        clock: Arc::new(move || clock.now().wall),
        report: Box::new(move |words| drop(report.try_send(words))),
        limits: post::Limits::default(),
    });
    let waker = post.waker();
    let outbox = Outbox { store: store.clone(), rounds: rounds.clone() };
    let task = tokio::spawn(post.run(outbox));
    RunningPost { task, waker, reports, rounds }
}

/// A page that is served, or one that could not be: animals are watched all the same. It outlives a reload that leaves its
/// own settings alone, so that nobody has to log in again.
pub struct RunningPage {
    settings: page::settings::Settings,
    task: Option<JoinHandle<()>>,
    past: Arc<HousePast>,
    pub view: watch::Sender<Arc<View>>,
    pub asked: mpsc::Receiver<page::Asked>,
    pub bench: Arc<Bench>,
    pub wishes: mpsc::Receiver<Wished>,
}

impl Drop for RunningPage {
    fn drop(&mut self) {
        if let Some(task) = &self.task {
            task.abort();
        }
    }
}

/// `view`: the house as it is at the start. `old`: the page of the last session.
pub async fn page(config: &Config, view: View, old: Option<RunningPage>) -> RunningPage {
    let (folder, at) = (config.store.folder.clone(), view.at.wall);
    let bench = old.as_ref().map_or_else(Arc::default, |old| old.bench.clone());
    if let Some(old) = old
        && old.settings == config.page
        && old.task.as_ref().is_some_and(|task| !task.is_finished())
    {
        old.past.renew(folder, &config.settings, at);
        old.view.send_replace(Arc::new(view));
        return old;
    }
    let past = Arc::new(HousePast::new(folder, &config.settings, at));
    let (view, shown) = watch::channel(Arc::new(view));
    let (asked, requests) = mpsc::channel(MOST_REQUESTS);
    let (wish, wishes) = mpsc::channel(MOST_REQUESTS);
    let settings = config.page.clone();
    let doors = page::Doors { view: shown, past: past.clone(), asked, bench: bench.clone(), wishes: wish, ticks };
    let task = match listener(&settings).await {
        Ok(listener) => {
            let by = if settings.identity.is_some() { "https" } else { "http" };
            tracing::info!("the page is at {by}://{}", settings.listen);
            let settings = settings.clone();
            Some(tokio::spawn(async move {
                if let Err(why) = page::serve(listener, &settings, doors).await {
                    tracing::error!("the page ended: {why}");
                }
            }))
        }
        Err(why) => {
            tracing::error!("there is no page: {why}");
            None
        }
    };
    RunningPage { settings, task, past, view, asked: requests, bench, wishes }
}

/// The last session's page may still be letting go of the port.
async fn listener(settings: &page::settings::Settings) -> Result<TcpListener, page::Error> {
    let started = ticks();
    loop {
        match page::bind(settings).await {
            Err(_) if ticks() - started < STORE_LETS_GO => tokio::time::sleep(Duration::from_millis(100)).await,
            outcome => return outcome,
        }
    }
}

/// The keepers' mailbox, where one is configured.
pub struct RunningAnswers {
    task: Option<JoinHandle<()>>,
    pub heard: mpsc::Receiver<Heard>,
}

impl Drop for RunningAnswers {
    fn drop(&mut self) {
        if let Some(task) = &self.task {
            task.abort();
        }
    }
}

pub fn answers(config: &Config, site: &str) -> RunningAnswers {
    let (hear, heard) = mpsc::channel(MOST_REQUESTS);
    let task = config.answers.clone().map(|settings| {
        let keepers = config.settings.notice.keepers.iter();
        let opening = answers::Opening {
            settings,
            seal: Seal::new(site),
            keepers: keepers.map(|keeper| (keeper.id.clone(), keeper.mail.clone())).collect(),
            // What does not fit is unseen in the mailbox still, and judged anew after a restart.
            hear: Box::new(move |words| drop(hear.try_send(words))),
            limits: answers::Limits::default(),
        };
        tokio::spawn(Answers::new(opening).run())
    });
    RunningAnswers { task, heard }
}
