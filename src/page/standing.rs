//! Who needs somebody, who cannot be heard, and the sentences that answer the three questions of the wall.

use super::mark::{self, Hue};
use super::words::{self, Words};
use crate::engine::view::{Condition, EnclosureView, IncidentView, View};
use crate::finding::cause::{Cause, Urgency};
use crate::terms::place::Place;
use crate::terms::time::{Span, Wall};
use std::collections::BTreeMap;

/// Where one enclosure is counted. Each is counted once, so that the counts add up to the total.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Standing {
    Needs,
    NotWatched,
    Shelved,
    HandsIn,
    InBand,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    pub needs: usize,
    pub not_watched: usize,
    pub shelved: usize,
    pub hands_in: usize,
    pub in_band: usize,
}

impl Tally {
    pub const fn total(&self) -> usize {
        self.needs + self.not_watched + self.shelved + self.hands_in + self.in_band
    }
}

/// A view with what is asked of it again and again, worked out once.
pub struct House<'a> {
    pub view: &'a View,
    pub words: Words,
    pub tally: Tally,
    /// Of each enclosure, in the view's order.
    pub standings: Vec<Standing>,
    /// What needs somebody, soonest first.
    pub needs: Vec<&'a IncidentView>,
    /// The places that anybody of this house has, hot end first.
    pub places: Vec<Place>,
    by_id: BTreeMap<&'a str, &'a EnclosureView>,
}

/// What must not wait for a list: it concerns the watcher itself or is urgent, or it is not about sight.
fn calls(incident: &IncidentView) -> bool {
    match incident.urgency {
        Urgency::Now => true,
        Urgency::Today => !incident.cause.blinds() || incident.cause == Cause::ProbesSwapped || incident.latched,
        Urgency::Note => false,
    }
}

/// What is urgent and has no known limit stands where a limit an hour ahead would.
const UNKNOWN_LIMIT: Span = Span::h(1);

fn sooner(incident: &IncidentView, now: Wall) -> (i64, std::cmp::Reverse<Urgency>, Wall) {
    let unknown = if incident.urgency == Urgency::Now { (now + UNKNOWN_LIMIT).as_ms() } else { i64::MAX };
    (incident.act_by.map_or(unknown, Wall::as_ms), std::cmp::Reverse(incident.urgency), incident.since)
}

impl<'a> House<'a> {
    pub fn of(view: &'a View) -> House<'a> {
        let mut needs: Vec<&IncidentView> = view.incidents.iter().filter(|i| calls(i)).collect();
        needs.sort_by_key(|i| sooner(i, view.at.wall));
        let mut calling: BTreeMap<&str, Urgency> = BTreeMap::new();
        for incident in &needs {
            for id in &incident.enclosures {
                // Blindness is counted as blindness even when it is urgent: nobody knows whether that animal needs somebody.
                if !incident.cause.blinds() || incident.cause == Cause::ProbesSwapped {
                    let most = calling.entry(id.as_str()).or_insert(incident.urgency);
                    *most = (*most).max(incident.urgency);
                }
            }
        }
        let standings: Vec<Standing> =
            view.enclosures.iter().map(|e| standing(e, calling.get(e.id.as_str()).copied())).collect();
        let mut tally = Tally::default();
        for standing in &standings {
            *match standing {
                Standing::Needs => &mut tally.needs,
                Standing::NotWatched => &mut tally.not_watched,
                Standing::Shelved => &mut tally.shelved,
                Standing::HandsIn => &mut tally.hands_in,
                Standing::InBand => &mut tally.in_band,
            } += 1;
        }
        let by_id = view.enclosures.iter().map(|e| (e.id.as_str(), e)).collect();
        let mut has = [false; Place::COUNT];
        for place in view.enclosures.iter().flat_map(|e| &e.places) {
            has[place.place.index()] = true;
        }
        let places = Place::ALL.into_iter().filter(|p| has[p.index()]).collect();
        House { view, words: Words::of(view), tally, standings, needs, places, by_id }
    }

    pub fn enclosure(&self, id: &str) -> Option<&'a EnclosureView> {
        self.by_id.get(id).copied()
    }

    pub fn now(&self) -> Wall {
        self.view.at.wall
    }

