//! Sensors that lie: what each lie makes of a true sample, from the second at which it begins.

use super::home::chance::Chance;
use super::home::{DAY_S, Sample, What};
use warmside::terms::place::Place;
use warmside::terms::quantity::Quantity;

/// One way to lie.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Lie {
    Silent,
    Stuck,
    /// 85.0, or what else the sensor says at power-on, and nothing but that.
    Sentinel,
    /// Every third reading is a sentinel: a loose plug.
    LoosePlug,
    /// A fifth of the readings are anywhere.
    Spikes,
    Noise,
    /// 2 K a day, up or down.
    Drift,
    /// 4 K an hour, up or down.
    Runaway,
    /// +25 K at once, and there it stays.
    Leap,
    /// It lies outside, in the room's air.
    InRoom,
    /// It lies in the other enclosure.
    Elsewhere,
    Bowl,
    Swapped,
    /// Both senders restart, silent for three minutes, and come back exchanged.
    SwappedAfterRestart,
    Fahrenheit,
    Shape,
    Null,
    Soaked,
    /// The battery fades over two days, then the readings run away.
    Battery,
    /// The sender repeats its last message at its usual interval, its battery dead or its program hung.
    Zero,
}

impl Lie {
    pub const ALL: [Lie; 20] = [
        Lie::Silent,
        Lie::Stuck,
        Lie::Sentinel,
        Lie::LoosePlug,
        Lie::Spikes,
        Lie::Noise,
        Lie::Drift,
        Lie::Runaway,
        Lie::Leap,
        Lie::InRoom,
        Lie::Elsewhere,
        Lie::Bowl,
        Lie::Swapped,
        Lie::SwappedAfterRestart,
        Lie::Fahrenheit,
        Lie::Shape,
        Lie::Null,
        Lie::Soaked,
        Lie::Battery,
        Lie::Zero,
    ];

    /// Under which names it is told rightly.
    pub fn names(self) -> &'static [&'static str] {
        match self {
            Lie::Silent => &["probe-silent"],
            Lie::Stuck => &["probe-stuck"],
            Lie::InRoom | Lie::Elsewhere | Lie::Bowl => &["probe-displaced"],
            Lie::Swapped | Lie::SwappedAfterRestart => &["probes-swapped"],
            Lie::Fahrenheit => &["unit-changed"],
            _ => &["probe-faulty"],
        }
    }

    /// How long the story goes on after it began.
    pub fn lasts_s(self) -> i64 {
        match self {
            Lie::Drift => 5 * DAY_S,
            Lie::Battery => 4 * DAY_S,
            _ => 2 * DAY_S,
        }
    }
}

/// What the rest of the house measures now.
#[derive(Clone, Copy, Debug, Default)]
pub struct Truth {
    pub warm: f64,
    pub cool: f64,
    pub room: f64,
    pub other_warm: f64,
    pub water: f64,
}

/// The liar of one enclosure.
#[derive(Clone, Debug)]
pub struct Liar {
    lie: Option<Lie>,
    from_s: i64,
    place: Place,
    sentinel: f64,
    sign: f64,
    before: Option<f64>,
    pub rng: Chance,
}

impl Liar {
    pub fn new(seed: u64, lie: Option<Lie>, from_s: i64) -> Liar {
        let mut rng = Chance::new(seed, 50);
        let place = if rng.chance(0.6) { Place::WarmSide } else { Place::CoolSide };
        let sentinel = rng.pick(&[85.0, -127.0, 127.94, 999.0, -40.0, 0.0]);
        let sign = if rng.chance(0.5) { 1.0 } else { -1.0 };
        Liar { lie, from_s, place, sentinel, sign, before: None, rng }
    }

    pub fn place(&self) -> Place {
        self.place
    }

    /// The payload, or none. `c`: what the sensor would say.
    pub fn says(&mut self, sample: &Sample, truth: &Truth) -> Option<String> {
        let at_s = sample.at_ms / 1_000;
        let honest = Some(format!("{:.4}", sample.value));
        let What::At(place, quantity) = sample.what else { return honest };
        let Some(lie) = self.lie.filter(|_| at_s >= self.from_s) else {
            if place == self.place && quantity == Quantity::Temperature {
                self.before = Some(sample.value);
            }
            return honest;
        };
        let h = (at_s - self.from_s) as f64 / 3_600.0;
        let noise = sample.value - sample.truth;
        if quantity == Quantity::Humidity {
            return if lie == Lie::Soaked { Some("100.0".to_owned()) } else { honest };
        }
        let both = matches!(lie, Lie::Swapped | Lie::SwappedAfterRestart);
        if quantity != Quantity::Temperature || (place != self.place && !both) {
            return honest;
        }
        let before = self.before.unwrap_or(sample.value);
        let moved_to = |to: f64, lag_h: f64| to + (before - to) * libm::exp(-h / lag_h) + noise;
        let value = match lie {
            Lie::Silent => return None,
            Lie::Stuck => before,
            Lie::Sentinel => self.sentinel,
            Lie::LoosePlug if self.rng.chance(0.33) => self.sentinel,
            Lie::Spikes if self.rng.chance(0.2) => self.rng.within(-20.0, 90.0),
            Lie::Noise => sample.value + 2.5 * self.rng.normal(),
            Lie::Drift => sample.value + self.sign * h / 12.0,
            Lie::Runaway => sample.value + self.sign * (4.0 * h).min(45.0),
            Lie::Leap => sample.value + 25.0,
            Lie::InRoom => moved_to(truth.room, 0.04),
            Lie::Elsewhere => moved_to(truth.other_warm, 0.02),
            Lie::Bowl => moved_to(truth.water, 0.006),
            Lie::SwappedAfterRestart if h < 0.05 => return None,
            Lie::Swapped | Lie::SwappedAfterRestart if place == Place::WarmSide => truth.cool + noise,
            Lie::Swapped | Lie::SwappedAfterRestart => truth.warm + noise,
            Lie::Fahrenheit => sample.value * 1.8 + 32.0,
            Lie::Shape => return Some(format!("{{\"temperature\":{:.2}}}", sample.value)),
            Lie::Null => return Some("null".to_owned()),
            Lie::Battery if h > 44.0 => sample.value + libm::expm1(0.5 * (h - 44.0)).min(95.0),
            Lie::Zero => 0.0,
            _ => return honest,
        };
        Some(format!("{value:.4}"))
    }

    /// Volts of the sender's two cells.
    pub fn volts(&mut self, place: Place, at_s: i64) -> f64 {
        let h = (at_s - self.from_s) as f64 / 3_600.0;
        let fades = self.lie == Some(Lie::Battery) && place == self.place;
        let fresh = 2.95 - 0.0004 * at_s as f64 / 3_600.0 + 0.01 * self.rng.normal();
        if fades && h > 0.0 { (fresh - 0.018 * h).max(2.0) } else { fresh }
    }
}
