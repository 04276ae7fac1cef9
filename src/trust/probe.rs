//! One probe: every test that its readings pass, in order, and which of its faults stand.

use super::battery::Battery;
use super::drift::Drift;
use super::gate::{Gate, Passage};
use super::noise::Noise;
use super::plausible;
use super::rhythm::{Gap, Rhythm};
use super::run::Run;
use super::scale::OtherUnit;
use super::spell::Spell;
use super::stamps::Stamps;
use super::{Doubt, Fault, Kind, Verdict};
use crate::reading::probes::Known;
use crate::reading::refusal::Refusal;
use crate::reading::{Reading, Slot, Target};
use crate::terms::quantity::{Quantity, Unit};
use crate::terms::time::{Mono, Now, Span};
use serde::{Deserialize, Serialize};

/// Further off than this an unsure reading is as good as doubted, K or %.
const WILD: f64 = 8.0;
/// From here on a humidity sensor that stands still is called soaked, %, and how long it must. Fog lasts a night.
const SOAKED_FROM: f64 = 99.0;
const SOAKED_LASTS: Span = Span::h(12);
/// How far beyond all that it read with a good battery a reading is not believed on a low one, K.
const DYING_BEYOND_K: f64 = 1.0;
/// Over how long a probe's own trend is taken, min.
const TREND_MIN: f64 = 10.0;

/// What the rest of the house says while a reading is judged.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Witness {
    /// Another probe of the enclosure or its room moves, or moved, the same way.
    pub agrees: bool,
    /// How far the other temperatures of this target travelled so far, K.
    pub others_travel: f32,
    /// The battery that this probe lives on is low.
    pub battery_low: bool,
    /// It may have changed places with another one: not yet sure.
    pub swap: bool,
    /// Another probe on the same battery has already left its senses.
    pub sender_dying: bool,
}

/// Everything known of one probe. Kept over restarts under [`crate::reading::links::Links::name`].
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Probe {
    pub(super) slot: Slot,
    pub(super) target: Target,
    unit: Unit,
    offset_k: f64,
    pub(super) rhythm: Rhythm,
    stamps: Stamps,
    pub(super) gate: Gate,
    noise: Noise,
    pub(super) run: Run,
    pub(super) battery: Battery,
    /// Nobody listened before this: silence counts from here at the earliest.
    pub(super) listening_since: Option<Mono>,
    /// The same of before the link was lost.
    #[serde(default)]
    pub(super) listened_since: Option<Mono>,
    pub(super) deaf: bool,
    /// Its device said that it is gone.
    pub(super) gone: Option<Now>,
    pub(super) last_heard: Option<Now>,
    last_value: Option<f64>,
    pub(super) last_trusted: Option<(f64, Now)>,
    pub(super) spell: Spell,
    /// The level of the last ten minutes, for the trend.
    slow: f32,
    /// Lowest and highest of what it read with a good battery.
    envelope: Option<[f32; 2]>,
    dying: bool,
    other_unit: Option<OtherUnit>,
    pinned: Option<Now>,
    pub(super) drift: Drift,
    /// While it is displaced: since when it reads as it did at its place.
    pub(super) home_since: Option<Mono>,
    pub(super) standing: Vec<(Fault, Now)>,
    pub(super) told_silent: bool,
    pub(super) told_day: bool,
}

/// Whatever a probe learns is bounded, so that 5,000 of them take 5 MB and not what their keepers' machine has.
const _: () = assert!(size_of::<Probe>() <= 960);

/// An edge of one probe: the kind, what stands now (`None`: over), since when.
pub(super) type Edge = (Kind, Option<Fault>, Now);

impl Probe {
    pub fn new(known: &Known, now: Now) -> Probe {
        Probe {
            slot: known.slot,
            target: known.target,
            unit: known.unit,
            offset_k: known.offset_k,
            rhythm: Rhythm::new(known.every),
            stamps: Stamps::default(),
            gate: Gate::default(),
            noise: Noise::default(),
            run: Run::default(),
            battery: Battery::default(),
            listening_since: Some(now.mono),
            listened_since: None,
            deaf: false,
            gone: None,
            last_heard: None,
            last_value: None,
            last_trusted: None,
            spell: Spell::default(),
            slow: 0.0,
            envelope: None,
            dying: false,
            other_unit: None,
            pinned: None,
            drift: Drift::default(),
            home_since: None,
            standing: Vec::new(),
            told_silent: false,
            told_day: false,
        }
    }

