//! One warm place and what belongs to it: probe, cool side, gradient, plugs; a reading goes through here from front end to verdict.

mod judging;

use super::cycle::{Falls, Spread, Vigour};
use super::doubts::Doubts;
use super::front::{Front, Sample};
use super::history::{History, Pace};
use super::picture::Picture;
use super::settings::{Source, Thermostat};
use super::standing::{Standing, Turn};
use super::tracker::{Fall, Now, Tracker};
use super::tuning::Tuning;
use super::watts::Plug;
use super::{Context, NEVER, lamps, vapour};
use crate::terms::place::Place;
use serde::{Deserialize, Serialize};

/// No heat verdict before this many minutes of learning.
pub const LEARNING_MIN: f64 = 120.0;
/// Usual intervals that a fall or a rise must last for its speed to mean something.
const RESOLVED: f64 = 3.0;
/// Greatest speeds are means over this long, min.
const SPEED_OVER_MIN: f64 = 3.0;
/// The gradient's usual value is a mean over this long, min; at first over an hour.
const USUAL_MIN: f64 = 360.0;
/// After a gap nothing is judged for this long, min.
const SETTLE_MIN: f64 = 15.0;
/// A cool side that sinks no faster than this, K/min, is not cooled by anything in the enclosure.
const COOL_SINKS: f64 = 0.025;
/// The clock may drift by so much in between, min.
const CLOCK_DRIFTS: f64 = 10.0;

fn never() -> f64 {
    NEVER
}

#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Tract {
    pub place: Place,
    /// Place whose readings serve as the warm end now; the source's own, or the nearest that speaks.
    pub heard_at: Option<Place>,
    pub warm: Front,
    pub w_low: Tracker,
    pub w_high: Tracker,
    pub d_low: Tracker,
    pub d_high: Tracker,
    history: History,
    #[serde(default)]
    pace: Pace,
    pub falls: Falls,
    pub rises: Falls,
    pub vigour: Vigour,
    /// Since when its cycles have shown a weak heater without a break, min.
    #[serde(default)]
    weak_since: Option<f64>,
    pub usual_gradient: Spread,
    usual_cool: Spread,
    usual_level: Spread,
    hurried_fall: f64,
    hurried_rise: f64,
    odd_rise: f64,
    dip: f64,
    #[serde(default)]
    rose_alone: f64,
    /// The cool side's level of late, sinking slowly, and when it was last well below that.
    cool_top: f64,
    cool_dip: f64,
    doubts: Doubts,
    pub began: Option<f64>,
    learned_min: f64,
    last_t: f64,
    settle_until: f64,
    /// Local time less our own, min, and when that last changed.
    #[serde(default)]
    clock: f64,
    #[serde(default = "never")]
    clock_moved: f64,
    equal_run: u32,
    may_cycle: bool,
    suspected_until: f64,
    pub low: Standing,
    pub high: Standing,
    #[serde(skip)]
    pub picture: Option<Picture>,
}

/// What the tract is told beside a reading.
pub struct Company<'a> {
    pub cool: Option<Sample>,
    /// It is the room's air: it tells what the weather does, and nothing of hands and an open front.
    pub beside_room: bool,
    pub context: &'a Context,
    pub plugs: &'a mut [Plug],
    pub sources: &'a [Source],
    pub vapour: Option<vapour::Told>,
    pub lamp: Option<lamps::Told>,
    pub tuning: &'a Tuning,
}

impl Company<'_> {
    /// The other end, of whose fall a share is asked; not a number where there is none.
    fn other(&self, cool: Option<Sample>) -> f64 {
        cool.filter(|_| !self.beside_room).map_or(f64::NAN, |c| c.x)
    }
}