    /// Everyone alright? The answer and what more there is to say.
    pub fn alright(&self) -> (String, String) {
        let t = &self.tally;
        let total = t.total();
        let house = self.needs.iter().any(|i| i.enclosures.is_empty());
        let answer = match () {
            () if total == 0 => "Nobody is watched yet.".to_owned(),
            () if t.needs > 0 => {
                format!("No. {} of {total} {} you.", t.needs, if t.needs == 1 { "needs" } else { "need" })
            }
            () if t.not_watched == total => "Unknown. Nobody can be seen.".to_owned(),
            () if t.not_watched > 0 => format!("Unknown for {} of {total}.", t.not_watched),
            () if house => "Yes, but Warmside itself needs you.".to_owned(),
            () if t.in_band == total && total == 1 => "Yes.".to_owned(),
            () if t.in_band == total => format!("Yes, all {total}."),
            () if t.in_band > 0 => format!("Yes, all {} that are watched.", t.in_band),
            () => "Unknown. Nobody is watched now.".to_owned(),
        };
        let counts =
            [(t.in_band, "in band"), (t.not_watched, "not watched"), (t.shelved, "shelved"), (t.hands_in, "hands in")];
        let said: Vec<String> = counts.iter().filter(|(n, _)| *n > 0).map(|(n, what)| format!("{n} {what}")).collect();
        (answer, said.join(", "))
    }

    /// Watcher awake? Whether it is, and in which words.
    pub fn awake(&self) -> (bool, String, String) {
        let (feed, post) = (&self.view.feed, &self.view.post);
        let deaf = self.view.incidents.iter().any(|i| i.cause == Cause::FeedSilent);
        let mut more = Vec::new();
        match feed.newest {
            Some(at) => more.push(format!("Newest reading {} old.", self.words.age(at))),
            None => more.push("Nothing heard yet.".to_owned()),
        }
        if let Some((name, at)) = self.oldest() {
            more.push(format!("Oldest {} ({name}).", self.words.age(at)));
        }
        match (&post.failing, post.last_accepted) {
            (Some(why), _) => more.push(format!("Mail fails: {}.", words::cut(why).trim_end_matches('.'))),
            (None, Some(at)) => more.push(format!("Mail last went out {}.", self.words.when(at))),
            (None, None) => more.push("No mail has gone out yet.".to_owned()),
        }
        if let Some(why) = &self.view.store_failing {
            more.push(format!("Storing fails: {}.", words::cut(why).trim_end_matches('.')));
        }
        let answer = if !feed.connected {
            let since = feed.since.map_or(String::new(), |at| format!(" since {}", self.words.when(at)));
            format!("No: cut off from the broker{since}.")
        } else if deaf {
            "No: nothing is heard.".to_owned()
        } else if feed.newest.is_none() {
            "Awake, but nothing heard yet.".to_owned()
        } else if post.failing.is_some() {
            "Awake, but it cannot mail you.".to_owned()
        } else if self.view.store_failing.is_some() {
            "Awake, but it cannot store.".to_owned()
        } else {
            "Yes.".to_owned()
        };
        (answer == "Yes.", answer, more.join(" "))
    }

    /// The trusted reading of a wanted place that has been waiting longest for its successor.
    fn oldest(&self) -> Option<(String, Wall)> {
        let seen = self.view.enclosures.iter().flat_map(|e| e.places.iter().map(move |p| (e, p)));
        let oldest = seen.filter(|(_, p)| p.unseen.is_none()).filter_map(|(e, p)| p.at.map(|at| (at, e, p.place)));
        oldest.min_by_key(|(at, ..)| *at).map(|(at, e, place)| (format!("{}, {}", e.id, place.label()), at))
    }

    /// The hue of the worst thing that is for now.
    pub fn bar(&self) -> Hue {
        let now = self.needs.iter().filter(|i| i.urgency == Urgency::Now);
        now.map(|i| mark::hue(i.cause)).find(|h| *h != Hue::None).unwrap_or(Hue::None)
    }

