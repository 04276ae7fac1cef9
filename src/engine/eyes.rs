//! What the desk may look at while it writes: the house as it is now, as the words need it.

use super::den::{Den, limits};
use super::world::World;
use crate::finding::cause::Cause;
use crate::notice::scene::{Eyes, HeatNow, Past, PlaceNow, Round, Scene, Steps, Week};
use crate::reading::Slot;
use crate::terms::id::{CircuitIx, EnclosureIx, RoomIx};
use crate::terms::place::Place;
use crate::terms::quantity::Quantity;
use crate::terms::time::{Span, Wall};

/// What a picture shows of the time behind and ahead, and how finely it asks for what is wanted.
const BEFORE: Span = Span::h(4);
const AHEAD: Span = Span::h(1);
const BAND_STEP: Span = Span::min(5);

impl Eyes for World {
    fn scene(&self, enclosure: EnclosureIx) -> Scene {
        let Some(own) = self.settings.enclosures.get(enclosure.index()) else { return Scene::default() };
        let room = own.room.and_then(|r| self.settings.rooms.get(r.index()));
        let circuit = own.circuit.and_then(|c| self.settings.circuits.get(c.index()));
        let heat = self.dens.get(enclosure.index()).into_iter().flat_map(|den| den.plugs());
        Scene {
            id: own.id.clone(),
            animal: own.animal.clone(),
            room: room.map(|r| r.name.clone()),
            circuit: circuit.map(|c| c.name.clone()),
            where_: own.where_.clone(),
            places: self.places_now(enclosure),
            room_celsius: own.room.and_then(|r| self.rooms.get(r.index())).and_then(|r| r.celsius).map(|(c, _)| c),
            heat: heat
                .filter(|(_, plug)| plug.power_w.is_some() || plug.told_on.is_some())
                .map(|(id, plug)| HeatNow { id: id.to_owned(), power_w: plug.power_w, told_on: plug.told_on })
                .collect(),
            neighbours: self.neighbours(enclosure),
            what_to_do: own.what_to_do.clone(),
        }
    }

    fn past(&self, enclosure: EnclosureIx, place: Option<Place>) -> Option<Past> {
        let den = self.dens.get(enclosure.index())?;
        let heard = |place: &Place| den.trail(*place).points().next().is_some();
        let first = place.filter(heard).or_else(|| Place::ALL.into_iter().find(heard))?;
        let ends = [Place::CoolSide, Place::WarmSide, Place::BaskingSpot, Place::Hide, Place::Floor];
        let other = ends.into_iter().find(|p| *p != first && heard(p));
        let from = self.now.wall - BEFORE;
        let line = |place: Place| {
            let points = den.trail(place).points().map(|(at, c)| (self.now.wall_of(at), c));
            (place, points.filter(|(at, _)| *at >= from).collect())
        };
        let places = std::iter::once(first).chain(other);
        let wanted = den.wanted_steps(from, self.now.wall + AHEAD, BAND_STEP);
        let band = |place: Place| {
            let mut steps: Steps = Vec::new();
            for (at, wanted) in &wanted {
                let band = wanted.place(place).map(|p| (p.wanted.low, p.wanted.high));
                if steps.last().is_none_or(|(_, before)| *before != band) {
                    steps.push((*at, band));
                }
            }
            steps
        };
        let limits = den.wanted_at(self.now.wall).as_ref().and_then(|w| limits(w, first));
        Some(Past {
            from,
            lines: places.clone().map(line).collect(),
            bands: places.map(band).collect(),
            never: limits.and_then(|l| l.never_low.zip(l.never_high)),
        })
    }

    fn round(&self) -> Round {
        let mut round = Round { total: self.dens.len() as u32, ..Round::default() };
        for (ix, _) in self.settings.enclosures.iter().enumerate() {
            let Ok(ix) = u16::try_from(ix).map(EnclosureIx) else { break };
            self.add_to_round(ix, &mut round);
        }
        let day_ago = self.now.wall - Span::days(1);
        round.readings = self.pulse.of_day();
        round.gaps =
            self.feed.gaps().iter().filter(|g| g.from + g.length > day_ago).map(|g| (g.from, g.length)).collect();
        let troubles = [&self.edges.post_failing, &self.edges.store_failing, &self.edges.link_trouble];
        round.troubles = troubles.into_iter().flatten().cloned().collect();
        round
    }

    fn week(&self) -> Vec<Week> {
        let with = self.settings.enclosures.iter().enumerate().zip(&self.dens);
        with.map(|((ix, _), den)| {
            let sum = den.days().sum();
            Week {
                label: u16::try_from(ix).map(|ix| self.label(EnclosureIx(ix))).unwrap_or_default(),
                in_band: sum.in_band,
                hot_end: sum.hot,
                cool_end: sum.cool,
                effort: sum.power_w.zip(den.rated_w()).map(|(mean, rated)| (mean / rated).clamp(0.0, 1.0)),
                effort_change: sum.power_change_w.zip(den.rated_w()).map(|(change, rated)| change / rated),
                light: sum.light,
                out_min: sum.out_min.to_vec(),
            }
        })
        .collect()
    }

    fn room_name(&self, room: RoomIx) -> String {
        self.settings.rooms.get(room.index()).map(|r| r.name.clone()).unwrap_or_default()
    }

    fn circuit_name(&self, circuit: CircuitIx) -> String {
        self.settings.circuits.get(circuit.index()).map(|c| c.name.clone()).unwrap_or_default()
    }
}

impl World {
    pub fn label(&self, ix: EnclosureIx) -> String {
        let Some(own) = self.settings.enclosures.get(ix.index()) else { return String::new() };
        match &own.animal {
            Some(animal) if !animal.trim().is_empty() => format!("{} {}", own.id, animal.trim()),
            _ => own.id.clone(),
        }
    }

