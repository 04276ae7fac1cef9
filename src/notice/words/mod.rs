//! Puts an incident into a mail: where, deadline, what, readings, likely, if left, do, answer, how sure, next.

pub mod doc;
pub mod facts;
mod flow;
mod heat;
mod html;
mod later;
pub mod letters;
mod light_and_air;
mod phrase;
mod picture;
mod sight;
pub mod subject;
mod tables;
mod watcher;
pub mod weekly;

use super::again;
use super::local::{Local, length, list};
use super::scene::{Eyes, Scene};
use super::settings::Settings;
use super::{Event, Picture, is_pressing, round_down};
use crate::finding::cause::{Cause, Urgency};
use crate::finding::fact::Fact;
use crate::finding::{Finding, Subject};
use crate::incident::house::House;
use crate::incident::{Incident, Scope, Worse};
use crate::terms::id::EnclosureIx;
use crate::terms::time::{Now, Span, Wall};
use doc::{Block, Doc, Hue};
use facts::Part;
use phrase::{About, Phrase, join};

/// A mail's words.
#[derive(Clone, Debug, PartialEq)]
pub struct Mail {
    /// ASCII, at most 45.
    pub subject: String,
    pub text: String,
    pub html: String,
    pub picture: Option<Picture>,
}

/// Everything that a mail of an incident is written from.
pub struct Telling<'a> {
    pub incident: &'a Incident,
    pub event: Event,
    pub why: Option<Worse>,
    pub house: &'a House,
    /// The enclosures concerned, soonest first.
    pub scenes: Vec<(EnclosureIx, Scene)>,
    pub eyes: &'a dyn Eyes,
    pub local: &'a Local,
    pub settings: &'a Settings,
    pub now: Now,
    pub next_repeat: Option<Wall>,
    pub next_keeper: Option<(String, Wall)>,
    pub told_names: Vec<String>,
    pub answered_by: Option<(String, Wall)>,
}

/// `Warmside only watches` stands at the end of every mail.
const ONLY_WATCHES: &str = "Warmside only watches: it switched nothing.";

/// The mail of a document: text and HTML.
pub fn finish(doc: &Doc, subject: String) -> Mail {
    let (text, html) = (flow::text(doc), html::html(doc, &subject));
    Mail { subject, text, html, picture: doc.picture.clone() }
}

pub fn alarm(t: &Telling) -> Mail {
    let nobody = Scene::default();
    let Some(lead) = t.incident.leading() else { return drill(t) };
    let cause = t.incident.cause().unwrap_or(lead.key.cause);
    let scene = t.scenes.first().map_or(&nobody, |(_, s)| s);
    let several = t.scenes.len() > 1;
    let about = About { cause, finding: lead, place: t.incident.place(), scene, several, local: t.local };
    let phrase = phrase::phrase(&about);
    let subject = subject::subject(t, &about, &phrase);
    let hue = match t.event {
        Event::Ended | Event::Answered => Hue::Edge,
        _ => phrase.hue.unwrap_or(Hue::Ink),
    };
    let (place, headline, foot) = (place_line(t), headline(t), foot(t, &phrase));
    let mut doc = Doc { place, headline, hue, blocks: Vec::new(), picture: None, foot };
    match t.event {
        Event::Ended => later::ended(t, &mut doc),
        Event::Answered => later::answered(t, &phrase, &mut doc),
        _ => asks(t, &about, &phrase, &mut doc),
    }
    finish(&doc, subject)
}