impl Tract {
    pub fn new(place: Place) -> Tract {
        Tract {
            place,
            heard_at: None,
            warm: Front::default(),
            w_low: Tracker::default(),
            w_high: Tracker::default(),
            d_low: Tracker::default(),
            d_high: Tracker::default(),
            history: History::default(),
            pace: Pace::default(),
            falls: Falls::default(),
            rises: Falls::default(),
            vigour: Vigour::default(),
            weak_since: None,
            usual_gradient: Spread::default(),
            usual_cool: Spread::default(),
            usual_level: Spread::default(),
            hurried_fall: NEVER,
            hurried_rise: NEVER,
            odd_rise: NEVER,
            dip: NEVER,
            rose_alone: NEVER,
            cool_top: f64::NEG_INFINITY,
            cool_dip: NEVER,
            doubts: Doubts::default(),
            began: None,
            learned_min: 0.0,
            last_t: 0.0,
            settle_until: 0.0,
            clock: 0.0,
            clock_moved: NEVER,
            equal_run: 0,
            may_cycle: true,
            suspected_until: NEVER,
            low: Standing::default(),
            high: Standing::default(),
            picture: None,
        }
    }

    pub fn memory_bytes(&self) -> usize {
        let trackers = [&self.w_low, &self.w_high, &self.d_low, &self.d_high];
        size_of::<Tract>() + self.history.heap_bytes() + trackers.iter().map(|t| t.levels.heap_bytes()).sum::<usize>()
    }

    /// Whether readings of `place` should serve as the warm end: the source's own place first, then by likeness.
    pub fn takes(&self, place: Place) -> bool {
        self.rank(place).is_some_and(|rank| self.heard_at.and_then(|p| self.rank(p)).is_none_or(|held| rank <= held))
    }

    fn rank(&self, place: Place) -> Option<usize> {
        const ORDER: [Place; 5] = [Place::WarmSide, Place::BaskingSpot, Place::Floor, Place::Hide, Place::Air];
        if place == self.place {
            return Some(0);
        }
        // Water and the cool side follow no heater of another place closely enough.
        if self.place == Place::Water {
            return None;
        }
        ORDER.iter().position(|&p| p == place).map(|k| k + 1)
    }

    /// A trusted level of the warm end.
    pub fn hear(&mut self, place: Place, t: f64, celsius: f64, b: &mut Company, out: &mut Vec<Turn>) {
        if self.heard_at != Some(place) {
            if self.heard_at.is_some() {
                self.forget();
            }
            self.heard_at = Some(place);
        }
        let raw_equal = self.warm.count() > 0 && (celsius - self.warm.last_raw()).abs() < 1e-4;
        self.equal_run = if raw_equal { self.equal_run.saturating_add(1) } else { 0 };
        let mut samples = [Sample::default(); 2];
        let n = self.warm.hear(t, celsius, &mut samples);
        for sample in samples.into_iter().take(n) {
            self.step(&sample, b, out);
        }
    }

    /// Nothing is said of it.
    pub fn is_well(&self) -> bool {
        self.low.now.is_none() && self.high.now.is_none()
    }

    pub fn learned_min(&self) -> f64 {
        self.learned_min
    }