    /// Whom an incident is about: `a3 Juno`, `g21–g25`, `a1, a7 and 3 more`, a room, or the watcher.
    pub fn whom(&self, incident: &IncidentView) -> String {
        match incident.enclosures.as_slice() {
            [] => match (&incident.room, &incident.circuit) {
                (Some(room), _) => words::room_name(self.view, room).to_owned(),
                (None, Some(circuit)) => words::circuit_name(self.view, circuit).to_owned(),
                (None, None) => "Warmside itself".to_owned(),
            },
            [one] => self.enclosure(one).map_or(one.clone(), words::name),
            [first, .., last] if self.neighbours(&incident.enclosures) && incident.enclosures.len() > 2 => {
                format!("{first}–{last}")
            }
            [a, b] => format!("{a}, {b}"),
            [a, b, c] => format!("{a}, {b}, {c}"),
            [a, b, rest @ ..] => format!("{a}, {b} and {} more", rest.len()),
        }
    }

    /// Where to go.
    pub fn whither(&self, incident: &IncidentView) -> String {
        if let [one] = incident.enclosures.as_slice() {
            return self.enclosure(one).map_or(String::new(), |e| words::stands(self.view, e));
        }
        let named = [
            incident.room.as_deref().map(|id| words::room_name(self.view, id)),
            incident.circuit.as_deref().map(|id| words::circuit_name(self.view, id)),
        ];
        let mut said: Vec<String> = named.into_iter().flatten().map(str::to_owned).collect();
        if incident.enclosures.len() > 1 {
            said.insert(0, format!("{} enclosures", incident.enclosures.len()));
        }
        said.join(", ")
    }

    /// Whether these stand side by side in the keeper's order.
    fn neighbours(&self, ids: &[String]) -> bool {
        let at = self.view.enclosures.iter().position(|e| ids.first().is_some_and(|id| *id == e.id));
        at.and_then(|at| self.view.enclosures.get(at..at + ids.len()))
            .is_some_and(|run| run.iter().zip(ids).all(|(e, id)| e.id == *id))
    }

    /// The open incident that speaks for an enclosure: the soonest that calls, else any.
    pub fn speaks_for(&self, enclosure: &EnclosureView) -> Option<&'a IncidentView> {
        let about = |i: &&&'a IncidentView| i.enclosures.contains(&enclosure.id);
        let other = || self.view.incidents.iter().find(|i| i.enclosures.contains(&enclosure.id));
        self.needs.iter().find(about).copied().or_else(other)
    }
}

fn standing(enclosure: &EnclosureView, calling: Option<Urgency>) -> Standing {
    match (enclosure.condition, calling) {
        // What is urgent needs somebody although it is shelved: `never` limits still speak.
        (_, Some(Urgency::Now)) => Standing::Needs,
        (Condition::Shelved, _) => Standing::Shelved,
        (Condition::HandsIn, _) => Standing::HandsIn,
        (Condition::NotWatched, _) => Standing::NotWatched,
        (Condition::TooCold | Condition::TooHot | Condition::Differs, _) | (_, Some(_)) => Standing::Needs,
        (Condition::InBand, None) => Standing::InBand,
    }
}

/// The place whose number shows what is wrong: the incident's, else the one farthest outside its band.
pub fn guilty(enclosure: &EnclosureView, place: Option<Place>) -> Option<&crate::engine::view::PlaceView> {
    let named = place.and_then(|p| enclosure.places.iter().find(|v| v.place == p && v.celsius.is_some()));
    let farthest = || {
        let out = |p: &&crate::engine::view::PlaceView| match (p.celsius, p.wanted) {
            (Some(c), Some(band)) if p.unseen.is_none() => outside(c, band).abs(),
            _ => 0.0,
        };
        enclosure.places.iter().filter(|p| out(p) > 0.0).max_by(|a, b| out(a).total_cmp(&out(b)))
    };
    named.or_else(farthest)
}

/// How far outside its band, K: negative below, positive above, 0 inside.
pub fn outside(celsius: f64, (low, high): (f64, f64)) -> f64 {
    if celsius < low {
        celsius - low
    } else if celsius > high {
        celsius - high
    } else {
        0.0
    }
}

/// What is left until a deadline, counted to the rounded one.
pub fn time_left(incident: &IncidentView, now: Wall) -> Option<Span> {
    incident.act_by.map(|at| words::deadline(at).since(now))
}
