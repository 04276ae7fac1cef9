//! What a plug's watts and a relay say: heat that is called for and does not flow, that flows and does not arrive, that never stops.
//!
//! A plug may report an instant or a mean over its interval, at its own pace or when something changes; neither is assumed. A
//! source known to run without a thermostat is judged by its watts alone, hour by hour; one under a thermostat by the level
//! beside its spells without power and its spells of full power (`spell.rs`); a relay by what the level does at its word.

mod judging;

use super::clue::{Beside, Doubt};
use super::cycle::Spread;
use super::hours::Longest;
use super::relay::Relay;
use super::spell::{Seen, Spells, Tail, scale_k};
use super::tops::Tops;
use super::view::Taught;
use serde::{Deserialize, Serialize};

/// Less than this share of its usual power, over what it draws at rest, is none.
const NONE_SHARE: f64 = 0.06;
/// More than this share of its highest power is all it can give.
const FULL_SHARE: f64 = 0.9;
/// What a thermostat, a dimmer or the plug itself may draw at rest, W, and as a share of full power.
const MOST_AT_REST_W: f64 = 4.0;
const MOST_AT_REST: f64 = 0.3;
/// Reports before the plug is believed to be known.
const LEAST_REPORTS: u32 = 40;
/// This many times its highest power is not the same heater, or no longer the same control.
const SURGE: f64 = 1.3;
/// How the longest absence of power under a closed relay fades with each report: to a half in some ten thousand.
const FADE: f64 = 0.999_93;
/// Below this nothing is known of how much the source takes, W.
const LEAST_W: f64 = 1.0;
/// A day, after which a plug that shows nothing of the heat is doubted.
const DOUBT_AFTER_MIN: f64 = 1_440.0;
/// The highest power sinks to what is usual over this long, min: three days.
const FORGETS_MIN: f64 = 4_320.0;
/// What power is usual, and the level beside it, are means over a day, min.
const LOAD_MIN: f64 = 1_440.0;
/// Power while on that has sunk to this share of its usual: of several lamps one is dark, an element is half gone. Mains
/// voltage makes 10 %.
const PART: f64 = 0.82;

/// Surprise, `−ln P`, from which a spell is no chance: some fifteen thousand cycles a year, and one of them false in ten.
pub const ENOUGH: f64 = 12.0;

/// So many times that much within an hour of a door or of heat from outside.
pub const SHAKEN: f64 = 1.4;

#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Plug {
    pub watts: f64,
    t: f64,
    first_t: f64,
    count: u32,
    interval: f64,
    /// Highest power that comes again and again, and what is drawn at rest, W.
    pub high: f64,
    rest: f64,
    /// Mean over minutes and over hours, W.
    quick: f64,
    pub usual: f64,
    none_share: f64,
    pub without: Spells,
    pub full: Spells,
    none_since: Option<f64>,
    none_hours: Longest,
    full_hours: Longest,
    surge_since: Option<f64>,
    welded_since: Option<f64>,
    off_full_share: f64,
    /// Reports with the relay on, and the longest of them without power, min; fades over days.
    on_reports: u32,
    longest_idle_on: f64,
    #[serde(default)]
    tops: Tops,
    whole: Spread,
    /// Power while there is any, and how far the level is then below every return, K.
    load: Tail,
    powered: Tail,
    part_since: Option<f64>,
    changed: f64,
    doubt: Option<Doubt>,
    pub relay: Relay,
}

impl Plug {
    /// A relay or plug told that it switched.
    pub fn switched(&mut self, on: bool, b: &Beside) {
        self.relay.switched(on, &self.cold(b));
    }

    fn cold(&self, b: &Beside) -> Seen {
        Seen {
            t: b.t,
            own: b.below,
            other: b.above,
            level: b.level.map(|x| -x),
            s_x: b.s_x,
            interval: self.interval,
            every: b.every,
            learn: b.learn,
            clock: (0.0, 0),
        }
    }

    fn warm(&self, b: &Beside) -> Seen {
        Seen { own: b.above, other: b.below, level: b.level, ..self.cold(b) }
    }