    /// Takes over what the keeper's file says now from a probe that was stored under another one.
    pub fn refit(&mut self, known: &Known) {
        (self.slot, self.target, self.unit, self.offset_k) = (known.slot, known.target, known.unit, known.offset_k);
    }

    /// Whether witnesses should be asked before [`Probe::hear`].
    pub fn wonders(&self, reading: &Reading) -> bool {
        !self.gate.within_reach(self.slot.quantity(), reading.value, reading.at.mono)
    }

    pub fn hear(&mut self, reading: &Reading, witness: &Witness, out: &mut Vec<Edge>) -> Verdict {
        if reading.retained {
            return Verdict::Doubted(Doubt::UnknownAge);
        }
        if self.stamps.late(reading.measured, reading.at) {
            return Verdict::Doubted(Doubt::Late);
        }
        self.speak(self.last_value == Some(reading.value), reading.at, out);
        self.last_value = Some(reading.value);
        let verdict = self.judge(reading, witness, out);
        match verdict {
            Verdict::Trusted => self.believe(reading, witness, out),
            Verdict::Held if witness.swap => {}
            Verdict::Held => {
                let wild = self.last_trusted.is_some_and(|(value, _)| (reading.value - value).abs() > WILD);
                self.disbelieve(Fault::Unbelievable(Doubt::Step), wild, reading.at, out);
            }
            Verdict::Doubted(doubt @ (Doubt::Impossible | Doubt::Sentinel | Doubt::Step | Doubt::Dying)) => {
                self.disbelieve(Fault::Unbelievable(doubt), true, reading.at, out);
            }
            // Another fault explains it.
            Verdict::Doubted(_) if !self.has(Kind::Faulty) => self.spell = Spell::default(),
            Verdict::Doubted(_) => {}
        }
        verdict
    }

    /// It spoke, and nothing could be read.
    pub fn hear_refused(&mut self, why: Refusal, now: Now, out: &mut Vec<Edge>) {
        self.speak(false, now, out);
        self.disbelieve(Fault::Unreadable(why), true, now, out);
    }

    fn speak(&mut self, repeated: bool, now: Now, out: &mut Vec<Edge>) {
        let gap = match (self.deaf, self.told_silent) {
            (true, _) => Gap::Deaf,
            (_, true) => Gap::Told,
            _ => Gap::Healthy,
        };
        self.rhythm.hear(now.mono, repeated, gap);
        self.deaf = false;
        self.told_silent = false;
        self.gone = None;
        self.last_heard = Some(now);
        self.set(None, Kind::Silent, now, out);
    }

    fn judge(&mut self, reading: &Reading, witness: &Witness, out: &mut Vec<Edge>) -> Verdict {
        let (quantity, at) = (self.slot.quantity(), reading.at.mono);
        let bare = reading.value - self.offset_k;
        if !plausible::possible(quantity, bare) {
            return Verdict::Doubted(Doubt::Impossible);
        }
        if !matches!(quantity, Quantity::Temperature | Quantity::Humidity) {
            return Verdict::Trusted;
        }
        let near = self.gate.last().is_some() && self.gate.within_reach(quantity, reading.value, at);
        if !near && plausible::sentinel(quantity, bare, self.unit) {
            return Verdict::Doubted(Doubt::Sentinel);
        }
        if quantity == Quantity::Humidity {
            self.soak(reading, out);
            if witness.sender_dying {
                return Verdict::Doubted(Doubt::Dying);
            }
            let noisy = self.hear_noise(reading.value, 4.0, witness, reading.at, out);
            return match self.gate.judge(quantity, reading.value, at, false) {
                Passage::Through | Passage::NewLevel { .. } if noisy => Verdict::Doubted(Doubt::Noisy),
                Passage::Through | Passage::NewLevel { .. } => Verdict::Trusted,
                Passage::Held => Verdict::Held,
                Passage::Doubted(doubt) => Verdict::Doubted(doubt),
            };
        }
        self.judge_temperature(reading, witness, out)
    }

