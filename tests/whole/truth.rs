//! What was truly so when a mail went out: written beside each one, so that right words can be told from wrong ones.

use super::home::DAY_S;
use super::home::life::{Event, Kind};
use super::house::House;
use super::plain::{Limits, Plain};

/// Truth once a minute: warm side, cool side, room, °C.
type Minute = [f64; 3];

/// A limit that is left by less is not, K.
const LEFT_K: f64 = 0.05;

pub struct Truth {
    minutes: Vec<Vec<Minute>>,
    events: Vec<Vec<Event>>,
    /// Of each enclosure and side.
    limits: Vec<[Option<Limits>; 2]>,
    night: Vec<(i64, i64)>,
    /// A plain band check of each enclosure and side.
    plain: Vec<[Plain; 2]>,
}

fn pair(value: Option<&toml::Value>) -> Option<(f64, f64)> {
    let list = value?.as_array()?;
    Some((list.first()?.as_float()?, list.get(1)?.as_float()?))
}

impl Truth {
    pub fn new(house: &House, config: &str) -> Truth {
        let file: toml::Table = config.parse().unwrap();
        let limits = (0..house.homes.len()).map(|at| {
            ["warm_side", "cool_side"].map(|side| {
                let band = file["care"].get(format!("c{at}"))?.get(side)?;
                let wanted = pair(band.get("wanted"))?;
                Some([wanted, pair(band.get("night")).unwrap_or(wanted), pair(band.get("never"))?])
            })
        });
        Truth {
            minutes: vec![Vec::new(); house.homes.len()],
            events: house.homes.iter().map(|h| h.world.life.events.clone()).collect(),
            limits: limits.collect(),
            night: house.homes.iter().map(|h| h.world.photoperiod_s()).collect(),
            plain: vec![Default::default(); house.homes.len()],
        }
    }

    /// After each step.
    pub fn step(&mut self, house: &House, at_s: i64) {
        if at_s % 60 == 0 {
            for (log, home) in self.minutes.iter_mut().zip(&house.homes) {
                log.push([home.world.warm_c(), home.world.cool_c(), home.world.room_c()]);
            }
        }
    }

    fn by_day(&self, at: usize, at_s: i64) -> bool {
        (at_s - self.night[at].0).rem_euclid(DAY_S) < self.night[at].1 - self.night[at].0
    }

    /// What was sent, to the yardstick.
    pub fn heard(&mut self, at: usize, side: usize, at_s: i64, celsius: f64) {
        let by_day = self.by_day(at, at_s);
        if let Some(limits) = &self.limits[at][side] {
            self.plain[at][side].hear(at_s, celsius, limits, by_day);
        }
    }

    /// Mails that a plain band check would have sent.
    pub fn plain_mails(&self) -> u32 {
        self.plain.iter().flatten().map(|p| p.mails).sum()
    }

    fn range(&self, at: usize, of: usize, from_min: usize, to_min: usize) -> (f64, f64) {
        let log = &self.minutes[at];
        let part = &log[from_min.min(log.len())..to_min.min(log.len())];
        part.iter().fold((f64::MAX, f64::MIN), |(low, high), m| (low.min(m[of]), high.max(m[of])))
    }

    /// Minutes of the last two hours in which a side was truly outside (wanted, never).
    fn outside_min(&self, at: usize, side: usize, at_s: i64) -> (usize, usize) {
        let Some(limits) = self.limits[at][side] else { return (0, 0) };
        let to = (at_s / 60) as usize;
        let mut n = (0, 0);
        for minute in to.saturating_sub(120)..to.min(self.minutes[at].len()) {
            let by_day = self.by_day(at, minute as i64 * 60);
            let beyond = |(low, high): (f64, f64)| {
                let c = self.minutes[at][minute][side];
                c < low - LEFT_K || c > high + LEFT_K
            };
            n.0 += usize::from(beyond(limits[usize::from(!by_day)]));
            n.1 += usize::from(beyond(limits[2]));
        }
        n
    }

    /// Minutes of the last two hours in which a side was truly out of what was wanted, and would not have been had its room been
    /// as it was on the mean of the three days before. An enclosure takes over at most all of what its room does.
    fn left_by_the_room_min(&self, at: usize, at_s: i64, hot: bool) -> usize {
        let log = &self.minutes[at];
        let to = ((at_s / 60) as usize).min(log.len());
        let from = to.saturating_sub(120);
        let days = &log[from.saturating_sub(3 * 1_440)..from];
        let usual = days.iter().map(|m| m[2]).sum::<f64>() / days.len().max(1) as f64;
        let left_by_it = |minute: usize| {
            let by_day = self.by_day(at, minute as i64 * 60);
            (0..2).any(|side| {
                let Some(limits) = self.limits[at][side] else { return false };
                let (low, high) = limits[usize::from(!by_day)];
                let m = log[minute];
                let (beyond, room) = if hot { (m[side] - high, m[2] - usual) } else { (low - m[side], usual - m[2]) };
                beyond > LEFT_K && beyond <= room
            })
        };
        (from..to).filter(|minute| left_by_it(*minute)).count()
    }

    /// Courses of the last two hours beside those of the day before, minutes outside of the limits, and what went on.
    pub fn words(&self, at: usize, at_s: i64) -> String {
        let now = (at_s / 60) as usize;
        let mut text = String::new();
        for (of, name) in ["W", "C", "room"].into_iter().enumerate() {
            let (low, high) = self.range(at, of, now.saturating_sub(120), now);
            let (was_low, was_high) = self.range(at, of, now.saturating_sub(1_560), now.saturating_sub(120));
            text += &format!("{name} {low:.1}..{high:.1} (day {was_low:.1}..{was_high:.1}) ");
            if of < 2 && self.limits[at][of].is_some() {
                let (wanted, never) = self.outside_min(at, of, at_s);
                text += &format!("out {wanted}/{never} min; ");
            }
        }
        for e in
            self.events[at].iter().filter(|e| e.from_s <= at_s && e.until_s.min(e.from_s + 2 * DAY_S) + 7_200 > at_s)
        {
            let until = if e.until_s > at_s { "on".to_owned() } else { format!("till -{}", (at_s - e.until_s) / 60) };
            text += &format!("| {:?} {:.1} from -{} {until} ", e.kind, e.size, (at_s - e.from_s) / 60);
        }
        text
    }

    /// Whether the words of a cause were truly so in health: limits truly left, by the room's doing where that is named, the sun
    /// in, a lid or window open.
    pub fn holds(&self, at: usize, at_s: i64, cause: &str) -> bool {
        let was = |kinds: &[Kind]| {
            self.events[at].iter().any(|e| kinds.contains(&e.kind) && e.from_s <= at_s && e.until_s + 3_600 > at_s)
        };
        let left = (0..2).any(|side| self.outside_min(at, side, at_s).0 >= 10);
        match cause {
            "too-hot" | "too-cold" => left,
            "outside-heat" => was(&[Kind::Sun]),
            "left-open" => was(&[Kind::Door, Kind::Cleaning, Kind::Airing]),
            "room-cold" => self.left_by_the_room_min(at, at_s, false) >= 10,
            "room-hot" => self.left_by_the_room_min(at, at_s, true) >= 10,
            _ => false,
        }
    }
}
