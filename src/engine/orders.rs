//! What keepers say: hands in, shelved, acknowledged, marked. Each order is answered in words.

use super::Engine;
use super::effect::Effect;
use super::event::{Command, Order, TAKEN_BACK_WITHIN};
use crate::heat::Relearn;
use crate::incident::Row;
use crate::reading::Target;
use crate::terms::id::EnclosureIx;
use crate::terms::place::Place;
use crate::terms::time::{Now, Span, Wall};
use serde::Deserialize;

/// The longest command by MQTT, bytes.
const LONGEST_COMMAND: usize = 4096;
/// The longest word of a mark, and of who says it, bytes.
const LONGEST_WORD: usize = 200;

/// Marks that are remembered for so long: more than keepers make.
const MOST_MARKS: usize = 64;

/// A mark that can still be struck out.
#[derive(Clone, Debug)]
pub(super) struct LateMark {
    at: Now,
    enclosure: String,
    what: String,
    by: String,
}

impl LateMark {
    /// The row of the ledger. `struck`: who took it back.
    fn row(&self, struck: Option<&str>) -> Row {
        let at = self.at.wall.rfc3339();
        let key = format!("mark/{at}/{}", self.enclosure);
        let mut entry = serde_json::json!({ "at": at, "enclosure": self.enclosure, "what": self.what, "by": self.by });
        if let Some(by) = struck {
            entry["struck"] = by.into();
        }
        Row { key, json: Some(entry.to_string()) }
    }
}

/// A mark that makes the watcher learn anew instead of alarm.
fn relearns(what: &str) -> Option<Relearn> {
    match what {
        "setting-changed" => Some(Relearn::SettingChanged),
        "lamp-changed" | "heater-changed" => Some(Relearn::LampChanged),
        "probe-moved" => Some(Relearn::ProbeMoved),
        _ => None,
    }
}

impl Engine {
    pub(super) fn command(&mut self, command: &Command, now: Now, out: &mut Vec<Effect>) {
        let (done, words) = match self.obey(command, now, out) {
            Ok(words) => (true, words),
            Err(words) => (false, words),
        };
        self.stirred = true;
        out.push(Effect::Answer { done, words });
    }

    fn obey(&mut self, command: &Command, now: Now, out: &mut Vec<Effect>) -> Result<String, String> {
        let by = command.by.chars().filter(|c| !c.is_control()).take(LONGEST_WORD).collect::<String>();
        let by = by.as_str();
        match &command.order {
            Order::HandsIn { enclosure, length: Span::ZERO } => {
                let ix = self.find(enclosure)?;
                let done = self.book.unshelve(ix, by, now, &mut self.steps);
                done.then(|| format!("hands are out of {enclosure}: it is watched again"))
                    .ok_or_else(|| format!("no hands were in {enclosure}"))
            }
            Order::HandsIn { enclosure, length } => {
                let ix = self.find(enclosure)?;
                let done = *length > Span::ZERO && self.book.hands_in(ix, by, *length, now);
                let words = format!(
                    "hands in {enclosure} for {length}: it ends by itself, and limits that must never be crossed still alarm"
                );
                done.then_some(words).ok_or_else(|| "the time must lie ahead".to_owned())
            }
            Order::Shelve { enclosure, until } => {
                let ix = self.find(enclosure)?;
                let done = self.book.shelve(ix, by, *until, now);
                let words = format!(
                    "{enclosure} is shelved: it ends by itself, and limits that must never be crossed still alarm"
                );
                done.then_some(words).ok_or_else(|| "the time must lie ahead".to_owned())
            }
            Order::Unshelve { enclosure } => {
                let ix = self.find(enclosure)?;
                let done = self.book.unshelve(ix, by, now, &mut self.steps);
                done.then(|| format!("{enclosure} is watched again"))
                    .ok_or_else(|| format!("{enclosure} was not shelved"))
            }
            Order::AcknowledgeIncident { incident } => {
                let done = self.book.answer(incident, by, now, &mut self.steps);
                done.then(|| format!("incident {incident} is answered by {by}: reminders pause"))
                    .ok_or_else(|| format!("no open incident is called {incident}"))
            }
            Order::AcknowledgeEnclosure { enclosure } => {
                let ix = self.find(enclosure)?;
                let done = self.book.answer_enclosure(ix, by, now, &mut self.steps);
                done.then(|| format!("what stands in {enclosure} is answered by {by}"))
                    .ok_or_else(|| format!("nothing stands in {enclosure}"))
            }
            Order::TakeBack { incident } => {
                let done = self.book.take_back(incident, by, TAKEN_BACK_WITHIN, now, &mut self.steps);
                done.then(|| format!("nobody has incident {incident} now: reminders go on"))
                    .ok_or_else(|| format!("{incident} was not answered within the last {TAKEN_BACK_WITHIN}"))
            }
            Order::Mark { enclosure, what } => self.mark(enclosure, what, by, now, out),
            Order::Strike { enclosure, what } => self.strike(enclosure, what.trim(), by, now, out),
            Order::Drill => {
                let id = self.book.drill(by, now, &mut self.steps);
                Ok(format!("practice alarm {id} goes the true way to the keepers; answer it like a real one"))
            }
        }
    }

