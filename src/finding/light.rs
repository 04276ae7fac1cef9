//! Light seen against light planned: missing, stuck on, shifted in time (one fault, not two a day), flickering.
//!
//! What stands goes on standing until the lamp has kept a planned time again: a timer that nobody set is one fault a week, not
//! two mails a day. Waiting times are ours, no source: longer than an hour, so that a forgotten clock change is named as such,
//! and longer than somebody's hands or a lunch in the dark.

use super::around::Around;
use super::cause::{Cause, Urgency};
use super::fact::Fact;
use super::light_flicker::{FLICKER_WINDOW, Flicker};
use super::light_seen::{Evidence, Seen};
use super::{Change, Finding, Key, Subject, earlier};
use crate::care::plan::Wanted;
use crate::terms::time::{Mono, Now, Span, Wall};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// The lamp may be so late.
const MISSING_AFTER: Span = Span::min(75);
/// And dark for so long in the middle of its day.
const DARK_FOR: Span = Span::min(90);
/// And lit so long after its end, or at night.
const STUCK_AFTER: Span = Span::min(75);
/// A change that holds for so long, in two reports, is one.
const CONFIRM: Span = Span::min(5);
/// Within this of its planned time a change is on time: plug timers are set in quarters of an hour.
const ON_TIME: Span = Span::min(25);
/// Two changes off by as much, to this, are off by the same.
const SAME: Span = Span::min(25);
const SHIFTED_LEAST: Span = Span::min(30);
/// Off by an hour once: this is how a clock change looks.
const AN_HOUR: (Span, Span) = (Span::min(40), Span::min(80));
/// So many changes on time in a row and the timer is punctual: one that is an hour off is a fault.
const PUNCTUAL: u8 = 3;
const PUNCTUAL_WITHIN: Span = Span::min(15);
/// What stands explains the reverse for so long: a lamp on last season's plan differs by some hours both ways.
const EXPLAINS: Span = Span::h(5);
/// So long as planned, and what stood is over, planned times or not.
const WELL_AGAIN: Span = Span::h(20);
/// Levels are learned when the plan has not changed for so long.
const SETTLED: Span = Span::h(1);
/// So many times of light are kept for the page: a lamp that blinks shows its last ones.
const SPANS_KEPT: usize = 16;

/// A change of the lamp.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Turn {
    on: bool,
    at: Now,
    /// Late by; negative: early. `None` where no planned change of its kind is near.
    off_by: Option<Span>,
    judged: bool,
}

/// A change that has not held long enough to be one.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Maybe {
    turn: Turn,
    reports: u8,
}

/// The judge of one enclosure's light.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Judge {
    seen: Seen,
    /// What is confirmed, and since when.
    state: Option<(bool, Now)>,
    maybe: Option<Maybe>,
    last_turn: Option<Turn>,
    punctual: u8,
    /// What the warmth of a lamp lags behind it: (on, off), learned.
    lag: [Option<Span>; 2],
    standing: Option<Cause>,
    shifted_by: Option<Span>,
    well_since: Option<Mono>,
    /// When light was seen lately, oldest first; for the strip under a tile.
    lit: VecDeque<(Wall, Option<Wall>)>,
    flicker: Flicker,
}

impl Judge {
    pub fn hear(&mut self, around: &Around, evidence: Evidence, now: Now, out: &mut Vec<Change>) {
        let Some(planned) = around.wanted.light_on else { return };
        let settled = around.wanted.changed_at.is_none_or(|then| now.wall.since(then) >= SETTLED);
        let learn = settled && self.standing.is_none() && !around.hold;
        self.seen.hear(evidence, learn.then_some(planned), now.mono);
        // What is heard beside its power is no second look at the lamp.
        let by_eye = matches!(evidence, Evidence::Illuminance(_) | Evidence::Light(_));
        if let Some(on) = self.seen.on(now.mono) {
            if by_eye || !around.lamp_may_waver {
                self.flicker(around, planned, on, now, out);
            }
            self.follow(around.wanted, on, now);
        }
        self.judge(around, planned, now, out);
    }

