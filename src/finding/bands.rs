//! A place is outside what is wanted, or outside what must never be: `too-hot` and `too-cold`, from trusted readings alone.
//!
//! Four clocks run for each place, one a limit. A clock starts when a reading is beyond its limit, stops when one is back
//! inside by the dead-band, and raises when it has run its time and enough readings agree. The times are unequal because
//! the harm is: past `never` high minutes count, below `wanted` an hour does not. What is wanted is a wish and a probe is
//! good to half a kelvin: beyond it by less, it takes as much longer as it is less.

use super::cause::{Cause, Urgency};
use super::fact::Fact;
use super::{Change, Finding, Key, Subject};
use crate::terms::place::Place;
use crate::terms::quantity::Quantity;
use crate::terms::time::{Now, Span, Wall};
use serde::{Deserialize, Serialize};

/// How far back inside a limit a reading must be to count as back, K. EEMUA 191 gives 1 % of a temperature loop's range;
/// 1 % of the 0–50 °C that such probes serve is 0.5 K.
pub const DEAD_BAND_K: f64 = 0.5;
/// So many readings must agree, however slow the probe: one alone may lie.
const AGREE: u8 = 2;

/// Far past `never` high, minutes are too long: so much excess over time is told at once, K·min. A basking spot under a heater
/// that is stuck on gains some kelvin a minute; a hand or a lamp's flash on a probe does not give three readings of it.
pub const TOO_MUCH_K_MIN: f64 = 4.0;
const AGREE_FAR: u8 = 3;
/// A reading speaks for the time since the one before, but for no longer than this where minutes count, and than this
/// where an hour does not.
const SPEAKS_FOR: Span = Span::min(1);
const SPEAKS_FOR_LONG: Span = Span::min(15);

/// How long a reading may be beyond each limit. Ours, no source: minutes where an animal burns, an hour where it is lazy;
/// a front that stands open for cleaning takes up to half an hour and is no alarm.
pub const NEVER_HIGH: Span = Span::min(2);
pub const NEVER_LOW: Span = Span::min(10);
/// Below `never` since a fall that only an open front makes: somebody cleans, and cold harms slowly.
pub const NEVER_LOW_OPEN: Span = Span::min(30);
pub const WANTED_HIGH: Span = Span::min(40);
pub const WANTED_LOW: Span = Span::min(60);
/// By so much a probe may be wrong, K: what is beyond a wish by less is nobody's excess (±0.5 K over the range of a room is
/// what data sheets of common digital probes state; from memory).
pub const PROBE_K: f64 = 0.5;
/// So far beyond that those times hold, K. Half as far takes twice as long.
pub const WANTED_FULL_K: f64 = 0.5;

/// What is wanted of a place at an instant, °C; `None`: not judged on that side.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Limits {
    pub wanted_low: Option<f64>,
    pub wanted_high: Option<f64>,
    pub never_low: Option<f64>,
    pub never_high: Option<f64>,
}

/// How a place moves, for the deadline.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Course {
    pub k_per_min: f64,
}

/// What a reading is judged against.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spot {
    pub subject: Subject,
    pub place: Place,
    pub limits: Limits,
    pub course: Course,
    /// Somebody's hands are in, or it is shelved: only `never` counts.
    pub hold: bool,
    /// It fell as only an open front lets it fall.
    pub opened: bool,
    /// Something else says that its heat or its room is not as on other days, or another of its places cannot be seen: then no
    /// excess is put down to the probe.
    pub unlike: bool,
}

/// How much of a crossing a limit bears: for how long, and how much excess over time, K·min, that takes at the least.
#[derive(Clone, Copy)]
struct Bears {
    span: Span,
    harm: f64,
    /// What of an excess does no harm, K (the reference value of Page's sum).
    free_k: f64,
    speaks_for: Span,
}

