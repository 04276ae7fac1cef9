//! Whether a lamp burns, from what is measured: light meters, states, switches, watts, and the lamp's own warmth.
//!
//! A meter's threshold is learned per enclosure from its own lit and dark hours; until then only what is beyond doubt counts.

use crate::terms::time::{Mono, Span};
use serde::{Deserialize, Serialize};

/// One piece of evidence. Illuminance lx, power W, warmth °C at a place that only the lamp heats.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Evidence {
    Illuminance(f64),
    Light(bool),
    LampPower(f64),
    LampSwitch(bool),
    Warmth(f64),
}

/// Beyond doubt before anything is learned: a dark room reads 0 to 1 lx, a lit enclosure hundreds.
const LUX: Doubtless = Doubtless { off: 2.0, on: 100.0 };
/// A plug's own use and that of a lamp's driver at rest are about a watt.
const WATTS: Doubtless = Doubtless { off: 1.5, on: 5.0 };

/// Between these shares of the way from dark to lit the last verdict stays. A dimmed lamp is lit; daylight behind a lamp that
/// is off gives some light too.
const OFF_BELOW: f64 = 0.2;
const ON_ABOVE: f64 = 0.4;

/// Samples and time before a level is known.
const SAMPLES: u32 = 5;
const HEARD_FOR: Span = Span::h(1);
/// How many samples a level remembers: some hours of a meter that reads every minute.
const MEMORY: f64 = 200.0;

/// Days of lit and dark levels, and kelvin between them, before warmth is evidence.
const WARMTH_DAYS: Span = Span::days(3);
const WARMTH_APART_K: f64 = 5.0;
/// Shares of the way from dark to lit. A lamp that has lost half of its warmth is out: what it warmed gives off the rest for
/// hours, and the mean of the dark, which is that of a whole night, lies far below the first of them.
const COLD_BELOW: f64 = 0.5;
const WARM_ABOVE: f64 = 0.65;

/// Silence longer than this, or half as long again as any lately, and a source says nothing. What reports changes only may be
/// silent for a day.
const STALE: Span = Span::min(45);
const STALE_STATE: Span = Span::h(26);
/// A silence longer than any night is no habit.
const LONGEST: Span = Span::h(14);

struct Doubtless {
    off: f64,
    on: f64,
}

/// A level as a mean that fades.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Level {
    mean: f64,
    deviation: f64,
    samples: u32,
    since: Option<Mono>,
    last: Option<Mono>,
}

impl Level {
    fn learn(&mut self, y: f64, now: Mono) {
        self.samples = self.samples.saturating_add(1);
        let share = 1.0 / f64::from(self.samples).min(MEMORY);
        let off = y - self.mean;
        self.mean += share * off;
        if self.samples > 1 {
            self.deviation += share * (off.abs() - self.deviation);
        }
        self.since.get_or_insert(now);
        self.last = Some(now);
    }

    fn heard_for(&self) -> Span {
        self.last.zip(self.since).map_or(Span::ZERO, |(last, since)| last.since(since))
    }

    fn known(&self) -> Option<f64> {
        (self.samples >= SAMPLES && self.heard_for() >= HEARD_FOR).then_some(self.mean)
    }
}

/// A meter with two levels. Amounts are averaged as logarithms, so that an hour of sun does not outweigh the lamp.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Meter {
    lit: Level,
    dark: Level,
}

impl Meter {
    /// Lit and dark level, as far as they are known.
    fn levels(&self) -> (Option<f64>, Option<f64>) {
        let amount = |level: Level| level.known().map(|y| libm::exp(y) - 1.0);
        (amount(self.lit), amount(self.dark))
    }

    /// The amounts below which it is dark and above which it is lit; `None` where the meter cannot tell.
    fn thresholds(&self, beyond: &Doubtless) -> Option<(f64, f64)> {
        match self.levels() {
            (Some(lit), dark) => {
                let dark = dark.unwrap_or(0.0);
                let apart = lit - dark;
                let told = (dark + OFF_BELOW * apart, dark + ON_ABOVE * apart);
                (apart > 2.0 * dark && lit > 2.0 * beyond.off).then_some(told)
            }
            (None, Some(dark)) => Some((beyond.off.max(dark), beyond.on.max(4.0 * dark))),
            (None, None) => Some((beyond.off, beyond.on)),
        }
    }

    fn learn(&mut self, amount: f64, lit: bool, now: Mono) {
        let y = libm::log(1.0 + amount.max(0.0));
        if lit { self.lit.learn(y, now) } else { self.dark.learn(y, now) }
    }
}

/// One source of evidence and its verdict.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Source {
    meter: Meter,
    /// The last verdict.
    on: Option<bool>,
    heard: Option<Mono>,
    /// The longest silence lately: it fades by a hundredth a report, so that one outage does not make it patient for ever.
    longest: Span,
    is_state: bool,
}

impl Source {
    fn fresh(&self, now: Mono) -> Option<bool> {
        let silence = now.since(self.heard?);
        let stale = if self.is_state { STALE_STATE } else { STALE };
        (silence <= stale || silence <= self.longest.times(1.5)).then_some(self.on)?
    }
}

