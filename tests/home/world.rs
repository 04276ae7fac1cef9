//! The thermal world of one enclosure: nine nodes and two probes, the heat source and its controller, the lamp, the fault.
//!
//! Conductances in W/K, capacities in J/K. Air at rest against a wall: 4 to 8 W/m²K (EN ISO 6946, inner surface
//! resistance 0.13 m²K/W, from memory); the whole loss comes to 4 to 12 W/K and the time constant to about an hour, as in
//! the project's reference values for glass and wooden boxes.

use super::chance::Chance;
use super::life::{Kind, Life};
use super::moisture::{Air, Moisture};
use super::{Case, Control, DAY_S, Fault, STEP_S, held_out};

const AIR_W: usize = 0;
const AIR_C: usize = 1;
const FLOOR_W: usize = 2;
const FLOOR_C: usize = 3;
const SHELL_W: usize = 4;
const SHELL_C: usize = 5;
const BODY: usize = 6;
const DECOR: usize = 7;
const THERMOSTAT: usize = 8;
const PROBE_W: usize = 9;
const PROBE_C: usize = 10;
const NODES: usize = 11;

#[derive(Clone, Debug)]
pub struct World {
    pub case: Case,
    pub life: Life,
    pub moisture: Moisture,
    pub at_s: i64,
    node: [f64; NODES],
    capacity: [f64; NODES],
    links: Vec<(usize, usize, f64)>,
    to_room: [f64; NODES],
    /// Shares of what leaves the heater body: warm air, warm floor, cool floor, warm shell.
    body_wk: f64,
    body_share: [f64; 4],
    probe_lag_s: [f64; 3],
    /// How far the warm probe sees the heater itself (0: air, 1: its surface).
    probe_sees: f64,
    most_w: f64,
    set_c: f64,
    night_drop_k: f64,
    day_h: (f64, f64),
    hysteresis_k: f64,
    band_k: f64,
    pulse_s: f64,
    integral: f64,
    steady_w: f64,
    off_at_night: bool,
    lamp_w: f64,
    lamp_warm_share: f64,
    relay: bool,
    /// What the plug of the heat sees now, W, and the lamp's.
    pub heat_w: f64,
    pub lamp_now_w: f64,
}

impl World {
    pub fn new(case: Case, days: i64) -> World {
        let mut c = Chance::new(case.seed, 10);
        let wide = if held_out(case.seed) { 1.3 } else { 1.0 };
        let s = case.size.scale();
        let area = s * s;
        let jitter = |c: &mut Chance, x: f64| x * c.log_within(0.75 / wide, 1.33 * wide);
        let wooden = c.chance(0.4);
        let shell_out = if wooden { 1.7 } else { 5.5 } * area;
        let air = jitter(&mut c, 1_600.0) * area;
        let floor = jitter(&mut c, 6_000.0) * area;
        let shell = jitter(&mut c, 9_000.0) * area;
        let kind = c.pick(&[0usize, 1, 2, 3]); // emitter, lamp, mat, panel
        let body = [180.0, 60.0, 250.0, 1_400.0][kind] * c.within(0.8, 1.25);
        let body_wk = [0.45, 0.5, 2.5, 2.2][kind] * c.within(0.8, 1.25);
        let body_share =
            [[0.55, 0.33, 0.02, 0.1], [0.35, 0.5, 0.03, 0.12], [0.08, 0.9, 0.02, 0.0], [0.4, 0.4, 0.05, 0.15]][kind];
        let mixing = jitter(&mut c, 1.1) * s;
        let capacity = [air, air, floor, floor, shell, shell, body, jitter(&mut c, 4_000.0) * area, 1.0, 1.0, 1.0];
        let links = vec![
            (AIR_W, AIR_C, mixing),
            (AIR_W, FLOOR_W, jitter(&mut c, 1.7) * area),
            (AIR_C, FLOOR_C, jitter(&mut c, 1.7) * area),
            (AIR_W, SHELL_W, jitter(&mut c, 3.6) * area),
            (AIR_C, SHELL_C, jitter(&mut c, 3.6) * area),
            (FLOOR_W, FLOOR_C, 0.25 * s),
            (SHELL_W, SHELL_C, 0.4 * s),
            (AIR_W, DECOR, 1.4 * area),
            (FLOOR_W, DECOR, 0.5 * area),
        ];
        let mut to_room = [0.0; NODES];
        for half in [SHELL_W, SHELL_C] {
            to_room[half] = shell_out;
        }
        for half in [FLOOR_W, FLOOR_C] {
            to_room[half] = 0.35 * area;
        }
        for half in [AIR_W, AIR_C] {
            to_room[half] = c.within(0.15, 0.6) * area;
        }
        let on = c.within(6.5, 10.0);
        let has_drop = case.control != Control::None && c.chance(0.6);
        let off_at_night = case.control == Control::None && c.chance(0.5);
        let lamp_w = if c.chance(0.5) { c.within(8.0, 28.0) * area } else { 0.0 };
        let mut world = World {
            case,
            life: Life::new(&case, days),
            moisture: Moisture::new(case.seed, s),
            at_s: 0,
            node: [24.0; NODES],
            capacity,
            links,
            to_room,
            body_wk,
            body_share,
            probe_lag_s: [
                c.log_within(20.0, 150.0),
                c.log_within(30.0, 240.0 * wide),
                c.log_within(30.0, 240.0 * wide),
            ],
            probe_sees: if c.chance(0.4) { c.within(0.005, 0.02) } else { 0.0 },
            most_w: 0.0,
            set_c: c.within(28.0, 33.0),
            night_drop_k: if has_drop { c.within(1.5, 5.0) } else { 0.0 },
            day_h: (on, on + c.within(10.0, 14.0)),
            hysteresis_k: c.log_within(0.3, 1.6),
            band_k: c.log_within(0.8, 2.5),
            pulse_s: c.within(20.0, 120.0),
            integral: 0.0,
            steady_w: 0.0,
            off_at_night,
            lamp_w,
            lamp_warm_share: c.within(0.3, 0.8),
            relay: true,
            heat_w: 0.0,
            lamp_now_w: 0.0,
        };
        let gain = world.gain();
        let lift = (world.set_c - world.life.room.air_c).max(3.0);
        world.steady_w = lift / gain;
        world.most_w = world.steady_w * c.within(1.35, 2.4);
        world.settle();
        world
    }

