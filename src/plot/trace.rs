//! The trace: what some places read over a stretch of time, against what was wanted, with light, heat and gaps.
//!
//! Gaps stay gaps: a line is broken where two points lie farther apart than [`Trace::break_after`]. Text is never scaled: a
//! narrow drawing is drawn narrow. The page shows it as markup, a mail as pixels: see [`super::drawing`].

use super::drawing::{Anchor, Drawing, Ink, Mark, Tone, n};
use super::ticks::ticks;
use crate::care::calendar::Calendar;
use crate::terms::quantity::Degrees;
use crate::terms::time::{Span, Wall};
use std::fmt::Write as _;

/// One line of the drawing.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Line {
    /// In order of time, °C.
    pub points: Vec<(Wall, f64)>,
    /// Lowest and highest around a point, where points are means: (from, until, low, high).
    pub spread: Vec<(Wall, Wall, f64, f64)>,
    pub stroke: Stroke,
}

/// How lines are told apart, without colour.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Stroke {
    #[default]
    Solid,
    Dashed,
    Dotted,
}

/// What is wanted at one place: each step holds until the next. °C.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Bands {
    pub steps: Vec<(Wall, Option<(f64, f64)>)>,
}

/// How much heat was called for, and how much came.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Effort {
    /// What the strip shows, in words.
    pub label: String,
    /// When a relay called for it: an outline, which stays empty where nothing came.
    pub called: Spans,
    /// Shares of full heat, 0–1: (from, until, share).
    pub shares: Vec<(Wall, Wall, f64)>,
}

/// Stretches: from, until.
pub type Spans = Vec<(Wall, Wall)>;

/// Everything that is drawn.
#[derive(Clone, Debug)]
pub struct Trace<'a> {
    pub calendar: &'a Calendar,
    pub degrees: Degrees,
    pub from: Wall,
    pub to: Wall,
    /// What lies after it is not yet; a line marks it when it is inside.
    pub now: Wall,
    pub width: f64,
    pub lines: Vec<Line>,
    pub bands: Vec<Bands>,
    /// Levels that must never be passed, °C.
    pub limits: Vec<f64>,
    /// When readings were missed.
    pub gaps: Vec<(Wall, Wall)>,
    /// Light planned and light seen; `None`: no strip.
    pub light: Option<(Spans, Spans)>,
    /// `None`: nothing is known of it, and there is no strip.
    pub heat: Option<Effort>,
    /// Moments with a word: marks of the ledger, the beginning of an incident.
    pub moments: Vec<(Wall, String)>,
    /// What a pointer is told over a stretch.
    pub says: Vec<(Wall, Wall, String)>,
    /// Points farther apart are not joined.
    pub break_after: Span,
    /// The scale, °C; `None`: from what is drawn.
    pub scale: Option<(f64, f64)>,
}

/// The most points of one line: more cannot be seen.
pub const MOST_POINTS: usize = 2_000;
const LEFT: f64 = 34.0;
const RIGHT: f64 = 8.0;
const TOP: f64 = 22.0;
const HIGH: f64 = 240.0;
const STRIP: f64 = 34.0;

