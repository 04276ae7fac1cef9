//! What keepers say to a running house, on the page, by mail or through the control socket, and what it came to.

use super::session::{Session, shown};
use crate::answers::Heard;
use crate::control::server::Asked;
use crate::control::{Reply, Request};
use crate::engine::event::{Command, Event, Order, PostOutcome};
use crate::page;
use crate::store::Store;
use crate::store::reader::Reader;
use std::path::Path;

impl Session {
    pub(super) fn keeper_says(&mut self, asked: page::Asked) {
        let reply = self.obey(asked.command);
        self.show_page();
        tokio::spawn(async move {
            let (done, words) = reply.await;
            asked.answer.send(page::Answer { done, words })
        });
    }

    pub(super) fn mail_says(&mut self, heard: Heard) {
        match heard {
            Heard::Answer { keeper, notice } => {
                // `7Q` of `7Q.3`.
                let incident = notice.split('.').next().unwrap_or_default().to_owned();
                let command = Command { by: keeper, order: Order::AcknowledgeIncident { incident } };
                let reply = self.obey(command);
                tokio::spawn(async move {
                    let (_, words) = reply.await;
                    tracing::info!("answered by mail: {words}");
                });
            }
            Heard::Bounced { notice, why } => self.handle(Event::Post { notice, outcome: PostOutcome::Refused(why) }),
            Heard::Ignored { notice, why } => tracing::info!("a reply to mail {notice} does not count: {why}"),
            Heard::Dated(date) => {
                if let Some((clocks, shown)) = self.clocks.as_mut().zip(shown(&self.clock)) {
                    clocks.server_says(date, shown);
                }
            }
            Heard::Failing(why) => tracing::warn!("answers by mail are not heard: {why}"),
            Heard::Healthy => tracing::info!("answers by mail are heard"),
        }
    }

    /// Gives a keeper's word to the engine. What it came to is told when it would survive our death, since a keeper who
    /// is told "done" relies on it.
    pub(super) fn obey(&mut self, command: Command) -> impl Future<Output = (bool, String)> + Send + 'static {
        (self.answer, self.fresh) = (None, Vec::new());
        self.handle(Event::Command(command));
        let answer = self.answer.take().unwrap_or((false, "the engine did not answer".into()));
        let commits = std::mem::take(&mut self.fresh);
        async move {
            for commit in commits {
                let _ = commit.await;
            }
            answer
        }
    }

    pub(super) fn reply_to(&mut self, asked: Asked) {
        let reply = match asked.request {
            Request::View => {
                self.handle(Event::Wake);
                Reply { view: Some(Box::new(self.engine.view())), ..Reply::done("") }
            }
            Request::Order { command } => {
                let reply = self.obey(command);
                tokio::spawn(async move {
                    let (done, words) = reply.await;
                    asked.reply.send(Reply { done, words, view: None })
                });
                return;
            }
            Request::Backup { file } => {
                let (store, folder) = (self.store.clone(), self.config.store.folder.clone());
                // Copies for seconds: nobody waits for it but whoever asked.
                tokio::spawn(async move { asked.reply.send(back_up(&store, &folder, &file).await) });
                return;
            }
        };
        let _ = asked.reply.send(reply);
    }
}

async fn back_up(store: &Store, folder: &Path, file: &Path) -> Reply {
    if !file.is_absolute() {
        return Reply::refused("the file of a backup is named by an absolute path");
    }
    if let Err(why) = store.flush().await {
        return Reply::refused(why.to_string());
    }
    let (folder, to) = (folder.to_owned(), file.to_owned());
    let copied = tokio::task::spawn_blocking(move || Reader::open(&folder)?.backup(&to)).await;
    match copied {
        Ok(Ok(())) => {
            Reply::done(format!("the store and what is tied on the page were copied into {}", file.display()))
        }
        Ok(Err(why)) => Reply::refused(why.to_string()),
        Err(why) => Reply::refused(why.to_string()),
    }
}
