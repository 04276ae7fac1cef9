//! Sensors and the wire: what each probe says, and what of it reaches the engine, when and how often.

use crate::chance::{Bug, Mark};
use crate::world::{ENCLOSURES, Truth, World};
use warmside::engine::event::Event;

/// A reading that a probe could truly have made, as it reached the engine.
#[derive(Clone, Copy, Debug)]
pub struct Heard {
    pub tick: i64,
    pub enclosure: usize,
    pub warm: bool,
    pub value: f64,
}

/// What a broker keeps for a session that is away.
const MOST_KEPT: usize = 300;

/// The link to the broker.
#[derive(Default)]
pub struct Wire {
    down_until: Option<i64>,
    /// Nobody was told that it is down: a connection that neither ends nor delivers.
    half_open: bool,
    /// The broker keeps what is missed and delivers it at once.
    keeps: bool,
    kept: Vec<(String, String)>,
    /// A message that another one overtakes.
    overtaken: Option<(String, String)>,
    unsubscribed: bool,
    /// The last value that each warm side's probe said, for one that is stuck.
    last: [Option<f64>; ENCLOSURES],
}

impl Wire {
    pub fn is_down(&self) -> bool {
        self.down_until.is_some()
    }
}

impl World {
    pub(crate) fn lose_the_link(&mut self, until: i64, half_open: bool, keeps: bool) {
        if self.wire.is_down() {
            return;
        }
        self.wire.down_until = Some(until);
        (self.wire.half_open, self.wire.keeps) = (half_open, keeps);
        self.deaf.push((self.tick, until));
        if half_open {
            self.untold.push((self.tick, until));
        }
        self.marks.insert(if half_open { Mark::HalfOpen } else { Mark::LinkLost });
        self.tell(format!("the link is lost until {until}{}", if half_open { ", untold" } else { "" }));
        if !half_open && self.bug != Some(Bug::LossUntold) {
            self.handle(Event::LinkLost);
        }
    }

    pub(crate) fn link_returns(&mut self) {
        if self.wire.down_until.is_none_or(|until| self.tick < until) {
            return;
        }
        if self.wire.half_open && self.bug != Some(Bug::LossUntold) {
            self.handle(Event::LinkLost);
        }
        self.wire.down_until = None;
        self.wire.unsubscribed = self.bug == Some(Bug::ForgetSubscription);
        self.handle(Event::LinkUp);
        let kept = std::mem::take(&mut self.wire.kept);
        if kept.len() > 12 {
            self.marks.insert(Mark::Burst);
        }
        for (topic, payload) in kept {
            self.deliver(&topic, payload.as_bytes(), false);
        }
        // What a broker retains comes with every subscription: a value of any age, in order by its looks.
        if self.mix.ghost > 0 {
            self.marks.insert(Mark::GhostOnReturn);
            for enclosure in 0..ENCLOSURES {
                self.deliver(&topic(enclosure, true), b"30.50", true);
            }
        }
    }

    /// Ticks since the link came back without a subscription; 0: it has one.
    pub fn unsubscribed_for(&self) -> i64 {
        if self.wire.unsubscribed { self.deaf.last().map_or(0, |(_, until)| self.tick - until) } else { 0 }
    }

    fn level(&mut self, enclosure: usize, warm: bool) -> f64 {
        let tick = self.tick;
        let noise = self.sensor_dice.below(100) as f64 / 1_000.0;
        let swing = (tick as f64 / 9.0 + enclosure as f64).sin() * 0.4;
        if !warm {
            return 24.0 + swing / 4.0 + noise;
        }
        let hot = self.truth.hot.iter().find(|s| s.enclosure == enclosure && s.holds(tick));
        let risen = hot.map_or(0.0, |s| ((tick - s.from) as f64 * 0.6).min(12.0));
        // A dead heater: toward 22 with a time constant of an hour, and back in half a K a minute.
        let fallen = |s: &crate::world::Stretch| {
            let fall = |ticks: i64| 8.5 * (1.0 - (-(ticks as f64) / 60.0).exp());
            (fall(tick.min(s.until) - s.from) - (tick - s.until).max(0) as f64 * 0.5).max(0.0)
        };
        let cold = self.truth.cold.iter().find(|s| s.enclosure == enclosure && tick >= s.from);
        30.5 + swing + risen + noise - cold.map_or(0.0, fallen)
    }