/// A mail that wants somebody to act.
fn asks(t: &Telling, about: &About, phrase: &Phrase, doc: &mut Doc) {
    let (local, now) = (t.local, t.now.wall);
    doc.say_strong("What", join(&[&news(t), &what(t, about, phrase)]));
    if about.several {
        doc.blocks.push(Block::Table(tables::deadlines(t)));
    } else if let Some((_, scene)) = t.scenes.first() {
        push_readings(doc, scene, t);
    }
    doc.say("Likely", &*phrase.likely);
    let facts = facts_of(t, about.finding);
    // Of several, the table says who comes first.
    let most = if about.several { 0 } else { 2 };
    let if_left = facts::sentences(facts.iter().copied(), Part::IfLeft, most, local, now);
    doc.say("If left", join(&[&limit_line(t, phrase.hue), &if_left, &phrase.if_left]));
    doc.say("Means", &*phrase.means);
    let mut steps = phrase.steps.clone();
    if let (true, Some(phone)) = (phrase.burns, &t.settings.vet_phone) {
        steps.push(format!(
            "Unwell, or has touched the heater: call the vet, {}. Burns can show days later.",
            phone.replace(' ', "\u{a0}")
        ));
    } else if phrase.burns {
        steps.push("Unwell, or has touched the heater: call the vet. Burns can show days later.".into());
    }
    if !steps.is_empty() {
        doc.blocks.push(Block::Steps { label: "Do", steps });
    }
    own_words(t, doc);
    answer(t, doc);
    doc.picture = picture::put(t, doc);
    doc.say("How sure", how_sure(t, about, &facts));
    doc.say("Next", next(t));
    if t.incident.urgency() == Urgency::Now {
        let phones = t.settings.keepers.iter().filter_map(|k| Some(format!("{}: {}", k.name, k.phone.as_ref()?)));
        doc.say("Phone", phones.collect::<Vec<_>>().join(". "));
    }
}

/// Why this mail, where it is not the first.
fn news(t: &Telling) -> String {
    match (t.event, t.why) {
        (Event::Worse, Some(Worse::Again)) if t.incident.chatters() => format!(
            "It comes and goes: raised {} times within a day or so. It now ends only after {} of calm.",
            t.incident.again + 1,
            length(t.incident.dwell())
        ),
        (Event::Worse, Some(Worse::Again)) => "It had ended, and is back.".to_owned(),
        (Event::Worse, Some(Worse::Never)) => "A limit that must never be passed is passed.".to_owned(),
        (Event::Worse, Some(Worse::Named)) => "What it is, is now known.".to_owned(),
        (Event::Worse, Some(Worse::Spread)) => format!("It concerns {} now.", t.scenes.len()),
        (Event::Worse, _) => "It got worse.".to_owned(),
        (Event::Repeated, _) if waits_calm(t).is_some() => {
            "It is calm again, but a limit that must never be passed was passed, so this ends only with an answer. Look at the \
             animal and at the heat source. It was:"
                .to_owned()
        }
        (Event::Repeated, _) if t.answered_by.is_some() => "It was answered, and still stands.".to_owned(),
        (Event::Repeated, _) => "Nobody has answered yet.".to_owned(),
        (Event::HandedOn, _) => format!("Told before: {}; no answer yet.", list(&told_before(t))),
        _ => String::new(),
    }
}

/// Since when all is calm in an incident that only an answer ends.
fn waits_calm(t: &Telling) -> Option<crate::terms::time::Wall> {
    t.incident.calm.filter(|_| t.incident.latched && t.incident.ended.is_none()).map(|calm| calm.wall)
}

fn told_before(t: &Telling) -> Vec<String> {
    // The one to whom this mail goes is the last to have been told.
    t.told_names.iter().take(t.told_names.len().saturating_sub(1).max(1)).cloned().collect()
}

fn what(t: &Telling, about: &About, phrase: &Phrase) -> String {
    let (local, now) = (t.local, t.now.wall);
    if about.several {
        let since = format!("Since {}.", local.when(t.incident.since().wall, now));
        return join(&[&phrase.what, &since, &tables::spread(t)]);
    }
    let facts = facts_of(t, about.finding);
    let seen = facts::sentences(facts.into_iter(), Part::What, 3, local, now);
    let since = format!("Since {}.", local.when(t.incident.since().wall, now));
    join(&[&phrase.what, &seen, &since])
}

/// The facts of the leading finding first, then those of the others of the same enclosure.
fn facts_of<'a>(t: &'a Telling, lead: &'a Finding) -> Vec<&'a Fact> {
    let others = t.incident.standing().filter(|f| f.key != lead.key && f.key.subject == lead.key.subject);
    lead.facts.iter().chain(others.flat_map(|f| &f.facts)).collect()
}

