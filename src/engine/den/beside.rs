//! What `heat/` is told beside a reading. What the plan says of the places stays so for minutes to hours and is worked out once for
//! that time: with each reading it was a twentieth of all that a reading cost.

use super::{Around, Den};
use crate::care::plan::{PlaceWanted, Plan};
use crate::heat::Context;
use crate::terms::place::Place;
use crate::terms::time::{Now, Wall};

/// What was told last, and from when until when the bands in it hold.
#[derive(Debug)]
pub(super) struct Told {
    from: Wall,
    until: Wall,
    pub(super) context: Context,
}

impl Default for Told {
    /// Nothing holds yet.
    fn default() -> Told {
        Told { from: Wall::MAX, until: Wall::MAX, context: Context::default() }
    }
}

impl Told {
    fn take_bands(&mut self, plan: &mut Plan, at: Wall) {
        if (self.from..self.until).contains(&at) {
            return;
        }
        let wanted = *plan.wanted(at);
        (self.from, self.until) = plan.holds();
        // That a change is long past is no change of what is wanted.
        match wanted.is_followed_from() {
            Some(then) if then <= at => self.from = self.from.max(then),
            Some(then) => self.until = self.until.min(then),
            None => {}
        }
        self.context.on_its_way = Place::ALL.map(|place| wanted.moving_band(place, at).map(|b| (b.low, b.high)));
        self.context.wanted = Place::ALL.map(|place| wanted.place(place).map(wanted_of));
    }
}

impl Den {
    /// What there is to tell at this moment; without a plan nothing of one.
    pub(super) fn tell_beside(&mut self, now: Now, around: &Around) {
        let wanted = self.plan.as_mut().map(|plan| {
            self.beside.take_bands(plan, now.wall);
            plan.wanted(now.wall)
        });
        let context = &mut self.beside.context;
        (context.local_minute, context.day) = (around.local.minute, around.local.day);
        context.lights_planned = wanted.and_then(|w| w.light_on);
        context.since_planned_change = wanted.and_then(|w| w.since_planned_change(now.wall));
        context.until_planned_change = wanted.and_then(|w| w.until_planned_change(now.wall));
        context.season_moves = wanted.is_some_and(|w| w.season_moves);
        context.hands_in = around.hands_in;
        context.neighbours_ok = around.neighbours_as_usual;
        (context.circuit_lost, context.falls_together) = (around.circuit_lost, around.falls_together);
    }
}

/// Low and high end of what is wanted, °C; a low end that is not judged is none.
fn wanted_of(place: &PlaceWanted) -> (f64, f64) {
    (if place.low_judged { place.wanted.low } else { f64::NEG_INFINITY }, place.wanted.high)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::care::calendar::Calendar;
    use crate::care::settings::{Band, Care, LightPlan, PlaceBands};
    use crate::terms::time::Span;
    use std::sync::Arc;

    /// Lit for about twelve hours, until an odd second of the day; cooler by night.
    fn care() -> Care {
        let bands = PlaceBands {
            wanted: Band::new(28.0, 32.0),
            night: Band::new(22.0, 26.0),
            never: Band::new(15.0, 40.0),
            ..PlaceBands::default()
        };
        let mut care = Care { light: Some(LightPlan::Fixed { on_min: 481, hours: 11.987 }), ..Care::default() };
        care.places[Place::WarmSide.index()] = Some(bands);
        care
    }

    /// Days with a night, told now and then that the enclosure follows faster or slower, and with a clock that is set back: what
    /// is kept is what would be worked out anew, and that is seldom done.
    #[test]
    fn what_is_kept_is_what_is_so_now() {
        let start = Wall::parse_rfc3339("2026-01-05T00:00:00Z").unwrap_or_default();
        let mut plan = Plan::new(Arc::new(care()), Arc::new(Calendar::utc()), start);
        let (mut told, mut renewed, mut readings) = (Told::default(), 0, 0);
        for s in (0..3 * 86_400).step_by(41).chain((200_000..260_000).step_by(37)) {
            let at = start + Span::s(s);
            if s % 40_000 < 41 {
                plan.set_follows_within(Span::min(20 + s % 300));
                told = Told::default();
            }
            let held = told.from;
            told.take_bands(&mut plan, at);
            renewed += usize::from(told.from != held);
            readings += 1;
            let wanted = *plan.wanted(at);
            let on_its_way = Place::ALL.map(|place| wanted.moving_band(place, at).map(|b| (b.low, b.high)));
            assert_eq!(told.context.on_its_way, on_its_way, "{}", at.rfc3339());
            assert_eq!(told.context.wanted, Place::ALL.map(|place| wanted.place(place).map(wanted_of)));
        }
        assert!(told.context.wanted[Place::WarmSide.index()].is_some());
        // Every ten seconds while a band fades, else a few times a day.
        assert!(renewed * 4 < readings, "{renewed} of {readings}");
    }
}
