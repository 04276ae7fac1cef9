//! What is wished for on Setup, carried out: ties are judged beside the keeper's file, written, and obeyed by a reload.

use super::session::{Ending, Session};
use super::{Reread, ear};
use crate::config::Config;
use crate::config::coverage::{Aspect, Part, Watch, coverage, room_links};
use crate::config::tied::{self, Fate, MOST_TIES, Tie, Tied};
use crate::engine::event::{Command, Order};
use crate::engine::settings::{Enclosure, Settings};
use crate::page::Answer;
use crate::page::bench::{Bench, Free, Number, Touch, Wish, Wished};
use crate::page::tie::needs_touch;
use crate::reading::settings::{Link, What};
use crate::survey::Survey;
use crate::survey::draft::Names;
use crate::terms::id::RoomIx;
use crate::terms::place::Place;
use std::collections::BTreeSet;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;
use std::time::Duration;
use tokio::time::timeout;

/// How long the loop waits for the disk.
const WRITTEN_WITHIN: Duration = Duration::from_secs(2);
/// Enclosures up to which every place can be tied, wanted or not: beyond it the list could not be read.
const MOST_WITH_ALL_PLACES: usize = 40;

/// What a wish came to: words, and the configuration to go on with where other links are to be obeyed.
type Outcome = Result<(String, Option<Config>), String>;

impl Session {
    /// Carries out a wish. `Some`: what is watched has changed.
    pub(super) async fn set_up(&mut self, wished: Wished, reread: &Reread) -> Option<Ending> {
        let (done, words, new) = match self.carry_out_wish(wished.wish, reread).await {
            Ok((words, new)) => (true, words, new),
            Err(words) => (false, words, None),
        };
        let _ = wished.answer.send(Answer { done, words });
        new.map(|config| {
            tracing::info!("other ties of the page are watched: started anew with them");
            Ending::Reload(Box::new(config))
        })
    }

    async fn carry_out_wish(&mut self, wish: Wish, reread: &Reread) -> Outcome {
        let bench = self.page.bench.clone();
        let now = self.clock.now().wall;
        let mut ties: Vec<Tie> = bench.look().tied.all.iter().map(|(tie, _)| tie.clone()).collect();
        match wish {
            Wish::Hear => {
                self.ear.hear();
                Ok((format!("Every topic is heard for {}.", ear::HEARS), None))
            }
            Wish::Touch(held) => {
                self.ear.hear();
                bench.look().touch = Some(Touch { held, since: now, survey: Survey::default(), found: None });
                Ok(("Hold it.".to_owned(), None))
            }
            Wish::LetGo => {
                bench.look().touch = None;
                Ok(("Nobody holds a probe.".to_owned(), None))
            }
            Wish::Exchange { held, with, by } => {
                let at = |number: &Number| ties.iter().position(|tie| tie.is_of(&number.topic, &number.pointer));
                let (Some(a), Some(b)) = (at(&held), at(&with)) else {
                    return Err("Both must be tied here.".to_owned());
                };
                exchange(&mut ties, (a, b), &by, &now.rfc3339());
                let words = format!("{} and {} are the other way round now.", held.topic, with.topic);
                let whose: BTreeSet<String> = [a, b].iter().filter_map(|i| ties[*i].enclosure.clone()).collect();
                let new = self.change(ties, reread).await?;
                bench.look().touch = None;
                if new.is_some() {
                    // What was learned of either place was the other's.
                    for enclosure in whose {
                        let order = Order::Mark { enclosure, what: "probe-moved".to_owned() };
                        tokio::spawn(self.obey(Command { by: by.clone(), order }));
                    }
                }
                Ok((words, new))
            }
            Wish::Tie(tie) => {
                if bench.look().tie_of(&Number::of(&tie)).is_some() {
                    return Err("That number is tied already: untie it first.".to_owned());
                }
                if ties.len() >= MOST_TIES {
                    return Err(format!("More than {MOST_TIES} ties are none: write links into your own file."));
                }
                let words = format!("{} is tied. Touch it, then seal it: until then it is not watched.", tie.topic);
                ties.push(*tie);
                self.change(ties, reread).await.map(|new| (words, new))
            }
            Wish::Untie(number) => {
                let before = ties.len();
                ties.retain(|tie| !tie.is_of(&number.topic, &number.pointer));
                if ties.len() == before {
                    return Err("That is not tied.".to_owned());
                }
                let words = format!("{} is untied: nothing is watched by it.", number.topic);
                self.change(ties, reread).await.map(|new| (words, new))
            }
            Wish::Seal { whose, untouched } => {
                let waits: Vec<Number> = bench.look().tied.all.iter().filter_map(|one| waits(one, &whose)).collect();
                let mut missing = 0;
                for tie in ties.iter_mut().filter(|tie| waits.contains(&Number::of(tie))) {
                    missing += usize::from(needs_touch(tie));
                    tie.sealed = Some(now.rfc3339());
                }
                match (waits.len(), missing) {
                    (0, _) => Err("Nothing waits to be sealed there.".to_owned()),
                    (_, missing) if missing > 0 && !untouched => Err("Not every probe was touched.".to_owned()),
                    _ => {
                        let new = self.change(ties, reread).await?;
                        Ok((format!("{whose} is sealed: what is tied to it is watched from now on."), new))
                    }
                }
            }
        }
    }

