//! One stretch of an enclosure's past, ready to be drawn at any width: lines, bands, gaps, strips, and the table beside them.

use super::past::{Heat, Past, Ten};
use super::standing::House;
use super::words;
use crate::care::calendar::Calendar;
use crate::engine::view::{EnclosureView, PlaceView};
use crate::plot::trace::{Bands, Effort, Line, Spans, Trace};
use crate::terms::place::Place;
use crate::terms::time::{Span, Wall};
use maud::{Markup, PreEscaped, html};
use std::collections::BTreeMap;

/// Rows of the table beside a plot.
const ROWS: i64 = 24;
/// Columns of the heat's strip, and the shortest of them.
const HEAT_COLUMNS: i64 = 96;
const LEAST_HEAT_COLUMN: Span = Span::min(10);

/// Everything of one stretch that the store and the plan tell, ready to be drawn at any width.
pub struct Told {
    pub from: Wall,
    pub to: Wall,
    pub places: Vec<Place>,
    pub lines: Vec<Line>,
    pub bands: Vec<Bands>,
    pub gaps: Vec<(Wall, Wall)>,
    pub limits: Vec<f64>,
    pub light: Option<(Spans, Spans)>,
    pub heat: Option<Effort>,
    pub moments: Vec<(Wall, String)>,
    pub rows: Vec<Row>,
    pub break_after: Span,
    pub trouble: Option<String>,
}

/// One row of the table: a stretch, and low and high of each place.
pub struct Row {
    pub from: Wall,
    pub until: Wall,
    pub values: Vec<Option<(f64, f64)>>,
}

/// The plan, the gaps and the empty table of a stretch.
pub fn frame_of(
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
        heat: None,
        moments: vec![],
        rows: rows.collect(),
        break_after: Span::min(30),
        trouble: None,
    };
    let gaps = told.keep(past.gaps(from, to));
    let heat = told.keep(past.heat(&enclosure.id, from, to.min(house.now())));
    told.heat = heat.map(|heat| effort(&heat, from, to.min(house.now())));
    told.gaps = gaps.into_iter().map(|(from, until, _)| (from, until.unwrap_or(to))).collect();
    told
}

/// Heat by columns: shares of full heat where watts tell them, else of the time in which a relay was on.
fn effort(heat: &Heat, from: Wall, to: Wall) -> Effort {
    let column = Span::ms(to.since(from).as_ms() / HEAT_COLUMNS).max(LEAST_HEAT_COLUMN);
    let index = |at: Wall| at.since(from).as_ms().div_euclid(column.as_ms());
    let at = |index: i64| from + Span::ms(index.saturating_mul(column.as_ms()));
    if heat.arrived.is_empty() {
        let on = |a: Wall, b: Wall| -> i64 {
            let both = heat.called.iter().map(|(from, until)| (*until).min(b).since((*from).max(a)).as_ms().max(0));
            both.sum()
        };
        let columns = (0..=index(to)).map(|i| (at(i), at(i + 1).min(to))).filter(|(a, b)| a < b);
        let shares = columns.map(|(a, b)| (a, b, on(a, b) as f64 / b.since(a).as_ms() as f64)).collect();
        return Effort { label: "heat: share of the time switched on".to_owned(), called: vec![], shares };
    }
    let mut sums: BTreeMap<i64, (f64, u32)> = BTreeMap::new();
    for (when, share) in &heat.arrived {
        let (sum, count) = sums.entry(index(*when)).or_default();
        (*sum, *count) = (*sum + share, *count + 1);
    }
    let shares = sums.into_iter().map(|(i, (sum, count))| (at(i), at(i + 1).min(to), sum / f64::from(count)));
    let outline = if heat.called.is_empty() { "" } else { ", outline called for" };
    Effort { label: format!("heat: share of full{outline}"), called: heat.called.clone(), shares: shares.collect() }
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
    pub fn keep<T: Default>(&mut self, told: super::past::Told<T>) -> T {
        told.unwrap_or_else(|why| {
            self.trouble = Some(why);
            T::default()
        })
    }

    pub fn fill(&mut self, place: usize, tens: &[Ten], length: Span) {
        for ten in tens {
            let middle = ten.from + length.times(0.5);
            let row = self.rows.iter_mut().find(|r| (r.from..r.until).contains(&middle));
            let Some(value) = row.and_then(|r| r.values.get_mut(place)) else { continue };
            let (low, high) = value.unwrap_or((ten.min, ten.max));
            *value = Some((low.min(ten.min), high.max(ten.max)));
        }
    }

    pub fn trace<'a>(&self, calendar: &'a Calendar, house: &House, width: f64, scale: Option<(f64, f64)>) -> Trace<'a> {
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
            heat: self.heat.clone(),
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
    pub fn draw(&self, calendar: &Calendar, house: &House, scale: Option<(f64, f64)>, width: f64) -> Markup {
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

    pub fn spoken(&self, house: &House) -> String {
        let of = |i: usize, place: &Place| {
            let seen: Vec<_> = self.rows.iter().filter_map(|r| r.values.get(i).copied().flatten()).collect();
            let low = seen.iter().map(|v| v.0).reduce(f64::min)?;
            let high = seen.iter().map(|v| v.1).reduce(f64::max)?;
            Some(format!("{} between {} and {}", place.label(), house.words.bare(low), house.words.degrees(high)))
        };
        let said: Vec<String> = self.places.iter().enumerate().filter_map(|(i, p)| of(i, p)).collect();
        if said.is_empty() { "nothing stored".to_owned() } else { said.join("; ") }
    }

    pub fn table(&self, house: &House) -> Markup {
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn heat_is_shown_by_watts_or_else_by_the_relays_word() {
        let at = |min: i64| Wall::from_ms(0) + Span::min(min);
        let both = Heat { called: vec![(at(0), at(60))], arrived: (0..6).map(|i| (at(i * 10), 0.5)).collect() };
        let seen = effort(&both, at(0), at(24 * 60));
        // Columns of a quarter of an hour hold one or two of ten minutes each.
        assert_eq!(seen.shares.first(), Some(&(at(0), at(15), 0.5)));
        assert_eq!((seen.called.len(), seen.shares.len()), (1, 4));
        assert!(seen.label.contains("share of full, outline called for"));
        let relay = Heat { called: vec![(at(0), at(10))], arrived: vec![] };
        let told = effort(&relay, at(0), at(24 * 60));
        assert!(told.label.contains("switched on") && told.called.is_empty());
        assert!((told.shares[0].2 - 10.0 / 15.0).abs() < 1e-9 && told.shares[1].2 == 0.0, "{:?}", told.shares);
    }

    #[test]
    fn alike_days_are_one_band() {
        let from = Wall::from_ms(0);
        let steps =
            (0..40).map(|i| (from + Span::h(i * 12), Some(if i % 2 == 0 { (30.0, 32.0) } else { (25.0, 29.0) })));
        assert_eq!(by_day(steps, from), [(from, Some((25.0, 32.0)))]);
    }
}