    fn mark(
        &mut self,
        enclosure: &str,
        what: &str,
        by: &str,
        now: Now,
        out: &mut Vec<Effect>,
    ) -> Result<String, String> {
        let ix = self.find(enclosure)?;
        let what = what.trim();
        if what.is_empty() || what.len() > LONGEST_WORD || what.chars().any(char::is_control) {
            return Err(format!("a mark is a short word or sentence, at most {LONGEST_WORD} bytes"));
        }
        let mark = LateMark { at: now, enclosure: enclosure.into(), what: what.into(), by: by.into() };
        out.push(Effect::Commit { rows: vec![mark.row(None)], notices: Vec::new() });
        self.marks.truncate(MOST_MARKS - 1);
        self.marks.insert(0, mark);
        if let Some(checked) = what.strip_prefix("checked ") {
            return self.checked(ix, checked, now);
        }
        let Some(why) = relearns(what) else { return Ok(format!("noted for {enclosure}: {what}")) };
        if why == Relearn::ProbeMoved {
            self.world.trust.relearn(Target::Enclosure(ix), now, &mut self.world.doubts);
            self.world.tell_doubts(&mut self.changes);
        }
        if let Some(den) = self.world.dens.get_mut(ix.index()) {
            den.relearn(why, now, &mut self.changes);
        }
        Ok(format!(
            "noted for {enclosure}: {what}; its heat is learned anew, which takes two hours roughly and three days well"
        ))
    }

    /// The newest mark with these words is struck out. What made the watcher learn anew has done so.
    fn strike(
        &mut self,
        enclosure: &str,
        what: &str,
        by: &str,
        now: Now,
        out: &mut Vec<Effect>,
    ) -> Result<String, String> {
        if relearns(what).is_some() || what.starts_with("checked ") {
            return Err("that has been acted on already: mark what is true now".to_owned());
        }
        let late = |m: &LateMark| now.mono.since(m.at.mono) <= TAKEN_BACK_WITHIN;
        let found = self.marks.iter().position(|m| m.enclosure == enclosure && m.what == what && late(m));
        let Some(found) = found else {
            return Err(format!("nothing of that kind was marked within the last {TAKEN_BACK_WITHIN}"));
        };
        let mark = self.marks.remove(found);
        out.push(Effect::Commit { rows: vec![mark.row(Some(by))], notices: Vec::new() });
        Ok(format!("struck out for {enclosure}: {what}"))
    }

    /// `PLACE DEGREES`: what a keeper's own thermometer shows there, held against the probe.
    fn checked(&mut self, ix: EnclosureIx, words: &str, now: Now) -> Result<String, String> {
        let degrees = self.world.settings.notice.degrees;
        let right = || "write it as `checked warm_side 31.4`, in the site's degrees".to_owned();
        let (place, value) = words.trim().split_once(' ').ok_or_else(right)?;
        let place = Place::from_word(place).ok_or_else(right)?;
        let shown: f64 = value.trim().parse().ok().filter(|v: &f64| v.is_finite()).ok_or_else(right)?;
        let world = &mut self.world;
        let off = world.trust.check(Target::Enclosure(ix), place, degrees.read(shown), now, &mut world.doubts);
        world.tell_doubts(&mut self.changes);
        let Some(off) = off else { return Ok(format!("noted; no probe of the {} was heard lately", place.label())) };
        Ok(format!("noted; the probe of the {} reads {:+.1} against it", place.label(), degrees.show_difference(off)))
    }

    fn find(&self, enclosure: &str) -> Result<EnclosureIx, String> {
        self.world.enclosure(enclosure).ok_or_else(|| format!("no enclosure is called {enclosure}"))
    }

    /// A command as JSON on the commands topic. A retained one is of unknown age and never obeyed.
    pub(super) fn command_by_topic(&mut self, payload: &[u8], retained: bool, now: Now, out: &mut Vec<Effect>) {
        let refused = |why: &str| Effect::Log { warn: true, text: format!("a command by MQTT was refused: {why}") };
        if retained || payload.len() > LONGEST_COMMAND {
            return out.push(refused(if retained { "it is retained, so of unknown age" } else { "it is too long" }));
        }
        match serde_json::from_slice::<Spoken>(payload).map_err(|e| e.to_string()).and_then(|s| s.command()) {
            Ok(command) => self.command(&command, now, out),
            Err(why) => out.push(refused(&why)),
        }
    }
}

/// A command as programs write it.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Spoken {
    #[serde(rename = "do")]
    what: String,
    by: String,
    enclosure: Option<String>,
    incident: Option<String>,
    #[serde(rename = "for")]
    length: Option<String>,
    until: Option<String>,
    #[serde(rename = "what")]
    mark: Option<String>,
}

impl Spoken {
    fn command(self) -> Result<Command, String> {
        let enclosure = self.enclosure.ok_or_else(|| "`enclosure` is missing".to_owned());
        let order = match self.what.as_str() {
            "hands-in" => {
                let length =
                    self.length.as_deref().and_then(Span::parse).ok_or("`for` is missing or no time such as 40min")?;
                Order::HandsIn { enclosure: enclosure?, length }
            }
            "shelve" => {
                let until = self.until.as_deref().and_then(Wall::parse_rfc3339);
                Order::Shelve { enclosure: enclosure?, until: until.ok_or("`until` is missing or no RFC 3339 time")? }
            }
            "unshelve" => Order::Unshelve { enclosure: enclosure? },
            "acknowledge" => match (self.incident, enclosure) {
                (Some(incident), _) => Order::AcknowledgeIncident { incident },
                (None, enclosure) => Order::AcknowledgeEnclosure { enclosure: enclosure? },
            },
            "mark" => Order::Mark { enclosure: enclosure?, what: self.mark.ok_or("`what` is missing")? },
            other => {
                return Err(format!("`{}` is no command", other.chars().take(40).collect::<String>().escape_debug()));
            }
        };
        Ok(Command { by: self.by, order })
    }
}