    /// Judges ties beside the keeper's file and writes them. The new configuration: where other ties are watched.
    async fn change(&mut self, ties: Vec<Tie>, reread: &Reread) -> Result<Option<Config>, String> {
        let config = reread(Some(ties.clone())).map_err(|why| {
            tracing::warn!("what is tied on the page cannot be changed:\n{why}");
            "With this your own file would not do; `warmside check` and the log say more. Nothing was changed."
        })?;
        let before = self.page.bench.look().tied.clone();
        if let Some(why) = newly_idle(&before, &config.tied) {
            return Err(format!("It cannot be read so: {why}."));
        }
        self.write(&ties).await?;
        let watched =
            |tied: &Tied| tied.all.iter().filter(|(_, f)| *f == Fate::Watched).map(|(t, _)| t.clone()).collect();
        let (was, is): (Vec<Tie>, Vec<Tie>) = (watched(&before), watched(&config.tied));
        self.page.bench.look().tied = config.tied.clone();
        Ok((was != is).then_some(config))
    }

    async fn write(&self, ties: &[Tie]) -> Result<(), String> {
        let text = tied::text(ties)?;
        let folder = self.config.store.folder.clone();
        let written = timeout(WRITTEN_WITHIN, tokio::task::spawn_blocking(move || put(&folder, &text))).await;
        match written {
            Ok(Ok(Ok(()))) => Ok(()),
            Ok(Ok(Err(why))) => Err(format!("It cannot be written: {why}. Nothing was changed.")),
            _ => Err("The disk does not answer. Look again before you repeat it.".to_owned()),
        }
    }

    /// A number rose in somebody's hand: where it is the one of the tie, that is noted.
    pub(super) async fn touched(&mut self, number: Number) {
        let now = self.clock.now().wall.rfc3339();
        let ties = {
            let mut laid = self.page.bench.look();
            if laid.touch.as_ref().is_none_or(|touch| touch.held.number != number) {
                return;
            }
            for (tie, _) in laid.tied.all.iter_mut().filter(|(tie, _)| Number::of(tie) == number) {
                tie.touched = Some(now.clone());
            }
            laid.tied.all.iter().map(|(tie, _)| tie.clone()).collect::<Vec<_>>()
        };
        // What the keeper's own file links is proved to the eye alone.
        if !ties.iter().any(|tie| Number::of(tie) == number) {
            return;
        }
        if let Err(why) = self.write(&ties).await {
            tracing::warn!("a touch is not noted: {why}");
        }
    }
}

/// Exchanges where two numbers belong. The first is proved by the hand that held it, the other one is not.
fn exchange(ties: &mut [Tie], (held, with): (usize, usize), by: &str, at: &str) {
    let (a, b) = (ties[held].clone(), ties[with].clone());
    let to = |tie: &mut Tie, other: Tie, touched: Option<String>| {
        (tie.enclosure, tie.room, tie.reads) = (other.enclosure, other.room, other.reads);
        (tie.sealed, tie.touched) = (other.sealed, touched);
        (tie.by, tie.tied) = (by.to_owned(), at.to_owned());
    };
    to(&mut ties[held], b, Some(at.to_owned()));
    to(&mut ties[with], a, None);
}

/// A tie of somebody that waits to be sealed.
fn waits((tie, fate): &(Tie, Fate), whose: &str) -> Option<Number> {
    (tie.whose() == whose && *fate == Fate::Waits).then(|| Number::of(tie))
}

/// Why a tie cannot be obeyed that could before, or that is new.
fn newly_idle(before: &Tied, after: &Tied) -> Option<String> {
    let was_idle = |tie: &Tie| {
        before
            .all
            .iter()
            .any(|(t, f)| t.is_of(&tie.topic, tie.pointer.as_deref().unwrap_or("")) && matches!(f, Fate::Idle(_)))
    };
    after.all.iter().find_map(|(tie, fate)| match fate {
        Fate::Idle(why) if !was_idle(tie) => Some(why.clone()),
        _ => None,
    })
}

/// Writes the file whole or not at all.
fn put(folder: &Path, text: &str) -> io::Result<()> {
    let new = folder.join(format!("{}.new", tied::FILE));
    let mut file = OpenOptions::new().write(true).create(true).truncate(true).mode(0o600).open(&new)?;
    file.write_all(text.as_bytes())?;
    file.sync_all()?;
    fs::rename(&new, folder.join(tied::FILE))?;
    File::open(folder)?.sync_all()
}