    fn judge_temperature(&mut self, reading: &Reading, witness: &Witness, out: &mut Vec<Edge>) -> Verdict {
        let (value, now) = (reading.value, reading.at);
        let (quantity, at) = (Quantity::Temperature, now.mono);
        if self.is_dying(value, witness) {
            return Verdict::Doubted(Doubt::Dying);
        }
        let noisy = self.hear_noise(value, 1.0, witness, now, out);
        let stuck = self.run.hear(value, self.noise.deviation(), witness.others_travel, now);
        let since = self.run.since().unwrap_or(now);
        if stuck != self.has(Kind::Stuck) {
            let fault = stuck.then_some(Fault::Stuck { for_: at.since(since.mono) });
            self.set(fault, Kind::Stuck, if stuck { since } else { now }, out);
        }
        if let Some(other) = self.other_unit {
            if !self.gate.within_reach(quantity, value, at) {
                let meant = other.meant(value);
                if self.gate.within_reach(quantity, meant, at) {
                    self.gate.settle(meant, at);
                }
                return Verdict::Doubted(Doubt::Unit);
            }
            self.other_unit = None;
            self.set(None, Kind::Unit, now, out);
        }
        // Asked beforehand: a new level, once believed, is held no more.
        let steady = self.gate.is_steady();
        let other = self.gate.last().and_then(|(then, from)| OtherUnit::of_jump(from, value, at.since(then)));
        match self.gate.judge(quantity, value, at, other.is_some()) {
            Passage::Through => {}
            // Probes that change their unit together agree with one another, and not with heat.
            _ if witness.agrees && other.is_none() => {
                self.gate.settle(value, at);
            }
            Passage::Held => return Verdict::Held,
            Passage::NewLevel { .. } | Passage::Doubted(_) if !noisy && steady && self.reads_in(other, value, at) => {
                self.set(Some(Fault::UnitChanged), Kind::Unit, now, out);
                return Verdict::Doubted(Doubt::Unit);
            }
            Passage::NewLevel { .. } => {}
            Passage::Doubted(doubt) => return Verdict::Doubted(doubt),
        }
        match (stuck, noisy, witness.swap) {
            (true, ..) => Verdict::Doubted(Doubt::Stuck),
            (_, true, _) => Verdict::Doubted(Doubt::Noisy),
            _ if self.has(Kind::Swapped) => Verdict::Doubted(Doubt::Swapped),
            _ if self.is_away(value, now, out) => Verdict::Doubted(Doubt::Displaced),
            (_, _, true) => Verdict::Held,
            _ => Verdict::Trusted,
        }
    }

    /// Whether the jump to a new level is one to another unit; if so, follows it there.
    fn reads_in(&mut self, other: Option<OtherUnit>, value: f64, at: Mono) -> bool {
        self.other_unit = other;
        if let Some(other) = other {
            self.gate.settle(other.meant(value), at);
        }
        other.is_some()
    }

    /// On a low battery what leaves the range of better days is the battery's doing, and from then on everything is.
    fn is_dying(&mut self, value: f64, witness: &Witness) -> bool {
        if !witness.battery_low {
            self.dying = false;
            return false;
        }
        self.dying |= witness.sender_dying;
        let Some([low, high]) = self.envelope else { return self.dying };
        let beyond = value > f64::from(high) + DYING_BEYOND_K || value < f64::from(low) - DYING_BEYOND_K;
        self.dying |= beyond && !witness.agrees;
        self.dying
    }

    fn hear_noise(&mut self, value: f64, scale: f32, witness: &Witness, now: Now, out: &mut Vec<Edge>) -> bool {
        let noisy = self.noise.hear(value, scale, now.mono);
        // On a low battery the battery is what is told.
        if !noisy || !witness.battery_low {
            self.set(noisy.then_some(Fault::Noisy), Kind::Noisy, now, out);
        }
        noisy
    }

    fn soak(&mut self, reading: &Reading, out: &mut Vec<Edge>) {
        let still =
            reading.value >= SOAKED_FROM && self.last_trusted.is_some_and(|(v, _)| (v - reading.value).abs() <= 0.3);
        if !still || matches!(self.target, Target::Room(_)) {
            self.pinned = None;
            self.set(None, Kind::Soaked, reading.at, out);
            return;
        }
        let since = *self.pinned.get_or_insert(reading.at);
        if reading.at.mono.since(since.mono) >= SOAKED_LASTS {
            self.set(Some(Fault::Soaked), Kind::Soaked, since, out);
        }
    }