    /// Every place that is wanted or was heard, hot end first; the humidity after the temperature of its place.
    pub fn places_now(&self, ix: EnclosureIx) -> Vec<PlaceNow> {
        let Some(den) = self.dens.get(ix.index()) else { return Vec::new() };
        let wanted = den.wanted_at(self.now.wall);
        let air = den.air(self.now.mono);
        let mut places = Vec::new();
        for place in Place::ALL {
            let band = wanted.as_ref().and_then(|w| w.place(place));
            let shown = self.shown(ix, Slot::At(place, Quantity::Temperature));
            if band.is_some() || shown.is_some() {
                let limits = wanted.as_ref().and_then(|w| limits(w, place));
                let line = den.line(place);
                places.push(PlaceNow {
                    place,
                    quantity: Quantity::Temperature,
                    value: line.level(),
                    at: line.at().map(|at| self.now.wall_of(at)),
                    wanted: band.map(|b| (b.wanted.low, b.wanted.high)),
                    never: limits.and_then(|l| l.never_low.zip(l.never_high)),
                    slope: line.level().map(|_| line.course().k_per_min),
                    silent: !shown.as_ref().is_some_and(|s| s.sees),
                });
            }
            let humid = wanted.as_ref().and_then(|w| w.humidity).filter(|h| h.place == place);
            let shown = self.shown(ix, Slot::At(place, Quantity::Humidity));
            if humid.is_some() || shown.is_some() {
                // Without a probe of its own the air of another place tells, by its dew point, as it does the judge.
                let brought = air.iter().find(|a| a.place == place && !a.measured && shown.is_none());
                places.push(PlaceNow {
                    place,
                    quantity: Quantity::Humidity,
                    value: shown.as_ref().and_then(|s| s.value).or(brought.map(|a| a.percent)),
                    at: shown.as_ref().and_then(|s| s.at).or(brought.map(|_| self.now.wall)),
                    wanted: humid.map(|h| (h.wanted.low, h.wanted.high)),
                    never: None,
                    slope: None,
                    silent: !shown.as_ref().is_some_and(|s| s.sees) && brought.is_none(),
                });
            }
        }
        places
    }

    /// Of the other enclosures in the room: how many have their heat as usual, of how many.
    fn neighbours(&self, ix: EnclosureIx) -> Option<(u16, u16)> {
        let room = self.room_of(ix)?;
        let others = self.settings.enclosures.iter().zip(&self.dens).enumerate();
        let others = others.filter(|(at, (e, _))| *at != ix.index() && e.room == Some(room));
        let (mut well, mut of) = (0u16, 0u16);
        for (_, (_, den)) in others {
            of = of.saturating_add(1);
            well = well.saturating_add(u16::from(!den.is_disturbed()));
        }
        (of > 0).then_some((well, of))
    }

    fn add_to_round(&self, ix: EnclosureIx, round: &mut Round) {
        let Some(den) = self.dens.get(ix.index()) else { return };
        let places = self.places_now(ix);
        let blind: Vec<&PlaceNow> = places.iter().filter(|p| p.silent && p.wanted.is_some()).collect();
        if let Some(first) = blind.first() {
            let words = match first.at {
                Some(at) => format!("{} not seen since {}", first.place.label(), self.clock_time(at)),
                None => format!("{} never heard", first.place.label()),
            };
            round.unwatched.push((self.label(ix), words));
        }
        self.add_light(ix, den, round);
        let wrong = Place::ALL.into_iter().find_map(|place| den.standing(place).map(|(cause, _)| (place, cause)));
        match wrong {
            Some((place, cause)) => {
                let words = if cause == Cause::TooHot { "too hot" } else { "too cold" };
                round.not_well.push((self.label(ix), format!("{} {words}", place.label())));
            }
            None if den.is_disturbed() => round.not_well.push((self.label(ix), "heat not as usual".to_owned())),
            None if blind.is_empty() && den.has_care() => round.in_band += 1,
            None => {}
        }
        let temperatures = places.iter().filter(|p| p.quantity == Quantity::Temperature && !p.silent);
        for (place, value, (low, high)) in temperatures.filter_map(|p| Some((p.place, p.value?, p.wanted?))) {
            let spare = (value - low).min(high - value);
            if spare >= 0.0 && round.nearest.as_ref().is_none_or(|(_, _, _, least)| spare < *least) {
                round.nearest = Some((self.label(ix), place, value, spare));
            }
        }
    }

    fn add_light(&self, ix: EnclosureIx, den: &Den, round: &mut Round) {
        let now = self.now.wall;
        let Some(planned) = den.wanted_at(now).and_then(|w| w.light_on) else { return };
        let lights = &mut round.lights;
        *(if planned { &mut lights.on } else { &mut lights.off }) += 1;
        match den.light().seen_on(self.now.mono) {
            None => lights.unseen += 1,
            Some(seen) if seen != planned => lights.differ.push(self.label(ix)),
            Some(_) => {}
        }
        let calendar = self.local.calendar();
        let today = calendar.civil(now).date;
        let changes = [today, today.plus_days(1)].into_iter().filter_map(|day| den.plan()?.on(day).light);
        let next = changes.flat_map(|l| l.changes).map(|(civil, _)| calendar.instant(civil.date, civil.of_day));
        let next = next.filter(|at| *at > now).min();
        lights.next = [lights.next, next].into_iter().flatten().min();
    }

    /// `13:05` in the site's zone.
    pub fn clock_time(&self, at: Wall) -> String {
        let civil = self.local.calendar().civil(at);
        let min = civil.of_day.as_ms() / 60_000;
        format!("{:02}:{:02}", min / 60, min % 60)
    }
}
