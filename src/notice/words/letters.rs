//! The daily mail, what was gathered, and the end of a shelf.

use super::doc::{Block, Doc, Hue};
use super::subject::fit;
use super::{Mail, ONLY_WATCHES, finish, join, where_is};
use crate::incident::book::Book;
use crate::incident::{Incident, shelf};
use crate::notice::Note;
use crate::notice::desk::Tally;
use crate::notice::local::{Local, length, list};
use crate::notice::scene::{Eyes, Lights, Scene};
use crate::notice::settings::Settings;
use crate::terms::time::{Now, Span, Wall};

/// What a letter is written from.
pub struct Subject<'a> {
    pub book: &'a Book,
    pub eyes: &'a dyn Eyes,
    pub notes: &'a [Note],
    pub next: Option<Wall>,
    pub now: Now,
    pub local: &'a Local,
    pub settings: &'a Settings,
    pub drill: Option<(Wall, Option<Span>)>,
    pub tally: &'a Tally,
    /// Labels of those in which hands were since the last daily letter, and nothing was found meanwhile.
    pub hands_over: &'a [String],
}

/// Lines of one list in a letter.
const MOST_LINES: usize = 12;

pub(super) fn letter(place: String, headline: String) -> Doc {
    Doc { place, headline, hue: Hue::Band, blocks: Vec::new(), picture: None, foot: ONLY_WATCHES.to_owned() }
}

pub(super) fn more(mut items: Vec<String>) -> String {
    let n = items.len();
    items.truncate(MOST_LINES);
    let rest = if n > MOST_LINES { format!(" And {} more.", n - MOST_LINES) } else { String::new() };
    if items.is_empty() { String::new() } else { format!("{}.{rest}", items.join("; ")) }
}

pub fn daily(s: &Subject) -> Mail {
    let (local, now) = (s.local, s.now.wall);
    let round = s.eyes.round();
    let open: Vec<&Incident> = s.book.open().filter(|i| !i.drill && i.told.is_some()).collect();
    let well =
        open.is_empty() && round.in_band == round.total && round.unwatched.is_empty() && round.troubles.is_empty();
    let head = format!("{} of {} in band", round.in_band, round.total);
    let verdict = if well { format!("All well. {head}.") } else { format!("Not all well. {head}.") };
    let at = format!("{} {}", local.date(now).chars().take(3).collect::<String>(), local.time(now));
    let what = if well { "All well" } else { "Not all well" };
    let subject = fit(&[what.to_owned()], &[format!("{head}, {at}"), head.clone()]);
    let mut doc = letter(format!("{}, {}, {}", s.settings.site, local.date(now), local.time(now)), verdict);
    let incident = |i: &&Incident| format!("{} {}", s.names(i), i.cause().map_or("", super::cause_name));
    doc.say_strong("Open now", more(open.iter().map(incident).collect()));
    doc.say("Not in band", more(round.not_well.iter().map(|(label, why)| format!("{label}: {why}")).collect()));
    let (shelved, hands): (Vec<_>, Vec<_>) = s.book.shelves().partition(|(_, sh)| sh.kind == shelf::Kind::Shelved);
    let watched = round.total.saturating_sub(u32::try_from(round.unwatched.len()).unwrap_or(u32::MAX));
    doc.say(
        "Watched",
        format!(
            "{watched}. Not watched: {}. Shelved: {}. Hands in: {}.",
            round.unwatched.len(),
            shelved.len(),
            hands.len()
        ),
    );
    doc.say("Not watched", more(round.unwatched.iter().map(|(label, why)| format!("{label}: {why}")).collect()));
    let until = |(ix, sh): &(_, &shelf::Shelf)| {
        let until = s.now.wall + sh.until.since(s.now.mono);
        format!("{} until {} by {}", s.eyes.scene(*ix).label(), local.when(until, now), sh.by)
    };
    doc.say("Shelved", more(shelved.iter().map(until).collect()));
    if let Some((label, place, value, spare)) = &round.nearest {
        doc.say(
            "Nearest to a limit",
            format!("{label}, {} {}, {} to spare.", place.label(), local.temp(*value), local.diff(*spare)),
        );
    }
    doc.say("Lights", s.lights(&round.lights));
    doc.say("Last 24 hours", s.incidents_since(Span::h(24)));
    doc.say("Noted", more(s.notes.iter().map(|n| s.note(n)).collect()));
    doc.say("Hands in, over", more(s.hands_over.to_vec()));
    let gaps = match round.gaps.as_slice() {
        [] => "Awake and listening without a gap.".to_owned(),
        gaps => {
            let gap = |(from, len): &(Wall, Span)| format!("{} from {}", length(*len), local.when(*from, now));
            format!("Deaf: {}", more(gaps.iter().map(gap).collect()))
        }
    };
    doc.say(
        "Watcher",
        join(&[
            &gaps,
            &format!("{} readings in 24\u{a0}h.", super::facts::thousands(round.readings)),
            &round.troubles.join(" "),
        ]),
    );
    doc.say("Last drill", s.drill());
    let next = s.next.map_or("tomorrow".to_owned(), |at| local.when(at, now));
    doc.say(
        "",
        format!("Next: {next}. IF THAT MAIL FAILS TO COME, something is wrong: look at the animals, then at Warmside."),
    );
    doc.foot = format!("Times are {}. {ONLY_WATCHES}", local.zone(now));
    finish(&doc, subject)
}

