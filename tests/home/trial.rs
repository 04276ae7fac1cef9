//! One case through the detector and its rivals: who found what, when, and what was said without reason.

use super::rivals::{Band, Ideal, Lasting};
use super::sensor::Home;
use super::{Case, DAY_S, Fault, Sample, Watts, What};
use warmside::heat::settings::{Kind, Settings, Source, Thermostat};
use warmside::heat::tuning::Tuning;
use warmside::heat::verdict::{Cause, Change, Verdict};
use warmside::heat::{Context, Input, Relearn, Watch};
use warmside::terms::place::Place;
use warmside::terms::quantity::Quantity;
use warmside::terms::time::{Now, Span};

/// How long after the fault we look, s.
pub const PATIENCE_S: i64 = 16 * 3_600;

#[derive(Clone, Debug, Default)]
pub struct Outcome {
    /// Minutes from the fault to the alarm; `None`: not found.
    pub ideal: Option<f64>,
    pub band: Option<f64>,
    /// The ideal from temperature alone, and from watts alone without the command.
    pub ideal_warmth: Option<f64>,
    pub watts_alone: Option<f64>,
    /// Minutes from the fault to when the sound enclosure's heat would first have been another: before that nobody can know.
    pub due: Option<f64>,
    /// Our first cause that names the fault rightly, and our first of any kind.
    pub ours: Option<f64>,
    pub first: Option<(f64, Cause)>,
    /// Second and verdict of all that was said before the fault (or ever, in health).
    pub early: Vec<(i64, Verdict)>,
    /// What went on around each of them, and whether a dial was turned in the two hours before.
    pub around: Vec<(String, bool)>,
    pub later: Vec<(i64, Cause)>,
}

pub fn settings(home: &Home) -> Settings {
    let thermostat = Thermostat::from_word(home.thermostat());
    Settings {
        sources: vec![Source {
            id: "main".into(),
            kind: Kind::CeramicEmitter,
            at: Place::WarmSide,
            watts: None,
            thermostat,
        }],
    }
}

/// The context at a moment: half of the homes have a light plan.
pub fn context(home: &Home) -> Context {
    let at_s = home.world.at_s;
    let of_day = at_s.rem_euclid(DAY_S);
    let mut c =
        Context { local_minute: (of_day / 60) as u16, day: at_s.div_euclid(DAY_S) as i32, ..Context::default() };
    if let Some(k) = home.world.case.band_k {
        let set_c = home.world.set_c();
        c.wanted[Place::WarmSide.index()] = Some((set_c - k, set_c + k));
    }
    if (home.world.case.seed / 2).is_multiple_of(2) {
        let (on, off) = home.world.photoperiod_s();
        let (on, off) = (on.rem_euclid(DAY_S), off.rem_euclid(DAY_S));
        let since = (of_day - on).rem_euclid(DAY_S).min((of_day - off).rem_euclid(DAY_S));
        let until = (on - of_day).rem_euclid(DAY_S).min((off - of_day).rem_euclid(DAY_S));
        c.lights_planned = Some(home.world.lights_on());
        c.since_planned_change = Some(Span::s(since));
        c.until_planned_change = Some(Span::s(until));
    }
    c
}

pub fn input(sample: &Sample) -> Option<Input> {
    Some(match sample.what {
        What::At(place, Quantity::Temperature) => Input::Level { place, celsius: sample.value },
        What::At(place, Quantity::Humidity) => Input::Humidity { place, percent: sample.value },
        What::Heat(Quantity::Power) => Input::Power { source: 0, watts: sample.value },
        What::Heat(Quantity::Switch) => Input::Switch { source: 0, on: sample.value > 0.5 },
        What::Lamp(Quantity::Power) => Input::LampPower { watts: sample.value },
        What::Room => Input::Room { celsius: sample.value },
        _ => return None,
    })
}

pub fn names(cause: Cause, fault: Fault) -> bool {
    match fault {
        Fault::HeatFailed | Fault::HeatAstray | Fault::PowerLost => cause == Cause::HeatFailed,
        Fault::StuckOn => cause == Cause::HeatStuckOn,
        Fault::Weak => cause == Cause::HeatWeak,
        Fault::ProbeDisplaced => cause == Cause::ProbeDisplaced,
        Fault::LeftOpen => cause == Cause::LeftOpen,
        Fault::RoomCold => cause == Cause::RoomCold,
        Fault::RoomHot | Fault::HeatWave => matches!(cause, Cause::RoomHot | Cause::OutsideHeat),
        Fault::FrozenProbe => false,
    }
}