    fn believe(&mut self, reading: &Reading, witness: &Witness, out: &mut Vec<Edge>) {
        let value = reading.value as f32;
        match self.last_trusted {
            None => self.slow = value,
            Some((_, then)) => {
                let dt = reading.at.mono.since(then.mono).as_min();
                self.slow += (value - self.slow) * (dt / (dt + TREND_MIN)).clamp(0.0, 1.0) as f32;
            }
        }
        self.last_trusted = Some((reading.value, reading.at));
        if !witness.battery_low {
            let [low, high] = self.envelope.unwrap_or([value, value]);
            self.envelope = Some([low.min(value), high.max(value)]);
        }
        // After its battery has spoiled readings, even plausible ones are no recovery.
        let stands = self.has(Kind::Faulty);
        if self.spell.believe(reading.at.mono, stands) && !(stands && witness.battery_low) {
            self.spell = Spell::default();
            self.set(None, Kind::Faulty, reading.at, out);
        }
    }

    /// `sure`: it is certainly no measurement; else it may be one.
    fn disbelieve(&mut self, fault: Fault, sure: bool, now: Now, out: &mut Vec<Edge>) {
        let stands = self.has(Kind::Faulty);
        if let Some(since) = self.spell.disbelieve(sure.then_some(fault), now, self.rhythm.limit(), stands) {
            self.set(Some(fault), Kind::Faulty, since, out);
        }
    }

    pub(super) fn has(&self, kind: Kind) -> bool {
        self.standing.iter().any(|(fault, _)| fault.kind() == kind)
    }

    /// Makes an edge where the standing changes.
    pub(super) fn set(&mut self, fault: Option<Fault>, kind: Kind, since: Now, out: &mut Vec<Edge>) {
        if fault.is_none() && self.standing.is_empty() || fault.is_some() == self.has(kind) {
            return;
        }
        self.standing.retain(|(stood, _)| stood.kind() != kind);
        self.standing.extend(fault.map(|fault| (fault, since)));
        out.push((kind, fault, since));
    }

    /// What is wrong with it now, and since when.
    pub fn standing(&self) -> &[(Fault, Now)] {
        &self.standing
    }

    /// The keeper moved it or knows of the change: levels are learned anew, faults of level end.
    pub fn relearn(&mut self, now: Now, out: &mut Vec<Edge>) {
        (self.gate, self.noise, self.run) = (Gate::default(), Noise::default(), Run::default());
        (self.spell, self.envelope, self.dying, self.other_unit) = (Spell::default(), None, false, None);
        (self.drift, self.home_since) = (Drift::default(), None);
        let of_level =
            [Kind::Faulty, Kind::Noisy, Kind::Stuck, Kind::Unit, Kind::Swapped, Kind::Displaced, Kind::Drift];
        for kind in of_level {
            self.set(None, kind, now, out);
        }
    }

    /// How far it is above its level of the last ten minutes, K; `None`: not heard for ten minutes.
    pub fn trend(&self, now: Mono) -> Option<f64> {
        let (value, at) = self.last_trusted?;
        (now.since(at.mono) <= Span::min(10)).then(|| value - f64::from(self.slow))
    }

    pub fn last_trusted(&self) -> Option<(f64, Now)> {
        self.last_trusted
    }
    pub fn last_heard(&self) -> Option<Now> {
        self.last_heard
    }
    /// The last value of all, believed or not.
    pub fn last_value(&self) -> Option<f64> {
        self.last_value
    }
    /// The usual interval, once known.
    pub fn usual(&self) -> Option<Span> {
        self.rhythm.usual()
    }
    /// From which silence on it is a fault.
    pub fn silence_limit(&self) -> Span {
        self.rhythm.limit()
    }
    pub(super) fn travel(&self) -> f32 {
        self.run.travel()
    }
    pub(super) fn is_dying_now(&self) -> bool {
        self.dying
    }

    /// Whether its place can be judged by it: no fault that blinds stands.
    pub fn sees(&self) -> bool {
        let blind = [Kind::Silent, Kind::Faulty, Kind::Noisy, Kind::Stuck, Kind::Unit, Kind::Swapped, Kind::Displaced];
        self.last_trusted.is_some() && blind.iter().all(|kind| !self.has(*kind))
    }
}
