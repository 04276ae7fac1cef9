//! The plots of an enclosure: since it began, and a chosen stretch, on one scale; each with its table.

use super::past::{Past, Ten};
use super::standing::{House, guilty};
use super::words;
use crate::care::calendar::Calendar;
use crate::engine::view::{EnclosureView, PlaceView};
use crate::plot::trace::{Bands, Line, Spans, Stroke, Trace};
use crate::terms::place::Place;
use crate::terms::time::{Span, Wall};
use maud::{Markup, PreEscaped, html};

/// Readings of a plot since an incident began: a day of one a second would be more, and could not be seen.
const MOST_READINGS: usize = 20_000;
/// Columns of a long plot.
const COLUMNS: i64 = 360;
/// Rows of the table beside a plot.
const ROWS: i64 = 24;
/// Before an incident's beginning, and after now.
const BEFORE: Span = Span::min(105);
const AHEAD: Span = Span::h(1);

/// A stretch that can be asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stretch {
    Day,
    Week,
    Season,
    Year,
}

impl Stretch {
    pub const ALL: [(Stretch, &'static str, &'static str); 4] = [
        (Stretch::Day, "24h", "24 hours"),
        (Stretch::Week, "7d", "7 days"),
        (Stretch::Season, "90d", "90 days"),
        (Stretch::Year, "1y", "a year"),
    ];
    pub fn from_word(word: &str) -> Stretch {
        Stretch::ALL.into_iter().find(|(_, w, _)| *w == word).map_or(Stretch::Day, |(s, ..)| s)
    }
    const fn length(self) -> Span {
        match self {
            Stretch::Day => Span::h(24),
            Stretch::Week => Span::days(7),
            Stretch::Season => Span::days(90),
            Stretch::Year => Span::days(365),
        }
    }
    fn words(self) -> &'static str {
        Stretch::ALL.into_iter().find(|(s, ..)| *s == self).map_or("", |(_, _, words)| words)
    }
    fn word(self) -> &'static str {
        Stretch::ALL.into_iter().find(|(s, ..)| *s == self).map_or("", |(_, word, _)| word)
    }
}

/// The name that the store keeps a place's temperature under.
pub fn probe(enclosure: &str, place: Place) -> String {
    format!("enclosure/{enclosure}/{}.temperature", place.word())
}

/// What each place read when an incident began, in the view's order.
pub fn before(past: &dyn Past, enclosure: &EnclosureView, since: Wall) -> Vec<Option<f64>> {
    let last = |p: &PlaceView| {
        let readings = past.readings(&probe(&enclosure.id, p.place), since - Span::min(15), since, MOST_READINGS);
        readings.ok()?.last().map(|(_, c)| *c)
    };
    enclosure.places.iter().map(last).collect()
}

/// What is drawn: the place in question solid, the one at the other end dashed.
fn drawn<'a>(house: &House, enclosure: &'a EnclosureView) -> Vec<&'a PlaceView> {
    let places: Vec<&PlaceView> =
        enclosure.places.iter().filter(|p| p.celsius.is_some() || p.wanted.is_some()).collect();
    let asked = house.speaks_for(enclosure).and_then(|i| i.place);
    let first = guilty(enclosure, asked).or(places.first().copied());
    let Some(first) = first else { return vec![] };
    let other = places.iter().rev().chain(places.iter()).find(|p| p.place != first.place && p.place != Place::Air);
    std::iter::once(first).chain(other.copied()).collect()
}

/// Everything of one stretch that the store and the plan tell, ready to be drawn at any width.
struct Told {
    from: Wall,
    to: Wall,
    places: Vec<Place>,
    lines: Vec<Line>,
    bands: Vec<Bands>,
    gaps: Vec<(Wall, Wall)>,
    limits: Vec<f64>,
    light: Option<(Spans, Spans)>,
    moments: Vec<(Wall, String)>,
    rows: Vec<Row>,
    break_after: Span,
    trouble: Option<String>,
}

/// One row of the table: a stretch, and low and high of each place.
struct Row {
    from: Wall,
    until: Wall,
    values: Vec<Option<(f64, f64)>>,
}

