//! The yardstick beside the engine: a careful band check of each probe, as a keeper would write it with care.
//!
//! Median of five readings, outside what is wanted by half a kelvin for twenty minutes or outside `never` for five; over when
//! inside for twenty. Our reading of "careful": no source.

use super::home::DAY_S;

const DEAD_BAND_K: f64 = 0.5;
const WANTED_S: i64 = 20 * 60;
const NEVER_S: i64 = 5 * 60;

/// Wanted by day, wanted by night, never, °C.
pub type Limits = [(f64, f64); 3];

#[derive(Clone, Debug, Default)]
pub struct Plain {
    last: [f64; 5],
    heard: usize,
    outside_s: Option<i64>,
    never_s: Option<i64>,
    inside_s: Option<i64>,
    stands: bool,
    /// Mails after the second day.
    pub mails: u32,
}

impl Plain {
    pub fn hear(&mut self, at_s: i64, celsius: f64, limits: &Limits, by_day: bool) {
        self.last.rotate_left(1);
        self.last[4] = celsius;
        self.heard += 1;
        if self.heard < 5 {
            return;
        }
        let mut sorted = self.last;
        sorted.sort_by(f64::total_cmp);
        let past = |(low, high): (f64, f64), by: f64| sorted[2] < low - by || sorted[2] > high + by;
        let wanted = limits[usize::from(!by_day)];
        let run = |since: &mut Option<i64>, is: bool| match is {
            true => at_s - *since.get_or_insert(at_s),
            false => {
                *since = None;
                -1
            }
        };
        let outside = run(&mut self.outside_s, past(wanted, DEAD_BAND_K)) >= WANTED_S;
        let never = run(&mut self.never_s, past(limits[2], 0.0)) >= NEVER_S;
        if (outside || never) && !self.stands {
            self.stands = true;
            self.mails += u32::from(at_s >= 2 * DAY_S);
        }
        if run(&mut self.inside_s, !past(wanted, 0.0)) >= WANTED_S {
            self.stands = false;
        }
    }
}
