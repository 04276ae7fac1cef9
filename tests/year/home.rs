//! A glass box with a heat emitter under an on-off thermostat, a lamp on a timer, and what can befall them; minute by minute.

use warmside::care::calendar::{Calendar, Date};
use warmside::terms::time::{Span, Wall};

#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Kind {
    SunOnTheGlass,
    NoNight,
    Leak,
    /// The lamp's timer is off by so many minutes.
    TimerNotSet(i64),
    LampStuckOn,
    LampDead,
    Frost,
    WarmSpell,
    Dry,
    Flicker,
    /// A second mat was put under the cool end, and the dial was turned down a little.
    MatAtCoolEnd,
    HeatDead,
    /// A drop of water sits on the humidity sensor.
    Soaked,
}

#[derive(Clone)]
pub struct Fault {
    pub from: Wall,
    pub until: Wall,
    pub kind: Kind,
}

pub struct Home {
    at: Wall,
    calendar: Calendar,
    faults: Vec<Fault>,
    warm_c: f64,
    cool_c: f64,
    heats: bool,
    random: u64,
}

/// What a keeper has set for a day of the year.
struct Dial {
    day_c: f64,
    night_c: f64,
    room_c: f64,
    on_min: i64,
    off_min: i64,
}

impl Dial {
    /// Into brumation by a kelvin a day from 15 November on, and back from 10 February on.
    fn of(date: Date) -> Dial {
        let (year, month, _) = date.year_month_day();
        let autumn = Date::new(if month >= 7 { year } else { year - 1 }, 11, 15).expect("a date");
        let spring = Date::new(if month >= 7 { year + 1 } else { year }, 2, 10).expect("a date");
        let (into, back) = (date.days_since(autumn) + 1, date.days_since(spring) + 1);
        let down = (into.clamp(0, 18) - back.clamp(0, 18)) as f64;
        let winter = into >= 1 && back < 1;
        let (on_min, off_min) = if winter { (600, 1_080) } else { (480, 1_200) };
        let room_c = 20.5 - 0.5 * down;
        Dial { day_c: 30.5 - down, night_c: (27.0 - down).max(12.5), room_c, on_min, off_min }
    }
}

impl Home {
    pub fn new(at: Wall, faults: Vec<Fault>) -> Home {
        let calendar = Calendar::new("Europe/Dublin", None).expect("a zone");
        Home { at, calendar, faults, warm_c: 27.0, cool_c: 22.7, heats: false, random: 7 }
    }

    pub fn at(&self) -> Wall {
        self.at
    }

    /// Between -1 and 1: Knuth's MMIX generator.
    fn noise(&mut self) -> f64 {
        self.random = self.random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.random >> 33) as f64 / f64::from(1_u32 << 30) - 1.0
    }

    fn has(&self, kind: Kind) -> bool {
        self.faults.iter().any(|f| f.kind == kind && f.from <= self.at && self.at < f.until)
    }

    fn hours_of(&self, kind: Kind) -> f64 {
        self.faults.iter().find(|f| f.kind == kind).map_or(0.0, |f| self.at.since(f.from).as_h())
    }

    fn timer_off_by(&self) -> i64 {
        let in_force = self.faults.iter().filter(|f| f.from <= self.at && self.at < f.until);
        in_force.map(|f| if let Kind::TimerNotSet(by) = f.kind { by } else { 0 }).sum()
    }

    /// Five minutes pass; what the sensors then send.
    pub fn five_minutes(&mut self) -> String {
        let mut lit = false;
        for _ in 0..5 {
            self.at = self.at + Span::min(1);
            lit = self.minute();
        }
        if self.has(Kind::Flicker) && self.noise() > 0.0 {
            lit = false;
        }
        let civil = self.calendar.civil(self.at);
        let hour = civil.of_day.as_h();
        let daylight = (15.0 * libm::sin((hour - 6.0) * std::f64::consts::PI / 12.0)).max(0.0);
        let lux = if lit { 900.0 } else { 0.0 } + daylight * (1.0 + 0.3 * self.noise());
        let mist = libm::exp(-(hour - 18.0).rem_euclid(24.0) / 2.0) * 25.0;
        let rh = match () {
            () if self.has(Kind::Leak) => 94.0,
            () if self.has(Kind::Dry) => 24.0,
            () if self.has(Kind::Soaked) => return self.says(99.9, lux),
            () => 49.0 - 1.5 * (self.cool_c - 22.0).clamp(-3.0, 3.0) + mist,
        } + self.noise();
        self.says(rh, lux)
    }

    fn says(&mut self, rh: f64, lux: f64) -> String {
        let (w, c) = (self.warm_c + 0.06 * self.noise(), self.cool_c + 0.06 * self.noise());
        format!("{{\"w\":{w:.2},\"c\":{c:.2},\"rh\":{rh:.1},\"lx\":{lux:.0}}}")
    }

    /// One minute; whether the lamp burns.
    fn minute(&mut self) -> bool {
        let civil = self.calendar.civil(self.at);
        let dial = Dial::of(civil.date);
        let minute = civil.of_day.as_ms() / 60_000;
        let by_timer = (minute - self.timer_off_by()).rem_euclid(1_440);
        let on_plan = (dial.on_min..dial.off_min).contains(&minute);
        let is_lit = (dial.on_min..dial.off_min).contains(&by_timer) || self.has(Kind::LampStuckOn);

        let set_c = if on_plan || self.has(Kind::NoNight) { dial.day_c } else { dial.night_c };
        let set_c = if self.has(Kind::MatAtCoolEnd) { 29.2 } else { set_c };
        if self.warm_c < set_c - 0.3 {
            self.heats = true;
        } else if self.warm_c > set_c + 0.3 {
            self.heats = false;
        }
        let heats = self.heats && !self.has(Kind::HeatDead);
        let weather = libm::sin((civil.of_day.as_h() - 9.0) * std::f64::consts::PI / 12.0) * 0.8;
        let room_c = match () {
            // The window stands open on a night of frost: the heater does what it can.
            () if self.has(Kind::Frost) => dial.room_c - 2.0 * self.hours_of(Kind::Frost).min(7.0),
            () if self.has(Kind::WarmSpell) => 22.0,
            () => dial.room_c + weather,
        };
        let sun = if self.has(Kind::SunOnTheGlass) { 0.30 } else { 0.0 };
        let mat = if self.has(Kind::MatAtCoolEnd) { 0.07 } else { 0.0 };
        // K a minute: to the room, to the other end, from the emitter and the sun.
        let between = (self.warm_c - self.cool_c) / 90.0;
        let power = if heats { 0.38 } else { 0.0 };
        self.warm_c += (room_c - self.warm_c) / 60.0 - between + power + sun;
        self.cool_c += (room_c - self.cool_c) / 45.0 + between + sun + mat;
        is_lit && !self.has(Kind::LampDead)
    }
}