impl Bears {
    const fn crossing(span: Span) -> Bears {
        Bears { span, harm: 0.0, free_k: 0.0, speaks_for: SPEAKS_FOR }
    }
    /// What an open front does counts for nothing.
    fn wish(span: Span, spot: &Spot) -> Bears {
        let speaks_for = if spot.opened { Span::ZERO } else { SPEAKS_FOR_LONG };
        let free_k = if spot.unlike { 0.0 } else { PROBE_K };
        Bears { span, harm: WANTED_FULL_K * span.as_min(), free_k, speaks_for }
    }
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Clock {
    beyond_since: Option<Now>,
    readings: u8,
    stands: bool,
    last: Option<Now>,
    /// Excess over time, K·min; what it is inside by counts against it (Page's cumulative sum).
    harm: f64,
}

impl Clock {
    /// `beyond` K past the limit (negative: inside). Whether it stands afterwards.
    fn tick(&mut self, beyond: Option<f64>, bears: Bears, now: Now) -> bool {
        match beyond {
            Some(k) if k > 0.0 => {
                let since = *self.beyond_since.get_or_insert(now);
                self.readings = self.readings.saturating_add(1);
                self.count(k, bears, now);
                let long = now.mono.since(since.mono) >= bears.span;
                self.stands |= long && self.harm + 1e-6 >= bears.harm && self.readings >= AGREE;
            }
            // Between the limit and the dead-band: neither starts nor stops.
            Some(k) if k > -DEAD_BAND_K => {
                if self.beyond_since.is_some() {
                    self.count(k, bears, now);
                }
            }
            _ => *self = Clock::default(),
        }
        self.stands
    }

    fn count(&mut self, k: f64, bears: Bears, now: Now) {
        let span = self.last.map_or(Span::ZERO, |last| now.mono.since(last.mono).clamp(Span::ZERO, bears.speaks_for));
        self.last = Some(now);
        self.harm = (self.harm + (k - bears.free_k) * span.as_min()).max(0.0);
    }

    /// Whether so much is beyond the limit that its time need not be waited for.
    fn is_far(&mut self) -> bool {
        self.stands |= self.harm >= TOO_MUCH_K_MIN && self.readings >= AGREE_FAR;
        self.stands
    }
}

/// The judge of one place.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Judge {
    never_high: Clock,
    never_low: Clock,
    wanted_high: Clock,
    wanted_low: Clock,
    told: Option<(Cause, Urgency)>,
}

impl Judge {
    /// A trusted reading of `celsius` at a spot.
    pub fn hear(&mut self, spot: &Spot, celsius: f64, now: Now, out: &mut Vec<Change>) {
        if !celsius.is_finite() {
            return;
        }
        let Spot { subject, place, limits, course, hold, opened, .. } = *spot;
        let over = |limit: Option<f64>| limit.map(|l| celsius - l);
        let under = |limit: Option<f64>| limit.map(|l| l - celsius);
        let never_high =
            self.never_high.tick(over(limits.never_high), Bears::crossing(NEVER_HIGH), now) | self.never_high.is_far();
        let bears_low = Bears::crossing(if opened { NEVER_LOW_OPEN } else { NEVER_LOW });
        let never_low = self.never_low.tick(under(limits.never_low), bears_low, now);
        let wanted_high = self.wanted_high.tick(over(limits.wanted_high), Bears::wish(WANTED_HIGH, spot), now) && !hold;
        let wanted_low = self.wanted_low.tick(under(limits.wanted_low), Bears::wish(WANTED_LOW, spot), now) && !hold;
        let stands = match (never_high, never_low, wanted_high, wanted_low) {
            (true, ..) => Some((Cause::TooHot, Urgency::Now, limits.never_high, self.never_high.beyond_since)),
            (_, true, ..) => Some((Cause::TooCold, Urgency::Now, limits.never_low, self.never_low.beyond_since)),
            (_, _, true, _) => Some((Cause::TooHot, Urgency::Today, limits.wanted_high, self.wanted_high.beyond_since)),
            (_, _, _, true) => Some((Cause::TooCold, Urgency::Today, limits.wanted_low, self.wanted_low.beyond_since)),
            _ => None,
        };
        let telling = stands.map(|(cause, urgency, ..)| (cause, urgency));
        if telling == self.told {
            return;
        }
        if let Some((cause, _)) = self.told
            && telling.is_none_or(|(new, _)| new != cause)
        {
            out.push(Change::Calm(Key { subject, cause, place: Some(place) }));
        }
        self.told = telling;
        if let Some((cause, urgency, limit, since)) = stands {
            let mut finding = Finding::new(subject, cause, Some(place), since.unwrap_or(now));
            finding.urgency = urgency;
            finding.latched = urgency == Urgency::Now && cause == Cause::TooHot;
            let never = urgency == Urgency::Now;
            finding.facts.push(Fact::Reading { place, quantity: Quantity::Temperature, value: celsius, limit, never });
            finding.facts.push(Fact::Slope { place, k_per_min: course.k_per_min });
            let ahead = if cause == Cause::TooHot { limits.never_high } else { limits.never_low };
            finding.act_by = if never { Some(now.wall) } else { ahead.and_then(|l| crossing(celsius, l, course, now)) };
            out.push(Change::Stands(finding));
        }
    }

