//! The slope: what the places of one enclosure read from the hot end to the cool end, against what each should.
//!
//! A block is a place's wanted band, the line runs through the readings. In °C on one scale for the whole wall while that
//! leaves two units a kelvin; below that it is *laid level*: every band is pulled onto one strip.

use super::mark::Hue;
use super::standing::outside;
use super::words::{Words, number};
use crate::engine::view::{Condition, EnclosureView, LightView, PlaceView, View};
use crate::terms::time::Wall;
use maud::{Markup, PreEscaped, html};
use std::fmt::Write as _;

/// A tile in °C: drawing units.
const WIDE: f64 = 180.0;
const HIGH: f64 = 96.0;
/// The part of a tile that is scale; the day strip lies under it.
const SCALE_HIGH: f64 = 84.0;
/// A block fills this share of its slot.
const BLOCK: f64 = 0.72;
/// Fewer units a kelvin than this cannot be read as degrees.
const LEAST_UNITS_PER_K: f64 = 2.2;
/// More tiles than this are laid level: there is no room for degrees.
pub const MOST_IN_DEGREES: usize = 72;

/// The one temperature scale of a wall, °C.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scale {
    pub low: f64,
    pub high: f64,
}

impl Scale {
    /// 1.5 K below the lowest wanted limit to 1 K above the highest, in whole kelvins. `None`: nothing is wanted anywhere.
    pub fn of<'a>(enclosures: impl IntoIterator<Item = &'a EnclosureView>) -> Option<Scale> {
        let bands = enclosures.into_iter().flat_map(|e| e.places.iter().filter_map(|p| p.wanted));
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for (from, to) in bands.filter(|(a, b)| a.is_finite() && b.is_finite()) {
            (low, high) = (low.min(from), high.max(to));
        }
        (low <= high).then(|| Scale { low: (low - 1.5).floor(), high: (high + 1.0).ceil() })
    }

    /// Whether a wall of so many tiles can be drawn in degrees.
    pub fn in_degrees(self, tiles: usize) -> bool {
        tiles <= MOST_IN_DEGREES && SCALE_HIGH / (self.high - self.low) >= LEAST_UNITS_PER_K
    }

    fn y(self, celsius: f64, high: f64) -> f64 {
        ((self.high - celsius) / (self.high - self.low) * high).clamp(0.0, high)
    }
}

/// Places that have a slot: those that are wanted or read.
fn slots(enclosure: &EnclosureView) -> Vec<&PlaceView> {
    enclosure.places.iter().filter(|p| p.wanted.is_some() || p.celsius.is_some()).collect()
}

