//! One enclosure: everything that is judged about it from its own trusted readings.
//!
//! A den owns the judges of one enclosure and feeds each what it needs. It decides nothing itself; judges report edges.

use super::local::Local;
use super::trail::Trail;
use super::week::{Days, End, Went};
use crate::care::plan::{FOLLOWS_WITHIN, PlaceWanted, Plan, Wanted};
use crate::finding::around::Around as Judged;
use crate::finding::bands::{self, Course, Limits, Spot};
use crate::finding::cause::{Cause, Urgency};
use crate::finding::course::Line;
use crate::finding::follow::Follow;
use crate::finding::heat::{self as heat_finding, Never};
use crate::finding::humidity::Air;
use crate::finding::room::Says;
use crate::finding::{Change, Subject, comfort, explain, light, night, outside};
use crate::heat::picture::Picture;
use crate::heat::settings::{Settings as HeatSettings, Thermostat};
use crate::heat::verdict;
use crate::heat::view::Learned;
use crate::heat::{Context, Input, Relearn, Watch};
use crate::reading::{Reading, Slot};
use crate::terms::id::EnclosureIx;
use crate::terms::place::Place;
use crate::terms::quantity::Quantity;
use crate::terms::time::{Mono, Now, Span, Wall};
use serde::{Deserialize, Serialize};

/// What a den is told of the world around it, beside its own readings.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Around {
    pub local: Local,
    /// Hands are in or it is shelved: only `never` limits count.
    pub hold: bool,
    /// Somebody reaches in.
    pub hands_in: bool,
    /// The room's air, °C.
    pub room_c: Option<f64>,
    /// What the room's own probe tells beside the days before.
    pub room_says: Says,
    /// The other enclosures of its room are as usual.
    pub neighbours_as_usual: Option<bool>,
    /// How far others of its room went up and down within an hour lately, K, on the median; asked for by [`Den::asks_others`].
    pub others_went_k: Option<(f64, f64)>,
}

/// What of a den survives a restart.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Memory {
    bands: [bands::Judge; Place::COUNT],
    lines: [Line; Place::COUNT],
    #[serde(default)]
    trails: [Trail; Place::COUNT],
    heat: Watch,
    plugs: Vec<Plug>,
    /// The heat sources that this was learned with.
    sources: HeatSettings,
    days: Days,
    comfort: comfort::Judges,
    #[serde(default)]
    follow: Follow,
    #[serde(default)]
    explained: explain::Judge,
    #[serde(default)]
    outside: outside::Judge,
    /// What `heat/` has told that stands, and where.
    #[serde(default)]
    named: Vec<(Cause, Place)>,
    /// Whether `heat/` says that its heat is not as usual, told or not.
    #[serde(default)]
    disturbed: Vec<(verdict::Cause, Place)>,
}

/// What the plug or relay of one heat source said last.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Plug {
    pub power_w: Option<f64>,
    pub told_on: Option<bool>,
}

#[derive(Debug)]
pub struct Den {
    subject: Subject,
    plan: Option<Plan>,
    memory: Memory,
    turns: Vec<verdict::Change>,
}

impl Den {
    pub fn new(ix: EnclosureIx, plan: Option<Plan>, sources: &HeatSettings) -> Den {
        let memory = Memory {
            bands: Default::default(),
            lines: Default::default(),
            trails: Default::default(),
            heat: Watch::new(sources),
            plugs: vec![Plug::default(); sources.sources.len()],
            sources: sources.clone(),
            days: Days::default(),
            comfort: comfort::Judges::default(),
            follow: Follow::default(),
            explained: explain::Judge::default(),
            outside: outside::Judge::default(),
            named: Vec::new(),
            disturbed: Vec::new(),
        };
        let subject = Subject::Enclosure(ix);
        Den { subject, plan, memory, turns: Vec::new() }
    }

    pub fn memory(&self) -> &Memory {
        &self.memory
    }

