//! One attempt for one mail: through each way in turn, until nobody is left who might yet have it.

use super::letter::{self, Sender};
use super::settings::Way;
use super::{Fate, Post, Queued, Round, folder, patience, server};
use crate::engine::event::PostOutcome;

impl Post {
    /// Tries the ways in turn. A refusal by one way is final only when no way is left.
    pub(super) async fn attempt(&self, queued: &Queued) -> Round {
        let mut to: Vec<(String, Fate, String)> =
            queued.to.iter().map(|address| (address.clone(), Fate::Waiting, String::new())).collect();
        for way in &self.opening.ways {
            let open: Vec<String> = to.iter().filter(|r| r.1 != Fate::Accepted).map(|r| r.0.clone()).collect();
            if open.is_empty() {
                break;
            }
            for (address, fate, words) in self.through(way, queued, &open).await {
                for known in to.iter_mut().filter(|r| r.0 == address) {
                    merge(known, fate, &words);
                }
            }
        }
        let at = (self.opening.clock)();
        let next = patience::next(queued.attempts.saturating_add(1), queued.queued_at, at);
        if next.is_none() {
            for known in to.iter_mut().filter(|r| r.1 == Fate::Waiting) {
                known.1 = Fate::Refused;
                known.2 = format!("given up after {}: {}", patience::GIVE_UP, known.2);
            }
        }
        Round { notice: queued.notice.id.clone(), at, next: next.unwrap_or(at), to }
    }

    async fn through(&self, way: &Way, queued: &Queued, open: &[String]) -> Vec<(String, Fate, String)> {
        let all = |fate: Fate, words: &str| open.iter().map(|a| (a.clone(), fate, words.to_owned())).collect();
        let from = match way {
            Way::Folder { from, .. } => from,
            Way::Server(server) => &server.from,
        };
        // The Message-ID is the same whatever the way: it is made from the first one's domain.
        let first = match self.opening.ways.first() {
            Some(Way::Folder { from, .. } | Way::Server(super::settings::Server { from, .. })) => from,
            None => from,
        };
        let sender = Sender {
            from,
            host: first.address.rsplit('@').next().unwrap_or("localhost"),
            site: &self.opening.site,
            seal: &self.opening.seal,
        };
        let bytes = match letter::write(&queued.notice, queued.queued_at, &sender) {
            Ok(bytes) => bytes,
            Err(why) => return all(Fate::Refused, &why),
        };
        match way {
            Way::Folder { folder, .. } => {
                let name = folder::name(&queued.notice.id, queued.queued_at);
                match folder::write(folder, &name, &bytes).await {
                    Ok(()) => all(Fate::Accepted, "written as a file"),
                    Err(why) => all(Fate::Waiting, &format!("{} cannot be written: {why}", folder.display())),
                }
            }
            Way::Server(server) => server::send(server, open, &bytes, self.opening.limits.whole).await,
        }
    }
}

/// What is known of a recipient after another way was tried: the better of both fates.
fn merge(known: &mut (String, Fate, String), fate: Fate, words: &str) {
    known.1 = match (known.1, fate) {
        (Fate::Accepted, _) | (_, Fate::Accepted) => Fate::Accepted,
        // First try: its word counts. Later: whoever says "later" leaves hope.
        (Fate::Waiting, fate) if known.2.is_empty() => fate,
        (Fate::Refused, Fate::Refused) => Fate::Refused,
        _ => Fate::Waiting,
    };
    known.2 = if known.2.is_empty() || fate == Fate::Accepted {
        words.to_owned()
    } else {
        format!("{}; then {words}", known.2)
    };
}

/// One word for the notice.
pub(super) fn outcome(round: &Round) -> PostOutcome {
    let words = |fate: Fate| {
        let mut said: Vec<(&str, Vec<&str>)> = Vec::new();
        for (address, _, words) in round.to.iter().filter(|r| r.1 == fate) {
            match said.iter_mut().find(|(w, _)| *w == words.as_str()) {
                Some((_, who)) => who.push(address),
                None => said.push((words, vec![address])),
            }
        }
        said.into_iter().map(|(words, who)| format!("to {}: {words}", who.join(", "))).collect::<Vec<_>>().join("; ")
    };
    if round.to.iter().any(|r| r.1 == Fate::Refused) {
        PostOutcome::Refused(words(Fate::Refused))
    } else if round.to.iter().any(|r| r.1 == Fate::Waiting) {
        PostOutcome::Deferred(words(Fate::Waiting))
    } else {
        PostOutcome::Accepted
    }
}