    /// A report of power.
    pub fn report(&mut self, watts: f64, rated: Option<f64>, b: &Beside) {
        if !watts.is_finite() || watts < -1.0 || (self.count > 0 && b.t <= self.t) {
            return;
        }
        let watts = watts.clamp(0.0, 20_000.0);
        if self.count > 0 && self.high <= MOST_AT_REST_W && watts > SURGE * MOST_AT_REST_W {
            // Its first power: what it drew at rest until now says nothing of its heat.
            *self = Plug { relay: std::mem::take(&mut self.relay), ..Plug::default() };
        }
        let dt = if self.count == 0 { 1.0 } else { (b.t - self.t).clamp(0.0, 60.0) };
        if self.count == 0 {
            (self.first_t, self.changed, self.rest) = (b.t, b.t, f64::INFINITY);
        }
        if self.count > 0 && b.t - self.t > 30.0_f64.max(4.0 * self.interval) {
            self.cut();
        }
        self.count = self.count.saturating_add(1);
        self.interval += (dt - self.interval) * (1.0 / f64::from(self.count)).max(0.02);
        self.watts = watts;
        self.t = b.t;
        self.quick += (watts - self.quick) * (dt / 4.0).min(1.0);
        if b.learn {
            self.learn_power(watts, dt, b);
        }
        if watts <= SURGE * self.high {
            self.surge_since = None;
        }
        let none = self.is_none(watts);
        if none != self.none_since.is_some() {
            self.changed = b.t;
        }
        self.none_share += (f64::from(u8::from(none)) - self.none_share) * (1.0 / f64::from(self.count)).max(0.002);
        if b.learn && !none {
            let pace = (dt / LOAD_MIN).max(1.0 / f64::from(self.count));
            self.load.learn_at(watts, 0.05 * self.high, pace);
            self.whole.learn(watts, pace);
            if let Some(below) = b.below {
                self.powered.learn_at(below, scale_k(&self.cold(b)), pace);
            }
        }
        self.under_relay(none, b);
        self.run(none, b);
        self.notice_part(none, b);
        self.doubt = self.doubt_now(rated, b);
    }

    /// Whether it has shown power since minute `t`; `None`: it has said nothing since.
    pub fn powered_since(&self, t: f64) -> Option<bool> {
        (self.t > t).then(|| self.none_since.is_none_or(|since| since > t))
    }

    /// A gap: what goes on is not known.
    pub fn cut(&mut self) {
        self.without.cut();
        self.full.cut();
        self.relay.cut();
        (self.none_since, self.part_since, self.surge_since) = (None, None, None);
        self.tops.cut();
    }

    fn learn_power(&mut self, watts: f64, dt: f64, b: &Beside) {
        self.usual += (watts - self.usual) * (dt / (f64::from(self.count) * dt).clamp(10.0, 600.0)).min(1.0);
        let known = self.whole.n > f64::from(LEAST_REPORTS) && self.high > LEAST_W;
        if watts > SURGE * self.high && known {
            // More than it ever took: a fault, or another heater; believed when it has lasted for an hour.
            let since = *self.surge_since.get_or_insert(b.t);
            if b.t - since > 60.0 {
                self.high = watts;
            }
        } else if watts > self.high {
            self.high = watts;
        } else if watts > 0.5 * self.high {
            self.high += (watts - self.high) * (dt / FORGETS_MIN).min(1.0);
        }
        self.rest = if watts < self.rest { watts } else { self.rest + (watts - self.rest).min(0.1) * (dt / 1_440.0) };
    }

    fn at_rest(&self) -> f64 {
        self.rest.min(MOST_AT_REST_W.min(MOST_AT_REST * self.high)).max(0.0)
    }

    fn is_none(&self, watts: f64) -> bool {
        let rest = self.at_rest();
        watts < rest + (NONE_SHARE * (self.high - rest)).max(0.4)
    }

    fn is_full(&self, watts: f64) -> bool {
        // A dimmer that has turned itself down is steered, however much it still gives.
        self.high > LEAST_W && watts > FULL_SHARE * self.high
    }