/// Both plots, or one where nothing is wrong.
pub fn plots(
    house: &House,
    enclosure: &EnclosureView,
    past: &dyn Past,
    stretch: Stretch,
    until: Option<Wall>,
) -> Markup {
    let calendar = Calendar::new(&house.view.time_zone, None).unwrap_or_else(Calendar::utc);
    let now = house.now();
    let places = drawn(house, enclosure);
    if places.is_empty() {
        return html! {};
    }
    let until = until.unwrap_or(now).min(now);
    let long = long(house, enclosure, past, &places, until - stretch.length(), until);
    let incident = house.speaks_for(enclosure).filter(|i| now.since(i.since) < Span::h(48));
    let short = incident.map(|i| since(house, enclosure, past, &places, i.since));
    // One scale for both, so that the eye may go from one to the other.
    let scale =
        [Some(&long), short.as_ref()].into_iter().flatten().map(|t| t.trace(&calendar, house, 600.0, None).own_scale());
    let scale = scale.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)));
    let solid = places.first().map_or("", |p| p.place.label());
    let dashed = places.get(1).map_or(String::new(), |p| format!(" Dashed: {}.", p.place.label()));
    html! {
        section aria-labelledby="plots-h" {
            h2.hid #plots-h { "Plots" }
            div class=(if short.is_some() { "two" } else { "gap" }) {
                @if let Some(short) = &short {
                    figure role="group" aria-label={ "Since it began: " (short.spoken(house)) } {
                        figcaption { b { "Since it began" } "Solid: " (solid) "." (dashed) " Block: wanted." }
                        (short.draw(&calendar, house, scale, 592.0))
                        (short.table(house))
                    }
                }
                figure role="group" aria-label={ (words::sentence(stretch.words())) ": " (long.spoken(house)) } {
                    figcaption { b { (words::sentence(stretch.words())) @if until < now { ", until " (house.words.day_and_clock(until)) } } "Solid: " (solid) "." (dashed) " Line: mean. Shade: low to high." }
                    (long.draw(&calendar, house, scale, if short.is_some() { 592.0 } else { 1_216.0 }))
                    (ways(enclosure, stretch, until, now))
                    (long.table(house))
                }
            }
        }
    }
}

/// The ways to other stretches, and back and on in time.
fn ways(enclosure: &EnclosureView, stretch: Stretch, until: Wall, now: Wall) -> Markup {
    let at = |stretch: Stretch, until: Option<Wall>| {
        let until = until.map_or(String::new(), |u| format!("&until={}", u.as_ms()));
        format!("/e/{}?span={}{until}#plots-h", super::frame::segment(&enclosure.id), stretch.word())
    };
    let kept = (until < now).then_some(until);
    html! {
        nav aria-label="Stretch" {
            ul.filters {
                @for (other, _, words) in Stretch::ALL {
                    li { @if other == stretch { b aria-current="true" { (words) } } @else { a href=(at(other, kept)) { (words) } } }
                }
                li { a href=(at(stretch, Some(until - stretch.length()))) { "earlier" } }
                @if until < now {
                    li { a href=(at(stretch, Some(until + stretch.length()).filter(|u| *u < now))) { "later" } }
                    li { a href=(at(stretch, None)) { "now" } }
                }
            }
        }
    }
}

fn since(house: &House, enclosure: &EnclosureView, past: &dyn Past, places: &[&PlaceView], began: Wall) -> Told {
    let (from, to) = (began - BEFORE, house.now() + AHEAD);
    let mut told = frame_of(house, enclosure, past, places, from, to);
    for (i, place) in places.iter().enumerate() {
        let points = told.keep(past.readings(&probe(&enclosure.id, place.place), from, to, MOST_READINGS));
        let tens: Vec<Ten> = points.iter().map(|(at, c)| Ten { from: *at, min: *c, mean: *c, max: *c }).collect();
        told.fill(i, &tens, Span::ZERO);
        told.lines.push(Line { points, spread: vec![], stroke: stroke(i) });
        let ahead = place.celsius.zip(place.slope_k_per_min).filter(|_| place.unseen.is_none());
        if let Some((c, slope)) = ahead.filter(|(_, s)| s.is_finite() && s.abs() > 0.01) {
            // The pace of now held for half an hour: a guess that is drawn as one.
            let half = Span::min(30);
            let points = vec![(house.now(), c), (house.now() + half, c + slope * half.as_min())];
            told.lines.push(Line { points, spread: vec![], stroke: Stroke::Dotted });
        }
    }
    told.break_after = Span::min(10);
    told.limits = places.first().and_then(|p| p.never).map_or(vec![], |(low, high)| vec![low, high]);
    told.moments.insert(0, (began, format!("{} began", house.words.clock(began))));
    told
}

fn long(
    house: &House,
    enclosure: &EnclosureView,
    past: &dyn Past,
    places: &[&PlaceView],
    from: Wall,
    to: Wall,
) -> Told {
    let mut told = frame_of(house, enclosure, past, places, from, to);
    let column = Span::ms((to.since(from).as_ms() / COLUMNS).max(Span::min(10).as_ms()));
    for (i, place) in places.iter().enumerate() {
        let tens = told.keep(past.summaries(&probe(&enclosure.id, place.place), from, to));
        told.fill(i, &tens, Span::min(10));
        let columns = gather(&tens, from, column);
        let points = columns.iter().map(|t| (t.from + column.times(0.5), t.mean)).collect();
        let spread = columns.iter().map(|t| (t.from, t.from + column, t.min, t.max)).collect();
        told.lines.push(Line { points, spread: if i == 0 { spread } else { vec![] }, stroke: stroke(i) });
    }
    told.break_after = column.times(2.5);
    let marks = past.ledger(Some(&enclosure.id), to, 40).unwrap_or_default();
    let marks = marks.into_iter().rev().filter(|m| m.kind == "mark" && m.at >= from);
    told.moments = marks.map(|m| (m.at, m.words.chars().take(20).collect())).collect();
    told
}