    fn step(&mut self, s: &Sample, b: &mut Company, out: &mut Vec<Turn>) {
        // Heat that is told to have no thermostat does not cycle, however much a day of doors looks like it.
        self.may_cycle =
            !b.sources.iter().all(|s| matches!(s.thermostat, Some(Thermostat::None))) || b.sources.is_empty();
        let began = *self.began.get_or_insert(s.t);
        if s.t - self.last_t > (10.0 * self.warm.interval()).max(30.0)
            && s.t > began
            && s.t - self.last_t > self.warm.holds_min()
        {
            self.cut(s.t);
        }
        let clock = f64::from(b.context.day) * 1_440.0 + f64::from(b.context.local_minute) - s.t;
        if (clock - self.clock).abs() > CLOCK_DRIFTS && s.t > began {
            self.clock_moved = s.t;
        }
        self.clock = clock;
        let dt = (s.t - self.last_t).clamp(0.0, 30.0);
        self.last_t = s.t;
        let cool = b.cool;
        self.history.keep(s.t, s.x);
        if let Some(cool) = cool {
            self.cool_top = (self.cool_top - COOL_SINKS * dt).max(cool.x);
            if self.cool_top - cool.x > 0.3 + 3.0 * cool.s_x {
                self.cool_dip = s.t;
            }
        }
        if b.context.hands_in {
            self.cut(s.t);
            return;
        }
        let mean_fall = self.history.mean_fall(s.t, s.x, SPEED_OVER_MIN);
        self.notice_hurry(s, mean_fall, b.context);
        if let Some(told) = b.vapour {
            // An exchange of air is as hurried as it gets, however seldom the level was read.
            self.hurried_fall = self.hurried_fall.max(s.t - f64::from(told.since_opened));
        }
        let suspected =
            self.w_low.past_since.is_some() || self.w_high.past_since.is_some() || s.t < self.suspected_until;
        let stands = self.low.now.is_some() || self.high.now.is_some();
        let learn = !suspected && !stands;
        if learn {
            self.learned_min += dt;
        }
        self.follow(s, cool, mean_fall, b, learn);
        if learn {
            self.learn_usual(s, cool, dt);
        }
        self.judge(s, cool, b, out);
    }

    /// Speeds that heat lost and heat at full can make, K/min: a cycler's own, else a wide range from the gradient.
    fn speeds(&self, s: &Sample, cycler: bool, falls: &Falls) -> (f64, f64) {
        if cycler {
            let top = falls.top_speed;
            return (0.2 * falls.mean_speed.mean, top.mean + 3.5 * top.dev + 0.02);
        }
        let reach = self.reach(s);
        if self.usual_gradient.n <= 10.0 {
            // Without a cool side the reach is a guess.
            return (reach / 300.0, reach / 11.0);
        }
        // A lamp's gradient of the day is more than the mean of the hours before: what a fall began from counts.
        (reach / 120.0, reach.max(self.w_low.apart_at_peak()).min(30.0) / 11.0)
    }

    /// How far the heat lifts the warm end over its surroundings, K; guessed from the level when there is no cool side.
    fn reach(&self, s: &Sample) -> f64 {
        if self.usual_gradient.n > 10.0 {
            return self.usual_gradient.mean.clamp(1.5, 30.0);
        }
        ((if self.usual_level.n > 10.0 { self.usual_level.mean } else { s.x }) - 22.0).clamp(4.0, 14.0)
    }

    fn cycler(&self, s: &Sample) -> bool {
        self.may_cycle && self.falls.cycles(s.t, s.s_x)
    }

    fn notice_hurry(&mut self, s: &Sample, mean: Option<f64>, context: &Context) {
        let cycler = self.cycler(s);
        let sigma = self.warm.sigma();
        let dt = s.dt.max(1e-3);
        let hurried = |limit: f64, sign: f64| {
            sign * s.v > limit + 2.0 * s.s_v
                || sign * s.jump > limit * dt + 6.0 * sigma
                || mean.is_some_and(|m| -sign * m > limit + 0.67 * s.s_x)
        };
        let down = hurried(self.speeds(s, cycler, &self.falls).1, -1.0);
        let up = hurried(self.speeds(s, cycler, &self.rises).1, 1.0);
        if down {
            self.hurried_fall = s.t;
            self.dip = s.t;
        }
        if up {
            self.hurried_rise = s.t;
            let at_a_planned_time = context.since_planned_change.is_some_and(|c| c.as_min() < 20.0);
            if s.t - self.hurried_fall > 60.0 && !at_a_planned_time {
                self.odd_rise = s.t;
            }
        }
    }

