//! What goes wrong in the invented house, and when: minutes of its own time after the demo goes live.

use super::house::{ENCLOSURES, House};
use super::physics::Faults;

/// One turn of the story.
pub struct Turn {
    pub at_min: i64,
    pub enclosure: &'static str,
    pub change: fn(&mut Faults),
    /// What happens, in plain words.
    pub words: &'static str,
}

/// In order of time.
pub const STORY: [Turn; 6] = [
    Turn {
        at_min: 6,
        enclosure: "a3",
        change: |faults| faults.heat_dead = true,
        words: "the ceramic emitter of a3 (Pepper) burns out",
    },
    Turn {
        at_min: 50,
        enclosure: "b2",
        change: |faults| faults.heat_stuck_on = true,
        words: "the thermostat of b2 (Saffron) sticks and heats without end",
    },
    Turn {
        at_min: 75,
        enclosure: "a3",
        change: |faults| faults.heat_dead = false,
        words: "somebody gives a3 (Pepper) a new emitter",
    },
    Turn {
        at_min: 95,
        enclosure: "b2",
        change: |faults| faults.heat_stuck_on = false,
        words: "somebody pulls the plug of b2's thermostat and puts in another",
    },
    Turn {
        at_min: 120,
        enclosure: "c2",
        change: |faults| faults.warm_probe_dead = true,
        words: "the battery of the warm-side probe of c2 (Rusty) is empty",
    },
    Turn {
        at_min: 180,
        enclosure: "a1",
        change: |faults| faults.lamp_dead = true,
        words: "the lamp of a1 (Juno) goes dark in the middle of its day",
    },
];

impl Turn {
    pub fn happen(&self, house: &mut House) {
        for ((id, _, _), enclosure) in ENCLOSURES.iter().zip(&mut house.enclosures) {
            if *id == self.enclosure {
                (self.change)(&mut enclosure.faults);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn turns_are_in_order_and_about_somebody() {
        assert!(STORY.is_sorted_by_key(|turn| turn.at_min));
        for turn in &STORY {
            assert!(ENCLOSURES.iter().any(|(id, _, _)| *id == turn.enclosure), "{}", turn.words);
            assert!(turn.words.contains(turn.enclosure), "{}", turn.words);
        }
    }
}
