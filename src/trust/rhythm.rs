//! A probe's own rhythm: how long it is usually quiet, and from when on its silence is a fault.
//!
//! Two families. A *regular* probe reports by the clock; a few missed reports are the radio's affair, more are a fault. An
//! *irregular* one (reports on change, or loses many) is quiet for as long as nothing happens: its longest healthy silence
//! counts, stretched by how much longer an exponential tail would reach in ten years than in what was seen.

use crate::terms::time::{Mono, Span};
use serde::{Deserialize, Serialize};

/// No silence of a regular probe is told before this. Ours: a home router or gateway that starts anew takes up to ten minutes, and a
/// mail that comes as it is back is one too many.
pub const SHORTEST_REGULAR: Span = Span::min(20);
/// The same for an irregular one.
pub const SHORTEST_IRREGULAR: Span = Span::min(20);
/// While too little is known of an irregular rhythm. Ours: a night without a change is longer, but rare on the first day.
pub const UNKNOWN: Span = Span::h(3);
/// A linked probe that never spoke since the start: when it is noted, and when it is told as a silence like any other. A
/// keeper may link tonight what is plugged in tomorrow.
pub const NEVER_HEARD: Span = Span::h(2);
pub const NEVER_HEARD_AT_ALL: Span = Span::h(24);
/// The longest silence that is ever borne.
pub const LONGEST: Span = Span::h(36);
/// Reports that a regular probe may miss.
const MISSED: f64 = 3.5;
/// Intervals whose 90 % quantile is below this many times their 10 % quantile are regular.
const REGULAR_RATIO: f32 = 2.0;
/// A silence this many times as long as was borne is an outage and no habit.
const OUTAGE: f64 = 3.0;
/// A lost report doubles a heartbeat's interval: an irregular rhythm is stretched by more than that.
const STRETCH_LEAST: f64 = 2.5;
/// A probe that was quiet for longer than five of its intervals, and this, s, is not regular, however even it is now.
const QUIET_S: f32 = 360.0;
const BLOCK: usize = 32;
/// How long the longest silence is remembered: one to two of these.
const EPOCH: Span = Span::days(4);

/// What the silence before a report was.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Gap {
    Healthy,
    /// It had been told as a fault.
    Told,
    /// Nobody listened: it says nothing of the probe.
    Deaf,
}

/// Learned intervals of one probe. Lengths as eighths of octaves above 0.1 s, one byte each (9 % steps).
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Rhythm {
    block: [u8; BLOCK],
    filled: u8,
    /// Reports of this block that repeated the value before.
    repeats: u8,
    /// A tenth of some block were repeats: what repeats itself does not report on change.
    repeats_itself: bool,
    /// 10 %, 50 % and 90 % quantiles of the last full block, s; zero: none yet.
    quantiles: [f32; 3],
    /// The median, sharpened by the intervals near it, s.
    typical: f32,
    /// Longest healthy interval of this and the last epoch, s, and how many intervals there were.
    longest: [f32; 2],
    count: [u32; 2],
    epoch: Option<Mono>,
    first: Option<Mono>,
    last: Option<Mono>,
    /// What the keeper says.
    every: Option<Span>,
    /// Kept, so that asking costs nothing.
    limit: Span,
}

impl Rhythm {
    pub fn new(every: Option<Span>) -> Rhythm {
        let mut rhythm = Rhythm { every, ..Rhythm::default() };
        rhythm.limit = rhythm.reckon(Mono::default());
        rhythm
    }

