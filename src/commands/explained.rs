//! One enclosure explained in words: narrow lines and tables for a phone, what is wrong first, then now, then the next 24 hours.

use super::summary::words_of;
use super::words::Speech;
use crate::engine::view::{AirView, BandView, ComingView, EnclosureView, PlaceView, ProbeView};
use crate::notice::local::short as short_number;
use crate::terms::place::Place;
use crate::terms::quantity::{Quantity, Unit};
use std::fmt::Write;

/// Columns that a phone shows in a terminal.
const WIDTH: usize = 42;
/// Places beside each other in the table of what comes.
const ABREAST: usize = 3;

impl Speech<'_> {
    /// Why an enclosure's state is what it is, and what is wanted of it.
    pub fn explain(&self, enclosure: &EnclosureView) -> String {
        let mut text = folded(&self.headline(enclosure), "  ");
        if !enclosure.where_.is_empty() {
            let _ = writeln!(text, "  {}", enclosure.where_.join(", "));
        }
        for incident in self.incidents_of(enclosure) {
            text.push_str(&incident);
        }
        text.push_str(&self.now(enclosure));
        text.push_str(&self.air(enclosure));
        text.push_str(&self.light(enclosure));
        text.push_str(&self.coming(enclosure));
        text.push_str(&heat(enclosure));
        text.push_str(&self.would_alarm(enclosure));
        text.push_str(&self.probes(enclosure));
        text.trim_end().to_owned()
    }

    /// Every place against its bands.
    fn now(&self, enclosure: &EnclosureView) -> String {
        if enclosure.places.is_empty() {
            return "\nNo temperature is wanted or heard.\n".into();
        }
        let mut text =
            format!("\n{:<13}{:>6}  {:<10}{}\n", format!("NOW, {}", self.letter()), "now", "wanted", "never");
        for place in &enclosure.places {
            let now = place.celsius.filter(|_| place.unseen.is_none()).map_or("-".into(), |c| self.number(c));
            let band = |band: Option<(f64, f64)>| band.map_or("-".into(), |(low, high)| self.band(Some(low), high));
            let row = format!("{:<13}{now:>6}  {:<10}{}", place.place.label(), band(place.wanted), band(place.never));
            let _ = writeln!(text, "{}", row.trim_end());
            text.push_str(&self.remark(place));
        }
        text
    }

    fn remark(&self, place: &PlaceView) -> String {
        if let Some(why) = &place.unseen {
            return folded(&format!("  not seen: {why}"), "  ");
        }
        match place.slope_k_per_min.map(|slope| self.difference(slope * 60.0)) {
            Some(slope) if slope.abs() >= 0.3 => format!("  {slope:+.1} {} an hour\n", self.letter()),
            _ => String::new(),
        }
    }

    /// Where humidity is measured, and what the same air is at the other places.
    fn air(&self, enclosure: &EnclosureView) -> String {
        let mut text = String::new();
        if let Some(humidity) = &enclosure.humidity {
            let percent = humidity.percent.map_or("not seen".into(), |p| format!("{p:.0} %"));
            let wanted = humidity.wanted.map_or(String::new(), |(low, high)| format!(", wanted {low:.0}–{high:.0} %"));
            let _ = writeln!(text, "\nHUMIDITY, {}: {percent}{wanted}", humidity.place.label());
        }
        let (measured, brought): (Vec<&AirView>, Vec<&AirView>) = enclosure.air.iter().partition(|a| a.measured);
        for air in measured {
            let there = enclosure.humidity.as_ref().is_some_and(|h| h.place == air.place);
            let at =
                if there { "there".to_owned() } else { format!("at the {}: {:.0} %", air.place.label(), air.percent) };
            let dew =
                air.dew_point_c.map_or(String::new(), |c| format!(", dew point {} {}", self.number(c), self.letter()));
            text.push_str(&folded(&format!("  measured {at}{dew}"), "  "));
        }
        if !brought.is_empty() {
            let there = brought.iter().map(|a| format!("{:.0} % at the {}", a.percent, a.place.label()));
            text.push_str(&folded(&format!("  The same air is {}.", there.collect::<Vec<_>>().join(", ")), "  "));
        }
        text
    }

    fn light(&self, enclosure: &EnclosureView) -> String {
        let light = &enclosure.light;
        let word = |on: bool| if on { "on" } else { "off" };
        let state = match (light.planned_on, light.seen_on) {
            (None, None) => return "\nLIGHT: no plan, and nothing shows it\n".into(),
            (None, Some(on)) => format!("{}, no plan", word(on)),
            (Some(planned), None) => format!("planned {}, NOT SEEN", word(planned)),
            (Some(planned), Some(on)) if planned == on => format!("{}, as planned", word(on)),
            (Some(planned), Some(on)) => format!("planned {}, seen {}", word(planned), word(on).to_uppercase()),
        };
        let lux = light.lux.map_or(String::new(), |lux| format!(", {lux:.0} lx"));
        let mut text = format!("\nLIGHT: {state}{lux}\n");
        if !light.seen_by.is_empty() {
            text.push_str(&folded(&format!("  seen by: {}", light.seen_by.join(", ")), "  "));
        }
        match (light.lit_above_lx, light.levels) {
            (Some(above), Some(levels)) => {
                let dark = levels.dark_lx.map_or("dark not known yet".into(), |lx| format!("dark {lx:.0} lx"));
                let learned = format!(
                    "  lit above {above:.0} lx: learned here over {} (lit {:.0} lx, {dark})",
                    levels.learned_over, levels.lit_lx
                );
                text.push_str(&folded(&learned, "  "));
            }
            (None, Some(levels)) => {
                let said = format!(
                    "  The meter reads {:.0} lx by day and cannot tell the lamp from the dark: move it nearer.",
                    levels.lit_lx
                );
                text.push_str(&folded(&said, "  "));
            }
            (None, None) if light.lux.is_some() => {
                text.push_str(&folded(
                    "  still learns how bright this lamp is; until then under 2 lx is dark and over 100 lx is lit",
                    "  ",
                ));
            }
            _ => {}
        }
        text
    }

    /// What is wanted from now on, a row a change.
    fn coming(&self, enclosure: &EnclosureView) -> String {
        let rows = &enclosure.coming;
        let mut places: Vec<Place> = rows.iter().flat_map(|r| r.bands.iter().map(|b| b.place)).collect();
        places.sort_unstable_by_key(|p| p.index());
        places.dedup();
        let mut text = String::new();
        for abreast in places.chunks(ABREAST) {
            let heads: String = abreast.iter().map(|p| format!("{:<10}", short(*p))).collect();
            let _ = writeln!(text, "\n{:<13}{}", format!("24 HOURS, {}", self.letter()), heads.trim_end());
            for (i, row) in rows.iter().enumerate() {
                let when = if i == 0 { "now".into() } else { self.clock(row.from) };
                let cells: String = abreast.iter().map(|p| format!("{:<10}", self.cell(row, *p))).collect();
                let _ = writeln!(text, "{when:<6}{:<7}{}", state(row), cells.trim_end());
            }
        }
        if places.is_empty() {
            return text;
        }
        for season in &enclosure.seasons {
            text.push_str(&folded(&format!("  {}: {}", season.name, words_of(season.phase)), "  "));
        }
        if rows.iter().any(|row| row.moving) {
            text.push_str(&folded("  … on its way: what was wanted before still counts", "  "));
        }
        if let Some(follows) = enclosure.follows.filter(|_| rows.iter().any(|r| r.light_on.is_some())) {
            let said = match follows.learned_from {
                0 => format!("  It has {} to follow a change, until it has shown how long it needs.", follows.within),
                n => format!("  It has {} to follow a change: learned from its last {n}.", follows.within),
            };
            text.push_str(&folded(&said, "  "));
        }
        text
    }

    fn cell(&self, row: &ComingView, place: Place) -> String {
        row.bands
            .iter()
            .find(|b| b.place == place)
            .map_or("-".into(), |BandView { low, high, .. }| self.band(*low, *high))
    }

    /// The nearest limit of each place that is seen.
    fn would_alarm(&self, enclosure: &EnclosureView) -> String {
        let mut text = format!("\nWOULD ALARM\n  within minutes, at so many {}\n", self.letter());
        for place in enclosure.places.iter().filter(|p| p.unseen.is_none()) {
            if let (Some(celsius), Some((low, high))) = (place.celsius, place.never) {
                let margin = |k: f64| format!("{:.1}", self.difference(k));
                let (lower, higher) = (margin(celsius - low), margin(high - celsius));
                let _ = writeln!(text, "    {:<13}{lower} lower, {higher} higher", place.place.label());
            }
        }
        let later = match enclosure.light.planned_on {
            Some(_) => {
                "  later: outside a wanted band for long; heat or light that does not come, or does not go; a probe that falls silent"
            }
            None => {
                "  later: outside a wanted band for long; heat that does not come when it is due; a probe that falls silent"
            }
        };
        text.push_str(&folded(later, "    "));
        text
    }

    fn probes(&self, enclosure: &EnclosureView) -> String {
        let own = self.probes_of(enclosure);
        if own.is_empty() {
            return "\nPROBES: none is heard\n".into();
        }
        let mut text = String::from("\nPROBES\n");
        for probe in own {
            let name = probe.name.split_once('/').map_or(probe.name.as_str(), |(_, name)| name);
            let _ = writeln!(text, "  {name}");
            text.push_str(&folded(&format!("    {}", self.probe(probe)), "    "));
            if !probe.topic.is_empty() {
                let _ = writeln!(text, "    {}", probe.topic);
            }
        }
        text
    }

    fn probe(&self, probe: &ProbeView) -> String {
        let mut text = match probe.last {
            Some(last) if probe.quantity == Quantity::Temperature => format!("{} {}", self.number(last), self.letter()),
            Some(last) => {
                let unit =
                    probe.quantity.units().first().filter(|unit| **unit != Unit::One).map_or("", |unit| unit.code());
                format!("{} {unit}", short_number(last)).trim_end().to_owned()
            }
            None => "never heard".into(),
        };
        if let Some(at) = probe.last_at {
            let _ = write!(text, ", {} ago", self.age(at));
        }
        if let Some(every) = probe.usual_interval {
            let _ = write!(text, ", usually every {every}");
        }
        if let Some(doubt) = probe.doubt.as_ref().filter(|_| probe.last.is_some()) {
            let _ = write!(text, "; NOT TRUSTED: {doubt}");
        }
        text
    }
}