/// A coordinate with one decimal at the most.
fn at(value: f64) -> String {
    let text = number(value, 1);
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

/// What is at a place: a trusted reading, or a hole.
fn seen(place: &PlaceView) -> Option<f64> {
    place.celsius.filter(|c| c.is_finite() && place.unseen.is_none())
}

fn hue_of(place: &PlaceView) -> Hue {
    match (seen(place), place.wanted) {
        (Some(c), Some(band)) if outside(c, band) < 0.0 => Hue::Cold,
        (Some(c), Some(band)) if outside(c, band) > 0.0 => Hue::Hot,
        _ => Hue::None,
    }
}

/// The line through the readings, broken where a place is not seen.
fn line(points: &[(f64, Option<f64>)]) -> String {
    let mut path = String::new();
    let mut pen_down = false;
    for (x, y) in points {
        match y {
            Some(y) => {
                let _ = write!(path, "{}{} {}", if pen_down { "L" } else { "M" }, at(*x), at(*y));
                pen_down = true;
            }
            None => pen_down = false,
        }
    }
    path
}

/// One tile of a wall in degrees. `left`: the words for the time left, in the corner that the slope leaves free.
pub fn tile(words: &Words, enclosure: &EnclosureView, scale: Scale, hue: Hue, left: Option<&str>) -> Markup {
    let slots = slots(enclosure);
    let slot = WIDE / slots.len().max(1) as f64;
    let x = |i: usize| (i as f64 + 0.5) * slot;
    let y = |c: f64| scale.y(c, SCALE_HIGH);
    let points: Vec<_> = slots.iter().enumerate().map(|(i, p)| (x(i), seen(p).map(y))).collect();
    let numbers = !matches!(enclosure.condition, Condition::Shelved | Condition::HandsIn);
    let thirty = y(30.0);
    html! {
        svg viewBox={ "0 0 " (at(WIDE)) " " (at(HIGH)) } aria-hidden="true" {
            @if (scale.low..=scale.high).contains(&30.0) { path.r30 d={ "M0 " (at(thirty)) "h" (at(WIDE)) } {} }
            @for (i, place) in slots.iter().enumerate() {
                @if let Some(band) = place.wanted { (block(x(i), slot * BLOCK, y(band.1), y(band.0))) }
            }
            path.ln d=(line(&points)) {}
            @for (i, place) in slots.iter().enumerate() {
                (dot(x(i), place, &y))
                @if let Some(c) = seen(place).filter(|_| numbers && hue_of(place) != Hue::None) {
                    (value(words, (x(i), y(c)), c, hue_of(place)))
                }
            }
            @if let Some(left) = left {
                @if hue == Hue::Hot { text.num x="0" y="80" { (left) } }
                @else { text.num x=(at(WIDE)) y="12" text-anchor="end" { (left) } }
            }
            (day_strip(words, &enclosure.light, WIDE, 90.0))
        }
    }
}

/// A number beside its dot, on the side where it does not leave the tile.
fn value(words: &Words, (x, y): (f64, f64), celsius: f64, hue: Hue) -> Markup {
    let below = hue == Hue::Cold;
    let line = if below { y + 17.0 } else { y - 8.0 };
    let line = if line > SCALE_HIGH {
        y - 8.0
    } else if line < 11.0 {
        y + 17.0
    } else {
        line
    };
    html! { text.num x=(at(x.clamp(15.0, WIDE - 15.0))) y=(at(line)) text-anchor="middle" { (words.bare(celsius)) } }
}

fn block(middle: f64, width: f64, top: f64, bottom: f64) -> Markup {
    let (left, width, height) = (at(middle - width / 2.0), at(width), at((bottom - top).max(0.5)));
    let (top, bottom) = (at(top), at(bottom));
    html! {
        path.bd d={ "M" (left) " " (top) "h" (width) "v" (height) "h-" (width) "z" } {}
        path.be d={ "M" (left) " " (top) "h" (width) "M" (left) " " (bottom) "h" (width) } {}
    }
}

/// A reading in its band: a small grey dot; outside: a large one in the hue of the harm; not seen: a diamond mid-band.
fn dot(x: f64, place: &PlaceView, y: &dyn Fn(f64) -> f64) -> Markup {
    html! {
        @if let Some(c) = seen(place) {
            @match hue_of(place) {
                Hue::None => circle.dt cx=(at(x)) cy=(at(y(c))) r="2.6" {},
                Hue::Cold => circle.lo cx=(at(x)) cy=(at(y(c))) r="5" {},
                Hue::Hot => circle.hi cx=(at(x)) cy=(at(y(c))) r="5" {},
            }
        } @else if let Some((low, high)) = place.wanted {
            (diamond(x, y((low + high) / 2.0), 6.0))
        }
    }
}

fn diamond(x: f64, y: f64, r: f64) -> Markup {
    html! { path.si d={ "M" (at(x)) " " (at(y - r)) "l" (at(r)) " " (at(r)) "l-" (at(r)) " " (at(r)) "l-" (at(r)) " -" (at(r)) "z" } {} }
}

/// The local day from midnight to midnight: outline where light is planned, solid where it was seen.
pub fn day_strip(words: &Words, light: &LightView, width: f64, y: f64) -> Markup {
    let (from, to) = words.local_day(words.now());
    let x = |t: Wall| (t.since(from).as_s() / to.since(from).as_s().max(1.0) * width).clamp(0.0, width);
    let bar = |a: Wall, b: Wall, y: f64, h: f64| {
        let (left, wide) = (x(a), (x(b) - x(a)).max(0.0));
        format!("M{} {}h{}v{}h-{}z", at(left), at(y), at(wide), at(h), at(wide))
    };
    html! {
        @if let (Some(on), Some(off)) = (light.on_at, light.off_at) {
            @if on < off { path.rp d=(bar(on, off, y + 0.5, 4.0)) {} }
            // A plan over midnight: the morning's rest and the evening's start.
            @else { path.rp d={ (bar(from, off, y + 0.5, 4.0)) (bar(on, to, y + 0.5, 4.0)) } {} }
        }
        @for (a, b) in &light.seen { path.rs d=(bar(*a, b.unwrap_or(words.now()), y, 5.0)) {} }
    }
}

/// A laid-level tile: 46 × 34 units, the strip from 11 to 23.
pub mod level {
    use super::*;

    const STRIP: (f64, f64) = (11.0, 23.0);
    const UNITS_PER_K: f64 = 2.0;
    const FARTHEST_K: f64 = 4.75;
    const ENDS: (f64, f64) = (7.0, 39.0);

    /// The shared picture of the strip, once a page.
    pub const STRIP_SYMBOL: PreEscaped<&str> = PreEscaped(
        r#"<svg class="syms" aria-hidden="true"><symbol id="strip" viewBox="0 0 46 34"><path class="bd" d="M2 11h42v12H2z"/><path class="be" d="M2 11h42M2 23h42"/></symbol></svg>"#,
    );

    /// Half units: a change too small to see does not go over the wire.
    fn half(value: f64) -> f64 {
        (value * 2.0).round() / 2.0
    }

    /// Inside: the share of the band. Outside: two units a kelvin, pinned.
    fn y(celsius: f64, (low, high): (f64, f64)) -> f64 {
        let off = outside(celsius, (low, high)).clamp(-FARTHEST_K, FARTHEST_K);
        half(if off > 0.0 {
            STRIP.0 - off * UNITS_PER_K
        } else if off < 0.0 {
            STRIP.1 - off * UNITS_PER_K
        } else {
            STRIP.1 - (celsius - low) / (high - low).max(1e-9) * (STRIP.1 - STRIP.0)
        })
    }

    pub fn tile(enclosure: &EnclosureView) -> Markup {
        let slots: Vec<&PlaceView> = slots(enclosure).into_iter().filter(|p| p.wanted.is_some()).collect();
        let step = if slots.len() > 1 { (ENDS.1 - ENDS.0) / (slots.len() - 1) as f64 } else { 0.0 };
        let first = if slots.len() > 1 { ENDS.0 } else { (ENDS.0 + ENDS.1) / 2.0 };
        let x = |i: usize| half(first + i as f64 * step);
        let place_y = |p: &PlaceView| p.wanted.and_then(|band| seen(p).map(|c| y(c, band)));
        let points: Vec<_> = slots.iter().enumerate().map(|(i, p)| (x(i), place_y(p))).collect();
        html! {
            svg viewBox="0 0 46 34" aria-hidden="true" {
                use href="#strip" {}
                path.ln d=(line(&points)) {}
                @for (i, place) in slots.iter().enumerate() {
                    @match (place_y(place), hue_of(place)) {
                        (None, _) => (diamond(x(i), 17.0, 4.0)),
                        (Some(y), Hue::Cold) => circle.lo cx=(at(x(i))) cy=(at(y)) r="2.8" {},
                        (Some(y), Hue::Hot) => circle.hi cx=(at(x(i))) cy=(at(y)) r="2.8" {},
                        // One place alone makes no line: a dot shows that it is read.
                        (Some(y), Hue::None) if slots.len() == 1 => circle.dt cx=(at(x(i))) cy=(at(y)) r="1.8" {},
                        (Some(_), Hue::None) => {},
                    }
                }
            }
        }
    }
}

/// The slope of one enclosure, large: numbers, limits, what it was before, where it is heading.
pub struct Large<'a> {
    pub words: &'a Words,
    pub enclosure: &'a EnclosureView,
    /// What each place read before it began (by the place's index in the view), °C.
    pub before: &'a [Option<f64>],
    /// The words under the dashed line: `14:01`.
    pub before_label: Option<String>,
    pub width: f64,
}