    /// Whether a finding of this place stands, and how urgent.
    pub fn standing(&self) -> Option<(Cause, Urgency)> {
        self.told
    }

    /// The place is no longer seen: what stood is calm only because nobody can tell; the probe's own finding takes over.
    pub fn forget_clocks(&mut self) {
        for clock in [&mut self.never_high, &mut self.never_low, &mut self.wanted_high, &mut self.wanted_low] {
            if !clock.stands {
                *clock = Clock::default();
            }
        }
    }
}

/// Slower than this it is no course but weather, K/min: 0.6 K an hour.
const STILL_K_PER_MIN: f64 = 0.01;

/// When `limit` will be crossed at the present slope; `None` when it moves away, hardly moves, or not within 24 h.
pub fn crossing(celsius: f64, limit: f64, course: Course, now: Now) -> Option<Wall> {
    let slope = course.k_per_min;
    let way = limit - celsius;
    if !slope.is_finite() || slope.abs() < STILL_K_PER_MIN || way * slope <= 0.0 {
        return None;
    }
    let span = Span::from_s(way / slope * 60.0);
    (span <= Span::h(24)).then(|| now.wall + span)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::terms::id::EnclosureIx;

    const WHO: Subject = Subject::Enclosure(EnclosureIx(0));
    const LIMITS: Limits =
        Limits { wanted_low: Some(29.0), wanted_high: Some(32.0), never_low: Some(25.0), never_high: Some(36.0) };

    const SPOT: Spot = Spot {
        subject: WHO,
        place: Place::WarmSide,
        limits: LIMITS,
        course: Course { k_per_min: 0.0 },
        hold: false,
        opened: false,
        unlike: false,
    };

    /// Feeds one reading a minute; returns (minute, cause, urgency) of what was said, `None` for calm.
    fn run(levels: impl IntoIterator<Item = f64>, hold: bool) -> Vec<(i64, Option<(Cause, Urgency)>)> {
        let (mut judge, mut said) = (Judge::default(), Vec::new());
        for (minute, celsius) in levels.into_iter().enumerate() {
            let mut out = Vec::new();
            let now = Now::at(minute as i64 * 60_000);
            judge.hear(&Spot { hold, ..SPOT }, celsius, now, &mut out);
            for change in out {
                let what = match change {
                    Change::Stands(f) => Some((f.key.cause, f.urgency)),
                    Change::Calm(_) => None,
                };
                said.push((minute as i64, what));
            }
        }
        said
    }

    #[test]
    fn past_never_high_takes_two_minutes() {
        let levels = [31.0, 36.1, 36.2, 36.3, 36.0, 35.6, 35.4];
        assert_eq!(run(levels, false), [(3, Some((Cause::TooHot, Urgency::Now))), (6, None)]);
    }

    #[test]
    fn far_past_never_high_is_told_with_the_third_reading() {
        let (mut judge, mut said) = (Judge::default(), Vec::new());
        // 20 K/min, a reading every 5 s: a heater that is stuck on, on a probe near it.
        for step in 0..30 {
            let mut out = Vec::new();
            let now = Now::at(step * 5_000);
            judge.hear(&SPOT, 36.0 + step as f64 * 5.0 / 3.0, now, &mut out);
            said.extend(out.iter().map(|_| step * 5));
        }
        assert_eq!(said, [40], "within a minute, not after two");
    }

    #[test]
    fn one_reading_alone_is_nobody() {
        assert_eq!(run([31.0, 60.0, 31.0, 60.0, 31.0, 0.0, 31.0], false), []);
    }

    #[test]
    fn below_wanted_takes_an_hour_and_worsens_past_never() {
        let levels = std::iter::repeat_n(28.0, 70).chain(std::iter::repeat_n(24.0, 20)).chain([26.0, 29.1, 29.6]);
        let want = [
            (60, Some((Cause::TooCold, Urgency::Today))),
            (80, Some((Cause::TooCold, Urgency::Now))),
            (90, Some((Cause::TooCold, Urgency::Today))),
            (92, None),
        ];
        assert_eq!(run(levels, false), want);
    }

    #[test]
    fn less_below_wanted_takes_longer_and_what_a_probe_may_be_wrong_by_counts_only_where_something_else_is_unlike() {
        let want = [(150, Some((Cause::TooCold, Urgency::Today)))];
        assert_eq!(run(std::iter::repeat_n(28.3, 200), false), want, "0.7 K");
        assert_eq!(run(std::iter::repeat_n(28.6, 2_000), false), [], "0.4 K");
        let (mut judge, mut out) = (Judge::default(), Vec::new());
        for minute in 0..=150 {
            assert!(out.is_empty(), "minute {minute}: {out:?}");
            judge.hear(&Spot { unlike: true, ..SPOT }, 28.8, Now::at(minute * 60_000), &mut out);
        }
        assert_eq!(out.len(), 1, "0.2 K in a room that is colder than ever");
    }

    #[test]
    fn crests_that_pass_what_is_wanted_are_nobodys_excess() {
        // A thermostat's cycle of 20 min around 31.8: a fifth of a kelvin too warm at each crest, for hours.
        let cycle = (0..1_000).map(|m| 31.8 + 0.4 * libm::sin(f64::from(m) * std::f64::consts::TAU / 20.0));
        assert_eq!(run(cycle, false), []);
    }

    #[test]
    fn below_never_while_the_front_stands_open_takes_half_an_hour() {
        let (mut judge, mut out) = (Judge::default(), Vec::new());
        for minute in 0..=30 {
            assert!(out.is_empty(), "minute {minute}: {out:?}");
            judge.hear(&Spot { opened: true, ..SPOT }, 24.0, Now::at(minute * 60_000), &mut out);
        }
        assert_eq!(out.len(), 1);
    }

    #[test]
    fn a_cleaning_makes_no_old_shortfall_worse() {
        let (mut judge, mut out) = (Judge::default(), Vec::new());
        for minute in 0..=100 {
            let (celsius, opened) = if minute < 70 { (28.8, false) } else { (26.0, true) };
            judge.hear(&Spot { opened, ..SPOT }, celsius, Now::at(minute * 60_000), &mut out);
        }
        assert_eq!(out, []);
    }

    #[test]
    fn hands_in_hold_wanted_but_not_never() {
        let levels = std::iter::repeat_n(28.0, 70).chain(std::iter::repeat_n(24.0, 11));
        assert_eq!(run(levels, true), [(80, Some((Cause::TooCold, Urgency::Now)))]);
    }

    #[test]
    fn the_crossing_is_honest() {
        let now = Now::at(0);
        let fall = Course { k_per_min: -0.1 };
        assert_eq!(crossing(29.0, 25.0, fall, now), Some(Wall::from_ms(40 * 60_000)));
        assert_eq!(crossing(29.0, 36.0, fall, now), None, "it moves away");
        assert_eq!(crossing(29.0, 25.0, Course { k_per_min: -0.001 }, now), None, "it hardly moves");
        assert_eq!(crossing(29.0, 25.0, Course { k_per_min: f64::NAN }, now), None);
    }
}