fn heat(enclosure: &EnclosureView) -> String {
    let heat = &enclosure.heat;
    let state = match heat.state.as_str() {
        "hearing" => "listens which readings come",
        "learning" => "learns; your limits alarm all the same",
        "young" => "first picture learned, grows surer",
        "watching" => "watched",
        _ => "no source to watch",
    };
    let watts = heat.power_w.map_or(String::new(), |w| format!(", {w:.0} W now"));
    let mut text = format!("\nHEAT: {state}{watts}\n");
    for sentence in &heat.learned {
        text.push_str(&folded(&format!("  {sentence}"), "    "));
    }
    text
}

/// What the lamps do from a row on.
fn state(row: &ComingView) -> String {
    let word = match row.light_on {
        Some(true) => "lit",
        Some(false) => "dark",
        None => "",
    };
    format!("{word}{}", if row.moving { "…" } else { "" })
}

/// A heading of nine letters at the most.
fn short(place: Place) -> &'static str {
    let label = place.label();
    label.split_once(' ').map_or(label, |(first, _)| first)
}

/// With line breaks between words so that lines keep to the width; `indent` before every line but the first.
fn folded(text: &str, indent: &str) -> String {
    let mut out = String::new();
    let lead = text.len() - text.trim_start().len();
    let mut line = text[..lead].to_owned();
    for word in text.split_whitespace() {
        if line.trim().is_empty() {
            line.push_str(word);
        } else if line.chars().count() + 1 + word.chars().count() > WIDTH {
            let _ = writeln!(out, "{line}");
            line = format!("{indent}{word}");
        } else {
            line.push(' ');
            line.push_str(word);
        }
    }
    out + &line + "\n"
}