    /// K at the thermostat for a watt at the heater, in the steady state.
    fn gain(&self) -> f64 {
        let mut t = [0.0f64; NODES];
        for _ in 0..4_000 {
            for i in 0..THERMOSTAT {
                let mut flow = 0.0;
                let mut wk = self.to_room[i];
                for &(a, b, g) in &self.links {
                    if a == i || b == i {
                        flow += g * t[if a == i { b } else { a }];
                        wk += g;
                    }
                }
                if i == BODY {
                    t[BODY] = t[AIR_W] + 1.0 / self.body_wk;
                    continue;
                }
                for (k, node) in [AIR_W, FLOOR_W, FLOOR_C, SHELL_W].into_iter().enumerate() {
                    if node == i {
                        flow += self.body_share[k];
                    }
                }
                t[i] = flow / wk;
            }
        }
        (t[AIR_W] + self.probe_sees * (t[BODY] - t[AIR_W])).max(1e-3)
    }

    /// Runs a day before the story starts, so that it starts in the middle of life.
    fn settle(&mut self) {
        let fault = self.case.fault.take();
        let events = std::mem::take(&mut self.life.events);
        self.at_s = -DAY_S;
        while self.at_s < 0 {
            self.step();
        }
        self.life.events = events;
        self.case.fault = fault;
    }

    pub fn fault_now(&self) -> Option<Fault> {
        self.case.fault.filter(|&(_, from)| self.at_s >= from).map(|(f, _)| f)
    }

    pub fn lights_on(&self) -> bool {
        let hour = self.at_s.rem_euclid(DAY_S) as f64 / 3_600.0;
        hour >= self.day_h.0 && hour < self.day_h.1
    }

    /// Seconds of the day at which lights go on and off.
    pub fn photoperiod_s(&self) -> (i64, i64) {
        ((self.day_h.0 * 3_600.0) as i64, (self.day_h.1 * 3_600.0) as i64)
    }

    pub fn has_lamp(&self) -> bool {
        self.lamp_w > 0.0
    }

    /// The level that the keeper set the heat to at this hour, turned dials aside, °C.
    pub fn set_c(&self) -> f64 {
        self.set_c - if self.lights_on() { 0.0 } else { self.night_drop_k }
    }

    /// Watts of the source at full power.
    pub fn most_w(&self) -> f64 {
        self.most_w
    }

    /// What a plug upstream of the thermostat sees, W.
    pub fn plug_w(&self) -> f64 {
        let rest_w = if self.case.control == Control::None { 0.0 } else { self.case.plug.rest_w };
        self.heat_w + rest_w
    }

    /// Watts of heat that is stuck on.
    pub fn full_w(&self) -> f64 {
        if self.case.control == Control::None { self.steady_w * 1.9 } else { self.most_w }
    }

    /// Whether the keeper wants the heat off at this hour.
    pub fn planned_off(&self) -> bool {
        self.off_at_night && !self.lights_on()
    }

    pub fn planned_change_s(&self) -> bool {
        self.off_at_night || self.night_drop_k > 0.0
    }

