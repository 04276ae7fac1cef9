//! What a plug and its relay show at this moment beside the level: power that is missing, that does not arrive, that never stops.

use super::super::clue::{Beside, Clue};
use super::super::spell::{MOST_OF_ONE, MOST_OF_REST, Seen, Spells, scale_k};
use super::{DOUBT_AFTER_MIN, LEAST_REPORTS, LEAST_W, NONE_SHARE, Plug};

/// A state must be seen for this long, min: one odd report is none.
const SEEN_FOR_MIN: f64 = 0.4;
/// An absence of power at an hour that never had one says this much, where the level says at least so much.
const NEW_ABSENCE: f64 = 5.0;
const NEW_ABSENCE_LEVEL: f64 = 6.0;
/// Reports with the relay on before an absence of power under it is believed.
const LEAST_ON_REPORTS: u32 = 60;

impl Plug {
    /// What the plug shows at this moment beside this level; `steered`: not known to run without a thermostat.
    pub fn clue(&mut self, b: &Beside, steered: bool) -> Clue {
        let seen = Seen { clock: self.none_hours.at(b.day, b.minute), ..self.cold(b) };
        self.relay.follow(&seen);
        let lost_told = self.relay.surprise(&seen);
        let told_on = self.relay.on.filter(|_| self.relay.drives());
        let fresh = self.count > 0 && b.t - self.t < (3.0 * self.interval).max(3.0);
        if !fresh || self.doubt.is_some() {
            return Clue { watts: f64::NAN, usual: self.usual, lost: lost_told, told_on, ..Clue::default() };
        }
        self.without.follow(&seen);
        self.full.follow(&self.warm(b));
        let none = self.is_none(self.watts);
        let full = self.is_full(self.watts);
        let known = self.count > LEAST_REPORTS && self.high > LEAST_W;
        // A relay that keeps it off explains that there is no power, and one that holds it on that there is.
        let lost = if none && told_on != Some(false) && self.lasts(&self.without, b) {
            self.without.surprise(&seen).max(self.new_absence(b))
        } else {
            0.0
        };
        let endless = if full && self.lasts(&self.full, b) { self.endless(b) } else { 0.0 };
        Clue {
            missing: known && none && ((!steered && self.missing(b)) || self.dead_while_on(b)),
            lost: if known && steered { lost.max(if none { lost_told } else { 0.0 }) } else { 0.0 },
            endless: if known && steered { endless } else { 0.0 },
            flowing: known && self.quick > 0.8 * self.usual && self.usual > NONE_SHARE * self.high,
            none: known && none,
            untimely: known && !steered && full && self.is_untimely(b),
            surges: known && !steered && self.surges(b),
            welded: known && self.welded(b),
            full: known && full && self.modulates(),
            weak: self.tops.weak() || ((!steered || b.cycles) && self.lacks_a_part(b)),
            watts: self.watts,
            usual: self.usual,
            unsteered: known && !steered,
            told_on,
        }
    }

    /// Full power goes on, more of it than usual, at a level at which it always ended.
    fn endless(&mut self, b: &Beside) -> f64 {
        let clock = self.full_hours.at(b.day, b.minute);
        let by_spell = self.full.surprise(&Seen { clock, ..self.warm(b) });
        let by_power = self.load.above(self.watts, 0.05 * self.high).min(MOST_OF_REST);
        if by_spell > 0.0 { by_spell + by_power } else { 0.0 }
    }

    /// Power always flowed at this hour, and the level is lower than with power.
    fn new_absence(&mut self, b: &Beside) -> f64 {
        let level = b.below.map_or(0.0, |below| self.powered.above(below, scale_k(&self.cold(b))));
        if level < NEW_ABSENCE_LEVEL || !self.missing(b) {
            return 0.0;
        }
        let wait = self.none_since.map_or(0.0, |since| b.t - since);
        level.min(MOST_OF_ONE) + NEW_ABSENCE + wait.min(MOST_OF_REST)
    }

    /// For minutes less power than ever, of a source that is either on or off; what is dimmed or pulsed takes what it likes.
    fn lacks_a_part(&self, b: &Beside) -> bool {
        let known = b.t - self.first_t > DOUBT_AFTER_MIN;
        known && self.part_since.is_some_and(|since| b.t - since > 10.0 + 3.0 * self.interval)
    }

    fn lasts(&self, spells: &Spells, b: &Beside) -> bool {
        spells.lasted(b.t).is_some_and(|lasted| lasted >= SEEN_FOR_MIN)
    }

    /// Whether power comes and goes, so that its absence and its presence mean something.
    fn modulates(&self) -> bool {
        self.tops.runs() || self.usual < 0.8 * self.high
    }

    /// No power although at this hour there was never a minute without it.
    fn missing(&mut self, b: &Beside) -> bool {
        let Some(since) = self.none_since else { return false };
        let (longest, days) = self.none_hours.at(b.day, b.minute);
        self.relay.on != Some(false) && days > 0 && longest < 1.0 && b.t - since >= SEEN_FOR_MIN
    }

    /// On none of the days there was full power within half an hour of this one.
    fn is_untimely(&mut self, b: &Beside) -> bool {
        let (longest, days) = self.full_hours.at(b.day, b.minute);
        days > 1 && longest < 1.0
    }

    /// No power although the relay is on, for longer than ever.
    fn dead_while_on(&self, b: &Beside) -> bool {
        let Some(since) = self.none_since.filter(|_| self.relay.on == Some(true)) else { return false };
        let since = since.max(self.relay.moved);
        // Behind a relay that never moves a dimmer may rest for hours; and what the plug said before the relay moved was of its pause.
        self.on_reports > LEAST_ON_REPORTS
            && self.t > self.relay.moved
            && self.relay.drives()
            && self.longest_idle_on < 2.0
            && b.t - since > (1.5 * self.longest_idle_on).max(SEEN_FOR_MIN)
    }

    /// Full power while the relay is off, of a source that is always dark then.
    fn welded(&self, b: &Beside) -> bool {
        self.off_full_share < 0.05 && self.welded_since.is_some_and(|since| b.t - since >= SEEN_FOR_MIN)
    }

    /// Clearly more power than ever.
    fn surges(&self, b: &Beside) -> bool {
        self.surge_since.is_some_and(|since| b.t - since >= SEEN_FOR_MIN) && b.v > 0.0
    }
}