/// `25.0 C, your lower limit, soon after 14:55.`
fn limit_line(t: &Telling, hue: Option<Hue>) -> String {
    let Some(by) = t.incident.act_by() else { return String::new() };
    let first = t.incident.standing().find(|f| f.act_by == Some(by));
    let scene = |ix| t.scenes.iter().find(|(i, _)| *i == ix).map(|(_, s)| s);
    let never = first.and_then(|f| match f.key.subject {
        Subject::Enclosure(ix) => scene(ix)?.at(f.key.place?, crate::terms::quantity::Quantity::Temperature)?.never,
        _ => None,
    });
    let limit = match (never, hue) {
        (Some((low, _)), Some(Hue::Cold)) => format!("{}, your lower limit,", t.local.temp(low)),
        (Some((_, high)), Some(Hue::Hot)) => format!("{}, your upper limit,", t.local.temp(high)),
        _ => "A limit of yours is passed".to_owned(),
    };
    if is_pressing(by, t.now.wall) {
        return format!("{limit} within minutes, if not already.");
    }
    format!("{limit} soon after {}.", t.local.when(round_down(by), t.now.wall))
}

fn push_readings(doc: &mut Doc, scene: &Scene, t: &Telling) {
    let rows = tables::readings(scene, t.local, t.now.wall);
    if !rows.is_empty() {
        doc.blocks.push(Block::Readings { letter: t.local.degrees.letter(), rows });
    }
}

fn own_words(t: &Telling, doc: &mut Doc) {
    for (_, scene) in t.scenes.iter().take(12) {
        if let Some(text) = scene.what_to_do.as_ref().filter(|text| !text.trim().is_empty()) {
            let text = if t.scenes.len() > 1 { format!("{}: {text}", scene.label()) } else { text.clone() };
            doc.blocks.push(Block::Own { label: "What to do", text });
        }
    }
}

fn answer(t: &Telling, doc: &mut Doc) {
    let (id, pause) = (&t.incident.id, length(t.settings.pause));
    let ways = match (t.settings.answers_by_mail, t.settings.page.is_some()) {
        (true, true) => "Reply HAVE IT, or open the page and press the button.".to_owned(),
        (true, false) => "Reply HAVE IT.".to_owned(),
        (false, true) => "Open the page and press the button.".to_owned(),
        (false, false) => format!("On the page, or by the command `warmside acknowledge {id}`."),
    };
    let pauses = format!("It pauses reminders for {pause}; they go on at once if it gets worse.");
    doc.say("Answer", format!("{ways} {pauses}"));
    if let Some(page) = &t.settings.page {
        doc.blocks.push(Block::Button { words: "I have it", url: format!("{page}/i/{id}") });
    }
}

fn how_sure(t: &Telling, about: &About, facts: &[&Fact]) -> String {
    let (local, now) = (t.local, t.now.wall);
    let seen = facts::sentences(facts.iter().copied(), Part::HowSure, 3, local, now);
    let newest = about.scene.places.iter().filter(|p| !p.silent).filter_map(|p| p.at).max();
    let age = newest.map(|at| now.since(at)).filter(|age| *age >= Span::ZERO);
    let newest = age.map_or(String::new(), |age| format!("Newest reading {} old.", length(age)));
    let said = facts.iter().any(|f| matches!(f, Fact::Neighbours { .. }));
    let others = match about.scene.neighbours {
        Some((as_usual, of)) if of > 0 && !about.several && !said => facts::neighbours(as_usual, of) + ".",
        _ => String::new(),
    };
    join(&[&seen, &others, if about.several { "" } else { &newest }])
}

fn next(t: &Telling) -> String {
    let when = |at: Wall| t.local.when(at, t.now.wall);
    let repeat = t.next_repeat.map_or(String::new(), |at| format!("{} again.", when(at)));
    let keeper = t.next_keeper.as_ref();
    let keeper = keeper.map_or(String::new(), |(name, at)| format!("{} also to {name}, if nobody answers.", when(*at)));
    let ends = if t.incident.latched {
        "It ends only with an answer.".to_owned()
    } else {
        format!("It ends when all is calm for {}.", length(t.incident.dwell()))
    };
    let passes = t.incident.cause().is_some_and(again::passes) && t.incident.urgency() == Urgency::Today;
    let known = if passes && t.settings.daily.is_some() {
        "Should it come again within a week and be no worse, only the daily letter says so."
    } else {
        ""
    };
    join(&[&repeat, &keeper, "At once if it gets worse.", &ends, known])
}