impl Trace<'_> {
    /// The scale that fits everything that is drawn, whole kelvins, at least 4 apart.
    pub fn own_scale(&self) -> (f64, f64) {
        let points = self.lines.iter().flat_map(|l| l.points.iter().map(|p| p.1));
        let spread = self.lines.iter().flat_map(|l| l.spread.iter().flat_map(|s| [s.2, s.3]));
        let bands = self.bands.iter().flat_map(|b| b.steps.iter().filter_map(|s| s.1)).flat_map(|(a, b)| [a, b]);
        let all = points.chain(spread).chain(bands).filter(|v| v.is_finite());
        let (low, high) = all.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| (a.min(v), b.max(v)));
        if low > high {
            return (15.0, 35.0);
        }
        let (low, high) = ((low - 0.5).floor(), (high + 0.5).ceil());
        if high - low < 4.0 { (low - 2.0, high + 2.0) } else { (low, high) }
    }

    pub fn draw(&self) -> Drawing {
        let pen = Pen::of(self);
        let mut out = Drawing { width: self.width, height: pen.bottom + 24.0, marks: Vec::new() };
        self.bands(&pen, &mut out);
        self.axes(&pen, &mut out);
        self.gaps(&pen, &mut out);
        self.limits(&pen, &mut out);
        for line in &self.lines {
            self.line(&pen, line, &mut out);
        }
        self.strips(&pen, &mut out);
        self.moments(&pen, &mut out);
        self.strip_labels(&mut out);
        for (from, until, words) in &self.says {
            let (a, b) = (pen.x(*from), pen.x(*until));
            out.marks.push(Mark::Says { d: block(a, TOP, b - a, HIGH), text: words.clone() });
        }
        out
    }

    fn bands(&self, pen: &Pen, out: &mut Drawing) {
        for band in &self.bands {
            for (i, (from, wanted)) in band.steps.iter().enumerate() {
                let until = band.steps.get(i + 1).map_or(self.to, |next| next.0);
                let (from, until) = ((*from).max(self.from), until.min(self.to));
                let Some((low, high)) = wanted.filter(|_| from < until) else { continue };
                let (x, y, w, h) = (pen.x(from), pen.y(high), pen.x(until) - pen.x(from), pen.y(low) - pen.y(high));
                out.path(Ink::Band, block(x, y, w, h));
                out.path(Ink::BandEdge, format!("M{} {}h{}M{} {}h{}", n(x), n(y), n(w), n(x), n(y + h), n(w)));
            }
        }
    }

    fn axes(&self, pen: &Pen, out: &mut Drawing) {
        let (low, high) = (self.degrees.show(pen.low), self.degrees.show(pen.high));
        let step = [1.0, 2.0, 5.0, 10.0, 20.0].into_iter().find(|s| (high - low) / s <= 8.0).unwrap_or(50.0);
        let first = (low / step).ceil();
        let right = n(self.width - RIGHT);
        for i in 0..40 {
            let shown = (first + f64::from(i)) * step;
            if shown > high {
                break;
            }
            let y = pen.y(self.degrees.read(shown));
            out.path(Ink::Grid, format!("M{} {}H{right}", n(LEFT), n(y)));
            out.words(LEFT - 6.0, y + 4.5, Anchor::End, Tone::Plain, format!("{shown:.0}"));
        }
        out.words(0.0, 12.0, Anchor::Start, Tone::Plain, format!("°{}", self.degrees.letter()));
        for (at, label) in ticks(self.calendar, (self.from, self.to), self.width - LEFT - RIGHT) {
            let x = pen.x(at);
            if x < LEFT + 12.0 || x > self.width - 20.0 {
                continue;
            }
            out.path(Ink::Tick, format!("M{} {}v5", n(x), n(TOP + HIGH)));
            out.words(x, TOP + HIGH + 18.0, Anchor::Middle, Tone::Plain, label);
        }
        out.path(Ink::Axis, format!("M{} {}H{right}", n(LEFT), n(TOP + HIGH)));
    }

    fn gaps(&self, pen: &Pen, out: &mut Drawing) {
        for (from, until) in &self.gaps {
            let (from, until) = ((*from).max(self.from), (*until).min(self.to));
            if from < until {
                let (x, w) = (pen.x(from), (pen.x(until) - pen.x(from)).max(1.0));
                out.path(Ink::Gap, block(x, TOP, w, HIGH));
            }
        }
    }

    fn limits(&self, pen: &Pen, out: &mut Drawing) {
        for limit in self.limits.iter().filter(|l| (pen.low..=pen.high).contains(*l)) {
            let (y, end) = (pen.y(*limit), self.width - RIGHT);
            out.path(Ink::Limit, format!("M{} {}H{}", n(LEFT), n(y), n(end)));
            let word = format!("never beyond {:.1}", self.degrees.show(*limit));
            out.words(end, y - 5.0, Anchor::End, Tone::BoldHalo, word);
        }
    }

    fn line(&self, pen: &Pen, line: &Line, out: &mut Drawing) {
        let mut spread = String::new();
        for (from, until, low, high) in line.spread.iter().filter(|s| s.2.is_finite() && s.3.is_finite()) {
            let (x, w) = (pen.x(*from), pen.x(*until) - pen.x(*from));
            let (y, h) = (pen.y(*high), (pen.y(*low) - pen.y(*high)).max(0.5));
            spread += &block(x, y, w, h);
        }
        out.path(Ink::Spread, spread);
        let ink = match line.stroke {
            Stroke::Solid => Ink::Solid,
            Stroke::Dashed => Ink::Dashed,
            Stroke::Dotted => Ink::Dotted,
        };
        let step = (line.points.len() / MOST_POINTS).max(1);
        let (mut path, mut last): (String, Option<Wall>) = (String::new(), None);
        for (at, value) in line.points.iter().step_by(step).filter(|p| p.1.is_finite()) {
            // A guess at what comes is two points and no gap.
            let dotted = line.stroke == Stroke::Dotted;
            let longest = Span::ms(self.break_after.as_ms().saturating_mul(step as i64));
            let joined = last.is_some_and(|last| dotted || at.since(last) <= longest);
            let _ = write!(path, "{}{} {}", if joined { "L" } else { "M" }, n(pen.x(*at)), n(pen.y(*value)));
            last = Some(*at);
        }
        out.path(ink, path);
    }

    fn strips(&self, pen: &Pen, out: &mut Drawing) {
        let mut y = TOP + HIGH + 42.0;
        if let Some((planned, seen)) = &self.light {
            out.path(Ink::Planned, self.bars(pen, planned, y + 0.5, 5.0));
            out.path(Ink::Seen, self.bars(pen, seen, y, 6.0));
            y += STRIP;
        }
        if let Some(heat) = &self.heat {
            out.path(Ink::Planned, self.bars(pen, &heat.called, y + 0.5, 14.0));
            let mut path = String::new();
            for (from, until, share) in heat.shares.iter().filter(|h| h.2.is_finite() && h.2 > 0.0) {
                let (a, b) = (pen.x((*from).max(self.from)), pen.x((*until).min(self.to)));
                let h = share.clamp(0.0, 1.0) * 14.0;
                if a < b {
                    path += &block(a, y + 14.0 - h, b - a, h);
                }
            }
            out.path(Ink::Seen, path);
            out.path(Ink::Axis, format!("M{} {}H{}", n(LEFT), n(y + 14.5), n(self.width - RIGHT)));
        }
    }

    /// After the lines that mark moments, which must not strike words out.
    fn strip_labels(&self, out: &mut Drawing) {
        let light = self.light.is_some().then_some("light: outline planned, solid seen");
        let labels = light.into_iter().chain(self.heat.as_ref().map(|heat| heat.label.as_str()));
        for (i, label) in labels.enumerate() {
            out.words(LEFT, TOP + HIGH + 36.0 + STRIP * i as f64, Anchor::Start, Tone::Halo, label);
        }
    }

    fn bars(&self, pen: &Pen, spans: &[(Wall, Wall)], y: f64, h: f64) -> String {
        let mut path = String::new();
        for (from, until) in spans {
            let (a, b) = (pen.x((*from).max(self.from)), pen.x((*until).min(self.to)));
            if a < b {
                path += &block(a, y, b - a, h);
            }
        }
        path
    }

    fn moments(&self, pen: &Pen, out: &mut Drawing) {
        let inside = |at: &Wall| (self.from..=self.to).contains(at);
        let mut free_from = f64::NEG_INFINITY;
        for (at, word) in self.moments.iter().filter(|m| inside(&m.0)) {
            let x = pen.x(*at);
            out.path(Ink::Moment, format!("M{} {}V{}", n(x), n(TOP - 4.0), n(pen.bottom)));
            // Words that would lie on the last ones are left out: the line stays, the ledger says the rest.
            let wide = word.chars().count() as f64 * 7.0;
            if x - wide / 2.0 > free_from && x + wide / 2.0 < self.width {
                out.words(x, 12.0, Anchor::Middle, Tone::Halo, word.as_str());
                free_from = x + wide / 2.0 + 8.0;
            }
        }
        if inside(&self.now) && self.now < self.to {
            out.path(Ink::Now, format!("M{} {}V{}", n(pen.x(self.now)), n(TOP - 4.0), n(pen.bottom)));
        }
    }
}