    /// Time has passed.
    pub fn wake(&mut self, around: &Around, now: Now, out: &mut Vec<Change>) {
        let Some(planned) = around.wanted.light_on else { return };
        self.judge(around, planned, now, out);
    }

    /// When something may come to stand without another report.
    pub fn next_wake(&self, wanted: &Wanted, now: Now) -> Option<Mono> {
        let planned = wanted.light_on?;
        let confirm = self.maybe.map(|m| m.turn.at.mono + CONFIRM.max(Span::min(20)));
        let (on, since) = self.state?;
        let limit = match self.standing {
            _ if on == planned => wanted.changes_at.map(|at| now.mono + at.since(now.wall)),
            _ => {
                let (from, patience) = self.mismatch(wanted, planned, since, now);
                Some(now.mono + from.since(now.wall) + patience)
            }
        };
        let ahead = |at: &Mono| *at > now.mono;
        earlier(confirm.filter(ahead), limit.filter(ahead))
    }

    /// Whether the lamp is seen to burn.
    pub fn seen_on(&self, now: Mono) -> Option<bool> {
        self.seen.on(now)
    }

    /// By what the lamp is seen, and what of that was learned.
    pub fn seen(&self) -> &Seen {
        &self.seen
    }

    /// When light was seen since an instant: from, and until where it is over.
    pub fn lit_since(&self, then: Wall) -> Vec<(Wall, Option<Wall>)> {
        let of_late = |(from, until): &(Wall, Option<Wall>)| {
            until.is_none_or(|until| until > then).then(|| ((*from).max(then), *until))
        };
        self.lit.iter().filter_map(of_late).collect()
    }

    fn note(&mut self, on: bool, at: Wall) {
        if on {
            self.lit.push_back((at, None));
            if self.lit.len() > SPANS_KEPT {
                self.lit.pop_front();
            }
        } else if let Some((_, until @ None)) = self.lit.back_mut() {
            *until = Some(at);
        }
    }

    pub fn standing(&self) -> Option<Cause> {
        self.standing
    }

    /// Turns what is seen at this moment into confirmed changes.
    fn follow(&mut self, wanted: &Wanted, on: bool, now: Now) {
        let Some((state, _)) = self.state else {
            self.state = Some((on, now));
            self.note(on, now.wall);
            return;
        };
        if on == state {
            self.maybe = None;
            return;
        }
        match &mut self.maybe {
            Some(maybe) => maybe.reports = maybe.reports.saturating_add(1),
            None => {
                let off_by = self.off_by(wanted, on, now.wall);
                self.maybe = Some(Maybe { turn: Turn { on, at: now, off_by, judged: false }, reports: 1 });
            }
        }
    }

    /// How late a change is against the nearest planned one of its kind.
    fn off_by(&self, wanted: &Wanted, on: bool, at: Wall) -> Option<Span> {
        let lag = if self.seen.is_direct() { Span::ZERO } else { self.lag[usize::from(on)].unwrap_or_default() };
        // Where the plan is already what the lamp turns to, its change is past; else it is to come.
        let planned = if wanted.light_on == Some(on) { wanted.changed_at } else { wanted.changes_at };
        planned.map(|planned| at.since(planned) - lag)
    }

