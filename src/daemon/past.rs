//! What the page asks of the past and of the plan, answered from the store and from the care that is configured.

use super::effort::{self, Source, effort};
use crate::care::calendar::Calendar;
use crate::care::plan::Plan;
use crate::engine::settings::Settings;
use crate::nature::sun::Position;
use crate::page::past::{Entry, Heat, Mail, Past, Step, Ten, Told};
use crate::store::reader::{Headline, Reader, Sent};
use crate::terms::place::Place;
use crate::terms::time::{Span, Wall};
use serde::Deserialize;
use std::collections::{BTreeMap, VecDeque};
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError, RwLock, RwLockReadGuard};

/// Instants at which a plan is asked over a span, and the least between two of them.
const MOST_STEPS: i64 = 400;
const LEAST_STEP: Span = Span::min(5);
/// Mails that the ledger looks through.
const MOST_MAILS: u32 = 2_000;

pub struct HousePast {
    house: RwLock<House>,
    reader: Mutex<Option<Reader>>,
    lines: Mutex<Lines>,
}

/// What a reload may change.
struct House {
    folder: PathBuf,
    plans: BTreeMap<String, Plan>,
    sources: BTreeMap<String, Vec<Source>>,
}

/// What mails told, in one line each: a mail is read once, for it never changes.
#[derive(Default)]
struct Lines {
    /// The number of the newest mail that was read.
    newest: i64,
    /// Newest first.
    entries: VecDeque<Entry>,
}

/// A mark as the engine stores it.
#[derive(Deserialize)]
struct Mark {
    at: String,
    enclosure: String,
    what: String,
    by: String,
    /// Who struck it out.
    struck: Option<String>,
}

/// The parts of a notice that a ledger tells.
#[derive(Deserialize)]
struct Notice {
    event: String,
    #[serde(default)]
    enclosures: Vec<String>,
}

impl HousePast {
    pub fn new(folder: PathBuf, settings: &Settings, at: Wall) -> HousePast {
        HousePast {
            house: RwLock::new(House::new(folder, settings, at)),
            reader: Mutex::new(None),
            lines: Mutex::default(),
        }
    }

    /// Goes on with another configuration.
    pub fn renew(&self, folder: PathBuf, settings: &Settings, at: Wall) {
        *self.house.write().unwrap_or_else(PoisonError::into_inner) = House::new(folder, settings, at);
        *self.reader.lock().unwrap_or_else(PoisonError::into_inner) = None;
        *self.lines.lock().unwrap_or_else(PoisonError::into_inner) = Lines::default();
    }

    /// What mails told before an instant, newest first.
    fn told(&self, enclosure: Option<&str>, before: Wall, at_most: usize) -> Told<Vec<Entry>> {
        let mut lines = self.lines.lock().unwrap_or_else(PoisonError::into_inner);
        let above = lines.newest;
        let fresh = self.read(|reader| reader.headlines(above, MOST_MAILS))?;
        for headline in fresh.iter().rev() {
            lines.newest = lines.newest.max(headline.number);
            lines.entries.push_front(entry_of_mail(headline));
        }
        lines.entries.truncate(MOST_MAILS as usize);
        let wanted = lines
            .entries
            .iter()
            .filter(|e| e.at < before && enclosure.is_none_or(|id| e.enclosures.iter().any(|other| other == id)));
        Ok(wanted.take(at_most).cloned().collect())
    }

    fn house(&self) -> RwLockReadGuard<'_, House> {
        self.house.read().unwrap_or_else(PoisonError::into_inner)
    }

    fn read<T>(&self, ask: impl FnOnce(&Reader) -> Result<T, crate::store::Error>) -> Told<T> {
        let mut reader = self.reader.lock().unwrap_or_else(PoisonError::into_inner);
        let open = match reader.take() {
            Some(open) => open,
            None => Reader::open(&self.house().folder).map_err(|why| why.to_string())?,
        };
        let told = ask(&open).map_err(|why| why.to_string());
        // After a failure it is opened anew: the file may be another one by then.
        *reader = told.is_ok().then_some(open);
        told
    }

    /// What is planned at each step of a span, where it differs from the step before.
    fn planned<T: PartialEq>(
        &self,
        enclosure: &str,
        from: Wall,
        to: Wall,
        what: impl Fn(&crate::care::plan::Wanted) -> T,
    ) -> Vec<(Wall, T)> {
        let Some(mut plan) = self.house().plans.get(enclosure).cloned() else { return Vec::new() };
        let step = Span::ms(to.since(from).as_ms() / MOST_STEPS).max(LEAST_STEP);
        let (mut at, mut steps) = (from, Vec::<(Wall, T)>::new());
        while at < to {
            let now = what(plan.wanted(at));
            if steps.last().is_none_or(|(_, before)| *before != now) {
                steps.push((at, now));
            }
            at = at + step;
        }
        steps
    }
}

impl House {
    fn new(folder: PathBuf, settings: &Settings, at: Wall) -> House {
        let position = settings.position.and_then(|(north, east)| Position::new(north, east));
        let calendar = Calendar::new(&settings.notice.time_zone, position).unwrap_or_else(Calendar::utc);
        let calendar = Arc::new(calendar);
        let plans = settings.enclosures.iter().filter_map(|enclosure| {
            let care = enclosure.care.clone()?;
            Some((enclosure.id.clone(), Plan::new(care, calendar.clone(), at)))
        });
        let sources = settings.enclosures.iter().map(|e| (e.id.clone(), effort::sources(e)));
        House { folder, plans: plans.collect(), sources: sources.collect() }
    }
}

