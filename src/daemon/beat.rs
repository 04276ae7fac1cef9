//! The house's beat to its outpost: said only while every part goes round, so that a daemon that hangs is missed.

use crate::clock::ticks;
use crate::outpost::messenger::Messenger;
use crate::outpost::settings::Outpost;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::task::JoinHandle;
use tokio::time::{MissedTickBehavior, interval};

/// The loop looks at the house every 5 s; what it found is good for so long.
const WOUND_LASTS: Duration = Duration::from_secs(20);
/// An outpost that has not heard us for so long is told to the keeper: routers restart, and outposts are updated.
const PATIENCE: Duration = Duration::from_secs(3_600);

/// What the loop tells the beat.
#[derive(Debug, Default)]
struct Spring {
    /// When all parts were last found to go round, ms of the edges' clock; zero: not yet.
    wound_ms: AtomicU64,
    mails_fail: AtomicBool,
}

/// How the outpost hears us.
#[derive(Debug, Default)]
struct Hearing {
    heard: bool,
    /// Since when every beat failed, by the edges' clock, and why the last one did.
    failing: Option<(Duration, String)>,
}

/// The beat of a house, where an outpost is configured. Dropping it ends it.
pub struct Beating {
    spring: Arc<Spring>,
    task: Option<JoinHandle<()>>,
    hearing: Arc<Mutex<Hearing>>,
    /// What the engine was told last.
    told: Option<bool>,
}

impl Drop for Beating {
    fn drop(&mut self) {
        if let Some(task) = &self.task {
            task.abort();
        }
    }
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Beating {
    /// An error: what is configured cannot work.
    pub fn start(outpost: Option<&Outpost>) -> Result<Beating, String> {
        let (spring, hearing) = (Arc::new(Spring::default()), Arc::new(Mutex::new(Hearing::default())));
        let task = match outpost {
            None => None,
            Some(outpost) => {
                let messenger = Messenger::new(outpost.clone())?;
                let every = Duration::from_millis(u64::try_from(outpost.every.as_ms()).unwrap_or(1_000).max(1_000));
                Some(tokio::spawn(beat(messenger, every, spring.clone(), hearing.clone())))
            }
        };
        Ok(Beating { spring, task, hearing, told: None })
    }

    /// Every part goes round, just now.
    pub fn wind(&self, mails_fail: bool) {
        self.spring.mails_fail.store(mails_fail, Ordering::Relaxed);
        self.spring.wound_ms.store(ms(ticks()).max(1), Ordering::Relaxed);
    }

    /// Whether the outpost hears us, when that is news: it does, or it has not done so for long. `now`: the edges' clock.
    pub fn news(&mut self, now: Duration) -> Option<Result<(), String>> {
        let news = news(&locked(&self.hearing), self.told, now)?;
        self.told = Some(news.is_ok());
        Some(news)
    }
}

fn news(hearing: &Hearing, told: Option<bool>, now: Duration) -> Option<Result<(), String>> {
    match &hearing.failing {
        None => (hearing.heard && told != Some(true)).then_some(Ok(())),
        Some((since, why)) => (now.saturating_sub(*since) >= PATIENCE && told != Some(false)).then(|| Err(why.clone())),
    }
}

fn ms(span: Duration) -> u64 {
    u64::try_from(span.as_millis()).unwrap_or(u64::MAX)
}

async fn beat(messenger: Messenger, every: Duration, spring: Arc<Spring>, hearing: Arc<Mutex<Hearing>>) {
    // The first one as soon as the house has gone round, the others in step.
    while spring.wound_ms.load(Ordering::Relaxed) == 0 {
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
    let mut step = interval(every);
    step.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let (mut held_back, mut said) = (false, None);
    loop {
        step.tick().await;
        let wound = spring.wound_ms.load(Ordering::Relaxed);
        if ms(ticks()).saturating_sub(wound) > ms(WOUND_LASTS) {
            if !std::mem::replace(&mut held_back, true) {
                tracing::error!("no beat for the outpost: a part of this house stands still");
            }
            continue;
        }
        held_back = false;
        let heard = messenger.beat(!spring.mails_fail.load(Ordering::Relaxed)).await;
        match &heard {
            Ok(()) if said != Some(true) => tracing::info!("the outpost hears us"),
            Err(why) if said != Some(false) => tracing::warn!("the outpost does not hear us: {why}"),
            Ok(()) | Err(_) => {}
        }
        said = Some(heard.is_ok());
        let mut hearing = locked(&hearing);
        hearing.heard |= heard.is_ok();
        let since = hearing.failing.take().map_or_else(ticks, |(since, _)| since);
        hearing.failing = heard.err().map(|why| (since, why));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::outpost::beat::{EVERY, Ear};
    use crate::outpost::door;
    use crate::terms::secret::Secret;
    use tokio::sync::mpsc;

    const KEY: &str = "a key of at least thirty-two characters";

    #[test]
    fn a_deaf_outpost_is_told_once_after_an_hour_and_its_ears_at_once() {
        let h = |h: u64| Duration::from_secs(h * 3_600);
        let mut hearing = Hearing::default();
        assert_eq!(news(&hearing, None, h(9)), None, "nothing was tried yet");
        hearing.failing = Some((h(1), "refused".into()));
        assert_eq!(news(&hearing, None, h(2) - Duration::from_secs(1)), None);
        assert_eq!(news(&hearing, None, h(2)), Some(Err("refused".into())));
        assert_eq!(news(&hearing, Some(false), h(9)), None);
        hearing = Hearing { heard: true, failing: None };
        assert_eq!(news(&hearing, Some(false), h(9)), Some(Ok(())));
        assert_eq!(news(&hearing, Some(true), h(9)), None);
    }

    #[test]
    fn no_beat_before_the_house_has_gone_round_and_one_after() {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        runtime.block_on(async {
            let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.expect("a port");
            let port = listener.local_addr().expect("an address").port();
            let (tell, mut heard) = mpsc::unbounded_channel();
            let key = Secret::new(KEY);
            let ear = Ear::new([7; 32], [("home", &key)]);
            let doors = door::Doors {
                ticks,
                heard: Box::new(move |house, beat| drop(tell.send((house, beat)))),
                say: Box::new(|words| panic!("{words}")),
            };
            let serving = tokio::spawn(door::serve(listener, None, ear, doors));
            let outpost = Outpost {
                tls: false,
                host: "127.0.0.1".into(),
                port,
                ca_pem: None,
                house: "home".into(),
                key: Secret::new(KEY),
                every: *EVERY.start(),
            };
            let beating = Beating::start(Some(&outpost)).expect("sound settings");
            let waits = tokio::time::timeout(Duration::from_millis(700), heard.recv()).await;
            assert!(waits.is_err(), "it beats before anything has gone round");
            beating.wind(true);
            let (house, beat) = heard.recv().await.expect("a beat");
            assert_eq!((house.as_str(), beat.mails, beat.every), ("home", false, *EVERY.start()));
            serving.abort();
        });
    }
}
