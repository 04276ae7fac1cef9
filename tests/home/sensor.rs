//! What the sensors make of the world: noise, steps, intervals, on-change reporting, a plug's watts, a probe that froze.

use super::chance::Chance;
use super::world::World;
use super::{Case, Control, Fault, STEP_S, Sample, Watts, What, held_out};
use warmside::terms::place::Place;
use warmside::terms::quantity::Quantity;

#[derive(Clone, Debug)]
struct Sensor {
    what: What,
    every_s: i64,
    phase_s: i64,
    noise: f64,
    step: f64,
    on_change: Option<(f64, i64)>,
    last: f64,
    last_s: i64,
    /// Mean over the interval since the last report.
    sum: f64,
    count: u32,
    /// Share of the reports that are lost.
    lost: f64,
    rng: Chance,
}

/// All sensors of one enclosure.
#[derive(Clone, Debug)]
pub struct Sensors {
    all: Vec<Sensor>,
    watts: Watts,
}

impl Sensors {
    pub fn new(case: &Case, has_lamp: bool) -> Sensors {
        let mut c = Chance::new(case.seed, 13);
        let step = c.pick(&[0.0625, 0.1, 0.1, 0.01, if held_out(case.seed) { 0.5 } else { 0.1 }]);
        let every = c.pick(&[10, 30, 60, 60, 120]);
        let noise = c.log_within(0.02, 0.1);
        let (step, every, noise, lost) = if case.coarse {
            (c.pick(&[0.1, 0.2, 0.5]), c.pick(&[60, 120, 300]), c.log_within(0.05, 0.3), 0.1)
        } else {
            (step, every, noise, 0.0)
        };
        let on_change = case.on_change.then(|| (c.pick(&[0.1, 0.2]), c.pick(&[900, 1_800, 3_600])));
        let mut all = Vec::new();
        let mut add = |what, every_s: i64, noise, step, on_change| {
            let phase_s = (c.unit() * every_s as f64) as i64 / STEP_S * STEP_S;
            let rng = Chance::new(case.seed, 100 + all.len() as u64);
            all.push(Sensor {
                what,
                every_s,
                phase_s,
                noise,
                step,
                on_change,
                last: f64::NAN,
                last_s: i64::MIN / 2,
                sum: 0.0,
                count: 0,
                lost,
                rng,
            });
        };
        add(What::At(Place::WarmSide, Quantity::Temperature), every, noise, step, on_change);
        if case.cool_side {
            add(What::At(Place::CoolSide, Quantity::Temperature), every, noise, step, on_change);
        }
        if case.watts != Watts::Unknown {
            let plug = case.plug;
            add(What::Heat(Quantity::Power), plug.every_s, 0.0, plug.step_w, plug.on_change.then_some((1.5, 900)));
        }
        if case.relay {
            add(What::Heat(Quantity::Switch), 60, 0.0, 1.0, Some((0.5, 900)));
        }
        if (case.watts != Watts::Unknown || case.lamp_heard) && has_lamp {
            add(What::Lamp(Quantity::Power), 60, 0.0, 0.1, None);
        }
        if case.humidity {
            let mut h = Chance::new(case.seed, 18);
            let (step, every) = (h.pick(&[0.1, 1.0, 1.0]), h.pick(&[60, 60, 120, 300]));
            let on_change = case.on_change.then_some((1.0, 1_800));
            add(What::At(Place::CoolSide, Quantity::Humidity), every, h.log_within(0.1, 0.6), step, on_change);
        }
        Sensors { all, watts: case.watts }
    }

    /// Advances with the world by one step and hands out what is reported now.
    pub fn step(&mut self, world: &World, out: &mut Vec<Sample>) {
        let at_s = world.at_s;
        for s in &mut self.all {
            let truth = match s.what {
                What::At(_, Quantity::Humidity) => world.moisture.percent(),
                What::At(Place::WarmSide, _) => world.warm_c(),
                What::At(..) => world.cool_c(),
                What::Heat(Quantity::Switch) => f64::from(u8::from(world.relay())),
                What::Heat(_) => world.plug_w(),
                What::Lamp(_) => world.lamp_now_w,
                What::Room => world.room_c(),
            };
            s.sum += truth;
            s.count += 1;
            let look_s = if s.what == What::Heat(Quantity::Switch) {
                STEP_S
            } else if s.on_change.is_some() {
                10.max(STEP_S)
            } else {
                s.every_s
            };
            if (at_s - s.phase_s).rem_euclid(look_s) != 0 {
                continue;
            }
            let is_power = matches!(s.what, What::Heat(Quantity::Power) | What::Lamp(_));
            let value = if is_power && self.watts == Watts::Mean { s.sum / f64::from(s.count) } else { truth };
            let noise = if is_power { value * 0.01 } else { s.noise };
            let mut value = ((value + noise * s.rng.normal()) / s.step).round() * s.step;
            (s.sum, s.count) = (0.0, 0);
            if world.fault_now() == Some(Fault::FrozenProbe)
                && s.what == What::At(Place::WarmSide, Quantity::Temperature)
            {
                value = s.last;
            }
            if let Some((least, heartbeat_s)) = s.on_change
                && (value - s.last).abs() < least - 1e-9
                && at_s - s.last_s < heartbeat_s
            {
                continue;
            }
            (s.last, s.last_s) = (value, at_s);
            if s.lost > 0.0 && s.rng.chance(s.lost) {
                continue;
            }
            if value.is_finite() {
                out.push(Sample { at_ms: at_s * 1_000, what: s.what, value, truth });
            }
        }
    }
}

impl Sensors {
    /// What the plug of the heat last reported, W.
    pub fn last_power(&self) -> f64 {
        self.all.iter().find(|s| s.what == What::Heat(Quantity::Power)).map_or(0.0, |s| s.last)
    }
}

/// A world with its sensors: what the tests run.
#[derive(Clone, Debug)]
pub struct Home {
    pub world: World,
    pub sensors: Sensors,
}

impl Home {
    pub fn new(case: Case, days: i64) -> Home {
        let world = World::new(case, days);
        let sensors = Sensors::new(&case, world.has_lamp());
        Home { world, sensors }
    }
    pub fn step(&mut self, out: &mut Vec<Sample>) {
        self.world.step();
        self.sensors.step(&self.world, out);
    }
    /// How a thermostat is called in the configuration.
    pub fn thermostat(&self) -> &'static str {
        match self.world.case.control {
            Control::None => "none",
            other => other.word(),
        }
    }
}
