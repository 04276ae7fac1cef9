//! A view in words for a terminal: local times, the site's degrees, and what a keeper asks first on top.

use crate::care::calendar::Calendar;
use crate::engine::view::{Condition, EnclosureView, IncidentView, PlaceView, ProbeView, View};
use crate::terms::quantity::{Degrees, Quantity};
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

    /// Why an enclosure's state is what it is.
    pub fn explain(&self, enclosure: &EnclosureView) -> String {
        let mut text = String::new();
        let _ = writeln!(text, "{}: {}", name(enclosure), self.condition(enclosure));
        if !enclosure.where_.is_empty() {
            let _ = writeln!(text, "  where: {}", enclosure.where_.join(", "));
        }
        for place in &enclosure.places {
            let _ = writeln!(text, "  {}", self.place(place));
        }
        if let Some(humidity) = &enclosure.humidity {
            let percent = humidity.percent.map_or("not seen".into(), |p| format!("{p:.0} %"));
            let wanted =
                humidity.wanted.map_or(String::new(), |(low, high)| format!(", wanted {low:.0} to {high:.0} %"));
            let _ = writeln!(text, "  humidity at the {}: {percent}{wanted}", humidity.place.label());
        }
        let _ = writeln!(text, "  {}", self.light(enclosure));
        let heat = &enclosure.heat;
        let _ = writeln!(text, "  heat: {}", if heat.state.is_empty() { "nothing known" } else { &heat.state });
        for sentence in &heat.learned {
            let _ = writeln!(text, "    {sentence}");
        }
        if let Some(power) = heat.power_w {
            let _ = writeln!(text, "    {power:.0} W now");
        }
        for probe in self.view.probes.iter().filter(|p| p.enclosure.as_deref() == Some(enclosure.id.as_str())) {
            let _ = writeln!(text, "  probe {}", self.probe(probe));
        }
        for incident in self.view.incidents.iter().filter(|i| i.enclosures.contains(&enclosure.id)) {
            let _ = writeln!(text, "{}", self.incident(incident));
        }
        let _ = write!(text, "{}", self.would_alarm(enclosure));
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

    fn place(&self, place: &PlaceView) -> String {
        let mut text = format!("{}: ", place.place.label());
        match (&place.unseen, place.celsius) {
            (Some(why), _) => {
                let _ = write!(text, "not seen: {why}");
            }
            (None, Some(celsius)) => {
                let _ = write!(text, "{}", self.degrees(celsius));
                if let Some(slope) = place.slope_k_per_min.filter(|slope| slope.abs() >= 0.005) {
                    let per_hour = self.view.degrees.show_difference(slope * 60.0);
                    let _ = write!(text, ", {per_hour:+.1} {} an hour", self.view.degrees.letter());
                }
            }
            (None, None) => text.push_str("nothing heard yet"),
        }
        if let Some((low, high)) = place.wanted {
            let _ = write!(text, "; wanted {} to {}", self.number(low), self.degrees(high));
        }
        if let Some((low, high)) = place.never {
            let _ = write!(text, "; never below {} or above {}", self.number(low), self.degrees(high));
        }
        text
    }

    fn light(&self, enclosure: &EnclosureView) -> String {
        let light = &enclosure.light;
        let word = |on: Option<bool>| match on {
            Some(true) => "on",
            Some(false) => "off",
            None => "unknown",
        };
        let mut text = format!("light: planned {}, seen {}", word(light.planned_on), word(light.seen_on));
        if let (Some(on), Some(off)) = (light.on_at, light.off_at) {
            let _ = write!(text, " (on {}, off {})", self.time(on), self.time(off));
        }
        if let Some(lux) = light.lux {
            let _ = write!(text, ", {lux:.0} lx");
        }
        if let Some(lux) = light.lit_above_lx {
            let _ = write!(text, "; lit above {lux:.0} lx, learned here");
        }
        text
    }

    fn probe(&self, probe: &ProbeView) -> String {
        let mut text = format!("{} ({})", probe.name, probe.topic);
        match probe.last {
            Some(last) if probe.quantity == Quantity::Temperature => {
                let _ = write!(text, ": {}", self.degrees(last));
            }
            Some(last) => {
                let _ = write!(text, ": {last:.1}");
            }
            None => text.push_str(": never heard"),
        }
        if let Some(at) = probe.last_at {
            let _ = write!(text, ", {} ago", self.view.at.wall.since(at));
        }
        if let Some(every) = probe.usual_interval {
            let _ = write!(text, ", usually every {every}");
        }
        if let Some(doubt) = &probe.doubt {
            let _ = write!(text, "; NOT TRUSTED: {doubt}");
        }
        text
    }

    /// The nearest limit of each place that is seen.
    fn would_alarm(&self, enclosure: &EnclosureView) -> String {
        let mut text = String::from("  would alarm:");
        for place in enclosure.places.iter().filter(|p| p.unseen.is_none()) {
            if let (Some(celsius), Some((low, high))) = (place.celsius, place.never) {
                let margin = |k: f64| format!("{:.1}", self.view.degrees.show_difference(k));
                let _ = write!(
                    text,
                    "\n    {} {} lower or {} higher: within minutes",
                    place.place.label(),
                    margin(celsius - low),
                    margin(high - celsius)
                );
            }
        }
        text.push_str(
            "\n    outside a wanted band for longer; heat that does not come when it is due; a probe that falls silent",
        );
        text
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
        let min = civil.of_day.as_ms() / 60_000;
        let clock = format!("{:02}:{:02}", min / 60, min % 60);
        if civil.date == today.date { clock } else { format!("{} {clock}", civil.date) }
    }

    fn number(&self, celsius: f64) -> String {
        format!("{:.1}", self.view.degrees.show(celsius))
    }

    fn degrees(&self, celsius: f64) -> String {
        let letter = match self.view.degrees {
            Degrees::C => "°C",
            Degrees::F => "°F",
        };
        format!("{} {letter}", self.number(celsius))
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