const fn stroke(i: usize) -> Stroke {
    if i == 0 { Stroke::Solid } else { Stroke::Dashed }
}

/// The plan, the gaps and the empty table of a stretch.
fn frame_of(
    house: &House,
    enclosure: &EnclosureView,
    past: &dyn Past,
    places: &[&PlaceView],
    from: Wall,
    to: Wall,
) -> Told {
    let length = to.since(from);
    let row = Span::ms(length.as_ms() / ROWS);
    let rows = (0..ROWS).map(|i| {
        let at = from + Span::ms(row.as_ms() * i);
        Row { from: at, until: at + row, values: vec![None; places.len()] }
    });
    let short = length <= Span::h(48);
    let bands = places.iter().map(|p| {
        let steps = past.wanted(&enclosure.id, p.place, from, to).into_iter().map(|s| (s.from, s.wanted));
        Bands { steps: if length > Span::days(14) { by_day(steps, from) } else { steps.collect() } }
    });
    let mut told = Told {
        from,
        to,
        places: places.iter().map(|p| p.place).collect(),
        lines: vec![],
        bands: bands.collect(),
        gaps: vec![],
        limits: vec![],
        light: short.then(|| light(house, enclosure, past, from, to)),
        moments: vec![],
        rows: rows.collect(),
        break_after: Span::min(30),
        trouble: None,
    };
    let gaps = told.keep(past.gaps(from, to));
    told.gaps = gaps.into_iter().map(|(from, until, _)| (from, until.unwrap_or(to))).collect();
    told
}

/// Light planned and seen. What was seen is known of today only, so the plan is drawn of today only: an outline without
/// its light would say that it was dark.
fn light(house: &House, enclosure: &EnclosureView, past: &dyn Past, from: Wall, to: Wall) -> (Spans, Spans) {
    let (midnight, _) = house.words.local_day(house.now());
    let planned = past.light_planned(&enclosure.id, from.max(midnight), to);
    let seen = enclosure.light.seen.iter().map(|(a, b)| (*a, b.unwrap_or(house.now())));
    (planned.into_iter().map(|(a, b)| (a.max(midnight), b)).collect(), seen.collect())
}

impl Told {
    /// What could be told; why not is said under the plot.
    fn keep<T: Default>(&mut self, told: super::past::Told<T>) -> T {
        told.unwrap_or_else(|why| {
            self.trouble = Some(why);
            T::default()
        })
    }

    fn fill(&mut self, place: usize, tens: &[Ten], length: Span) {
        for ten in tens {
            let middle = ten.from + length.times(0.5);
            let row = self.rows.iter_mut().find(|r| (r.from..r.until).contains(&middle));
            let Some(value) = row.and_then(|r| r.values.get_mut(place)) else { continue };
            let (low, high) = value.unwrap_or((ten.min, ten.max));
            *value = Some((low.min(ten.min), high.max(ten.max)));
        }
    }

