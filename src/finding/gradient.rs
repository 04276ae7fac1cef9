//! The way from warm to cool: lost (`gradient-lost`, today), or no cool end left to flee to (`no-retreat`, now).

use super::around::Around;
use super::bands::{Course, DEAD_BAND_K, crossing};
use super::cause::Cause;
use super::fact::Fact;
use super::{Change, Finding, Key};
use crate::care::plan::PlaceWanted;
use crate::terms::place::Place;
use crate::terms::quantity::Quantity;
use crate::terms::time::{Now, Span};
use serde::{Deserialize, Serialize};

/// Ours, no source: longer than a heater's pause or a front that stands open.
const LOST_AFTER: Span = Span::min(60);
/// Ours: an animal that cannot flee is in need, but a retreat that sun or room make a little too warm is still one, and told as
/// too warm today; what burns is `never`'s to tell.
const NO_RETREAT_AFTER: Span = Span::min(30);
/// So far above its band it is none, K; or half of the way to what must never be, where that is further.
const FAR_ABOVE_K: f64 = 2.0;
/// Where warm and cool side are wanted closer to each other than this, as in brumation, nobody has to flee.
const ONE_CLIMATE_K: f64 = 2.0;
/// A reading older than this, or than three usual intervals, says nothing of now.
const OLD: Span = Span::min(20);
const AGREE: u8 = 3;

/// A condition that must hold for a time and in several readings.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Held {
    since: Option<Now>,
    readings: u8,
}

impl Held {
    fn hear(&mut self, is: bool, now: Now) {
        if is {
            self.since.get_or_insert(now);
            self.readings = self.readings.saturating_add(1);
        } else {
            *self = Held::default();
        }
    }
    fn for_(&self, span: Span, now: Now) -> bool {
        self.readings >= AGREE && self.since.is_some_and(|since| now.mono.since(since.mono) >= span)
    }
}

/// The last reading of a place.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Last {
    celsius: f64,
    at: Now,
    usual: Span,
}

/// The judge of one enclosure's gradient.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Judge {
    last: [Option<Last>; Place::COUNT],
    /// The usual gradient, K: the mean of some hours in which it was wanted and there.
    usual_k: Option<f64>,
    small: Held,
    above: Held,
    lost: bool,
    no_retreat: bool,
}

impl Judge {
    /// A trusted temperature. `course` is that of this place.
    pub fn hear(
        &mut self,
        around: &Around,
        place: Place,
        celsius: f64,
        course: Course,
        now: Now,
        out: &mut Vec<Change>,
    ) {
        if !celsius.is_finite() {
            return;
        }
        let slot = &mut self.last[place.index()];
        let usual = match slot {
            // A mean that fades, and is not stretched by one outage.
            Some(last) => {
                let interval = now.mono.since(last.at.mono).min(Span::h(1)).max(Span::ZERO);
                last.usual + (interval - last.usual).times(0.1)
            }
            None => Span::min(5),
        };
        *slot = Some(Last { celsius, at: now, usual });
        if matches!(place, Place::WarmSide | Place::CoolSide) {
            self.judge_gradient(around, now, out);
        }
        if matches!(place, Place::WarmSide | Place::CoolSide | Place::Hide) {
            self.judge_retreat(around, place, course, now, out);
        }
    }

    /// The gradient now, K, where both ends are seen.
    pub fn gradient_k(&self, now: Now) -> Option<f64> {
        Some(self.fresh(Place::WarmSide, now)? - self.fresh(Place::CoolSide, now)?)
    }

    pub fn no_retreat(&self) -> bool {
        self.no_retreat
    }

    fn fresh(&self, place: Place, now: Now) -> Option<f64> {
        let last = self.last[place.index()]?;
        let silence = now.mono.since(last.at.mono);
        (silence <= OLD || silence <= last.usual.times(3.0)).then_some(last.celsius)
    }