    /// `mean_fall`: over the last minutes, K/min.
    fn follow(&mut self, s: &Sample, cool: Option<Sample>, mean_fall: Option<f64>, b: &mut Company, learn: bool) {
        let c = b.context;
        let cycler = self.cycler(s);
        let natural = if cycler { self.falls.mean_speed.mean } else { self.reach(s) / 30.0 };
        let other = b.other(cool);
        let mut now = Now {
            t: s.t,
            day: c.day,
            minute: c.local_minute.min(1_439),
            s_x: s.s_x,
            step: self.warm.step(),
            v: s.v,
            natural,
            other,
            learn: true,
            clean: learn && self.hurried_fall < self.w_low.peak_t,
            live: true,
            slack: 1.0,
        };
        if c.season_moves {
            self.vigour = Vigour::default();
        }
        self.falls.watch(self.w_low.peak_t, mean_fall);
        if let Some(fall) = self.w_low.step(s.x, &now, b.tuning) {
            self.fell(s, &fall, now.clean);
        }
        (now.v, now.other) = (-s.v, -other);
        now.clean = learn && self.hurried_rise < self.w_high.peak_t && s.t - self.dip > 60.0;
        self.rises.watch(self.w_high.peak_t, mean_fall.map(|m| -m));
        if let Some(rise) = self.w_high.step(-s.x, &now, b.tuning) {
            self.rose(s, &rise, now.clean);
        }
        let Some(cool) = cool else { return };
        let d = s.x - cool.x;
        now.s_x = libm::sqrt(s.s_x * s.s_x + cool.s_x * cool.s_x);
        now.slack = 1.3;
        now.other = f64::NAN;
        now.v = s.v - cool.v;
        now.learn = learn;
        now.clean = learn && self.hurried_fall < self.d_low.peak_t;
        self.d_low.step(d, &now, b.tuning);
        now.v = -now.v;
        now.clean = learn && self.hurried_rise < self.d_high.peak_t;
        self.d_high.step(-d, &now, b.tuning);
    }

    /// Whether it lasted long enough to see how fast a fall or a rise was: the short bursts of a heater that is hardly needed are
    /// faster than a slow probe, and than the window that speeds are measured over, can tell.
    fn resolves(&self, fall: &Fall) -> bool {
        fall.minutes >= (RESOLVED * self.warm.interval()).max(2.0 * SPEED_OVER_MIN)
    }

    fn fell(&mut self, s: &Sample, fall: &Fall, clean: bool) {
        if fall.turned {
            self.low.turned();
            self.high.turned();
        }
        if clean {
            self.falls.learn(s.t, fall, s.s_x);
            if fall.turned && self.resolves(fall) {
                self.vigour.fell(self.falls.last_top());
            }
        }
    }

    fn rose(&mut self, s: &Sample, rise: &Fall, clean: bool) {
        if clean {
            self.rises.learn(s.t, rise, s.s_x);
            if rise.turned && self.cycler(s) && self.resolves(rise) {
                let weak = self.vigour.rose(self.rises.last_top(), rise.minutes);
                self.weak_since = weak.then(|| self.weak_since.unwrap_or(s.t));
            }
        }
    }

    fn learn_usual(&mut self, s: &Sample, cool: Option<Sample>, dt: f64) {
        let window = if self.learned_min < USUAL_MIN { 60.0 } else { USUAL_MIN };
        if let Some(cool) = cool {
            self.usual_gradient.learn(s.x - cool.x, dt / window);
            self.usual_cool.learn(cool.x, dt / window);
        }
        self.usual_level.learn(s.x, dt / window);
    }

    /// A gap or hands: what goes on is cut off, what is known stays.
    fn cut(&mut self, t: f64) {
        for tracker in [&mut self.w_low, &mut self.w_high, &mut self.d_low, &mut self.d_high] {
            tracker.cut();
        }
        self.low.cut();
        self.high.cut();
        self.history.clear();
        self.settle_until = t + SETTLE_MIN;
    }

    /// Learns anew: another lamp, a moved probe, a turned dial. What stands is over.
    pub fn forget(&mut self) {
        let kept = Tract::new(self.place);
        let warm = std::mem::take(&mut self.warm);
        *self = Tract { warm, heard_at: self.heard_at, ..kept };
    }
}
