//! Bands: from two numbers in the site's degrees to °C, and what makes a band impossible.

use super::walk::{Value, Walk};
use crate::care::settings::{Band, PlaceBands};
use crate::terms::place::Place;
use crate::terms::quantity::Degrees;
use std::ops::Range;

/// No reptile is kept to be colder or hotter than this, °C: the hottest basking surfaces in use are near 60 °C, and
/// brumation stays above freezing (common practice, no source). A band beyond it is a slip, most often of the unit.
const WANTED_WITHIN: Band = Band { low: 0.0, high: 70.0 };
const NEVER_WITHIN: Band = Band { low: -20.0, high: 90.0 };

/// The bands of one place as a table states them, and where.
#[derive(Clone, Debug)]
pub struct Stated {
    pub place: Place,
    pub bands: PlaceBands,
    /// The place's key.
    pub key: Range<usize>,
    spans: [Option<Range<usize>>; 4],
}

/// The keys in the order of `Stated::spans`.
const KEYS: [&str; 4] = ["wanted", "night", "never", "never_night"];

impl Stated {
    /// Reads `{ wanted = [29, 32], … }`.
    pub fn read(value: &Value<'_>, place: Place, degrees: Degrees) -> Stated {
        let table = value.table(place.word());
        let mut spans = [const { None }; 4];
        let mut bands = [None; 4];
        for (i, key) in KEYS.into_iter().enumerate() {
            if let Some(value) = table.get(key) {
                let within = if i < 2 { WANTED_WITHIN } else { NEVER_WITHIN };
                bands[i] = temperatures(&value, degrees, within);
                spans[i] = Some(value.span);
            }
        }
        let judged = table.get("judged").and_then(|v| v.flag());
        table.finish();
        let [wanted, night, never, never_night] = bands;
        let bands = PlaceBands { wanted, night, never, never_night, judged };
        Stated { place, bands, key: value.key_span.clone(), spans }
    }

    /// A place of which only the limits are stated is judged by them alone: what is wanted is then anything within.
    pub fn fill_wanted(&mut self, walk: &Walk, of: &str) {
        if self.states(0) || self.bands.judged == Some(false) {
            return;
        }
        let Some(never) = self.bands.never.filter(|n| WANTED_WITHIN.holds(*n)) else { return };
        self.bands.wanted = Some(never);
        let what = format!("`{}` of {of} has no `wanted`: it is judged by `never` alone", self.place.word());
        walk.doubt(&self.key, what, "add `wanted = [low, high]`: the band that the animal should have");
    }

    /// Whether the key is there at all, be its value right or wrong.
    fn states(&self, key: usize) -> bool {
        self.spans[key].is_some()
    }
}

/// Checks the bands that hold at one place when several tables state some of them: the outermost (care) first.
/// What is wrong is cited in the last table that states it.
pub fn check(walk: &Walk, degrees: Degrees, holds: PlaceBands, stated: &[&Stated], of: &str) {
    let Some(last) = stated.last() else { return };
    if holds.judged == Some(false) {
        return;
    }
    let label = last.place.word();
    for (key, there, why) in [
        (0, holds.wanted.is_some(), "the band that the animal should have"),
        (2, holds.never.is_some(), "the limits beyond which somebody must act at once; only you can set them"),
    ] {
        if !there && !stated.iter().any(|s| s.states(key)) {
            let right = format!("add `{} = [low, high]`: {why}", KEYS[key]);
            walk.missing(&last.key, format!("`{label}` of {of} has no `{}`", KEYS[key]), right);
        }
    }
    let night_limit = if holds.never_night.is_some() { 3 } else { 2 };
    within(walk, degrees, stated, (0, holds.wanted), (2, holds.never));
    within(walk, degrees, stated, (1, holds.night), (night_limit, holds.never_night.or(holds.never)));
}