/// Lays what is known of a house on the bench.
pub(super) fn lay(bench: &Bench, config: &Config) {
    let settings = &config.settings;
    let mut laid = bench.look();
    laid.tied = config.tied.clone();
    laid.links = settings.links.clone();
    laid.free = free(settings);
    laid.names = Names {
        enclosures: settings.enclosures.iter().map(|e| e.id.clone()).collect(),
        rooms: settings.rooms.iter().map(|r| r.id.clone()).collect(),
    };
}

/// Whether a link is of one place and no other. One that captures names may bring a place, or never.
fn names_its_place(link: &Link) -> bool {
    link.target.is_some() && link.reads.iter().all(|read| matches!(read.what, What::Slot(_)))
}

/// What no link is plainly of: first what is wanted, then, in a house of few, whatever could be tied besides.
fn free(settings: &Settings) -> Vec<Free> {
    let watched = coverage(settings);
    let of = |e: &Enclosure, reads: String, wanted| Free { whose: e.id.clone(), room: false, reads, wanted };
    let mut free: Vec<Free> = Vec::new();
    for Watch { enclosure, parts } in &watched {
        for part in parts.iter().filter(|p| !p.links.iter().any(|l| names_its_place(l))) {
            free.push(of(enclosure, reads(part.aspect, enclosure), part.wanted));
        }
    }
    for (ix, room) in settings.rooms.iter().enumerate() {
        if room_links(settings, RoomIx(ix as u16)).is_empty() {
            let reads = "air.temperature".to_owned();
            free.push(Free { whose: room.id.clone(), room: true, reads, wanted: false });
        }
    }
    if watched.len() <= MOST_WITH_ALL_PLACES {
        for Watch { enclosure, parts } in &watched {
            let is_of = |p: &&Part<'_>| p.links.iter().any(|l| names_its_place(l));
            let brought: Vec<String> = parts.iter().filter(is_of).map(|p| reads(p.aspect, enclosure)).collect();
            for reads in others(enclosure).filter(|reads| !brought.contains(reads)) {
                let one = of(enclosure, reads, false);
                if !free.iter().any(|f| f.whose == one.whose && f.reads == one.reads) {
                    free.push(one);
                }
            }
        }
    }
    free
}

/// As `reads` of a link says it.
fn reads(aspect: Aspect, enclosure: &Enclosure) -> String {
    match aspect {
        Aspect::Temperature(place) => format!("{}.temperature", place.word()),
        Aspect::Humidity(place) => format!("{}.humidity", place.word()),
        Aspect::Light => "air.illuminance".to_owned(),
        Aspect::Heat(ix) => match (enclosure.heat.sources.len(), enclosure.heat.sources.get(usize::from(ix))) {
            (2.., Some(source)) => format!("heat.{}.power", source.id),
            _ => "heat.power".to_owned(),
        },
    }
}

fn others(enclosure: &Enclosure) -> impl Iterator<Item = String> {
    let warm = Place::ALL.into_iter().map(|place| format!("{}.temperature", place.word()));
    let moist = Place::ALL.into_iter().map(|place| format!("{}.humidity", place.word()));
    let switch = (enclosure.heat.sources.len() < 2).then_some("heat.switch");
    let rest = ["air.illuminance", "lamp.power", "lamp.switch", "battery"].into_iter().chain(switch);
    warm.chain(moist).chain(rest.map(str::to_owned))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_exchange_moves_the_numbers_and_not_the_places() {
        let tie = |topic: &str, reads: &str, sealed: Option<&str>| Tie {
            topic: topic.into(),
            enclosure: Some("a3".into()),
            reads: reads.into(),
            unit: Some("Cel".into()),
            by: "ines".into(),
            touched: Some("before".into()),
            sealed: sealed.map(Into::into),
            ..Tie::default()
        };
        let (warm, cool) = ("warm_side.temperature", "cool_side.temperature");
        let mut ties = vec![tie("loose/1", warm, Some("then")), tie("loose/2", cool, None)];
        exchange(&mut ties, (1, 0), "tom", "now");
        let of = |topic: &str| ties.iter().find(|tie| tie.topic == topic).expect("still tied");
        let (held, other) = (of("loose/2"), of("loose/1"));
        assert_eq!(
            (held.reads.as_str(), held.sealed.as_deref(), held.touched.as_deref()),
            (warm, Some("then"), Some("now"))
        );
        assert_eq!((other.reads.as_str(), other.sealed.as_deref(), other.touched.as_deref()), (cool, None, None));
        assert!(ties.iter().all(|tie| tie.whose() == "a3" && tie.by == "tom" && tie.unit.is_some()));
    }
}
