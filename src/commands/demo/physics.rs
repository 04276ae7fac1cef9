//! How the invented enclosures warm and cool: two bodies of air, a heat source with its thermostat, a room around them.
//!
//! Small on purpose: enough that heat which fails or sticks looks as it does in a real rack. All figures are ours,
//! chosen by common practice and no source: an enclosure follows its heat within half an hour and its room within hours.

/// What can be wrong with an enclosure at the moment.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Faults {
    pub heat_dead: bool,
    pub heat_stuck_on: bool,
    pub lamp_dead: bool,
    pub warm_probe_dead: bool,
}

/// What an enclosure is made of.
#[derive(Clone, Copy, Debug)]
pub struct Build {
    pub watts: f64,
    /// °C at which the thermostat switches on the warm side.
    pub set_c: f64,
    /// J/K of the air and furnishings of one half.
    pub heat_capacity: f64,
    /// W/K from one half to the room.
    pub to_room: f64,
    /// W/K between the halves.
    pub between: f64,
    pub lamp_watts: f64,
}

/// One enclosure as it stands.
#[derive(Clone, Debug)]
pub struct Enclosure {
    build: Build,
    pub faults: Faults,
    pub warm_c: f64,
    pub cool_c: f64,
    pub humidity: f64,
    pub heating: bool,
    pub lit: bool,
}

/// Half of the thermostat's dead-band, K.
const DEAD_BAND_K: f64 = 0.4;

impl Enclosure {
    pub fn new(build: Build) -> Enclosure {
        Enclosure {
            build,
            faults: Faults::default(),
            warm_c: build.set_c,
            cool_c: build.set_c - 6.0,
            humidity: 50.0,
            heating: false,
            lit: false,
        }
    }

    /// Lets `dt_s` seconds pass (10 or fewer, for the sake of the plain Euler step).
    pub fn step(&mut self, dt_s: f64, room_c: f64, lamp_due: bool, noise: &mut Noise) {
        let b = self.build;
        if self.warm_c < b.set_c - DEAD_BAND_K {
            self.heating = true;
        } else if self.warm_c > b.set_c + DEAD_BAND_K {
            self.heating = false;
        }
        self.lit = lamp_due && !self.faults.lamp_dead;
        let power = self.power_w() + if self.lit { b.lamp_watts } else { 0.0 };
        let across = (self.warm_c - self.cool_c) * b.between;
        let warm_gain = power - across - (self.warm_c - room_c) * b.to_room;
        let cool_gain = across - (self.cool_c - room_c) * b.to_room;
        self.warm_c += dt_s * warm_gain / b.heat_capacity;
        self.cool_c += dt_s * cool_gain / b.heat_capacity;
        // Moisture wanders, and comes back towards its usual level.
        self.humidity += dt_s * (52.0 - self.humidity) / 7_200.0 + 0.01 * dt_s.sqrt() * noise.spread();
        self.humidity = self.humidity.clamp(5.0, 95.0);
    }

    /// What the heat source really draws, W.
    pub fn power_w(&self) -> f64 {
        let on = self.faults.heat_stuck_on || (self.heating && !self.faults.heat_dead);
        if on { self.build.watts } else { 0.0 }
    }
}

/// Noise of probes, the same on every run.
#[derive(Clone, Debug)]
pub struct Noise(u64);

impl Noise {
    pub fn new(seed: u64) -> Noise {
        Noise(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
    }

    /// 0 to 1, by xorshift64* (Vigna 2016, from memory; any even spread would do).
    fn even(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Around 0 with a standard deviation of about 1: the sum of twelve even ones, less six.
    pub fn spread(&mut self) -> f64 {
        (0..12).map(|_| self.even()).sum::<f64>() - 6.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BUILD: Build =
        Build { watts: 80.0, set_c: 31.0, heat_capacity: 4_500.0, to_room: 1.2, between: 1.4, lamp_watts: 6.0 };

    fn run(enclosure: &mut Enclosure, min: u32) {
        let mut noise = Noise::new(1);
        for _ in 0..min * 12 {
            enclosure.step(5.0, 21.0, false, &mut noise);
        }
    }

    #[test]
    fn heat_is_held_and_its_faults_show() {
        let mut enclosure = Enclosure::new(BUILD);
        run(&mut enclosure, 600);
        assert!((enclosure.warm_c - 31.0).abs() < 1.0 && enclosure.cool_c < 28.5, "{enclosure:?}");
        let settled = enclosure.clone();
        enclosure.faults.heat_dead = true;
        run(&mut enclosure, 30);
        assert!(enclosure.warm_c < 28.5, "{enclosure:?}");
        let mut stuck = settled;
        stuck.faults.heat_stuck_on = true;
        run(&mut stuck, 60);
        assert!(stuck.warm_c > 38.0, "{stuck:?}");
    }
}