/// Runs a case of so many days.
pub fn run(case: Case, days: i64, tuning: Tuning, rivals: bool) -> Outcome {
    let fault_s = case.fault.map(|(_, s)| s);
    let end_s = fault_s.map_or(days * DAY_S, |s| s + PATIENCE_S);
    let mut home = Home::new(case, end_s / DAY_S + 2);
    let mut watch = Watch::tuned(&settings(&home), tuning);
    let mut outcome = Outcome::default();
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    let mut twin: Option<Home> = None;
    let mut band = Band::new(0.0, 0.0);
    let (mut ideal, mut warmth) = (Ideal::new(), Ideal::new());
    let mut lasting = Lasting::new();
    let (mut heard, mut unheard) = (Vec::new(), Vec::new());
    let mut changes = Vec::new();
    while home.world.at_s < end_s {
        if rivals && fault_s == Some(home.world.at_s) {
            let mut sound = home.clone();
            sound.world.case.fault = None;
            twin = Some(sound);
            band = Band::new(low - 1.0, high + 1.0);
        }
        heard.clear();
        home.step(&mut heard);
        if let Some(twin) = &mut twin {
            unheard.clear();
            twin.step(&mut unheard);
        } else if home.world.at_s > DAY_S / 2 {
            low = low.min(home.world.warm_c());
            high = high.max(home.world.warm_c());
        }
        let at_s = home.world.at_s;
        if rivals {
            power_alone(&mut outcome, &home, twin.as_ref(), fault_s.unwrap_or(i64::MAX), &mut lasting);
        }
        let delay = fault_s.map(|f| (at_s - f) as f64 / 60.0).filter(|d| *d > 0.0);
        if case.dial.is_some_and(|(turned_s, _, told)| told && turned_s == at_s) {
            changes.clear();
            watch.relearn(Relearn::SettingChanged, &mut changes);
        }
        if heard.is_empty() {
            continue;
        }
        let c = context(&home);
        for sample in &heard {
            changes.clear();
            if let Some(input) = input(sample) {
                watch.hear(input, Now::at(sample.at_ms), &c, &mut changes);
            }
            for change in &changes {
                if let Change::Stands(v) = change {
                    if delay.is_none() {
                        outcome.around.push(around(&home));
                    }
                    note(&mut outcome, v, at_s, delay, case.fault.map(|f| f.0));
                }
            }
            if let (Some(delay), Some(twin)) = (delay, &twin) {
                rival(&mut outcome, sample, delay, twin, &mut band, &mut ideal, case);
                if sample.what == What::At(Place::WarmSide, Quantity::Temperature) {
                    let at_min = sample.at_ms as f64 / 60_000.0;
                    if warmth.level(at_min, sample.value, twin.world.warm_c(), sample.truth, 0.08) {
                        outcome.ideal_warmth.get_or_insert(delay);
                    }
                }
            }
        }
    }
    outcome
}

/// One step of the power itself: when the fault first made a difference, and whether its run outlasts all of health.
fn power_alone(o: &mut Outcome, home: &Home, twin: Option<&Home>, fault_s: i64, lasting: &mut Lasting) {
    let world = &home.world;
    let dead = world.case.fault.is_some_and(|(f, _)| f != Fault::StuckOn);
    let like_fault = if dead { world.heat_w < 0.02 * world.full_w() } else { world.heat_w > 0.95 * world.full_w() };
    let Some(twin) = twin else {
        lasting.learn(like_fault, world.at_s);
        return;
    };
    let delay = (world.at_s - fault_s) as f64 / 60.0;
    if (world.heat_w - twin.world.heat_w).abs() > 0.1 * world.full_w() {
        o.due.get_or_insert(delay);
    }
    lasting.step(like_fault);
    if lasting.alarms(world.at_s) {
        o.watts_alone.get_or_insert(delay);
    }
}