fn block(x: f64, y: f64, w: f64, h: f64) -> String {
    format!("M{} {}h{}v{}h{}z", n(x), n(y), n(w), n(h), n(-w))
}

/// Where things lie.
struct Pen {
    from: Wall,
    span_s: f64,
    wide: f64,
    low: f64,
    high: f64,
    bottom: f64,
}

impl Pen {
    fn of(trace: &Trace) -> Pen {
        let (low, high) = trace.scale.filter(|(a, b)| a < b).unwrap_or_else(|| trace.own_scale());
        let strips = f64::from(u8::from(trace.light.is_some()) + u8::from(trace.heat.is_some()));
        let bottom = TOP + HIGH + if strips > 0.0 { 18.0 + strips * STRIP } else { 0.0 };
        Pen {
            from: trace.from,
            span_s: trace.to.since(trace.from).as_s().max(1.0),
            wide: (trace.width - LEFT - RIGHT).max(1.0),
            low,
            high,
            bottom,
        }
    }
    fn x(&self, at: Wall) -> f64 {
        LEFT + (at.since(self.from).as_s() / self.span_s).clamp(-0.01, 1.01) * self.wide
    }
    /// Pinned to the drawing's edge beyond the scale.
    fn y(&self, celsius: f64) -> f64 {
        TOP + ((self.high - celsius) / (self.high - self.low)).clamp(0.0, 1.0) * HIGH
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn trace(calendar: &Calendar) -> Trace<'_> {
        let from = Wall::parse_rfc3339("2026-03-03T12:45:00Z").unwrap_or_default();
        let points = (0..106).map(|i| (from + Span::min(i), 31.0 - i as f64 / 30.0));
        Trace {
            calendar,
            degrees: Degrees::C,
            from,
            to: from + Span::h(3),
            now: from + Span::min(106),
            width: 358.0,
            lines: vec![Line { points: points.collect(), ..Line::default() }],
            bands: vec![Bands { steps: vec![(from, Some((30.0, 32.0)))] }],
            limits: vec![25.0],
            gaps: vec![(from + Span::min(20), from + Span::min(30))],
            light: Some((vec![(from, from + Span::h(2))], vec![])),
            heat: Some(Effort {
                label: "heat: share of full".to_owned(),
                called: vec![(from, from + Span::h(2))],
                shares: vec![(from, from + Span::h(1), 0.5)],
            }),
            moments: vec![(from + Span::min(77), "14:02 <b>".to_owned())],
            says: vec![],
            break_after: Span::min(5),
            scale: None,
        }
    }