    fn judge(&mut self, around: &Around, planned: bool, now: Now, out: &mut Vec<Change>) {
        self.confirm(around, now, out);
        let Some((on, since)) = self.state else { return };
        if self.seen.on(now.mono).is_none() {
            // Nobody can tell at present; what stands goes on standing, and the probe's own finding says why.
            self.well_since = None;
            return;
        }
        if on == planned && self.maybe.is_none() {
            self.judge_single_turn(around, now, out);
            let well = *self.well_since.get_or_insert(now.mono);
            if self.standing.is_some() && now.mono.since(well) >= WELL_AGAIN {
                self.calm(around.subject, out);
            }
            return;
        }
        if on == planned || self.maybe.is_some() || around.hold {
            return;
        }
        let (from, patience) = self.mismatch(around.wanted, planned, since, now);
        if now.wall.since(from) >= ON_TIME {
            self.well_since = None;
        }
        let only_warmth = !self.seen.is_direct();
        if now.wall.since(from) < patience || (only_warmth && planned) {
            return;
        }
        let cause = if planned { Cause::LightMissing } else { Cause::LightStuckOn };
        let explained = self.explained(cause) && now.wall.since(from) < patience + EXPLAINS;
        if self.standing != Some(cause) && !explained {
            let facts = vec![Fact::Light { planned_on: planned, seen_on: on, since: from }];
            self.stand(around, cause, from, facts, now, out);
        }
    }

    /// A lamp that is off its plan both ways, lit too early and dark too late, has one fault: the first that was found.
    fn explained(&self, cause: Cause) -> bool {
        matches!(
            (self.standing, cause),
            (Some(Cause::LightStuckOn), Cause::LightMissing) | (Some(Cause::LightMissing), Cause::LightStuckOn)
        ) && self.last_turn.is_some_and(|turn| turn.off_by.is_some_and(|by| abs(by) > ON_TIME))
    }

    /// Since when the lamp differs from its plan, and how long it may.
    fn mismatch(&self, wanted: &Wanted, planned: bool, since: Now, now: Now) -> (Wall, Span) {
        let seen_since = now.wall_of(since.mono);
        let (from, late) = match wanted.changed_at {
            Some(changed) if changed >= seen_since => (changed, true),
            _ => (seen_since, false),
        };
        let patience = match (planned, late) {
            (true, true) => MISSING_AFTER,
            (true, false) => DARK_FOR,
            (false, _) => STUCK_AFTER,
        };
        let by = self.shifted_by.filter(|_| self.standing == Some(Cause::LightShifted)).map_or(Span::ZERO, abs);
        let warmth = if self.seen.is_direct() { Span::ZERO } else { Span::h(1) };
        (from, patience + by + warmth)
    }

    /// A change that has held becomes the state.
    fn confirm(&mut self, around: &Around, now: Now, out: &mut Vec<Change>) {
        let Some(Maybe { mut turn, reports }) = self.maybe else { return };
        let held = now.mono.since(turn.at.mono);
        // A source that only reports changes will not say it twice.
        let confirmed = held >= CONFIRM && (reports >= 2 || held >= Span::min(20));
        if !confirmed || self.seen.on(now.mono) != Some(turn.on) {
            return;
        }
        self.maybe = None;
        self.state = Some((turn.on, turn.at));
        self.note(turn.on, turn.at.wall);
        if !self.seen.is_direct() {
            turn.off_by = turn.off_by.and_then(|by| self.beyond_lag(turn.on, by));
        }
        let by = turn.off_by;
        if let (Some(by), Some(before)) = (by, self.last_turn.and_then(|t| t.off_by)) {
            let same = abs(by - before) <= SAME && abs(by) >= SHIFTED_LEAST && abs(before) >= SHIFTED_LEAST;
            if same
                && !around.hold
                && self.last_turn.is_some_and(|t| t.on != turn.on && now.mono.since(t.at.mono) < Span::h(30))
            {
                self.shifted(around, by, turn, now, out);
                turn.judged = true;
            }
        }
        self.last_turn = Some(turn);
        match by {
            Some(by) if abs(by) <= ON_TIME => {
                self.punctual = if abs(by) <= PUNCTUAL_WITHIN { self.punctual.saturating_add(1) } else { 0 };
                self.calm(around.subject, out);
            }
            _ => self.well_since = None,
        }
    }

    /// Late by more than the warmth of this lamp usually is; `None` while that is being learned.
    fn beyond_lag(&mut self, on: bool, by: Span) -> Option<Span> {
        let lag = &mut self.lag[usize::from(on)];
        let whole = by + lag.unwrap_or_default();
        let known = lag.is_some();
        if (Span::min(-10)..Span::min(120)).contains(&whole) && (!known || abs(by) <= ON_TIME) {
            let was = lag.unwrap_or(whole);
            *lag = Some(was + (whole - was).times(0.3));
        }
        known.then_some(by)
    }

