//! The picture of a mail: the last hours of the place in question against its band, by the page's own plot code.
//!
//! The mail says everything without it; its alternative text carries the numbers, for whoever hears the mail.

use super::Telling;
use super::doc::{Block, Doc};
use crate::incident::origin::{Family, family};
use crate::notice::Picture;
use crate::notice::local::Local;
use crate::notice::scene::Past;
use crate::plot::trace::{Bands, Line, Stroke, Trace};
use crate::terms::quantity::Quantity;
use crate::terms::time::{Span, Wall};

/// As wide as a phone shows it without scaling, CSS pixels.
const WIDTH: f64 = 358.0;
/// What is drawn of the time to come, and how far the pace of now is held in it.
const AHEAD: Span = Span::h(1);
const GUESS: Span = Span::min(30);
/// A slope below this is no guess worth drawing, K/min.
const STEADY: f64 = 0.01;
/// A limit farther from what is drawn is left out, K.
const NEAR_K: f64 = 4.0;
/// Fewer points are no picture.
const LEAST_POINTS: usize = 5;

/// Puts the picture of the enclosure that comes first into a mail that is about temperature or about what is not seen.
pub fn put(t: &Telling, doc: &mut Doc) -> Option<Picture> {
    let family = family(t.incident.cause()?);
    let (ix, scene) = t.scenes.first().filter(|_| matches!(family, Family::Heat | Family::Sight))?;
    let own = |f: &&crate::finding::Finding| f.key.subject == crate::finding::Subject::Enclosure(*ix);
    let place = t.incident.telling().into_iter().filter(own).find_map(|f| f.key.place).or(t.incident.place());
    let past = t.eyes.past(*ix, place)?;
    let (first, points) = past.lines.first().filter(|(_, points)| points.len() >= LEAST_POINTS)?;
    let now = t.now.wall;
    let mut trace = Trace {
        calendar: &t.local.calendar,
        degrees: t.local.degrees,
        from: past.from,
        to: now + AHEAD,
        now,
        width: WIDTH,
        lines: Vec::new(),
        bands: past.bands.iter().map(|steps| Bands { steps: steps.clone() }).collect(),
        limits: past.never.map_or(Vec::new(), |(low, high)| vec![low, high]),
        gaps: Vec::new(),
        light: None,
        heat: None,
        moments: Vec::new(),
        says: Vec::new(),
        break_after: Span::min(10),
        scale: None,
    };
    for (i, (_, points)) in past.lines.iter().enumerate() {
        let stroke = if i == 0 { Stroke::Solid } else { Stroke::Dashed };
        trace.lines.push(Line { points: points.clone(), spread: Vec::new(), stroke });
    }
    // A guess does not stretch the scale; a limit that is near belongs on it.
    let (low, high) = trace.own_scale();
    let near = trace.limits.iter().filter(|l| (low - NEAR_K..=high + NEAR_K).contains(*l));
    let (low, high) = near.fold((low, high), |(a, b), l| (a.min(l - 1.0), b.max(l + 1.0)));
    trace.scale = Some((low.floor(), high.ceil()));
    let limit_shown = trace.limits.iter().any(|l| (low..=high).contains(l));
    let seen = scene.at(*first, Quantity::Temperature).filter(|p| !p.silent);
    let pace = seen.and_then(|p| Some((p.value?, p.slope?))).filter(|(_, s)| s.is_finite() && s.abs() > STEADY);
    if let (Some((celsius, slope)), true) = (pace, t.incident.ended.is_none()) {
        let points = vec![(now, celsius), (now + GUESS, celsius + slope * GUESS.as_min())];
        trace.lines.push(Line { points, spread: Vec::new(), stroke: Stroke::Dotted });
    }
    let began = t.incident.since().wall;
    trace.moments.push((began, format!("{} began", t.local.time(began))));
    let drawing = trace.draw();
    let several = t.scenes.len() > 1;
    let who = if several { format!("{}, the first of them. ", scene.label()) } else { String::new() };
    let limit = if limit_shown { format!(" Line across: limit of the {}.", first.label()) } else { String::new() };
    let dashed = past.lines.get(1).map_or(String::new(), |(place, _)| format!(" Dashed: {}.", place.label()));
    // Unique in the world (RFC 2392): no two mails of one incident are made in one millisecond.
    let cid = format!("trace.{}.{}@warmside", t.incident.id, now.as_ms());
    doc.blocks.push(Block::Picture {
        caption: format!("{who}The last hours. Solid: {}.{dashed} Grey: wanted.{limit}", first.label()),
        cid: cid.clone(),
        size: (drawing.width, drawing.height),
        alt: format!("{who}{}", spoken(&past, points, t.local, now)),
    });
    Some(Picture { cid, drawing })
}

/// The picture in words: where it began, lowest, highest and last, and what is wanted.
fn spoken(past: &Past, points: &[(Wall, f64)], local: &Local, now: Wall) -> String {
    let mut said: Vec<String> = Vec::new();
    for (place, points) in &past.lines {
        let value = |c: f64| local.bare(c);
        let (Some(first), Some(last)) = (points.first(), points.last()) else { continue };
        let low = points.iter().map(|p| p.1).fold(f64::INFINITY, f64::min);
        let high = points.iter().map(|p| p.1).fold(f64::NEG_INFINITY, f64::max);
        said.push(format!(
            "{} {} at {}, {} at {}, lowest {}, highest {}",
            place.label(),
            value(first.1),
            local.when(first.0, now),
            value(last.1),
            local.when(last.0, now),
            value(low),
            value(high)
        ));
    }
    let at = points.last().map_or(now, |p| p.0);
    let wanted = past.bands.first().and_then(|steps| steps.iter().rev().find(|s| s.0 <= at)).and_then(|s| s.1);
    if let Some(band) = wanted {
        said.push(format!("wanted {}", local.range(band)));
    }
    if let Some(never) = past.never {
        said.push(format!("never beyond {}", local.range(never)));
    }
    format!("{}. °{}.", super::facts::capital(&said.join("; ")), local.degrees.letter())
}
