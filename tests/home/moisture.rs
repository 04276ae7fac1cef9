//! Water in the air of one enclosure: what evaporates, what the air takes out, what a misting brings, and the probe that feels it.
//!
//! One balance of mass. Air that carries heat out carries vapour out: a conductance of g W/K is a flow of g/(ρ c) m³/s,
//! ρ c = 1,206 J/m³K at 20 °C, so vents and fronts follow from `world.rs`. Water evaporates through the same film of air that
//! passes heat (Lewis's relation, factor 1): a film of 4 W/m²K passes 3.3 mm/s. A misting takes 2,450 J for each gram. Walls and
//! substrate take up vapour and give it back: the air behaves as if it were some times larger (practice, no source). Written
//! before the rule that it tests.

use super::chance::Chance;
use super::{DAY_S, STEP_S, held_out};

/// Heat of a cubic metre of air, J/K, and of a gram of vapour, J.
const AIR_J_M3K: f64 = 1_206.0;
const VAPORISED_J_G: f64 = 2_450.0;
/// m³ of a box of medium size.
const BOX_M3: f64 = 0.2;
/// Gas constant of water vapour, J/(kg K).
const VAPOUR: f64 = 461.5;

#[derive(Clone, Debug)]
pub struct Moisture {
    /// g/m³ inside and in the room.
    inside: f64,
    room: f64,
    room_base_hpa: f64,
    room_lag_s: f64,
    wander: f64,
    /// Air as if, m³; water that is open to it as a flow of air, m³/s.
    buffer_m3: f64,
    open_water: f64,
    probe_percent: f64,
    probe_lag_s: f64,
    pub offset_percent: f64,
    rng: Chance,
}

/// hPa over water; Sonntag 1990 as in WMO-No. 8, from memory.
fn saturation_hpa(c: f64) -> f64 {
    6.112 * (17.62 * c / (243.12 + c)).exp()
}

fn grams(hpa: f64, c: f64) -> f64 {
    1_000.0 * 100.0 * hpa / (VAPOUR * (c + 273.15))
}

/// What the world does to the air in a step: temperatures °C, conductances W/K, misting W.
#[derive(Clone, Copy, Debug)]
pub struct Air {
    pub at_s: i64,
    pub cool_c: f64,
    pub water_c: f64,
    pub room_c: f64,
    pub vents_wk: f64,
    pub open_wk: f64,
    pub misting_w: f64,
    pub airing: bool,
}

impl Moisture {
    pub fn new(seed: u64, scale: f64) -> Moisture {
        let mut c = Chance::new(seed, 17);
        let wide = if held_out(seed) { 1.4 } else { 1.0 };
        let area = scale * scale;
        // A bowl alone, or a substrate that is kept moist: m² of water.
        let water_m2 = if c.chance(0.6) { c.log_within(0.01, 0.04 * wide) } else { c.log_within(0.04, 0.2 * wide) };
        let room_base_hpa = c.within(7.0, 13.0);
        Moisture {
            inside: grams(room_base_hpa + 2.0, 25.0),
            room: grams(room_base_hpa, 20.0),
            room_base_hpa,
            room_lag_s: c.within(3_600.0, 10_800.0),
            wander: 0.0,
            buffer_m3: BOX_M3 * area * c.log_within(1.5, 6.0 * wide),
            open_water: 4.0 / AIR_J_M3K * water_m2 * area,
            probe_percent: 50.0,
            probe_lag_s: c.log_within(30.0, 300.0 * wide),
            offset_percent: c.within(-3.0, 3.0),
            rng: c,
        }
    }

    pub fn step(&mut self, air: &Air) {
        let dt = STEP_S as f64;
        if air.at_s.rem_euclid(300) == 0 {
            // The room's own air: weather with a memory of two days, about 1.5 hPa; drier while it is aired.
            let pace = 300.0 / 172_800.0;
            self.wander += -self.wander * pace + self.rng.normal() * 1.5 * (2.0 * pace).sqrt();
            let people = 0.6 * ((air.at_s.rem_euclid(DAY_S) as f64 / DAY_S as f64 - 0.5) * std::f64::consts::TAU).cos();
            let goal = if air.airing { 0.65 * self.room_base_hpa } else { self.room_base_hpa + self.wander + people };
            let lag_s = if air.airing { 900.0 } else { self.room_lag_s };
            self.room += (grams(goal.max(3.0), air.room_c) - self.room) * (300.0 / lag_s).min(1.0);
        }
        let flow = (air.vents_wk + air.open_wk) / AIR_J_M3K;
        let brought = self.open_water * (grams(saturation_hpa(air.water_c), air.water_c) - self.inside)
            + air.misting_w / VAPORISED_J_G;
        let change = brought - flow * (self.inside - self.room);
        // At an open front all of it is exchanged within a step or two.
        self.inside += change * dt / self.buffer_m3.max(2.0 * (flow + self.open_water) * dt);
        let full = grams(saturation_hpa(air.cool_c), air.cool_c);
        self.inside = self.inside.clamp(0.5, 0.98 * full);
        let percent = 100.0 * self.inside / full;
        self.probe_percent += (percent - self.probe_percent) * (dt / self.probe_lag_s).min(1.0);
    }

    /// What the probe at the cool side feels, %.
    pub fn percent(&self) -> f64 {
        (self.probe_percent + self.offset_percent).clamp(1.0, 100.0)
    }
}
