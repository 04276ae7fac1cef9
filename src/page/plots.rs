//! The plots of an enclosure: since it began, and a chosen stretch, on one scale; each with its table.

use super::past::{Past, Ten};
use super::standing::{House, guilty};
use super::stretch::{Told, frame_of};
use super::words;
use crate::care::calendar::Calendar;
use crate::engine::view::{EnclosureView, PlaceView};
use crate::plot::trace::{Line, Stroke};
use crate::terms::place::Place;
use crate::terms::time::{Span, Wall};
use maud::{Markup, html};

/// Readings of a plot since an incident began: a day of one a second would be more, and could not be seen.
const MOST_READINGS: usize = 20_000;
/// Columns of a long plot.
const COLUMNS: i64 = 360;
/// Before an incident's beginning, and after now.
const BEFORE: Span = Span::min(105);
const AHEAD: Span = Span::h(1);
/// Of a mark that is written over a plot; the ledger has it whole.
const MOST_MARK_CHARS: usize = 20;

/// A stretch that can be asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stretch {
    Day,
    Week,
    Month,
    Season,
    Year,
    Years,
}

impl Stretch {
    pub const ALL: [(Stretch, &'static str, &'static str); 6] = [
        (Stretch::Day, "24h", "24 hours"),
        (Stretch::Week, "7d", "7 days"),
        (Stretch::Month, "30d", "30 days"),
        (Stretch::Season, "90d", "90 days"),
        (Stretch::Year, "1y", "a year"),
        (Stretch::Years, "3y", "three years"),
    ];
    pub fn from_word(word: &str) -> Stretch {
        Stretch::ALL.into_iter().find(|(_, w, _)| *w == word).map_or(Stretch::Day, |(s, ..)| s)
    }
    const fn length(self) -> Span {
        match self {
            Stretch::Day => Span::h(24),
            Stretch::Week => Span::days(7),
            Stretch::Month => Span::days(30),
            Stretch::Season => Span::days(90),
            Stretch::Year => Span::days(365),
            Stretch::Years => Span::days(3 * 365),
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
                    figcaption { b { (words::sentence(stretch.words())) @if until < now { ", until " (house.words.when(until)) } } "Solid: " (solid) "." (dashed) " Line: mean. Shade: low to high." }
                    (long.draw(&calendar, house, scale, if short.is_some() { 592.0 } else { 1_216.0 }))
                    (ways(house, enclosure, stretch, until))
                    (long.table(house))
                }
            }
        }
    }
}

/// The ways to other stretches, and back and on in time.
fn ways(house: &House, enclosure: &EnclosureView, stretch: Stretch, until: Wall) -> Markup {
    let now = house.now();
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
            form.find.noprint method="get" action={ "/e/" (super::frame::segment(&enclosure.id)) "#plots-h" } {
                input type="hidden" name="span" value=(stretch.word());
                label { "Up to the end of" input type="date" name="on" required value=(house.words.date_field(until)) max=(house.words.date_field(now)); }
                button type="submit" { "Show" }
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
    told.moments = marks.map(|m| (m.at, words::short(&m.words, MOST_MARK_CHARS))).collect();
    told
}

const fn stroke(i: usize) -> Stroke {
    if i == 0 { Stroke::Solid } else { Stroke::Dashed }
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
