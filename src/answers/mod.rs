//! Answers by mail: a keeper replies `HAVE IT`, and the engine hears it. Also mails of ours that come back.
//!
//! [`Answers::run`] stays connected to the mailbox of `[answers]` (IMAP over TLS, IDLE where the server can, else a look
//! every minute), judges each mail by [`judge`], and hands on what it [`Heard`]. What is ours is marked seen; a mail that
//! cites none of our Message-IDs is somebody else's, and nothing of it but its headers is even fetched. After a restart
//! the unseen are judged anew, so an answer may be told twice, and none is lost. Dropping the future is safe.

mod imap;
pub mod judge;
mod own_text;
pub mod settings;
mod tls;

#[cfg(test)]
mod tests;

use crate::notice::message_id::Seal;
use crate::terms::time::Wall;
use imap::Session;
use judge::{Bench, Verdict};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};

/// What came in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Heard {
    /// This keeper has it: acknowledge the incident whose mail was answered (`7Q` of `7Q.3`).
    Answer { keeper: String, notice: String },
    /// A mail of ours came back: for `Event::Post` as refused.
    Bounced { notice: String, why: String },
    /// A reply that does not count, for the log.
    Ignored { notice: String, why: &'static str },
    /// The mail server dated a mail that came in while we listened: its clock, now.
    Dated(Wall),
    /// The mailbox cannot be read, in words without secrets; told once until it changes.
    Failing(String),
    /// It can again.
    Healthy,
}

/// Bounds in time. The default is what a house should have.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// For connecting, and for each command.
    pub command: Duration,
    /// An IDLE is begun anew after this: routers forget quiet connections (RFC 2177 allows 29 minutes).
    pub idle: Duration,
    /// Between looks where the server cannot IDLE.
    pub poll: Duration,
    /// After a failure; doubles up to 32 times this.
    pub again: Duration,
}

impl Default for Limits {
    fn default() -> Limits {
        Limits {
            command: Duration::from_secs(60),
            idle: Duration::from_secs(5 * 60),
            poll: Duration::from_secs(60),
            again: Duration::from_secs(10),
        }
    }
}

/// What [`Answers::new`] needs.
pub struct Opening {
    pub settings: settings::Answers,
    pub seal: Seal,
    /// (id, mail address) of each keeper.
    pub keepers: Vec<(String, String)>,
    /// Must not block.
    pub hear: Box<dyn Fn(Heard) + Send + Sync>,
    pub limits: Limits,
}

/// Listens to a mailbox.
pub struct Answers {
    opening: Opening,
    addresses: Vec<String>,
    /// UIDVALIDITY, and the highest UID that was judged under it.
    judged: Option<(u32, u32)>,
    failing: Option<String>,
    /// Since the last success.
    failures: u32,
}

impl Answers {
    pub fn new(opening: Opening) -> Answers {
        let addresses = opening.keepers.iter().map(|k| k.1.clone()).collect();
        Answers { opening, addresses, judged: None, failing: None, failures: 0 }
    }

    /// Runs until it is dropped.
    pub async fn run(mut self) {
        loop {
            let why = match tls::connect(&self.opening.settings, self.opening.limits.command).await {
                Ok(stream) => self.listen(stream).await,
                Err(why) => why,
            };
            self.fails(&why);
            let times = 1 << self.failures.min(5);
            self.failures = self.failures.saturating_add(1);
            tokio::time::sleep(self.opening.limits.again * times).await;
        }
    }

    /// Listens as long as the connection holds; returns why it does not.
    async fn listen<S: AsyncRead + AsyncWrite + Unpin>(&mut self, stream: S) -> String {
        match self.try_to_listen(stream).await {
            Ok(never) => match never {},
            Err(why) => why,
        }
    }

    async fn try_to_listen<S: AsyncRead + AsyncWrite + Unpin>(
        &mut self,
        stream: S,
    ) -> Result<std::convert::Infallible, String> {
        let (user, password) = &self.opening.settings.login;
        let limits = self.opening.limits;
        let mut session = Session::begin(stream, limits.command, user, password.expose()).await?;
        let can_idle = session.can("IDLE").await?;
        let validity = session.select().await?;
        if self.judged.is_none_or(|(known, _)| known != validity) {
            self.judged = None;
        }
        loop {
            session.news = false;
            self.look(&mut session, validity).await?;
            self.succeeds();
            // What came while we looked is looked at before we wait.
            if session.news {
                continue;
            }
            if can_idle {
                session.idle(limits.idle).await?;
            } else {
                tokio::time::sleep(limits.poll).await;
            }
        }
    }

    /// Judges what is new.
    async fn look<S: AsyncRead + AsyncWrite + Unpin>(
        &mut self,
        session: &mut Session<S>,
        validity: u32,
    ) -> Result<(), String> {
        // What came after a look at a mailbox that is watched has just come.
        let fresh = std::mem::take(&mut session.waited) && self.judged.is_some();
        let highest = self.judged.map_or(0, |(_, uid)| uid);
        let what = match self.judged {
            Some((_, uid)) => format!("UID {}:*", uid.saturating_add(1)),
            None => "UNSEEN".to_owned(),
        };
        let mut last = highest;
        for uid in session.search(&what).await? {
            // `n:*` names the last mail even when its UID is less than n.
            if self.judged.is_some() && uid <= highest {
                continue;
            }
            if fresh && let Some(at) = session.arrived_at(uid).await? {
                (self.opening.hear)(Heard::Dated(at));
            }
            self.weigh(session, uid).await?;
            last = last.max(uid);
            if self.judged.is_some() {
                self.judged = Some((validity, last));
            }
        }
        self.judged = Some((validity, last));
        Ok(())
    }

    async fn weigh<S: AsyncRead + AsyncWrite + Unpin>(
        &mut self,
        session: &mut Session<S>,
        uid: u32,
    ) -> Result<(), String> {
        let Some(headers) = session.fetch(uid, true).await? else { return Ok(()) };
        if !self.bench().may_concern(&headers) {
            return Ok(());
        }
        let Some(bytes) = session.fetch(uid, false).await? else { return Ok(()) };
        let heard = match self.bench().judge(&bytes) {
            Verdict::NotOurs => return Ok(()),
            Verdict::Answer { notice, address } => {
                let keeper =
                    self.opening.keepers.iter().find(|k| k.1 == address).map_or(address.clone(), |k| k.0.clone());
                Heard::Answer { keeper, notice }
            }
            Verdict::Bounced { notice, why } => Heard::Bounced { notice, why },
            Verdict::No { notice, why } => Heard::Ignored { notice, why },
        };
        (self.opening.hear)(heard);
        session.mark_seen(uid).await
    }

    fn bench(&self) -> Bench<'_> {
        Bench { seal: &self.opening.seal, keepers: &self.addresses }
    }

    fn fails(&mut self, why: &str) {
        let words = tls::scrub(why, &self.opening.settings);
        if self.failing.as_ref() != Some(&words) {
            self.failing = Some(words.clone());
            (self.opening.hear)(Heard::Failing(words));
        }
    }

    fn succeeds(&mut self) {
        self.failures = 0;
        if self.failing.take().is_some() {
            (self.opening.hear)(Heard::Healthy);
        }
    }
}