    /// Takes up what was remembered, if it fits what is configured now.
    pub fn restore(&mut self, memory: Memory) {
        if memory.sources == self.memory.sources {
            self.memory = memory;
            self.give_time();
        }
    }

    /// A trusted reading of this enclosure.
    pub fn hear(&mut self, reading: &Reading, around: &Around, out: &mut Vec<Change>) {
        let (value, now) = (reading.value, reading.at);
        let on = value > 0.5;
        let mut course = Course::default();
        let input = match reading.slot {
            Slot::At(place, Quantity::Temperature) => {
                course = self.hear_temperature(place, value, now, around, out);
                Some(Input::Level { place, celsius: value })
            }
            Slot::At(place, Quantity::Humidity) => Some(Input::Humidity { place, percent: value }),
            Slot::At(_, Quantity::Illuminance) => Some(Input::Illuminance { lx: value }),
            Slot::Heat(source, Quantity::Power) => {
                self.plug(source, |plug| plug.power_w = Some(value));
                self.memory.days.hear_power(value, around.local.day, now);
                Some(Input::Power { source, watts: value })
            }
            Slot::Heat(source, Quantity::Switch) => {
                self.plug(source, |plug| plug.told_on = Some(on));
                Some(Input::Switch { source, on })
            }
            Slot::Lamp(Quantity::Power) => Some(Input::LampPower { watts: value }),
            Slot::Lamp(Quantity::Switch) => Some(Input::LampSwitch { on }),
            _ => None,
        };
        let slot = match reading.slot {
            Slot::Heat(source, quantity) if self.gives_light(source) => Slot::Lamp(quantity),
            slot => slot,
        };
        self.judge(around, now, |comfort, judged| comfort.hear(judged, slot, value, course, now, out));
        if let Some(input) = input {
            self.hear_heat(input, now, around, out);
        }
        self.explain(around, now, out);
    }

    /// What is out of its band is told by what explains it, where that is seen.
    fn explain(&mut self, around: &Around, now: Now, out: &mut Vec<Change>) {
        let symptom = self.symptom();
        let told = out.len();
        self.memory.outside.look(symptom.map(|s| s.hot), out);
        out[told..].iter().for_each(|change| self.count(change));
        if symptom.is_none() && !self.memory.explained.stands() {
            return;
        }
        let place = symptom.map_or(Place::WarmSide, |s| s.place);
        let beside = explain::Beside {
            picture: self.memory.heat.picture(place, now.mono),
            room: around.room_says,
            went_k: symptom.map_or(0.0, |s| way(s.hot, self.trail(s.place).went_in_an_hour())),
            others_went_k: symptom.zip(around.others_went_k).map(|(s, others)| way(s.hot, others)),
            named: &self.memory.named,
        };
        self.memory.explained.hear(self.subject, symptom, &beside, now, out);
    }

    /// Whether something is out of its band, and what the others do would help to tell why.
    pub fn asks_others(&self) -> bool {
        !self.memory.explained.stands() && self.symptom().is_some()
    }

    /// How far its unheated places went up and down within an hour lately, K; `None`: none is heard.
    pub fn went_along(&self) -> Option<(f64, f64)> {
        let unheated = [Place::CoolSide, Place::Hide, Place::Air].map(|place| &self.memory.trails[place.index()]);
        unheated.into_iter().find(|trail| trail.points().next().is_some()).map(Trail::went_in_an_hour)
    }

    /// The gravest of what is too warm or too cold; the retreat counts as too warm.
    fn symptom(&self) -> Option<explain::Symptom> {
        let bands = Place::ALL.into_iter().filter_map(|place| Some((place, self.standing(place)?)));
        let worst = bands.max_by_key(|(place, (_, urgency))| (*urgency, std::cmp::Reverse(*place)));
        let no_retreat = || explain::Symptom { place: Place::CoolSide, hot: true, urgency: Urgency::Now };
        worst
            .map(|(place, (cause, urgency))| explain::Symptom { place, hot: cause == Cause::TooHot, urgency })
            .or_else(|| self.memory.comfort.gradient.no_retreat().then(no_retreat))
    }