    pub(crate) fn sensors_speak(&mut self) {
        let overtaken = self.wire.overtaken.take();
        for enclosure in 0..ENCLOSURES {
            for warm in [true, false] {
                let level = self.level(enclosure, warm);
                self.note_truth(enclosure, warm);
                if warm && Truth::any(&self.truth.silent, enclosure, self.tick) {
                    self.marks.insert(Mark::Silent);
                    continue;
                }
                self.probe_says(enclosure, warm, level);
                if self.deaths.now() {
                    self.marks.insert(Mark::KilledInside);
                    self.kill();
                }
            }
        }
        if let Some((topic, payload)) = overtaken {
            self.publish(&topic, payload.as_bytes(), false);
        }
    }

    fn note_truth(&mut self, enclosure: usize, warm: bool) {
        for (stretches, mark) in [(&self.truth.hot, Mark::Hot), (&self.truth.cold, Mark::Cold)] {
            if warm && Truth::any(stretches, enclosure, self.tick) {
                self.marks.insert(mark);
            }
        }
    }

    fn probe_says(&mut self, enclosure: usize, warm: bool, level: f64) {
        let mut level = level;
        if warm && Truth::any(&self.truth.stuck, enclosure, self.tick) {
            self.marks.insert(Mark::Stuck);
            level = *self.wire.last[enclosure].get_or_insert(level);
        } else if warm {
            self.wire.last[enclosure] = Some(level);
        }
        let (topic, payload) = (topic(enclosure, warm), format!("{level:.2}"));
        let mix = self.mix.clone();
        if self.wire.overtaken.is_none() && self.sensor_dice.once_in(mix.reorder) {
            self.marks.insert(Mark::Reordered);
            self.wire.overtaken = Some((topic.clone(), payload));
        } else {
            self.publish(&topic, payload.as_bytes(), false);
            if self.sensor_dice.once_in(mix.duplicate) {
                self.marks.insert(Mark::Duplicate);
                self.publish(&topic, payload.as_bytes(), false);
            }
        }
        if self.sensor_dice.once_in(mix.rubbish) {
            self.marks.insert(Mark::Rubbish);
            let kinds: [&[u8]; 6] = [b"NaN", b"", b"\xff\xfe", b"85.0", b"-127", b"1e999"];
            let kind = self.sensor_dice.below(kinds.len() as i64) as usize;
            self.publish(&topic, kinds[kind], false);
        }
        if self.sensor_dice.once_in(mix.ghost) {
            self.marks.insert(Mark::Ghost);
            self.publish(&topic, b"55.0", true);
        }
    }

    fn publish(&mut self, topic: &str, payload: &[u8], retained: bool) {
        if !self.wire.is_down() {
            return self.deliver(topic, payload, retained);
        }
        if self.wire.keeps
            && self.wire.kept.len() < MOST_KEPT
            && let Ok(text) = std::str::from_utf8(payload)
        {
            self.wire.kept.push((topic.to_owned(), text.to_owned()));
        }
    }

    fn deliver(&mut self, topic: &str, payload: &[u8], retained: bool) {
        if self.wire.unsubscribed {
            return;
        }
        let retained = retained && self.bug != Some(Bug::GhostAsLive);
        self.note_heard(topic, payload, retained);
        self.handle(Event::Message { topic, payload, retained });
    }

    fn note_heard(&mut self, topic: &str, payload: &[u8], retained: bool) {
        let value = std::str::from_utf8(payload).ok().and_then(|text| text.parse::<f64>().ok());
        let Some(value) = value.filter(|v| !retained && (0.0..50.0).contains(v)) else { return };
        let enclosure = usize::from(topic.as_bytes()["rack/e".len()] - b'0');
        self.heard.push(Heard { tick: self.tick, enclosure, warm: topic.contains("warm"), value });
    }
}

fn topic(enclosure: usize, warm: bool) -> String {
    format!("rack/e{enclosure}/{}_side/temperature", if warm { "warm" } else { "cool" })
}