fn around(home: &Home) -> (String, bool) {
    let at_s = home.world.at_s;
    let mut words = String::new();
    let mut dial = false;
    for e in &home.world.life.events {
        let is_dial = e.kind == super::life::Kind::Dial;
        let ended = if is_dial { e.from_s } else { e.until_s };
        if e.from_s <= at_s && ended > at_s - 7_200 {
            words +=
                &format!(" {:?} {:.1} from -{} to {}", e.kind, e.size, (at_s - e.from_s) / 60, (ended - at_s) / 60);
            dial |= is_dial;
        }
    }
    (words, dial)
}

fn note(o: &mut Outcome, v: &Verdict, at_s: i64, delay: Option<f64>, fault: Option<Fault>) {
    match (delay, fault) {
        (Some(delay), Some(fault)) => {
            o.first.get_or_insert((delay, v.cause));
            o.later.push((at_s, v.cause));
            if names(v.cause, fault) {
                o.ours.get_or_insert(delay);
            }
        }
        _ => o.early.push((at_s, *v)),
    }
}

fn rival(o: &mut Outcome, sample: &Sample, delay: f64, twin: &Home, band: &mut Band, ideal: &mut Ideal, case: Case) {
    let at_min = sample.at_ms as f64 / 60_000.0;
    let alarm = match sample.what {
        What::At(Place::WarmSide, Quantity::Temperature) => {
            if band.level(at_min, sample.value) {
                o.band.get_or_insert(delay);
            }
            ideal.level(at_min, sample.value, twin.world.warm_c(), sample.truth, 0.08)
        }
        What::Heat(Quantity::Power) if case.watts == Watts::Instant => {
            ideal.watts(sample.value, twin.world.plug_w(), sample.truth)
        }
        What::Heat(Quantity::Power) => {
            // A mean over the interval: half of what it should be is enough to know.
            ideal.watts(sample.value, twin.sensors.last_power(), sample.value)
        }
        _ => false,
    };
    if alarm {
        o.ideal.get_or_insert(delay);
    }
}

/// Prints what the detector sees from half an hour before the fault (or a second in health) to so long after, every so often.
pub fn look(case: Case, at_s: i64, for_s: i64, every_s: i64) {
    let mut next_s = at_s - 1_800;
    let mut home = Home::new(case, (at_s + for_s) / DAY_S + 2);
    let mut watch = Watch::new(&settings(&home));
    let (mut heard, mut changes) = (Vec::new(), Vec::new());
    while home.world.at_s < at_s + for_s {
        heard.clear();
        home.step(&mut heard);
        let c = context(&home);
        for s in &heard {
            if let Some(i) = input(s) {
                watch.hear(i, Now::at(s.at_ms), &c, &mut changes);
            }
            for change in changes.drain(..).filter(|_| home.world.at_s > at_s - 1_800) {
                println!("{:.1} {change:?}", home.world.at_s as f64 / 60.0);
            }
            if home.world.at_s > next_s {
                next_s += every_s;
                for p in watch.pictures() {
                    let g = p.gradient;
                    println!(
                        "{:.1} x {:.2} v {:.3} fall {:.3} in {:.3}..{:.3} U {:.2}/{:.2} cyc {} even {}{} share {:.2?} ratio {:.2?} dU {:.2?} due {:?} hur {:.0} dip {:.0} odd {:.0} peak {:.1} {:.0} | hU {:.2}/{:.2} even {} share {:.2?} hur {:.0} dU {:.2?} cool {:.0} {:?} abs {:?} {:.2?}",
                        p.t,
                        p.x,
                        p.v,
                        p.fall,
                        p.fall_speed.0,
                        p.fall_speed.1,
                        p.low.undercut,
                        p.low.threshold,
                        u8::from(p.cycler),
                        u8::from(p.even_fall),
                        u8::from(p.strict_fall),
                        p.low.share,
                        p.ratio(),
                        g.map(|g| g.low.undercut / g.low.threshold),
                        g.map(|g| g.due()),
                        p.since_hurried_fall,
                        p.since_dip,
                        p.since_odd_rise,
                        p.low.peak,
                        p.t - p.low.peak_t,
                        p.high.undercut,
                        p.high.threshold,
                        u8::from(p.even_rise),
                        p.high.share,
                        p.since_hurried_rise,
                        g.map(|g| g.high.undercut / g.high.threshold),
                        p.since_cool_dip,
                        p.clue,
                        p.absent_min,
                        p.healed
                    );
                }
            }
        }
    }
}