    fn trace<'a>(&self, calendar: &'a Calendar, house: &House, width: f64, scale: Option<(f64, f64)>) -> Trace<'a> {
        Trace {
            calendar,
            degrees: house.words.degrees,
            from: self.from,
            to: self.to,
            now: house.now(),
            width,
            lines: self.lines.clone(),
            bands: self.bands.clone(),
            limits: self.limits.clone(),
            gaps: self.gaps.clone(),
            light: self.light.clone(),
            heat: None,
            moments: self.moments.clone(),
            says: self
                .rows
                .iter()
                .filter(|r| r.values.iter().any(Option::is_some))
                .map(|r| (r.from, r.until, self.row_words(house, r)))
                .collect(),
            break_after: self.break_after,
            scale,
        }
    }

    /// Desk and phone each get their own drawing: text is never scaled.
    fn draw(&self, calendar: &Calendar, house: &House, scale: Option<(f64, f64)>, width: f64) -> Markup {
        let at = |width| PreEscaped(self.trace(calendar, house, width, scale).draw().svg());
        html! {
            div.wide { (at(width)) } div.narrow { (at(358.0)) }
            @if let Some(why) = &self.trouble { p.s { "Not all is shown: " (words::cut(why)) "." } }
            @if self.lines.iter().all(|l| l.points.is_empty()) { p.s.q { "Nothing is stored of this stretch yet." } }
        }
    }

    fn row_words(&self, house: &House, row: &Row) -> String {
        let values = self.places.iter().zip(&row.values).filter_map(|(place, v)| {
            let (low, high) = (*v)?;
            Some(format!("{} {}–{}", place.label(), house.words.bare(low), house.words.bare(high)))
        });
        format!("{}: {}", house.words.when(row.from), values.collect::<Vec<_>>().join(", "))
    }

    fn spoken(&self, house: &House) -> String {
        let of = |i: usize, place: &Place| {
            let seen: Vec<_> = self.rows.iter().filter_map(|r| r.values.get(i).copied().flatten()).collect();
            let low = seen.iter().map(|v| v.0).reduce(f64::min)?;
            let high = seen.iter().map(|v| v.1).reduce(f64::max)?;
            Some(format!("{} between {} and {}", place.label(), house.words.bare(low), house.words.degrees(high)))
        };
        let said: Vec<String> = self.places.iter().enumerate().filter_map(|(i, p)| of(i, p)).collect();
        if said.is_empty() { "nothing stored".to_owned() } else { said.join("; ") }
    }

    fn table(&self, house: &House) -> Markup {
        let value = |v: Option<(f64, f64)>| {
            v.map_or(String::new(), |(low, high)| format!("{}–{}", house.words.bare(low), house.words.bare(high)))
        };
        html! {
            details.noprint {
                summary { "The same as a table" }
                div.scroll {
                    table {
                        thead { tr { th scope="col" { "From" } @for p in &self.places { th.n scope="col" { (words::sentence(p.label())) ", low–high" } } } }
                        tbody { @for r in &self.rows { tr { th scope="row" { (house.words.when(r.from)) } @for v in &r.values { td.n { (value(*v)) } } } } }
                    }
                }
            }
        }
    }
}

type Bound = (Wall, Option<(f64, f64)>);

/// Day and night of each day as one band, and alike days as one step: on a long plot they could not be told apart.
fn by_day(steps: impl Iterator<Item = Bound>, from: Wall) -> Vec<Bound> {
    let day = |at: Wall| at.since(from).as_ms().div_euclid(Span::days(1).as_ms());
    let mut days: Vec<(i64, Option<(f64, f64)>)> = Vec::new();
    for (at, wanted) in steps {
        match days.last_mut().filter(|(d, _)| *d == day(at)) {
            Some((_, all)) => {
                let (low, high) = all.unwrap_or((f64::INFINITY, f64::NEG_INFINITY));
                *all = wanted.map(|(a, b)| (low.min(a), high.max(b))).or(*all);
            }
            None => days.push((day(at), wanted)),
        }
    }
    days.dedup_by(|next, before| next.1 == before.1);
    days.into_iter().map(|(d, wanted)| (from + Span::ms(d.saturating_mul(Span::days(1).as_ms())), wanted)).collect()
}

/// Ten minutes become columns: the lowest, the mean, the highest of each.
fn gather(tens: &[Ten], from: Wall, column: Span) -> Vec<Ten> {
    let mut columns: Vec<(i64, Ten, f64)> = Vec::new();
    for ten in tens {
        let index = ten.from.since(from).as_ms().div_euclid(column.as_ms().max(1));
        match columns.last_mut().filter(|(i, ..)| *i == index) {
            Some((_, sum, count)) => {
                *count += 1.0;
                sum.mean += (ten.mean - sum.mean) / *count;
                (sum.min, sum.max) = (sum.min.min(ten.min), sum.max.max(ten.max));
            }
            None => {
                let start = from + Span::ms(index.saturating_mul(column.as_ms()));
                columns.push((index, Ten { from: start, ..*ten }, 1.0));
            }
        }
    }
    columns.into_iter().map(|(_, ten, _)| ten).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn alike_days_are_one_band() {
        let from = Wall::from_ms(0);
        let steps =
            (0..40).map(|i| (from + Span::h(i * 12), Some(if i % 2 == 0 { (30.0, 32.0) } else { (25.0, 29.0) })));
        assert_eq!(by_day(steps, from), [(from, Some((25.0, 32.0)))]);
    }

    #[test]
    fn columns_keep_the_lowest_and_the_highest() {
        let from = Wall::from_ms(0);
        let ten = |i: i64, c: f64| Ten { from: from + Span::min(i * 10), min: c - 1.0, mean: c, max: c + 1.0 };
        let tens: Vec<Ten> = (0..12).filter(|i| *i != 4).map(|i| ten(i, i as f64)).collect();
        let columns = gather(&tens, from, Span::h(1));
        assert_eq!(columns.len(), 2);
        assert_eq!((columns[0].min, columns[0].mean, columns[0].max), (-1.0, 2.2, 6.0));
        assert_eq!((columns[1].from, columns[1].min, columns[1].max), (from + Span::h(1), 5.0, 12.0));
    }
}