const LARGE_HIGH: f64 = 344.0;
const LARGE_TOP: f64 = 10.0;
const AXIS: f64 = 34.0;

impl Large<'_> {
    fn scale(&self, places: &[&PlaceView]) -> Scale {
        let values = places.iter().flat_map(|p| {
            let band = |b: Option<(f64, f64)>| b.map_or([None, None], |(low, high)| [Some(low), Some(high)]);
            let [a, b] = band(p.wanted);
            let [c, d] = band(p.never);
            [a, b, c, d, seen(p)]
        });
        let values: Vec<f64> = values.chain(self.before.iter().copied()).flatten().filter(|v| v.is_finite()).collect();
        let low = values.iter().copied().fold(f64::INFINITY, f64::min);
        let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        if low <= high {
            Scale { low: (low - 1.0).floor(), high: (high + 1.0).ceil() }
        } else {
            Scale { low: 15.0, high: 40.0 }
        }
    }

    pub fn draw(&self) -> Markup {
        let places = slots(self.enclosure);
        let scale = self.scale(&places);
        let y = |c: f64| LARGE_TOP + scale.y(c, LARGE_HIGH);
        let slot = (self.width - AXIS) / places.len().max(1) as f64;
        let x = |i: usize| AXIS + (i as f64 + 0.5) * slot;
        let points: Vec<_> = places.iter().enumerate().map(|(i, p)| (x(i), seen(p).map(y))).collect();
        let old: Vec<_> = places
            .iter()
            .enumerate()
            .map(|(i, p)| (x(i), self.before_at(p).filter(|v| v.is_finite()).map(y)))
            .collect();
        let step = grid_step(self.words.degrees.show_difference(scale.high - scale.low));
        html! {
            svg.large viewBox={ "0 0 " (at(self.width)) " 410" } width=(at(self.width)) aria-hidden="true" {
                @for shown in grid(self.words.degrees.show(scale.low), self.words.degrees.show(scale.high), step) {
                    @let level = y(self.words.degrees.read(shown));
                    path.gr d={ "M" (at(AXIS)) " " (at(level)) "H" (at(self.width)) } {}
                    text x=(at(AXIS - 6.0)) y=(at(level + 4.5)) text-anchor="end" { (number(shown, 0)) }
                }
                @for (i, place) in places.iter().enumerate() { (self.place(place, x(i), slot, &y)) }
                path.old d=(line(&old)) {}
                @if let (Some(label), [(x0, Some(y0)), (x1, Some(y1)), ..]) = (&self.before_label, old.as_slice()) {
                    text.halo x=(at((x0 + x1) / 2.0)) y=(at((y0 + y1) / 2.0 - 8.0)) text-anchor="middle" { (label) }
                }
                path.ln2 d=(line(&points)) {}
                @for (i, place) in places.iter().enumerate() { (self.reading(place, x(i), &y)) }
            }
        }
    }

    fn before_at(&self, place: &PlaceView) -> Option<f64> {
        let index = self.enclosure.places.iter().position(|p| p.place == place.place)?;
        self.before.get(index).copied().flatten()
    }

    fn place(&self, place: &PlaceView, x: f64, slot: f64, y: &dyn Fn(f64) -> f64) -> Markup {
        let width = slot * 0.62;
        let (left, right) = (at(x - width / 2.0), at(x + width / 2.0));
        // Two words stand on two lines, so that five places fit on a phone.
        let label = place.place.label();
        let (first, second) = label.split_once(' ').unwrap_or((label, ""));
        html! {
            @if let Some(band) = place.wanted { (block(x, width, y(band.1), y(band.0))) }
            @if let Some((low, high)) = place.never {
                path.al d={ "M" (left) " " (at(y(low) - 6.0)) "V" (at(y(low))) "H" (right) "v-6M" (left) " " (at(y(high) + 6.0)) "V" (at(y(high))) "H" (right) "v6" } {}
            }
            text.b x=(at(x)) y="370" text-anchor="middle" { (first) }
            text.b x=(at(x)) y="386" text-anchor="middle" { (second) }
            text x=(at(x)) y="404" text-anchor="middle" { @if let Some(band) = place.wanted { (self.words.band(band)) } @else { "not judged" } }
        }
    }

    fn reading(&self, place: &PlaceView, x: f64, y: &dyn Fn(f64) -> f64) -> Markup {
        html! {
            @if let Some(c) = seen(place) {
                @let (class, r, text) = match hue_of(place) { Hue::Cold => ("lo", 7.0, "b halo wide0 low"), Hue::Hot => ("hi", 7.0, "b halo wide0 high"), Hue::None => ("dk", 4.5, "b halo") };
                circle class=(class) cx=(at(x)) cy=(at(y(c))) r=(at(r)) {}
                text class=(text) x=(at(x + 11.0)) y=(at(y(c) + if place.slope_k_per_min.unwrap_or(0.0) > 0.0 { 18.0 } else { -8.0 })) { (self.words.bare(c)) }
                // An arrow an hour long, where the slope is steep enough to be seen.
                @if let Some(slope) = place.slope_k_per_min.filter(|s| s.is_finite() && s.abs() * 60.0 >= 1.0) {
                    @let end = y(c + slope * 60.0);
                    @let way = if slope > 0.0 { 7.0 } else { -7.0 };
                    path.go d={ "M" (at(x)) " " (at(y(c) - way * 1.4)) "V" (at(end)) "M" (at(x - 4.0)) " " (at(end + way)) "L" (at(x)) " " (at(end)) "L" (at(x + 4.0)) " " (at(end + way)) } {}
                }
            } @else if let Some((low, high)) = place.wanted {
                (diamond(x, y((low + high) / 2.0), 9.0))
                text.b.halo x=(at(x)) y=(at(y((low + high) / 2.0) + 28.0)) text-anchor="middle" { "not seen" }
            }
        }
    }
}