    /// The room's own probe spoke.
    pub fn hear_room(&mut self, celsius: f64, now: Now, around: &Around, out: &mut Vec<Change>) {
        self.hear_heat(Input::Room { celsius }, now, around, out);
    }

    /// A basking lamp under a thermostat goes dark on a warm day: then its plug says nothing of the light.
    fn gives_light(&self, source: u8) -> bool {
        let steady = |s: &crate::heat::settings::Source| matches!(s.thermostat, None | Some(Thermostat::None));
        self.memory.sources.sources.get(usize::from(source)).is_some_and(|s| s.kind.gives_light() && steady(s))
    }

    fn plug(&mut self, source: u8, set: impl Fn(&mut Plug)) {
        if let Some(plug) = self.memory.plugs.get_mut(usize::from(source)) {
            set(plug);
        }
    }

    fn hear_heat(&mut self, input: Input, now: Now, around: &Around, out: &mut Vec<Change>) {
        let wanted = self.plan.as_mut().map(|plan| plan.wanted(now.wall));
        let context = Context {
            local_minute: around.local.minute,
            day: around.local.day,
            lights_planned: wanted.and_then(|w| w.light_on),
            since_planned_change: wanted.and_then(|w| w.since_planned_change(now.wall)),
            until_planned_change: wanted.and_then(|w| w.until_planned_change(now.wall)),
            on_its_way: Place::ALL
                .map(|place| wanted.and_then(|w| w.moving_band(place, now.wall)).map(|b| (b.low, b.high))),
            wanted: Place::ALL.map(|place| wanted.and_then(|w| w.place(place)).map(wanted_of)),
            season_moves: wanted.is_some_and(|w| w.season_moves),
            hands_in: around.hands_in,
            neighbours_ok: around.neighbours_as_usual,
        };
        self.memory.heat.hear(input, now, &context, &mut self.turns);
        self.pass_on(now, out);
    }

    fn pass_on(&mut self, now: Now, out: &mut Vec<Change>) {
        if self.turns.is_empty() {
            return;
        }
        let wanted = self.plan.as_mut().map(|plan| *plan.wanted(now.wall));
        for turn in std::mem::take(&mut self.turns) {
            let place = match &turn {
                verdict::Change::Stands(verdict) => verdict.place,
                verdict::Change::Calm(_, place) => *place,
            };
            let limits = wanted.as_ref().and_then(|w| limits(w, place)).unwrap_or_default();
            let never = Never { low: limits.never_low, high: limits.never_high };
            let source =
                self.memory.sources.sources.iter().find(|s| s.at == place).or(self.memory.sources.sources.first());
            let source = source.map_or("heat", |s| s.id.as_str());
            let change = heat_finding::change(&turn, self.subject, source, never, now);
            self.note(&turn);
            let told = out.len();
            let symptom = self.symptom().map(|s| s.hot);
            self.memory.outside.hear(change, self.plan.is_some(), symptom, now, out);
            out[told..].iter().for_each(|change| self.count(change));
        }
    }

    /// Keeps account of what `heat/` says, so that neighbours know.
    fn note(&mut self, turn: &verdict::Change) {
        let (what, stands) = match turn {
            verdict::Change::Stands(verdict) => ((verdict.cause, verdict.place), true),
            verdict::Change::Calm(cause, place) => ((*cause, *place), false),
        };
        self.memory.disturbed.retain(|other| *other != what);
        if stands {
            self.memory.disturbed.push(what);
        }
    }

    /// Keeps account of what of it was told, so that nothing else explains the same.
    fn count(&mut self, change: &Change) {
        let (key, stands) = match change {
            Change::Stands(finding) => (finding.key, true),
            Change::Calm(key) => (*key, false),
        };
        let Some(place) = key.place else { return };
        self.memory.named.retain(|named| *named != (key.cause, place));
        if stands {
            self.memory.named.push((key.cause, place));
        }
    }