impl Past for HousePast {
    fn readings(&self, probe: &str, from: Wall, to: Wall, at_most: usize) -> Told<Vec<(Wall, f64)>> {
        self.read(|reader| reader.readings(probe, from, to, at_most))
    }

    fn summaries(&self, probe: &str, from: Wall, to: Wall) -> Told<Vec<Ten>> {
        let found = self.read(|reader| reader.summaries(probe, from, to))?;
        Ok(found.into_iter().map(|s| Ten { from: s.from, min: s.min, mean: s.mean, max: s.max }).collect())
    }

    fn gaps(&self, from: Wall, to: Wall) -> Told<Vec<(Wall, Option<Wall>, String)>> {
        let found = self.read(|reader| reader.gaps(from, to))?;
        Ok(found.into_iter().map(|gap| (gap.since, gap.until, gap.why)).collect())
    }

    fn wanted(&self, enclosure: &str, place: Place, from: Wall, to: Wall) -> Vec<Step> {
        let steps = self.planned(enclosure, from, to, |wanted| {
            let place = wanted.place(place);
            let band = |band: crate::care::settings::Band| (band.low, band.high);
            (place.map(|place| band(place.wanted)), place.map(|place| band(place.never)))
        });
        steps.into_iter().map(|(from, (wanted, never))| Step { from, wanted, never }).collect()
    }

    fn light_planned(&self, enclosure: &str, from: Wall, to: Wall) -> Vec<(Wall, Wall)> {
        let mut lit = Vec::new();
        let mut since = None;
        for (at, on) in self.planned(enclosure, from, to, |wanted| wanted.light_on == Some(true)) {
            match (on, since.take()) {
                (true, _) => since = Some(at),
                (false, Some(since)) => lit.push((since, at)),
                (false, None) => {}
            }
        }
        lit.extend(since.map(|since| (since, to)));
        lit
    }

    fn heat(&self, enclosure: &str, from: Wall, to: Wall) -> Told<Option<Heat>> {
        let Some(sources) = self.house().sources.get(enclosure).cloned() else { return Ok(None) };
        self.read(|reader| effort(reader, &sources, from, to))
    }

    fn ledger(&self, enclosure: Option<&str>, before: Wall, at_most: usize) -> Told<Vec<Entry>> {
        // Keys are `mark/2026-01-05T07:00:00.000Z/a3`.
        let ending = enclosure.map_or(String::new(), |id| format!("/{id}"));
        let until = if before == Wall::MAX { "mark0".to_owned() } else { format!("mark/{}", before.rfc3339()) };
        let marks = self.read(|reader| reader.newest_rows("mark/", &until, &ending, at_most))?;
        let mut entries = self.told(enclosure, before, at_most)?;
        entries.extend(marks.iter().filter_map(|row| entry_of_mark(row.json.as_deref()?)));
        entries.sort_by_key(|entry| std::cmp::Reverse(entry.at));
        entries.truncate(at_most);
        Ok(entries)
    }

    fn marks(&self, beginning: &str, at_most: usize) -> Told<Vec<Entry>> {
        let marks = self.read(|reader| reader.marks(beginning, at_most))?;
        Ok(marks.iter().filter_map(|row| entry_of_mark(row.json.as_deref()?)).collect())
    }

    fn mails(&self, at_most: usize) -> Told<Vec<Mail>> {
        let found = self.read(|reader| reader.mails(u32::try_from(at_most).unwrap_or(MOST_MAILS).min(MOST_MAILS)))?;
        Ok(found.into_iter().map(mail).collect())
    }

    fn mail(&self, notice: &str) -> Told<Option<Mail>> {
        Ok(self.read(|reader| reader.mail(notice))?.map(mail))
    }
}

fn mail(sent: Sent) -> Mail {
    let to = sent.to.into_iter().map(|to| (to.keeper, to.fate.word().to_owned(), to.words));
    Mail {
        notice: sent.notice.id,
        queued_at: sent.queued_at,
        subject: sent.notice.subject,
        text: sent.notice.text,
        json: sent.notice.json,
        to: to.collect(),
    }
}

fn entry_of_mark(json: &str) -> Option<Entry> {
    let mark: Mark = serde_json::from_str(json).ok()?;
    Some(Entry {
        at: Wall::parse_rfc3339(&mark.at)?,
        kind: "mark".into(),
        enclosures: vec![mark.enclosure],
        words: mark.what,
        by: Some(mark.by),
        struck: mark.struck.is_some(),
    })
}

/// A mail tells what happened: that something was found is an entry of that name, all else is a mail.
fn entry_of_mail(headline: &Headline) -> Entry {
    let notice: Option<Notice> = serde_json::from_str(&headline.json).ok();
    let (event, enclosures) = notice.map(|notice| (notice.event, notice.enclosures)).unwrap_or_default();
    let kind = if event == "raised" { "found" } else { "mail" };
    let words = headline.subject.clone();
    Entry { at: headline.queued_at, kind: kind.into(), enclosures, words, by: None, struck: false }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mark_is_an_entry_and_rubbish_is_none() {
        let json = r#"{"at":"2026-01-05T07:00:00.000Z","enclosure":"a3","what":"fed","by":"ines"}"#;
        let entry = entry_of_mark(json).expect("a mark");
        assert_eq!((entry.kind.as_str(), entry.words.as_str(), entry.by.as_deref()), ("mark", "fed", Some("ines")));
        assert_eq!(entry_of_mark("{}"), None);
        assert_eq!(entry_of_mark(&json.replace("07:00", "7")), None);
    }
}