/// Round steps that leave at most ten grid lines.
fn grid_step(range: f64) -> f64 {
    [1.0, 2.0, 5.0, 10.0, 20.0].into_iter().find(|step| range / step <= 10.0).unwrap_or(50.0)
}

fn grid(low: f64, high: f64, step: f64) -> Vec<f64> {
    let first = (low / step).ceil();
    let count = ((high / step).floor() - first).clamp(-1.0, 60.0) as i64 + 1;
    (0..count).map(|i| (first + i as f64) * step).collect()
}

/// A bullet for a row of the wall: the band and the reading on the wall's own scale, 150 units wide.
pub fn bullet(view: &View, place: &PlaceView) -> Option<Markup> {
    let (band, c) = (place.wanted?, seen(place)?);
    let scale = Scale::of(&view.enclosures)?;
    let x = |v: f64| ((v - scale.low) / (scale.high - scale.low) * 150.0).clamp(2.0, 148.0);
    let class = match hue_of(place) {
        Hue::Cold => "mk low",
        Hue::Hot => "mk high",
        Hue::None => "mk dt",
    };
    let (a, b) = (at(x(band.0)), at(x(band.1)));
    Some(html! {
        svg.bl viewBox="0 0 150 20" width="150" height="20" aria-hidden="true" {
            path.hl d="M0 10.5h150" {}
            path.bd d={ "M" (a) " 4H" (b) "v13H" (a) "z" } {}
            path.be d={ "M" (a) " 4v13M" (b) " 4v13" } {}
            path class=(class) d={ "M" (at(x(c))) " 1v18" } {}
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_breaks_where_nothing_is_seen() {
        assert_eq!(line(&[(1.0, Some(2.0)), (3.0, None), (5.0, Some(6.25)), (7.0, Some(8.0))]), "M1 2M5 6.2L7 8");
        assert_eq!(line(&[]), "");
    }

    #[test]
    fn grids_are_bounded_whatever_the_scale() {
        assert_eq!(grid(20.2, 27.9, 2.0), [22.0, 24.0, 26.0]);
        assert!(grid(f64::NEG_INFINITY, f64::INFINITY, 1.0).len() <= 61);
        assert!(grid(-1e300, 1e300, grid_step(2e300)).len() <= 61);
        assert!(grid(5.0, 4.0, 1.0).is_empty());
    }
}
