//! Everything that the causes are judged by, drawn up once a reading: plain numbers, no state.

use super::clue::Clue;
use super::{lamps, vapour};

/// A front that stands open takes the cool side along, a probe that fell does not: share of the fall.
pub const ALONG: f64 = 0.12;
/// Somebody who opened the front for a cleaning has closed it after so long, min. Common practice, no source.
const CLEANED_WITHIN_MIN: f64 = 45.0;
/// More than a failed heater takes of the cool side within that time (`low.rs` has 0.37).
pub const OPEN_SHARE: f64 = 0.4;
/// A heater takes the cool side along by less than this share of its rise, the sun by more.
pub const HEATER_SHARE: f64 = 0.45;
/// The same where one probe alone is seen: a heater that fails takes half of this within that time.
const OPENS_ALONE_K: f64 = 4.0;
/// So much of a threshold on the way to it says that something is lost, where another enclosure has said so.
const LEANS: f64 = 0.2;
/// Falls that began longer ago than this did not begin together, min.
pub const FALLS_TOGETHER_MIN: f64 = 60.0;
/// Vapour is remembered for so long, min.
const LONGEST_STILL_MIN: f64 = 90.0;
/// For so long after a lamp went off out of turn a fall is its doing, min.
const LAMP_COOLS_MIN: f64 = 60.0;
/// A level so far out of what is wanted, K, is told, whoever did it: few set a dial or a lamp to that.
pub const OUT_K: f64 = 1.0;
/// An open front that does harm keeps the warm end past its threshold for longer than a cleaning takes, min.
const OPEN_HARMS_MIN: f64 = 45.0;
/// A gradient of less than this tells nothing of how strong heat is, K.
const LEAST_OF_AN_HOUR_K: f64 = 1.5;
/// More than a room loses within that time, K.
const OPENS_K: f64 = 2.0;

/// One side of the warm end (or of the gradient) as its tracker has it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Side {
    pub undercut: f64,
    pub threshold: f64,
    /// Minutes since the undercut went past the threshold; `None`: it is not past.
    pub past_min: Option<f64>,
    /// Lowest level that belongs to this clock time; infinite when unknown.
    pub habit: f64,
    /// The same as the days had it, whatever the returns of late say.
    pub usual: f64,
    /// The lowest that any of the days had at this hour: what was so yesterday is not missing today.
    pub lowest: f64,
    pub recent: f64,
    pub days: u8,
    /// By how much the days differ at this hour, K.
    pub range: f64,
    pub peak: f64,
    pub peak_t: f64,
    pub min: f64,
    /// Share of the other end in the fall so far.
    pub share: Option<f64>,
}

impl Side {
    pub fn past(&self, factor: f64) -> bool {
        self.undercut >= factor * self.threshold
    }
    pub fn past_for(&self, minutes: f64) -> bool {
        self.past_min.is_some_and(|m| m >= minutes)
    }
    pub fn drop(&self, x: f64) -> f64 {
        self.peak - x
    }
    /// Whether one of the days had as low a level at this hour: what was no fault then is none now.
    pub fn is_known(&self, x: f64) -> bool {
        self.days >= 2 && x > self.lowest
    }
}

/// The gradient to the cool side.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gradient {
    pub now: f64,
    pub usual: f64,
    pub low: Side,
    pub high: Side,
    /// How far the cool side is above its usual level, K.
    pub cool_lift: f64,
}

impl Gradient {
    /// Whether what is missing of the gradient is missing because the cool side is warm: sun, lamp, room.
    pub fn narrowed_from_outside(&self) -> bool {
        self.cool_lift > 0.3 * (self.usual - self.now).max(0.5)
    }
    /// K of the gradient that are missing.
    pub fn missing(&self) -> f64 {
        self.usual - self.now
    }

    /// Whether heat is due: the gradient that belongs to this hour is there in health.
    pub fn due(&self) -> bool {
        self.low.habit.min(self.low.recent) > 0.3 * self.usual
    }
    pub fn ratio(&self) -> f64 {
        if self.usual > 0.3 { self.now / self.usual } else { 1.0 }
    }
    /// What there is of the least that two days and more had at this hour: a lamp's day begins after a night of none, so that the
    /// hours before say nothing. Failing that of the usual.
    pub fn of_this_hour(&self) -> f64 {
        let least = self.low.usual;
        if self.low.days > 1 && least.is_finite() && least > LEAST_OF_AN_HOUR_K {
            self.now / least
        } else {
            self.ratio()
        }
    }
}