    fn command_w(&mut self) -> f64 {
        let dial = self.life.sum(Kind::Dial);
        let set = self.set_c + dial - if self.lights_on() { 0.0 } else { self.night_drop_k };
        let error = set - self.node[THERMOSTAT];
        match self.case.control {
            Control::OnOff => {
                if error > self.hysteresis_k / 2.0 {
                    self.relay = true;
                } else if error < -self.hysteresis_k / 2.0 {
                    self.relay = false;
                }
                if self.relay { self.most_w } else { 0.0 }
            }
            Control::Pulse | Control::Dimming => {
                let share = error / self.band_k + self.integral;
                let room = share > 0.0 && share < 1.0;
                if room {
                    self.integral = (self.integral + error * STEP_S as f64 / (self.band_k * 6_000.0)).clamp(0.0, 0.6);
                }
                let share = share.clamp(0.0, 1.0);
                if self.case.control == Control::Dimming {
                    share * self.most_w
                } else {
                    let phase = (self.at_s as f64 / self.pulse_s).fract();
                    self.relay = phase < share;
                    if self.relay { self.most_w } else { 0.0 }
                }
            }
            Control::None => {
                self.relay = !self.planned_off();
                if self.relay { self.steady_w * (1.0 + 0.06 * dial) } else { 0.0 }
            }
        }
    }

    pub fn relay(&self) -> bool {
        self.relay
    }

    pub fn step(&mut self) {
        self.at_s += STEP_S;
        let fault = self.fault_now();
        self.life.step(self.at_s, fault);
        let dt = STEP_S as f64;
        let wanted_w = self.command_w();
        let full = self.full_w();
        self.heat_w = match fault {
            Some(Fault::HeatFailed | Fault::PowerLost) => 0.0,
            Some(Fault::StuckOn) => full,
            Some(Fault::Weak) => 0.7 * wanted_w,
            _ => wanted_w,
        };
        let odd = self.case.lamp_odd.is_some_and(|(from_s, until_s)| (from_s..until_s).contains(&self.at_s));
        let lamp_on = (self.lights_on() != odd) && fault != Some(Fault::PowerLost);
        self.lamp_now_w = if lamp_on { self.lamp_w } else { 0.0 };
        let arrives_w = if fault == Some(Fault::HeatAstray) { 0.0 } else { self.heat_w };

        let room = self.life.room.air_c;
        let mut flow = [0.0; NODES];
        for &(a, b, g) in &self.links {
            let w = g * (self.node[b] - self.node[a]);
            flow[a] += w;
            flow[b] -= w;
        }
        let mut open = self.life.sum(Kind::Door) + self.life.sum(Kind::Cleaning);
        if fault == Some(Fault::LeftOpen) {
            open += 9.0 * self.case.size.scale() * self.case.size.scale();
        }
        for i in 0..THERMOSTAT {
            let extra = match i {
                AIR_W => open * 0.5,
                AIR_C => open * 0.5,
                _ => 0.0,
            };
            flow[i] += (self.to_room[i] + extra) * (room - self.node[i]);
        }
        let body_w = self.body_wk * (self.node[BODY] - self.node[AIR_W]);
        flow[BODY] += arrives_w - body_w;
        for (k, i) in [AIR_W, FLOOR_W, FLOOR_C, SHELL_W].into_iter().enumerate() {
            flow[i] += self.body_share[k] * body_w;
        }
        flow[AIR_W] += self.lamp_now_w * self.lamp_warm_share * 0.7;
        flow[FLOOR_W] += self.lamp_now_w * self.lamp_warm_share * 0.3;
        flow[AIR_C] += self.lamp_now_w * (1.0 - self.lamp_warm_share);
        let sun = self.life.sum(Kind::Sun);
        flow[SHELL_W] += 0.3 * sun;
        flow[SHELL_C] += 0.3 * sun;
        flow[AIR_W] += 0.2 * sun;
        flow[AIR_C] += 0.2 * sun;
        let mist = self.life.sum(Kind::Misting);
        flow[AIR_W] -= 0.5 * mist;
        flow[AIR_C] -= 0.5 * mist;
        for i in 0..THERMOSTAT {
            self.node[i] += flow[i] * dt / self.capacity[i];
        }
        self.step_probes(dt, room, fault);
        self.moisture.step(&Air {
            at_s: self.at_s,
            cool_c: self.node[AIR_C],
            water_c: self.node[FLOOR_C],
            room_c: room,
            vents_wk: self.to_room[AIR_W] + self.to_room[AIR_C],
            open_wk: open,
            misting_w: mist,
            airing: self.life.sum(Kind::Airing) > 0.0,
        });
    }

    fn step_probes(&mut self, dt: f64, room: f64, fault: Option<Fault>) {
        let seen = self.node[AIR_W] + self.probe_sees * (self.node[BODY] - self.node[AIR_W]);
        let warm = match fault {
            Some(Fault::ProbeDisplaced) => 0.5 * self.node[AIR_C] + 0.5 * room,
            _ => 0.85 * seen + 0.15 * self.node[FLOOR_W] + self.life.sum(Kind::Animal),
        };
        for (k, (probe, target)) in
            [(THERMOSTAT, seen), (PROBE_W, warm), (PROBE_C, self.node[AIR_C])].into_iter().enumerate()
        {
            self.node[probe] += (target - self.node[probe]) * (dt / self.probe_lag_s[k]).min(1.0);
        }
    }

    pub fn warm_c(&self) -> f64 {
        self.node[PROBE_W]
    }
    pub fn cool_c(&self) -> f64 {
        self.node[PROBE_C]
    }
    pub fn room_c(&self) -> f64 {
        self.life.room.air_c
    }
}