    fn under_relay(&mut self, none: bool, b: &Beside) {
        let off = self.relay.on == Some(false);
        // A plug that reports the mean since its last report speaks of the time before the relay moved.
        let of_now = b.t - self.relay.moved > 1.2 * self.interval;
        if off && of_now && self.is_full(self.watts) {
            self.welded_since.get_or_insert(b.t);
        } else {
            self.welded_since = None;
        }
        if b.learn && off && of_now {
            self.off_full_share += 0.01 * (f64::from(u8::from(!none)) - self.off_full_share);
        }
        if self.relay.on == Some(true) && !none {
            self.on_reports = self.on_reports.saturating_add(1);
            self.longest_idle_on *= FADE;
            if let Some(since) = self.none_since.filter(|_| b.live) {
                self.longest_idle_on = self.longest_idle_on.max((b.t - since.max(self.relay.moved)).min(60.0));
            }
        }
    }

    fn run(&mut self, none: bool, b: &Beside) {
        let clock = self.none_hours.at(b.day, b.minute);
        self.without.step(none, &Seen { clock, ..self.cold(b) });
        let full = self.is_full(self.watts);
        let clock = self.full_hours.at(b.day, b.minute);
        self.full.step(full, &Seen { clock, ..self.warm(b) });
        let told_off = self.relay.drives() && self.relay.on == Some(false);
        if none && !told_off {
            self.none_since.get_or_insert(b.t);
        } else if !none {
            self.none_since = None;
        }
        self.tops.hear(self.watts, none, b.t, self.interval);
        if b.live {
            self.none_hours.note(b.day, b.minute, self.without.lasted(b.t).unwrap_or(0.0));
            self.full_hours.note(b.day, b.minute, self.full.lasted(b.t).unwrap_or(0.0));
        }
    }

    /// Of a source that always takes the same while on: a part of it for minutes.
    fn notice_part(&mut self, none: bool, b: &Beside) {
        let same =
            (self.count > 20 * LEAST_REPORTS && self.whole.dev < 0.03 * self.whole.mean).then_some(self.whole.mean);
        let whole = self.tops.steady().or(same).unwrap_or(0.0);
        if !none && self.tops.inside(b.t, self.interval) && self.watts < PART * whole {
            self.part_since.get_or_insert(b.t);
        } else {
            self.part_since = None;
        }
    }

    fn doubt_now(&self, rated: Option<f64>, b: &Beside) -> Option<Doubt> {
        if b.t - self.first_t < DOUBT_AFTER_MIN || self.count < LEAST_REPORTS {
            return None;
        }
        if self.high < LEAST_W {
            return Some(Doubt::NoPower);
        }
        if rated.is_some_and(|rated| self.high > 2.0 * rated || self.high < 0.04 * rated) {
            return Some(Doubt::NotAsStated);
        }
        (b.cycles && b.t - self.changed > DOUBT_AFTER_MIN / 2.0).then_some(Doubt::DoesNotFollow)
    }

    pub fn memory_bytes(&self) -> usize {
        size_of::<Plug>() + self.none_hours.heap_bytes() + self.full_hours.heap_bytes()
    }

    pub fn reports(&self) -> u32 {
        self.count
    }

    /// Whether the plug or its relay ever spoke.
    pub fn speaks(&self) -> bool {
        self.count > 0 || self.relay.on.is_some()
    }

    /// What was learned, beside the levels of this hour's lowest return and highest turn, °C.
    pub fn taught(&self, low: f64, high: f64) -> Taught {
        let finite = |x: f64| x.is_finite().then_some(x);
        Taught {
            reports: self.count,
            power_on_w: (self.count > LEAST_REPORTS && self.whole.n > 0.0).then_some(self.whole.mean),
            idle_share: self.none_share,
            pauses: self.without.known(),
            long_pause_min: self.without.long_min(),
            called_by: self.without.late_end_k().and_then(|k| finite(low - k)),
            let_go_by: self.full.late_end_k().and_then(|k| finite(high + k)),
            relay_moves: self.relay.moves(),
            doubt: self.doubt,
        }
    }

    pub fn doubt(&self) -> Option<Doubt> {
        self.doubt
    }

    pub fn forget(&mut self) {
        let mut relay = std::mem::take(&mut self.relay);
        relay.forget();
        *self = Plug { relay, ..Plug::default() };
    }
}