    /// Whether its heat is not as usual.
    pub fn is_disturbed(&self) -> bool {
        use verdict::Cause;
        let disturbs = |cause: Cause| {
            matches!(
                cause,
                Cause::HeatFailed | Cause::HeatStuckOn | Cause::RoomCold | Cause::RoomHot | Cause::OutsideHeat
            )
        };
        self.memory.disturbed.iter().any(|(cause, _)| disturbs(*cause))
    }

    /// The keeper changed something: what was learned is forgotten, and what stands by it is over.
    pub fn relearn(&mut self, why: Relearn, now: Now, out: &mut Vec<Change>) {
        self.memory.heat.relearn(why, &mut self.turns);
        self.memory.follow.forget();
        self.give_time();
        self.pass_on(now, out);
    }

    pub fn learned(&self) -> Vec<Learned> {
        self.memory.heat.view()
    }

    pub fn plugs(&self) -> impl Iterator<Item = (&str, Plug)> {
        self.memory.sources.sources.iter().map(|s| s.id.as_str()).zip(self.memory.plugs.iter().copied())
    }

    fn hear_temperature(
        &mut self,
        place: Place,
        celsius: f64,
        now: Now,
        around: &Around,
        out: &mut Vec<Change>,
    ) -> Course {
        let line = &mut self.memory.lines[place.index()];
        line.hear(celsius, now.mono);
        let course = line.course();
        self.memory.trails[place.index()].hear(celsius, now.mono);
        let undisturbed = !around.hold && !self.is_disturbed();
        let Some(plan) = &mut self.plan else { return course };
        let wanted = plan.wanted(now.wall);
        let light_planned = wanted.light_on;
        let learned = self.memory.follow.hear(wanted, place, celsius, undisturbed, now);
        let limits = limits(wanted, place);
        if learned {
            self.give_time();
        }
        let Some(limits) = limits else { return course };
        let opened = self.memory.heat.picture(place, now.mono).is_some_and(Picture::looks_open);
        let spot = Spot { subject: self.subject, place, limits, course, hold: around.hold, opened };
        self.memory.bands[place.index()].hear(&spot, celsius, now, out);
        let end = match place {
            Place::BaskingSpot | Place::WarmSide => End::Hot,
            Place::CoolSide => End::Cool,
            _ => End::Between,
        };
        let well =
            limits.wanted_low.is_none_or(|low| celsius >= low) && limits.wanted_high.is_none_or(|high| celsius <= high);
        let light = self.memory.comfort.light.seen_on(now.mono);
        let lit_as_planned = light.zip(light_planned).map(|(seen, planned)| seen == planned);
        self.memory.days.hear(end, celsius, Went { well, lit_as_planned }, around.local.day, now);
        course
    }

    /// A planned change may take as long as this enclosure has shown to need.
    fn give_time(&mut self) {
        if let Some(plan) = &mut self.plan {
            plan.set_follows_within(self.memory.follow.within().unwrap_or(FOLLOWS_WITHIN));
        }
    }

    /// How long that is, and from how many changes it was learned.
    pub fn follows_within(&self) -> Option<(Span, usize)> {
        Some((self.plan.as_ref()?.follows_within(), self.memory.follow.changes()))
    }

    /// Lets the judges that need care look, with what they are told beside the reading. Without care nothing is judged.
    fn judge(&mut self, around: &Around, now: Now, mut look: impl FnMut(&mut comfort::Judges, &Judged)) {
        let Some(plan) = &mut self.plan else { return };
        let sources = &self.memory.sources.sources;
        let lamp = sources.iter().find(|s| s.kind.gives_light()).map(|s| s.at);
        let judged = Judged {
            subject: self.subject,
            wanted: plan.wanted(now.wall),
            lamp_heats: lamp.is_some(),
            lamp_warms: lamp.filter(|at| sources.iter().filter(|s| s.at == *at).count() == 1),
            hold: around.hold,
            room_c: around.room_c,
        };
        look(&mut self.memory.comfort, &judged);
    }