fn within(
    walk: &Walk,
    degrees: Degrees,
    stated: &[&Stated],
    (inner_key, inner): (usize, Option<Band>),
    (outer_key, outer): (usize, Option<Band>),
) {
    let (Some(inner), Some(outer)) = (inner, outer) else { return };
    if outer.holds(inner) {
        return;
    }
    let cite = |key: usize| stated.iter().enumerate().rev().find_map(|(i, s)| s.spans[key].clone().map(|at| (i, at)));
    let (Some((inner_at, inner_span)), Some((outer_at, outer_span))) = (cite(inner_key), cite(outer_key)) else {
        return;
    };
    // The later table is the one to mend; in one table the inner band is cited and the outer shown beside it.
    let (span, also, label) = match inner_at >= outer_at {
        true => (inner_span, outer_span, KEYS[outer_key]),
        false => (outer_span, inner_span, KEYS[inner_key]),
    };
    let number = |c: f64| short(degrees.show(c));
    let right = match (inner.low < outer.low, inner.high > outer.high) {
        (true, false) => format!("{} is below {}", number(inner.low), number(outer.low)),
        (false, true) => format!("{} is above {}", number(inner.high), number(outer.high)),
        _ => format!(
            "{} to {} does not fit into {} to {}",
            number(inner.low),
            number(inner.high),
            number(outer.low),
            number(outer.high)
        ),
    };
    let what = format!("`{}` reaches outside `{}`", KEYS[inner_key], KEYS[outer_key]);
    walk.fault_beside(&span, what, &right, &also, label);
}

/// `[29, 32]` in the site's degrees.
fn temperatures(value: &Value<'_>, degrees: Degrees, possible: Band) -> Option<Band> {
    let (low, high) = pair(value)?;
    let band = Band { low: degrees.read(low), high: degrees.read(high) };
    if possible.holds(band) {
        return Some(band);
    }
    let (unit, other) = match degrees {
        Degrees::C => (Degrees::C, Degrees::F),
        Degrees::F => (Degrees::F, Degrees::C),
    };
    let meant = WANTED_WITHIN.holds(Band { low: other.read(low), high: other.read(high) });
    let right = match meant {
        true => format!("if these are degrees {}, write `unit = \"{}\"` under [site]", other.letter(), other.letter()),
        false => format!("from {} to {}", short(degrees.show(possible.low)), short(degrees.show(possible.high))),
    };
    let what = format!(
        "`{}` of {} to {} {} is no temperature for an animal",
        value.key,
        short(low),
        short(high),
        unit.letter()
    );
    value.fault(what, right);
    None
}

/// `[40, 60]` in %.
pub fn percents(value: &Value<'_>) -> Option<Band> {
    let (low, high) = pair(value)?;
    if low < 0.0 || high > 100.0 {
        value.fault("relative humidity is between 0 and 100 %", "as [40, 60]");
        return None;
    }
    Some(Band { low, high })
}

/// Two numbers, the lower first.
fn pair(value: &Value<'_>) -> Option<(f64, f64)> {
    let items = value.list();
    let is_list = value.value.is_array();
    let numbers: Vec<f64> = items.iter().filter_map(Value::number).collect();
    let key = &value.key;
    match numbers[..] {
        [low, high] if low < high => return Some((low, high)),
        [same, high] if same == high => {
            value.fault(
                format!("`{key}` has no width"),
                "a low and a high, as [29, 32]: no heat source holds one figure",
            );
        }
        [low, high] => {
            let right = format!("the lower one stands first: [{}, {}]", short(high), short(low));
            value.fault(format!("`{key}` runs backwards"), right);
        }
        _ if is_list && numbers.len() == items.len() => {
            value.fault(format!("`{key}` wants two numbers"), "a low and a high, as [29, 32]");
        }
        _ => {}
    }
    None
}

/// A number with as many decimals as it needs, two at the most.
pub fn short(number: f64) -> String {
    let text = format!("{number:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".into() } else { text.to_owned() }
}