    fn judge_gradient(&mut self, around: &Around, now: Now, out: &mut Vec<Change>) {
        let Some(gradient) = self.gradient_k(now) else {
            self.small = Held::default();
            return;
        };
        let at_least = around.wanted.gradient_at_least_k;
        // Where the cool side itself is too warm, it is the retreat that is lost.
        let cool = self.fresh(Place::CoolSide, now).unwrap_or(f64::NAN);
        let cool_is_cool = around.wanted.place(Place::CoolSide).is_none_or(|w| cool <= w.wanted.high);
        let wanted = at_least > 0.0;
        let small = wanted && cool_is_cool && gradient < at_least;
        if wanted && gradient >= at_least {
            let usual = self.usual_k.unwrap_or(gradient);
            self.usual_k = Some(usual + 0.01 * (gradient - usual));
        }
        if !self.lost {
            self.small.hear(small && !around.hold, now);
            if self.small.for_(LOST_AFTER, now) {
                self.lost = true;
                let since = self.small.since.unwrap_or(now);
                let mut finding = Finding::new(around.subject, Cause::GradientLost, None, since);
                finding.facts.push(Fact::Gradient { now: gradient, usual: self.usual_k.unwrap_or(at_least) });
                for place in [Place::WarmSide, Place::CoolSide] {
                    finding.facts.extend(self.fresh(place, now).map(|value| reading(place, value, None)));
                }
                out.push(Change::Stands(finding));
            }
        } else {
            // It must be back by more than noise, or no longer be wanted, for some readings.
            self.small.hear(!wanted || gradient >= at_least + DEAD_BAND_K / 2.0, now);
            if self.small.for_(Span::min(5), now) {
                self.lost = false;
                self.small = Held::default();
                out.push(Change::Calm(Key { subject: around.subject, cause: Cause::GradientLost, place: None }));
            }
        }
    }

    fn judge_retreat(&mut self, around: &Around, place: Place, course: Course, now: Now, out: &mut Vec<Change>) {
        // While there is one, every place is looked at once a round, by the reading of the cool side.
        if !self.no_retreat && place != Place::CoolSide {
            return;
        }
        let places = [Place::WarmSide, Place::CoolSide, Place::Hide];
        let coolest = places.into_iter().filter_map(|p| self.fresh(p, now)).fold(f64::INFINITY, f64::min);
        let limit = retreat_limit(around);
        let seen = self.fresh(Place::CoolSide, now).is_some() && coolest.is_finite();
        let over = limit.filter(|_| seen).map(|limit| coolest - limit);
        if !self.no_retreat {
            let never = around.wanted.place(Place::CoolSide).map(|w| w.never.high);
            let half_way = never.zip(limit).map_or(0.0, |(never, limit)| (never - limit) / 2.0);
            let far = over.is_some_and(|over| over > half_way.max(FAR_ABOVE_K));
            self.above.hear(far && !around.hold, now);
            if self.above.for_(NO_RETREAT_AFTER, now) {
                self.no_retreat = true;
                let since = self.above.since.unwrap_or(now);
                let mut finding = Finding::new(around.subject, Cause::NoRetreat, Some(Place::CoolSide), since);
                let cool = self.fresh(Place::CoolSide, now).unwrap_or(coolest);
                finding.facts.push(reading(Place::CoolSide, cool, limit));
                finding.facts.push(Fact::Slope { place: Place::CoolSide, k_per_min: course.k_per_min });
                finding.facts.extend(self.fresh(Place::WarmSide, now).map(|v| reading(Place::WarmSide, v, None)));
                finding.act_by = never.and_then(|never| crossing(cool, never, course, now));
                out.push(Change::Stands(finding));
                self.above = Held::default();
            }
        } else {
            self.above.hear(over.is_none_or(|over| over <= 0.0) && seen, now);
            if self.above.for_(Span::min(5), now) {
                self.no_retreat = false;
                self.above = Held::default();
                let key = Key { subject: around.subject, cause: Cause::NoRetreat, place: Some(Place::CoolSide) };
                out.push(Change::Calm(key));
            }
        }
    }
}

/// Above this the cool side is no retreat: the warmer of what is wanted of it by day and by night, for what is cool enough by day
/// is so by night. `None` where it is not judged, or where no warm side is wanted that one could flee from.
fn retreat_limit(around: &Around) -> Option<f64> {
    let highest = |w: &PlaceWanted| w.wanted.high.max(w.other.wanted.high);
    let cool = around.wanted.place(Place::CoolSide)?;
    let one_climate = around.wanted.place(Place::WarmSide).is_some_and(|warm| {
        let apart = |w: &PlaceWanted, c: &PlaceWanted| w.settled.wanted.middle() - c.settled.wanted.middle();
        apart(warm, cool) < ONE_CLIMATE_K
    });
    (!one_climate).then(|| highest(cool))
}

fn reading(place: Place, value: f64, limit: Option<f64>) -> Fact {
    Fact::Reading { place, quantity: Quantity::Temperature, value, limit, never: false }
}