    /// A live report; whether it repeated the value before, and what the silence before it was.
    pub fn hear(&mut self, at: Mono, repeated: bool, gap: Gap) {
        let last = self.last.replace(at);
        self.first.get_or_insert(at);
        let epoch = *self.epoch.get_or_insert(at);
        if at.since(epoch) >= EPOCH {
            self.longest = [0.0, self.longest[0]];
            self.count = [0, self.count[0]];
            self.epoch = Some(at);
        }
        let Some(last) = last else { return };
        let s = at.since(last).as_s();
        if s < 0.05 || gap == Gap::Deaf {
            return; // two numbers of one message, or no rhythm at all
        }
        // A silence that was told teaches just so much that its like is not told again; an outage teaches nothing.
        let limit = self.limit.as_s();
        let (learned, longest) = match gap {
            Gap::Told if s > OUTAGE * limit || self.is_regular(at) => (s.min(limit), 0.0),
            Gap::Told => (s, 1.1 * s / STRETCH_LEAST),
            _ => (s, s),
        };
        self.longest[0] = self.longest[0].max(longest as f32);
        self.count[0] = self.count[0].saturating_add(1);
        if (learned as f32 - self.typical).abs() < 0.12 * self.typical {
            self.typical += (learned as f32 - self.typical) / 16.0;
        }
        self.repeats += u8::from(repeated);
        if let Some(slot) = self.block.get_mut(usize::from(self.filled)) {
            *slot = code(learned);
        }
        self.filled += 1;
        if usize::from(self.filled) >= BLOCK {
            self.block.sort_unstable();
            self.quantiles = [BLOCK / 10, BLOCK / 2, BLOCK * 9 / 10].map(|i| length(self.block[i]) as f32);
            if (self.typical - self.quantiles[1]).abs() > 0.12 * self.quantiles[1] {
                self.typical = self.quantiles[1];
            }
            self.repeats_itself |= usize::from(self.repeats) * 10 >= BLOCK;
            (self.filled, self.repeats) = (0, 0);
            self.limit = self.reckon(at);
        } else if learned > 0.4 * self.limit.as_s() {
            self.limit = self.reckon(at);
        }
    }

    /// Whether reports come by the clock. Equal intervals alone do not prove it: a probe that reports on change does so
    /// while a cold enclosure warms up, and then falls quiet for an hour.
    fn is_regular(&self, now: Mono) -> bool {
        let [low, median, high] = self.quantiles;
        let even = low > 0.0 && high < REGULAR_RATIO * low + 1.0;
        let long_enough = self.first.is_some_and(|f| now.since(f) >= UNKNOWN);
        let never_quiet = self.longest[0].max(self.longest[1]) < (5.0 * median).max(QUIET_S);
        self.every.is_some() || (even && never_quiet && (self.repeats_itself || long_enough))
    }

    /// Whether it speaks on change and may be quiet for hours in health.
    pub fn is_on_change(&self) -> bool {
        !self.declared() && self.last.is_some_and(|last| !self.is_regular(last))
    }

    /// Whether the keeper stated the interval.
    pub fn declared(&self) -> bool {
        self.every.is_some()
    }

    /// The usual interval.
    pub fn usual(&self) -> Option<Span> {
        let learned = (self.typical > 0.0).then(|| Span::from_s(f64::from(self.typical)));
        self.every.or(learned)
    }

    /// From which silence on it is a fault.
    pub fn limit(&self) -> Span {
        self.limit
    }

    pub fn last(&self) -> Option<Mono> {
        self.last
    }

    fn reckon(&self, now: Mono) -> Span {
        let [_, median, high] = self.quantiles.map(f64::from);
        let every = self.every.map_or(0.0, Span::as_s);
        let longest = f64::from(self.longest[0].max(self.longest[1]));
        let limit = if self.is_regular(now) {
            let missed = MISSED * every.max(median).max(high);
            Span::from_s(missed.max(1.3 * longest.min(4.0 * missed))).max(SHORTEST_REGULAR)
        } else if median == 0.0 {
            UNKNOWN
        } else {
            let seen = f64::from(self.count[0].saturating_add(self.count[1])).max(8.0);
            let days = self.first.map_or(0.0, |f| now.since(f).as_h() / 24.0).clamp(0.1, 8.0);
            // The longest of n draws of an exponential is about ln n means: from what was seen to ten years.
            let stretch = (libm::log(seen / days * 3_650.0) / libm::log(seen)).clamp(STRETCH_LEAST, 4.0);
            let learned = Span::from_s(stretch * longest).max(SHORTEST_IRREGULAR);
            let young = days < 1.0;
            if young { learned.max(UNKNOWN) } else { learned }
        };
        limit.min(LONGEST)
    }
}

/// 2 to the power of 1/8 to 7/8.
const EIGHTHS: [f64; 7] = [
    1.090_507_732_665_257_7,
    1.189_207_115_002_721,
    1.296_839_554_651_009_6,
    std::f64::consts::SQRT_2,
    1.542_210_825_407_940_7,
    1.681_792_830_507_429,
    1.834_008_086_409_342_4,
];

/// Whole eighths of octaves above 0.1 s, from the parts of the floating-point number: each reading asks, and a logarithm is dear.
fn code(s: f64) -> u8 {
    let bits = (s * 10.0).max(1.0).to_bits();
    let octaves = ((bits >> 52) & 0x7ff).saturating_sub(1_023);
    let mantissa = f64::from_bits((bits & ((1 << 52) - 1)) | (1_023 << 52));
    let eighths = EIGHTHS.partition_point(|eighth| mantissa >= *eighth);
    u8::try_from(8 * octaves + eighths as u64).unwrap_or(u8::MAX)
}

