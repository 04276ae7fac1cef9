//! A rack of alike enclosures on one circuit: a warm side under an on-off thermostat, a cool side, a room around them.
//!
//! Figures are ours and of no source: without heat an enclosure follows its room within the hour, with heat it would stand
//! 16 K above it.

/// s
const STEP_S: f64 = 10.0;
const TAU_S: f64 = 3_600.0;
const ABOVE_ROOM_K: f64 = 16.0;
/// °C, and half of the dead band, K.
const SET_C: f64 = 30.0;
const DEAD_BAND_K: f64 = 0.4;

#[derive(Clone, Debug)]
pub struct Box {
    pub warm_c: f64,
    pub cool_c: f64,
    heats: bool,
    pub heater_dead: bool,
    /// Its own surroundings differ from the room by so much, K.
    pub draught_k: f64,
}

#[derive(Clone, Debug)]
pub struct Rack {
    pub boxes: Vec<Box>,
    pub power: bool,
    pub room_c: f64,
    /// What the room is on its way to, at so many kelvins an hour.
    pub room_to_c: f64,
    random: u64,
}

const ROOM_K_PER_H: f64 = 2.0;

impl Rack {
    pub fn new(n: usize) -> Rack {
        let one = |i: usize| Box {
            // Not all in step.
            warm_c: SET_C - 0.4 + 0.8 * (i as f64 * 0.37).fract(),
            cool_c: 24.0,
            heats: i.is_multiple_of(2),
            heater_dead: false,
            draught_k: 0.0,
        };
        Rack { boxes: (0..n).map(one).collect(), power: true, room_c: 21.0, room_to_c: 21.0, random: 11 }
    }

    pub fn minute(&mut self) {
        for _ in 0..6 {
            let step = ROOM_K_PER_H * STEP_S / 3_600.0;
            self.room_c += (self.room_to_c - self.room_c).clamp(-step, step);
            for b in &mut self.boxes {
                let room = self.room_c + b.draught_k;
                b.heats = b.warm_c < SET_C - DEAD_BAND_K || (b.heats && b.warm_c < SET_C + DEAD_BAND_K);
                let heat = if b.heats && self.power && !b.heater_dead { ABOVE_ROOM_K } else { 0.0 };
                b.warm_c += (room + heat - b.warm_c) * STEP_S / TAU_S;
                b.cool_c += (room + 0.35 * (b.warm_c - room) - b.cool_c) * STEP_S / TAU_S;
            }
        }
    }

    /// A reading with a probe's noise, K; xorshift64 (Marsaglia 2003).
    pub fn read(&mut self, celsius: f64) -> f64 {
        self.random ^= self.random << 13;
        self.random ^= self.random >> 7;
        self.random ^= self.random << 17;
        celsius + 0.08 * ((self.random >> 11) as f64 / (1u64 << 53) as f64 - 0.5)
    }
}