/// What all sources say together.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Seen {
    sources: [Source; 5],
}

impl Seen {
    /// Takes a piece of evidence. `settled`: what the plan says where it has said so for a while and nothing is wrong, so that
    /// levels may be learned from it.
    pub fn hear(&mut self, evidence: Evidence, settled: Option<bool>, now: Mono) {
        let index = match evidence {
            Evidence::Illuminance(_) => 0,
            Evidence::Light(_) => 1,
            Evidence::LampPower(_) => 2,
            Evidence::LampSwitch(_) => 3,
            Evidence::Warmth(_) => 4,
        };
        let source = &mut self.sources[index];
        source.is_state = matches!(evidence, Evidence::Light(_) | Evidence::LampSwitch(_));
        if let Some(silence) = source.heard.map(|before| now.since(before)).filter(|silence| *silence <= LONGEST) {
            source.longest = source.longest.times(0.99).max(silence);
        }
        let on = match evidence {
            Evidence::Light(on) | Evidence::LampSwitch(on) => Some(on),
            Evidence::Illuminance(amount) => source.amount(amount, &LUX, settled, now),
            Evidence::LampPower(amount) => source.amount(amount, &WATTS, settled, now),
            Evidence::Warmth(celsius) => source.warmth(celsius, settled, now),
        };
        if !matches!(evidence, Evidence::Illuminance(x) | Evidence::LampPower(x) | Evidence::Warmth(x) if !x.is_finite())
        {
            source.on = on;
            source.heard = Some(now);
        }
    }

    /// Whether the lamp burns, by all that is directly seen: dark if one says so, for daylight can feign a lamp and a switch
    /// a tube that is dead. Without any of them by its warmth. `None`: unknown.
    pub fn on(&self, now: Mono) -> Option<bool> {
        let [lux, light, power, switch, warmth] = self.sources.each_ref().map(|s| s.fresh(now));
        let direct = [lux, light, power, if power.is_none() { switch } else { None }];
        let mut said = direct.into_iter().flatten();
        match said.next() {
            Some(first) => Some(said.fold(first, |all, one| all && one)),
            None if self.is_direct() => None,
            None => warmth,
        }
    }

    /// Whether anything but warmth was ever heard.
    pub fn is_direct(&self) -> bool {
        self.sources[..4].iter().any(|s| s.heard.is_some())
    }

    /// The light above which the lamp is taken to burn, lx, once it is learned.
    pub fn threshold_lx(&self) -> Option<f64> {
        let meter = &self.sources[0].meter;
        meter.levels().0.and(meter.thresholds(&LUX)).map(|(_, on)| on)
    }

    /// What it was learned from: the lit level, the dark level where it is known, and over how long.
    pub fn levels_lx(&self) -> Option<(f64, Option<f64>, Span)> {
        let meter = &self.sources[0].meter;
        let (lit, dark) = meter.levels();
        Some((lit?, dark, meter.lit.heard_for()))
    }

    /// What tells at present, in words.
    pub fn by(&self, now: Mono) -> impl Iterator<Item = &'static str> + '_ {
        const WORDS: [&str; 5] = ["light meter", "light sensor", "lamp's watts", "lamp's switch", "lamp's warmth"];
        let direct = self.is_direct();
        let tells = move |i: usize, s: &Source| s.fresh(now).is_some() && (i < 4 || !direct);
        WORDS
            .into_iter()
            .zip(&self.sources)
            .enumerate()
            .filter(move |(i, (_, s))| tells(*i, s))
            .map(|(_, (word, _))| word)
    }
}

impl Source {
    fn amount(&mut self, amount: f64, beyond: &Doubtless, settled: Option<bool>, now: Mono) -> Option<bool> {
        if !amount.is_finite() {
            return None;
        }
        let on = match self.meter.thresholds(beyond) {
            Some((off, _)) if amount < off => Some(false),
            Some((_, on)) if amount > on => Some(true),
            // Nothing is known of its lit level: neither is said.
            Some(_) if self.meter.lit.known().is_none() => None,
            Some(_) => self.on,
            None => None,
        };
        if let Some(planned) = settled
            && on.is_none_or(|on| on == planned)
        {
            self.meter.learn(amount, planned, now);
        }
        on
    }