fn length(code: u8) -> f64 {
    libm::exp2((f64::from(code) + 0.5) / 8.0) / 10.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_length_is_coded_as_its_logarithm() {
        let by_logarithm = |s: f64| (8.0 * libm::log2((s * 10.0).max(1.0))) as u8;
        let lengths = (0..400_000).map(|ms| f64::from(ms) / 1_000.0).chain((0..40_000).map(|s| f64::from(s) * 3.7));
        for s in lengths.chain([-1.0, 0.1, 1e9, f64::MAX, f64::INFINITY, f64::NAN]) {
            assert_eq!(code(s), by_logarithm(s), "{s} s");
        }
    }

    /// Intervals in s, each with whether the value repeated.
    fn after(intervals: impl IntoIterator<Item = (f64, bool)>, every: Option<Span>) -> Rhythm {
        let mut rhythm = Rhythm::new(every);
        let mut at = 0.0;
        rhythm.hear(Mono::from_ms(0), false, Gap::Healthy);
        for (s, repeated) in intervals {
            at += s;
            rhythm.hear(Mono::from_ms((at * 1_000.0) as i64), repeated, Gap::Healthy);
        }
        rhythm
    }

    #[test]
    fn regular_probes_are_silent_soon() {
        for (s, least, most) in [(10.0, 20, 20), (60.0, 20, 20), (300.0, 20, 20), (900.0, 50, 60), (3_600.0, 200, 235)]
        {
            let limit = after(std::iter::repeat_n((s, true), 100), None).limit().as_min();
            assert!(limit >= f64::from(least) && limit <= f64::from(most), "{s} s: {limit} min");
        }
        assert_eq!(after([], Some(Span::s(600))).limit(), Span::min(35), "from the keeper's word alone");
        let fine = after(std::iter::repeat_n((30.0, false), 400), None);
        assert_eq!(fine.limit(), SHORTEST_REGULAR, "a fine sensor never repeats itself; three even hours prove it");
    }

    #[test]
    fn lost_reports_of_a_regular_probe_are_borne() {
        let rhythm = after((0..500).map(|i| (if i % 50 == 0 { 1_700.0 } else { 605.0 }, true)), None);
        assert!(rhythm.limit() > Span::s(1_800), "{}", rhythm.limit());
    }

    #[test]
    fn on_change_probes_may_be_quiet_for_as_long_as_they_were() {
        // Bursts while the heater cycles, 50 min of quiet, the day round.
        let day = || (0..288).map(|i| (if i % 24 == 0 { 3_000.0 } else { f64::from(20 + i % 7 * 60) }, false));
        let rhythm = after((0..3).flat_map(|_| day()), None);
        assert!(rhythm.limit() > Span::min(80) && rhythm.limit() < Span::h(4), "{}", rhythm.limit());
        assert_eq!(after([(40.0, false), (3.0, false)], None).limit(), UNKNOWN, "nothing known yet");
        let warming_up = after(std::iter::repeat_n((30.0, false), 100), None);
        assert_eq!(warming_up.limit(), UNKNOWN, "an even start proves nothing while no value repeats");
    }

    #[test]
    fn a_longer_quiet_is_told_once_and_an_outage_does_not_deafen_us() {
        let bursts = || (0..300).map(|i| (if i % 20 == 0 { 1_500.0 } else { f64::from(20 + i % 7 * 40) }, false));
        let mut rhythm = after((0..3).flat_map(|_| bursts()), None);
        let limit = rhythm.limit();
        let longer = limit.times(1.5);
        rhythm.hear(rhythm.last().unwrap_or_default() + longer, false, Gap::Told);
        assert!(rhythm.limit() > longer && rhythm.limit() < longer.times(1.3), "{} {longer}", rhythm.limit());
        let before = rhythm.limit();
        rhythm.hear(rhythm.last().unwrap_or_default() + Span::h(24), false, Gap::Told);
        assert!(rhythm.limit() <= before);
    }

    #[test]
    fn one_outage_does_not_deafen_us() {
        let mut rhythm = after(std::iter::repeat_n((30.0, true), 3_000), None);
        let at = rhythm.last().unwrap_or_default() + Span::h(24);
        rhythm.hear(at, true, Gap::Told);
        assert_eq!(rhythm.limit(), SHORTEST_REGULAR);
        assert!(rhythm.usual().is_some_and(|u| (u.as_s() - 30.0).abs() < 0.5));
    }
}
