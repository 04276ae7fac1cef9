//! What the engine asks for, done: readings and commits to the store, states to the broker, words to the log.

use super::Seen;
use super::session::Session;
use crate::engine::effect::Effect;
use crate::store;
use crate::terms::time::Now;
use std::pin::Pin;
use std::task::{Context, Poll, Waker};

impl Session {
    pub(super) fn carry_out(&mut self, now: Now) {
        let mut effects = std::mem::take(&mut self.effects);
        for effect in effects.drain(..) {
            match effect {
                Effect::Keep(reading) => self.store.keep(&reading),
                Effect::Commit { rows, notices } => {
                    for notice in &notices {
                        tracing::info!("mail {}: {}", notice.id, notice.subject);
                        self.show(|| Seen::Notice(now, Box::new(notice.clone())));
                    }
                    self.mailed |= !notices.is_empty();
                    self.owed.push_back((now.wall, rows, notices));
                    self.pay();
                }
                Effect::Publish { topic, payload } => self.link.publisher().publish(topic, payload),
                Effect::Answer { done, words } => {
                    self.publish_outcome(done, &words);
                    self.answer = Some((done, words));
                }
                Effect::Log { warn: true, text } => tracing::warn!("{text}"),
                Effect::Log { warn: false, text } => tracing::info!("{text}"),
            }
        }
        self.effects = effects;
    }

    /// Hands commits to the store, in order; what it cannot take now is handed over later.
    pub(super) fn pay(&mut self) {
        while let Some((at, rows, notices)) = self.owed.pop_front() {
            let mut reply = self.store.commit(at, rows.clone(), notices.clone());
            let mut context = Context::from_waker(Waker::noop());
            match Pin::new(&mut reply).poll(&mut context) {
                Poll::Ready(Err(store::Error::Behind)) => {
                    self.owed.push_front((at, rows, notices));
                    return;
                }
                Poll::Ready(Err(why)) => tracing::error!("a change was not stored: {why}"),
                Poll::Ready(Ok(())) => self.post.waker.wake(),
                Poll::Pending => {
                    let waker = self.post.waker.clone();
                    self.fresh.retain(|commit| !commit.is_finished());
                    self.fresh.push(tokio::spawn(async move {
                        // What is owed to the disk is due for the post all the same.
                        let _ = reply.await;
                        waker.wake();
                    }));
                }
            }
        }
    }

    fn publish_outcome(&self, done: bool, words: &str) {
        if let Some(prefix) = &self.config.settings.publish {
            let outcome = serde_json::json!({ "done": done, "words": words });
            self.link.publisher().publish(format!("{prefix}/outcome"), outcome.to_string());
        }
    }

    pub(super) fn show(&self, seen: impl FnOnce() -> Seen) {
        if let Some(watcher) = &self.watcher {
            let _ = watcher.send(seen());
        }
    }
}