/// The enclosure at one reading. Times are minutes; `since_…` is infinite when it never was.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Picture {
    pub t: f64,
    pub minute: u16,
    /// Usual minutes between readings.
    pub interval: f64,
    pub x: f64,
    pub v: f64,
    pub s_x: f64,
    pub s_v: f64,
    /// Mean fall over the last two windows of the evenness test, K/min, and its slack.
    pub fall: f64,
    pub fall_slack: f64,
    /// The fall has lost its speed within minutes, as no lost heat does.
    pub fades: bool,
    pub low: Side,
    pub high: Side,
    pub gradient: Option<Gradient>,
    /// The gradient is to a probe inside: an open front moves that, too.
    pub sees_doors: bool,
    pub cycler: bool,
    /// Heat with a dial that a keeper can turn: all but what is told to have no thermostat.
    pub dial: bool,
    /// Low and high end, °C, of what is wanted there now; `None`: not told.
    pub wanted: Option<(f64, f64)>,
    /// Heat that is told to have a thermostat: its level is held.
    pub held: bool,
    /// Lamps that no thermostat holds, at an hour at which they burn by plan: they can give no more than they do.
    pub burns_by_plan: bool,
    /// The highest of the days before at whatever hour, asked for only where this hour's is far below; on the first day the
    /// usual crest of a level that cycles. °C.
    pub top: f32,
    /// Natural speeds without heat and with full heat, K/min.
    pub fall_speed: (f64, f64),
    pub rise_speed: (f64, f64),
    pub even_fall: bool,
    pub even_rise: bool,
    /// The same, stricter: no acceleration.
    pub strict_fall: bool,
    pub strict_rise: bool,
    pub since_hurried_fall: f64,
    pub since_hurried_rise: f64,
    /// A rise that neither the clock nor a closed door explains.
    pub since_odd_rise: f64,
    pub since_dip: f64,
    /// Minutes since the warm end last stood past its threshold by a rise in which the cool side had no part.
    pub since_rose_alone: f64,
    /// Limit of the other end's share in a fall that is the heater's.
    pub share_limit: f64,
    /// Since the cool side sank last: misting, a door, a window.
    pub since_cool_dip: f64,
    /// Minutes for which the level and the gradient that belong to this hour have been missing.
    pub absent_min: Option<f64>,
    /// Whether heat that every day brings at this hour has not come, and the minutes since.
    pub late: bool,
    pub late_min: Option<f64>,
    /// The same of heat that goes off at this hour every day and has not.
    pub stays: bool,
    pub stays_min: Option<f64>,
    /// Minutes for which one probe alone has been too far above.
    pub above_min: Option<f64>,
    /// Undercuts, K, that looked like lost heat, heat without end, heat from outside, and healed by themselves.
    pub healed: Healed,
    pub frozen: bool,
    /// Mean depth and mean excess of falls and falls a day, for the depth trigger.
    pub depth: (f64, f64, f64),
    pub weak_cycles: bool,
    pub clue: Option<Clue>,
    /// What water vapour tells of the air; `None`: it is not heard, or not to be relied on.
    pub vapour: Option<vapour::Told>,
    /// What a lamp that is heard tells; `None`: it is not heard, or gives the heat itself.
    pub lamp: Option<lamps::Told>,
    /// This clock time was not seen on an earlier day.
    pub young: bool,
    /// Whether the other enclosures of the room are as usual; `None`: unknown.
    pub neighbours_ok: Option<bool>,
    /// Another enclosure on its circuit has just lost its heat.
    pub circuit_lost: bool,
    /// So do others on its circuit at this moment, half of it in all.
    pub falls_together: bool,
    /// A planned change is near (in the young days), or the hour is one at which homes change.
    pub low_waits: Wait,
    pub high_waits: Wait,
}

/// What looked like a fault in all but its depth and went back by itself, K; a fault must go further. 0: nothing did.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Healed {
    pub low: f64,
    pub high: f64,
    pub outside: f64,
}

/// What an hour without precedent asks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wait {
    No,
    /// No verdict of this side.
    Never,
}

