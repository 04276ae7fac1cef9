//! A view in words for a terminal: local times, the site's degrees, and what a keeper asks first on top.

use crate::care::calendar::Calendar;
use crate::engine::view::{Condition, EnclosureView, IncidentView, ProbeView, View};
use crate::notice::local::short;
use crate::terms::quantity::Degrees;
use crate::terms::time::{Span, Wall};
use std::fmt::Write;

/// `90min`, `12h`, `3d`: the lengths of the configuration.
pub fn span(text: &str) -> Result<Span, String> {
    crate::config::values::span(text)
}

/// Renders with the site's clock and degrees.
pub struct Speech<'a> {
    view: &'a View,
    calendar: Calendar,
}

impl<'a> Speech<'a> {
    pub fn of(view: &'a View) -> Speech<'a> {
        Speech { view, calendar: Calendar::new(&view.time_zone, None).unwrap_or_else(Calendar::utc) }
    }

    /// The collection: how many are alright, what is wrong, whether the watcher hears and is heard.
    pub fn status(&self) -> String {
        let view = self.view;
        let mut text = String::new();
        let well = view.enclosures.iter().filter(|e| e.condition == Condition::InBand).count();
        let _ = writeln!(text, "{}, {}: {}", view.site, self.time(view.at.wall), wellness(well, view.enclosures.len()));
        for incident in &view.incidents {
            let _ = writeln!(text, "{}", self.incident(incident));
        }
        let others = view.enclosures.iter().filter(|e| e.condition != Condition::InBand && e.incidents.is_empty());
        for enclosure in others {
            let _ = writeln!(text, "  {}: {}", name(enclosure), self.condition(enclosure));
        }
        let _ = writeln!(text, "{}", self.feed());
        let _ = write!(text, "{}", self.post());
        if let Some(why) = &view.store_failing {
            let _ = write!(text, "\nStore: FAILING: {why}");
        }
        text
    }

    fn incident(&self, incident: &IncidentView) -> String {
        let whom = match (&incident.room, &incident.circuit, &incident.enclosures[..]) {
            (_, Some(circuit), _) => format!("circuit {circuit}"),
            (Some(room), None, _) => format!("room {room}"),
            (None, None, [one]) => self.view.enclosures.iter().find(|e| e.id == *one).map_or(one.clone(), name),
            (None, None, []) => "the watcher".into(),
            (None, None, many) => many.join(", "),
        };
        let mut text = format!("  {} {whom}: {}", incident.urgency.word().to_uppercase(), incident.what);
        let _ = write!(text, "\n    {} {} since {}", incident.id, incident.cause.word(), self.time(incident.since));
        if let Some(act_by) = incident.act_by {
            let _ = write!(text, ", act by {}", self.time(act_by));
        }
        match &incident.answered {
            Some((by, at)) => {
                let _ = write!(text, ", answered by {by} at {}", self.time(*at));
            }
            None => {
                let _ = write!(text, ", nobody has answered");
            }
        }
        text
    }

    fn condition(&self, enclosure: &EnclosureView) -> String {
        match enclosure.condition {
            Condition::InBand => "as wanted".into(),
            Condition::Differs => "differs from what is wanted".into(),
            Condition::TooCold => "too cold".into(),
            Condition::TooHot => "too hot".into(),
            Condition::NotWatched => {
                let unseen: Vec<_> = enclosure.places.iter().filter(|p| p.unseen.is_some()).collect();
                let why = unseen.iter().map(|p| format!("{}: {}", p.place.label(), p.unseen.as_deref().unwrap_or("")));
                let why: Vec<_> = why.collect();
                format!(
                    "NOT WATCHED ({})",
                    if why.is_empty() { "nothing is heard of it".into() } else { why.join("; ") }
                )
            }
            Condition::HandsIn => match enclosure.hands_in_until {
                Some(until) => format!("hands in until {}", self.time(until)),
                None => "hands in".into(),
            },
            Condition::Shelved => match enclosure.shelved_until {
                Some(until) => format!("shelved until {}", self.time(until)),
                None => "shelved".into(),
            },
        }
    }

    fn feed(&self) -> String {
        let feed = &self.view.feed;
        let mut text = String::from("Feed: ");
        text.push_str(if feed.connected { "connected" } else { "NOT CONNECTED" });
        if let Some(since) = feed.since {
            let _ = write!(text, " since {}", self.time(since));
        }
        match feed.newest {
            Some(newest) => {
                let _ = write!(text, ", newest message {} ago", self.view.at.wall.since(newest));
            }
            None => text.push_str(", no message yet"),
        }
        let counts = &self.view.counts;
        let _ = write!(
            text,
            "; of {} messages {} readings were accepted, {} could not be read, {} belong to no link",
            counts.messages, counts.accepted, counts.refused, counts.unlinked
        );
        for (from, length) in &feed.gaps {
            let _ = write!(text, "\n  deaf for {length} from {}", self.time(*from));
        }
        text
    }

    fn post(&self) -> String {
        let post = &self.view.post;
        let mut text = match &post.failing {
            Some(why) => format!("Mail: FAILING: {why}"),
            None => "Mail: goes out".into(),
        };
        if let Some(last) = post.last_accepted {
            let _ = write!(text, ", last one accepted {}", self.time(last));
        }
        if post.waiting > 0 {
            let _ = write!(text, ", {} waiting", post.waiting);
        }
        text
    }

    /// `14:02` today, with the date otherwise.
    pub fn time(&self, at: Wall) -> String {
        let (civil, today) = (self.calendar.civil(at), self.calendar.civil(self.view.at.wall));
        let clock = self.clock(at);
        if civil.date == today.date { clock } else { format!("{} {clock}", civil.date) }
    }

    pub fn clock(&self, at: Wall) -> String {
        let min = self.calendar.civil(at).of_day.as_ms() / 60_000;
        format!("{:02}:{:02}", min / 60, min % 60)
    }

    /// How long ago.
    pub fn age(&self, at: Wall) -> Span {
        self.view.at.wall.since(at)
    }

    /// °C in the site's degrees, one decimal.
    pub fn number(&self, celsius: f64) -> String {
        format!("{:.1}", self.view.degrees.show(celsius))
    }

    /// `29–32`, `to 34` where too cold is not judged.
    pub fn band(&self, low: Option<f64>, high: f64) -> String {
        let number = |celsius: f64| short(self.view.degrees.show(celsius));
        match low {
            Some(low) => format!("{}–{}", number(low), number(high)),
            None => format!("to {}", number(high)),
        }
    }

    /// K in the site's degrees.
    pub fn difference(&self, kelvin: f64) -> f64 {
        self.view.degrees.show_difference(kelvin)
    }

    pub fn letter(&self) -> &'static str {
        match self.view.degrees {
            Degrees::C => "°C",
            Degrees::F => "°F",
        }
    }

    /// `a3 Juno: as wanted`
    pub fn headline(&self, enclosure: &EnclosureView) -> String {
        format!("{}: {}", name(enclosure), self.condition(enclosure))
    }

    /// Its open incidents, a paragraph each.
    pub fn incidents_of(&self, enclosure: &EnclosureView) -> Vec<String> {
        let own = self.view.incidents.iter().filter(|i| i.enclosures.contains(&enclosure.id));
        own.map(|i| format!("{}\n", self.incident(i))).collect()
    }

    pub fn probes_of(&self, enclosure: &EnclosureView) -> Vec<&'a ProbeView> {
        self.view.probes.iter().filter(|p| p.enclosure.as_deref() == Some(enclosure.id.as_str())).collect()
    }
}

fn name(enclosure: &EnclosureView) -> String {
    match &enclosure.animal {
        Some(animal) => format!("{} {animal}", enclosure.id),
        None => enclosure.id.clone(),
    }
}

fn wellness(well: usize, all: usize) -> String {
    match (well, all) {
        (_, 0) => "no enclosure is watched".into(),
        (well, all) if well == all => format!("all {all} enclosures are as wanted"),
        (well, all) => format!("{well} of {all} enclosures are as wanted"),
    }
}