    /// The plan agrees again after a single change that was off by about an hour.
    fn judge_single_turn(&mut self, around: &Around, now: Now, out: &mut Vec<Change>) {
        let Some(turn) = self.last_turn.filter(|t| !t.judged) else { return };
        if let Some(last) = &mut self.last_turn {
            last.judged = true;
        }
        let Some(by) = turn.off_by else { return };
        let an_hour = (AN_HOUR.0..=AN_HOUR.1).contains(&abs(by));
        let moved = around.wanted.clocks_moved;
        let forgotten = moved != Span::ZERO && abs(by - moved) <= SAME;
        let punctual = turn.on && self.punctual >= PUNCTUAL;
        if abs(by) > ON_TIME {
            self.punctual = 0;
        }
        if !around.hold && (forgotten || (an_hour && punctual)) {
            self.shifted(around, by, turn, now, out);
        }
    }

    fn shifted(&mut self, around: &Around, by: Span, turn: Turn, now: Now, out: &mut Vec<Change>) {
        let told = self.standing == Some(Cause::LightShifted) && self.shifted_by.is_some_and(|b| abs(b - by) <= SAME);
        self.shifted_by = Some(by);
        if told {
            return;
        }
        // The first of the changes that were off, or the planned time that it missed.
        let first = self.last_turn.filter(|t| t.off_by.is_some_and(|b| abs(b - by) <= SAME)).unwrap_or(turn);
        let planned = now.wall_of(first.at.mono) - first.off_by.unwrap_or_default().max(Span::ZERO);
        self.stand(around, Cause::LightShifted, planned, vec![Fact::LightShift { by }], now, out);
    }

    fn stand(
        &mut self,
        around: &Around,
        cause: Cause,
        since: Wall,
        mut facts: Vec<Fact>,
        now: Now,
        out: &mut Vec<Change>,
    ) {
        if let Some(lx) = self.seen.threshold_lx() {
            facts.push(Fact::LightThreshold { lx });
        }
        let since = Now { mono: now.mono - now.wall.since(since), wall: since };
        let mut finding = Finding::new(around.subject, cause, None, since);
        finding.facts = facts;
        if around.lamp_heats && cause != Cause::LightShifted {
            finding.urgency = Urgency::Now;
        }
        let before = self.standing.replace(cause);
        out.push(Change::Stands(finding));
        if let Some(before) = before.filter(|b| *b != cause) {
            out.push(Change::Calm(Key { subject: around.subject, cause: before, place: None }));
        }
    }

    fn calm(&mut self, subject: Subject, out: &mut Vec<Change>) {
        if let Some(cause) = self.standing.take() {
            out.push(Change::Calm(Key { subject, cause, place: None }));
        }
        self.shifted_by = None;
        self.well_since = None;
    }

    fn flicker(&mut self, around: &Around, planned: bool, on: bool, now: Now, out: &mut Vec<Change>) {
        let key = Key { subject: around.subject, cause: Cause::LightFlickering, place: None };
        match self.flicker.hear(on, planned, now.mono) {
            // Behind a lamp that is out, clouds flicker.
            Some(true) if !around.hold && self.seen.is_direct() && self.standing != Some(Cause::LightMissing) => {
                let mut finding = Finding::new(key.subject, key.cause, None, now + (Span::ZERO - FLICKER_WINDOW));
                let times = self.flicker.recent().round();
                finding.facts.push(Fact::Plain { text: format!("The light went on or off {times} times in an hour.") });
                out.push(Change::Stands(finding));
            }
            Some(false) => out.push(Change::Calm(key)),
            _ => {}
        }
    }
}

fn abs(span: Span) -> Span {
    Span::ms(span.as_ms().saturating_abs())
}