    #[test]
    fn gaps_stay_gaps_and_words_stay_words() {
        let calendar = Calendar::utc();
        let mut trace = trace(&calendar);
        let drawn = trace.draw().svg();
        assert!(drawn.contains("&lt;b&gt;") && !drawn.contains("<b>"));
        let pieces = |svg: &str| {
            svg.split("class=\"wl\" d=\"").nth(1).map_or(0, |d| d.split('"').next().unwrap_or("").matches('M').count())
        };
        assert_eq!(pieces(&drawn), 1);
        trace.lines[0].points.drain(30..50);
        assert_eq!(pieces(&trace.draw().svg()), 2);
    }

    #[test]
    fn nothing_breaks_it() {
        let calendar = Calendar::utc();
        let mut trace = trace(&calendar);
        trace.lines[0].points = vec![(Wall::MIN, f64::NAN), (Wall::MAX, f64::INFINITY), (trace.from, 1e300)];
        trace.bands[0].steps = vec![(Wall::MIN, Some((f64::NEG_INFINITY, f64::NAN))), (Wall::MAX, None)];
        for (from, to) in [(Wall::MIN, Wall::MAX), (Wall::MAX, Wall::MIN), (Wall::from_ms(0), Wall::from_ms(0))] {
            (trace.from, trace.to) = (from, to);
            let drawn = trace.draw().svg();
            assert!(!drawn.contains("NaN") && !drawn.contains("inf"), "{drawn}");
        }
    }
}