/// More than `at_most` an hour, told in one.
pub fn gathered(mails: &[(Mail, &Incident)], settings: &Settings, local: &Local, now: Now) -> Mail {
    let n = mails.len();
    let subject = fit(
        &[format!("{n} more alarm{}", if n == 1 { "" } else { "s" })],
        &["too many for single mails".to_owned(), "gathered".to_owned()],
    );
    let headline = if mails.iter().any(|(_, i)| i.urgency() == crate::finding::cause::Urgency::Now) {
        "ACT NOW"
    } else {
        "LOOK TODAY"
    };
    let mut doc = letter(settings.site.clone(), headline.to_owned());
    doc.hue = Hue::Ink;
    doc.say_strong(
        "What",
        format!("More mails than {} within an hour. What was over that is told here, once.", settings.at_most),
    );
    for (mail, incident) in mails.iter().take(40) {
        doc.say("", format!("{} ({})", mail.subject, incident.id));
    }
    doc.say("Do", "Many at once often have one origin: mains, room, broker. Look for that first.");
    doc.foot = format!("Sent {} ({}). {ONLY_WATCHES}", local.time(now.wall), local.zone(now.wall));
    finish(&doc, subject)
}

/// A shelf or hands-in ran out by itself.
pub fn resumed(scene: &Scene, by: &str, open: Option<&Incident>, settings: &Settings, local: &Local, now: Now) -> Mail {
    let subject = fit(&[scene.label(), scene.id.clone()], &["watched again".to_owned()]);
    let mut doc = letter(where_is(scene), "WATCHED AGAIN".to_owned());
    doc.hue = Hue::Edge;
    let name = settings.keepers.iter().find(|k| k.id == by).map_or(by, |k| k.name.as_str());
    doc.say_strong("What", format!("The time that {name} set is over. Alarms come from it again."));
    match open {
        Some(i) => doc.say("Open", format!("Incident {}: {}.", i.id, i.cause().map_or("", super::cause_name))),
        None => doc.say("Open", "Nothing. What was found meanwhile, and still stands, comes as a mail of its own."),
    }
    let rows = super::tables::readings(scene, local, now.wall);
    if !rows.is_empty() {
        doc.blocks.push(Block::Readings { letter: local.degrees.letter(), rows });
    }
    doc.foot = format!("Sent {} ({}). {ONLY_WATCHES}", local.time(now.wall), local.zone(now.wall));
    finish(&doc, subject)
}

impl Subject<'_> {
    fn names(&self, incident: &Incident) -> String {
        let house = self.book.house();
        let all = incident.all_enclosures(house);
        let labels: Vec<String> = all.iter().take(3).map(|ix| self.eyes.scene(*ix).label()).collect();
        if all.len() > 3 {
            format!("{} and {} more:", labels.join(", "), all.len() - 3)
        } else {
            format!("{}:", list(&labels))
        }
    }

    pub(super) fn told_since(&self, span: Span) -> Vec<&Incident> {
        let recent = |i: &&Incident| {
            i.told.as_ref().is_some_and(|t| self.now.mono.since(t.at.mono) <= span) || (i.is_open() && i.told.is_some())
        };
        self.book.all().iter().filter(|i| !i.drill && i.merged_into.is_none()).filter(recent).collect()
    }

    pub(super) fn incidents_since(&self, span: Span) -> String {
        let (local, now) = (self.local, self.now.wall);
        let line = |i: &&Incident| {
            let from = i.since().wall;
            let how_long = match i.ended {
                Some(ended) => format!("for {}", length(i.calm.unwrap_or(ended).wall.since(from))),
                None => "open".to_owned(),
            };
            format!(
                "{} {} {}, {how_long}",
                local.when(from, now),
                self.names(i),
                i.cause().map_or("", super::cause_name)
            )
        };
        let told = self.told_since(span);
        if told.is_empty() { "No incident.".to_owned() } else { more(told.iter().map(line).collect()) }
    }

    pub(super) fn note(&self, note: &Note) -> String {
        let house = self.book.house();
        let label = |id: &String| house.find(id).map_or(id.clone(), |ix| self.eyes.scene(ix).label());
        let who = list(&note.enclosures.iter().take(4).map(label).collect::<Vec<_>>());
        let place = note.place.map_or(String::new(), |p| format!(", {}", p.label()));
        let name = super::cause_name(note.cause);
        if who.is_empty() { name.to_owned() } else { format!("{who}{place}: {name}") }
    }

    pub(super) fn drill(&self) -> String {
        match self.drill {
            None => "Never. Prove that an alarm reaches you: warmside drill".to_owned(),
            Some((at, Some(after))) => {
                format!("{}, answered after {}.", self.local.when(at, self.now.wall), length(after))
            }
            Some((at, None)) => format!("{}, NOT ANSWERED.", self.local.when(at, self.now.wall)),
        }
    }

    /// As planned or not, of how many nothing tells, and when the next plan changes.
    fn lights(&self, lights: &Lights) -> String {
        let all = lights.on + lights.off;
        if all == 0 {
            return String::new();
        }
        let planned = match (lights.on, lights.off) {
            (n, 0) => format!("Planned on in all {n}"),
            (0, n) => format!("Planned off in all {n}"),
            (on, off) => format!("Planned on in {on}, off in {off}"),
        };
        let until = lights.next.map_or(String::new(), |at| format!(" until {}", self.local.when(at, self.now.wall)));
        let seen = match (lights.differ.as_slice(), lights.unseen) {
            ([], unseen) if unseen == all => ". Nothing tells whether they are.".to_owned(),
            ([], 0) => ", and so they are.".to_owned(),
            ([], unseen) => format!(", and so they are, but of {unseen} nothing tells."),
            (_, 0) => format!(". DIFFERS: {}", more(lights.differ.clone())),
            (_, unseen) => format!(". DIFFERS: {} Of {unseen} nothing tells.", more(lights.differ.clone())),
        };
        format!("{planned}{until}{seen}")
    }
}