    fn warmth(&mut self, celsius: f64, settled: Option<bool>, now: Mono) -> Option<bool> {
        if !celsius.is_finite() {
            return None;
        }
        let Meter { lit, dark } = self.meter;
        let apart = lit.mean - dark.mean;
        let long = lit.heard_for() >= WARMTH_DAYS && dark.heard_for() >= WARMTH_DAYS;
        let strong = long && apart >= WARMTH_APART_K.max(4.0 * (lit.deviation + dark.deviation));
        let share = (celsius - dark.mean) / apart;
        let on = match (strong, share) {
            (false, _) => None,
            (true, share) if share > WARM_ABOVE => Some(true),
            (true, share) if share < COLD_BELOW => Some(false),
            _ => self.on,
        };
        if let Some(planned) = settled
            && on.is_none_or(|on| on == planned)
        {
            let level = if planned { &mut self.meter.lit } else { &mut self.meter.dark };
            level.learn(celsius, now);
        }
        on
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn minute(m: i64) -> Mono {
        Mono::from_ms(m * 60_000)
    }

    /// Half a day lit and half a day dark, a reading a minute, all as planned.
    fn taught(lit: f64, dark: f64) -> Seen {
        let mut seen = Seen::default();
        for m in 0..1_440 {
            let on = m < 720;
            seen.hear(Evidence::Illuminance(if on { lit } else { dark }), Some(on), minute(m));
        }
        seen
    }

    fn says(seen: &Seen, lux: f64) -> Option<bool> {
        let mut seen = seen.clone();
        seen.hear(Evidence::Illuminance(lux), None, minute(1_440));
        seen.on(minute(1_440))
    }

    #[test]
    fn a_threshold_lies_between_the_enclosures_own_levels() {
        for (lit, dark) in [(20.0, 0.0), (430.0, 0.0), (9_000.0, 12.0)] {
            let seen = taught(lit, dark);
            assert_eq!(says(&seen, lit), Some(true), "{lit}");
            assert_eq!(says(&seen, lit * 0.55 + dark), Some(true), "an old lamp, {lit}");
            assert_eq!(says(&seen, dark + 0.1 * lit), Some(false), "some daylight, {lit}");
            let threshold = seen.threshold_lx().unwrap();
            assert!((threshold / (dark + 0.4 * (lit - dark)) - 1.0).abs() < 0.01, "{threshold}");
        }
    }

    #[test]
    fn before_it_is_learned_only_what_is_beyond_doubt_counts() {
        let fresh = Seen::default();
        assert_eq!([0.0, 40.0, 3_000.0].map(|lux| says(&fresh, lux)), [Some(false), None, Some(true)]);
    }

    #[test]
    fn a_meter_that_sees_no_lamp_says_nothing() {
        let mut seen = Seen::default();
        for m in 0..1_440 {
            seen.hear(Evidence::Illuminance(if m < 720 { 45.0 } else { 50.0 }), Some(m >= 720), minute(m));
        }
        assert_eq!([45.0, 50.0, 400.0].map(|lux| says(&seen, lux)), [None, None, None]);
    }

    #[test]
    fn watts_outvote_daylight_and_the_switch() {
        let mut seen = taught(430.0, 0.0);
        seen.hear(Evidence::LampSwitch(true), None, minute(1_440));
        seen.hear(Evidence::LampPower(0.4), None, minute(1_440));
        assert_eq!(says(&seen, 500.0), Some(false));
        seen.hear(Evidence::LampPower(60.0), None, minute(1_440));
        assert_eq!(says(&seen, 500.0), Some(true));
    }

    #[test]
    fn long_silence_says_nothing_unless_it_is_usual() {
        let seen = taught(430.0, 0.0);
        assert_eq!(seen.on(minute(1_439 + 45)), Some(false));
        assert_eq!(seen.on(minute(1_439 + 46)), None);
        let mut on_change = Seen::default();
        on_change.hear(Evidence::Light(false), None, minute(0));
        assert_eq!(on_change.on(minute(13 * 60)), Some(false), "it reports changes only");
        assert_eq!(on_change.on(minute(27 * 60)), None);
        let mut rare = Seen::default();
        for m in [0, 720] {
            rare.hear(Evidence::LampPower(60.0), None, minute(m));
        }
        assert_eq!(rare.on(minute(720 + 18 * 60)), Some(true));
    }

    #[test]
    fn warmth_is_evidence_only_after_days_of_contrast() {
        let mut seen = Seen::default();
        for m in (0..6 * 1_440).step_by(5) {
            let on = m % 1_440 < 720;
            let wave = if m % 10 == 0 { 0.3 } else { -0.3 };
            seen.hear(Evidence::Warmth(if on { 36.0 } else { 24.0 } + wave), Some(on), minute(m));
            if m < 3 * 1_440 {
                assert_eq!(seen.on(minute(m)), None, "{m}");
            }
        }
        seen.hear(Evidence::Warmth(35.0), None, minute(6 * 1_440));
        assert_eq!(seen.on(minute(6 * 1_440)), Some(true));
        seen.hear(Evidence::Warmth(25.0), None, minute(6 * 1_440 + 5));
        assert_eq!(seen.on(minute(6 * 1_440 + 5)), Some(false));
        seen.hear(Evidence::Warmth(35.0), None, minute(6 * 1_440 + 10));
        seen.hear(Evidence::Warmth(31.0), None, minute(6 * 1_440 + 15));
        assert_eq!(seen.on(minute(6 * 1_440 + 15)), Some(true), "a third of its warmth may be an animal's");
        seen.hear(Evidence::Warmth(29.5), None, minute(6 * 1_440 + 20));
        assert_eq!(seen.on(minute(6 * 1_440 + 20)), Some(false), "what it warmed cools for hours");
    }
}
