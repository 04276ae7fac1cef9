//! How much an enclosure's heat was called for and how much of it came, from what its relays and plugs have stored.

use crate::engine::settings::Enclosure;
use crate::page::past::Heat;
use crate::store::Error;
use crate::store::reader::Reader;
use crate::terms::time::{Span, Wall};
use std::collections::BTreeMap;

/// A relay's word holds until its next one, but not for longer than this.
const HOLDS: Span = Span::h(24);
/// A longer stretch than this shows no relay: its single turns could not be seen.
const LONGEST_WITH_RELAYS: Span = Span::days(8);
/// Words of one relay that are read.
const MOST_WORDS: usize = 20_000;

/// One heat source: the names that its plug and its relay are stored under, and how strong it is where the keeper says so.
#[derive(Clone, Debug, PartialEq)]
pub struct Source {
    power: String,
    switch: String,
    watts: Option<f64>,
}

pub fn sources(enclosure: &Enclosure) -> Vec<Source> {
    let name = |id: &str, what: &str| format!("enclosure/{}/heat.{id}.{what}", enclosure.id);
    let of = enclosure.heat.sources.iter();
    of.map(|s| Source { power: name(&s.id, "power"), switch: name(&s.id, "switch"), watts: s.watts }).collect()
}

/// `None`: neither plug nor relay has told anything of this stretch.
pub fn effort(reader: &Reader, sources: &[Source], from: Wall, to: Wall) -> Result<Option<Heat>, Error> {
    let (mut called, mut sums, mut full) = (Vec::new(), BTreeMap::<Wall, f64>::new(), 0.0);
    for source in sources {
        if to.since(from) <= LONGEST_WITH_RELAYS {
            called.extend(on(&reader.readings(&source.switch, from - HOLDS, to, MOST_WORDS)?, from, to));
        }
        let tens = reader.summaries(&source.power, from, to)?;
        let most = tens.iter().map(|ten| ten.max).fold(0.0, f64::max);
        full += source.watts.unwrap_or(most).max(most);
        for ten in &tens {
            *sums.entry(ten.from).or_default() += ten.mean.max(0.0);
        }
    }
    if called.is_empty() && sums.is_empty() {
        return Ok(None);
    }
    let share = |sum: f64| if full > 0.0 { sum / full } else { 0.0 };
    Ok(Some(Heat { called, arrived: sums.into_iter().map(|(at, sum)| (at, share(sum))).collect() }))
}

/// When a relay was on, by its words in order.
fn on(words: &[(Wall, f64)], from: Wall, to: Wall) -> Vec<(Wall, Wall)> {
    let next = words.iter().skip(1).map(|(at, _)| *at).chain([to]);
    let held = words.iter().zip(next).filter(|((_, state), _)| *state >= 0.5);
    let cut = held.map(|((at, _), next)| ((*at).max(from), next.min(*at + HOLDS).min(to)));
    let mut spans: Vec<(Wall, Wall)> = Vec::new();
    for (a, b) in cut.filter(|(a, b)| a < b) {
        match spans.last_mut().filter(|(_, end)| *end == a) {
            Some((_, end)) => *end = b,
            None => spans.push((a, b)),
        }
    }
    spans
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_relay_is_on_until_it_says_otherwise_but_not_for_days() {
        let at = |h: i64| Wall::from_ms(0) + Span::h(h);
        let check = |words: &[(i64, f64)], want: &[(i64, i64)]| {
            let words: Vec<(Wall, f64)> = words.iter().map(|(h, state)| (at(*h), *state)).collect();
            let want: Vec<(Wall, Wall)> = want.iter().map(|(a, b)| (at(*a), at(*b))).collect();
            assert_eq!(on(&words, at(10), at(50)), want, "{words:?}");
        };
        check(&[(8, 1.0), (12, 0.0), (20, 1.0), (21, 1.0), (22, 0.0)], &[(10, 12), (20, 22)]);
        check(&[(20, 1.0)], &[(20, 44)]);
        check(&[(2, 1.0), (9, 0.0)], &[]);
        check(&[], &[]);
    }
}