    /// The instant that it asked for has come: light may be missing although nothing reports.
    pub fn wake(&mut self, now: Now, around: &Around, out: &mut Vec<Change>) {
        self.judge(around, now, |comfort, judged| comfort.wake(judged, now, out));
    }

    /// The place cannot be seen from now on: clocks that run stop, what stands goes on standing.
    pub fn lose_sight(&mut self, place: Place) {
        self.memory.bands[place.index()].forget_clocks();
    }

    /// What is wanted, for whoever only looks: slower than the judges' own way.
    pub fn wanted_at(&self, at: Wall) -> Option<Wanted> {
        self.plan.clone().map(|mut plan| *plan.wanted(at))
    }

    /// What is wanted at each step of a stretch.
    pub fn wanted_steps(&self, from: Wall, to: Wall, step: Span) -> Vec<(Wall, Wanted)> {
        let Some(mut plan) = self.plan.clone() else { return Vec::new() };
        let steps = to.since(from).as_ms() / step.as_ms().max(1);
        (0..=steps).map(|i| from + Span::ms(step.as_ms() * i)).map(|at| (at, *plan.wanted(at))).collect()
    }

    pub fn plan(&self) -> Option<&Plan> {
        self.plan.as_ref()
    }

    pub fn has_care(&self) -> bool {
        self.plan.is_some()
    }

    /// Whether there is heat to watch.
    pub fn has_heat(&self) -> bool {
        !self.memory.sources.sources.is_empty()
    }

    /// The judge of its light, for whoever only looks.
    pub fn light(&self) -> &light::Judge {
        &self.memory.comfort.light
    }

    /// The air at each place whose temperature is known.
    pub fn air(&self, now: Mono) -> Vec<Air> {
        self.memory.comfort.humidity.everywhere(now)
    }

    pub fn days(&self) -> &Days {
        &self.memory.days
    }

    /// Power of all its heat sources as the keeper states it, W.
    pub fn rated_w(&self) -> Option<f64> {
        let sum: f64 = self.memory.sources.sources.iter().filter_map(|s| s.watts).sum();
        (sum > 0.0).then_some(sum)
    }

    pub fn line(&self, place: Place) -> &Line {
        &self.memory.lines[place.index()]
    }

    /// The last hours of a place.
    pub fn trail(&self, place: Place) -> &Trail {
        &self.memory.trails[place.index()]
    }

    /// The worst that stands at a place by its bands.
    pub fn standing(&self, place: Place) -> Option<(Cause, Urgency)> {
        self.memory.bands[place.index()].standing()
    }

    /// When somebody has to call [`Den::wake`] although nothing is heard.
    pub fn next_wake(&mut self, now: Now) -> Option<Mono> {
        let plan = self.plan.as_mut()?;
        self.memory.comfort.next_wake(plan.wanted(now.wall), now)
    }
}

/// What of a rise and a fall is the symptom's way, K.
fn way(hot: bool, (up, down): (f64, f64)) -> f64 {
    if hot { up } else { -down }
}

/// Low and high end of what is wanted, °C; a low end that is not judged is none.
fn wanted_of(place: &PlaceWanted) -> (f64, f64) {
    (if place.low_judged { place.wanted.low } else { f64::NEG_INFINITY }, place.wanted.high)
}

/// What the bands judge of a place now.
pub fn limits(wanted: &Wanted, place: Place) -> Option<Limits> {
    let place = wanted.place(place)?;
    Some(Limits {
        wanted_low: place.low_judged.then_some(place.wanted.low),
        // What is too warm only for a night that was planned cooler is told as the night that did not come.
        wanted_high: Some(night::too_hot_from(place)),
        never_low: Some(place.never.low),
        never_high: Some(place.never.high),
    })
}