impl Picture {
    /// Whether it still tells of a moment, min.
    pub fn is_fresh(&self, t: f64) -> bool {
        t - self.t <= (3.0 * self.interval).max(15.0)
    }
    pub fn ratio(&self) -> Option<f64> {
        self.gradient.map(|g| g.ratio())
    }
    /// Whether what is missing of the gradient is missing because the cool side is warmer than two days and more had it at this
    /// hour; failing that than of late.
    pub fn narrowed_from_outside(&self) -> bool {
        let Some(g) = self.gradient else { return false };
        let (warm, apart) = (self.low.usual, g.low.usual);
        if self.low.days < 2 || g.low.days < 2 || !warm.is_finite() || !apart.is_finite() {
            return g.narrowed_from_outside();
        }
        let cool_lift = (self.x - g.now) - (warm - apart);
        cool_lift > 0.3 * (apart - g.now).max(0.5)
    }
    /// Whether something hurried happened within the fall that now goes on.
    pub fn hurried_within_fall(&self) -> bool {
        self.since_hurried_fall < self.t - self.low.peak_t + 1.0
    }
    pub fn hurried_within_rise(&self) -> bool {
        self.since_hurried_rise < self.t - self.high.peak_t + 1.0
    }
    /// Both ends have fallen as they do when the front is opened, not longer ago than a cleaning takes. Readings minutes apart
    /// do not show how hurried a fall was; that the cool side went along, more than it does when heat fails, they do.
    pub fn looks_open(&self) -> bool {
        let hurried = self.hurried_within_fall() && self.since_hurried_fall < CLEANED_WITHIN_MIN;
        let soon = self.t - self.low.peak_t < CLEANED_WITHIN_MIN && self.low.drop(self.x) > OPENS_K;
        match self.low.share {
            Some(share) => (hurried && share > ALONG) || (soon && share > OPEN_SHARE),
            None => hurried || (soon && self.low.drop(self.x) > OPENS_ALONE_K),
        }
    }
    /// It falls as without heat and is on its way past where heat always came back: no verdict, but a word beside another's.
    pub fn leans_lost(&self) -> bool {
        self.low.past(LEANS) && self.v < 0.0 && self.fall > 0.0 && !self.hurried_within_fall()
    }
    /// How far it is on its way past where heat always came back, in thresholds, while it falls as without heat: what it adds
    /// to the word of others that fall beside it. 0: it does not fall so.
    pub fn lean(&self) -> f64 {
        let lately = self.t - self.low.peak_t <= FALLS_TOGETHER_MIN;
        let alone = self.low.share.is_none_or(|share| share < OPEN_SHARE);
        let falls = self.leans_lost() && lately && alone && self.low_waits == Wait::No;
        // On the first day nothing is known of other hours.
        let known = if self.young { 0.5 } else { 1.0 };
        if falls { known * self.low.undercut / self.low.threshold } else { 0.0 }
    }
    /// Colder, and warmer, than few would want it there.
    pub fn out_below(&self) -> bool {
        self.wanted.is_some_and(|(low, _)| self.x <= low - OUT_K)
    }
    pub fn out_above(&self) -> bool {
        self.wanted.is_some_and(|(_, high)| self.x >= high + OUT_K)
    }
    /// A lamp went off out of turn, and the fall is what that makes, and leads to nothing that is not wanted.
    pub fn lamp_cools(&self) -> bool {
        let its_doing = self.lamp.is_some_and(|l| !l.on && l.explains && f64::from(l.since_change) < LAMP_COOLS_MIN);
        its_doing && !self.circuit_lost && !self.falls_together && !self.out_below()
    }
    /// A lamp burns out of turn, and the rise is what that makes.
    pub fn lamp_warms(&self) -> bool {
        self.lamp.is_some_and(|l| l.on && l.explains) && !self.out_above()
    }
    /// Vapour is heard, an open front would have shown in it since the fall began, and has not.
    pub fn is_shut(&self) -> bool {
        let fell_for = (self.t - self.low.peak_t).min(LONGEST_STILL_MIN);
        self.vapour.is_some_and(|v| f64::from(v.still) >= fell_for)
    }
    /// The air has been exchanged with the room's for longer than a cleaning takes, and it harms.
    pub fn stands_open(&self) -> bool {
        self.low.past(1.0) && self.low.past_for(OPEN_HARMS_MIN) && self.vapour.is_some_and(|v| v.lasts)
    }
    /// The plug is known and shows power at about its usual amount.
    pub fn powered(&self) -> bool {
        self.clue.is_some_and(|c| c.flowing)
    }
    /// The plug is known and shows none.
    pub fn unpowered(&self) -> bool {
        self.clue.is_some_and(|c| c.none)
    }
}