/// `a3 Juno, Back room, left rack, shelf 3`, or what several have in common.
fn place_line(t: &Telling) -> String {
    match t.scenes.as_slice() {
        [(_, scene)] => where_is(scene),
        [] => t.settings.site.clone(),
        several => {
            let n = several.len();
            match common(t) {
                Some((name, all)) if n == all => format!("{name}, all {n} enclosures"),
                Some((name, _)) => format!("{name}, {n} enclosures"),
                None => list(&several.iter().take(8).map(|(_, s)| s.label()).collect::<Vec<_>>()),
            }
        }
    }
}

pub(super) fn where_is(scene: &Scene) -> String {
    let mut parts = vec![scene.label()];
    parts.extend(scene.room.clone());
    parts.extend(scene.where_.iter().cloned());
    parts.retain(|p| !p.trim().is_empty());
    parts.join(", ")
}

/// The name of what several enclosures share, and how many it has in all.
fn common(t: &Telling) -> Option<(String, usize)> {
    let of_finding = t.incident.leading().and_then(|f| match f.key.subject {
        Subject::Room(room) => Some(Scope::Room(room)),
        Subject::Circuit(circuit) => Some(Scope::Circuit(circuit)),
        Subject::Site => Some(Scope::Site),
        Subject::Enclosure(_) => None,
    });
    let scope = of_finding.or(t.incident.shared.map(|(scope, _)| scope))?;
    let all = t.house.within(scope).count();
    let name = match scope {
        Scope::Room(room) => t.eyes.room_name(room),
        Scope::Circuit(circuit) => t.eyes.circuit_name(circuit),
        Scope::Site => t.settings.site.clone(),
    };
    Some((name, all))
}

fn headline(t: &Telling) -> String {
    let (local, now) = (t.local, t.now.wall);
    match (t.event, t.incident.act_by()) {
        (Event::Ended, _) => format!("ENDED: calm since {}", local.when(t.incident.calm.unwrap_or(t.now).wall, now)),
        (Event::Answered, _) => "ANSWERED".to_owned(),
        _ if let Some(calm) = waits_calm(t) => format!("CALM SINCE {}: PLEASE ANSWER", local.when(calm, now)),
        (_, Some(by)) if is_pressing(by, now) => "ACT NOW".to_owned(),
        (_, by) if t.incident.urgency() == Urgency::Now => {
            by.map_or("ACT NOW".to_owned(), |by| format!("ACT BY ABOUT {}", local.when(round_down(by), now)))
        }
        (_, Some(by)) => format!("CHECK BY {}", local.when(round_down(by), now)),
        _ => "LOOK TODAY".to_owned(),
    }
}

fn foot(t: &Telling, phrase: &Phrase) -> String {
    let now = t.now.wall;
    let found = t.local.when(t.incident.opened.wall, now);
    let asks = !matches!(t.event, Event::Ended | Event::Answered);
    let smoke = if phrase.fire && asks { " It is no smoke alarm." } else { "" };
    let zone = t.local.zone(now);
    format!("Incident {}, found {found}, sent {} ({zone}). {ONLY_WATCHES}{smoke}", t.incident.id, t.local.time(now))
}

fn drill(t: &Telling) -> Mail {
    let subject = "Practice alarm: please answer".to_owned();
    let mut doc = Doc {
        place: format!("{}, practice", t.settings.site),
        headline: if t.event == Event::Answered { "ANSWERED" } else { "PRACTICE ALARM" }.to_owned(),
        hue: if t.event == Event::Answered { Hue::Edge } else { Hue::Ink },
        blocks: Vec::new(),
        picture: None,
        foot: foot(t, &Phrase::default()),
    };
    if t.event == Event::Answered {
        let by = t.answered_by.as_ref().map_or(String::new(), |(name, at)| {
            format!("{name} answered the practice alarm {}.", t.local.when(*at, t.now.wall))
        });
        doc.say_strong("What", by);
        return finish(&doc, "Practice alarm answered".to_owned());
    }
    doc.say_strong("What", "This is a drill. Nothing is wrong. It went the way that a true alarm goes.");
    doc.blocks.push(Block::Steps {
        label: "Do",
        steps: vec!["Did it ring? Would it have woken you?".into(), "Answer it as you would a true one.".into()],
    });
    answer(t, &mut doc);
    doc.say("Next", "The daily mail says when the last drill was answered, and how fast.");
    finish(&doc, subject)
}

/// The English name of a cause, for lists.
pub fn cause_name(cause: Cause) -> &'static str {
    subject::name(cause).trim_end_matches('?')
}
