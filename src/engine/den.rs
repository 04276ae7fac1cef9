//! One enclosure: everything that is judged about it from its own trusted readings.
//!
//! A den owns the judges of one enclosure and feeds each what it needs. It decides nothing itself; judges report edges.

mod beside;
mod naming;
mod sight;

use super::local::Local;
use super::trail::Trail;
use super::week::{Days, End, Went};
use crate::care::plan::{FOLLOWS_WITHIN, Plan, Wanted};
use crate::finding::around::Around as Judged;
use crate::finding::bands::{self, Course, Limits, Spot};
use crate::finding::cause::{Cause, Urgency};
use crate::finding::course::Line;
use crate::finding::follow::Follow;
use crate::finding::humidity::Air;
use crate::finding::room::Says;
use crate::finding::{Change, Subject, comfort, explain, light, night, outside};
use crate::heat::picture::Picture;
use crate::heat::settings::{Settings as HeatSettings, Thermostat};
use crate::heat::verdict;
use crate::heat::view::Learned;
use crate::heat::{Input, Relearn, Watch, lamps, vapour};
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
    /// Another enclosure on its circuit has just lost its heat.
    pub circuit_lost: bool,
    /// It is one of half of its circuit whose levels fall at once as without heat.
    pub falls_together: bool,
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
    /// Places whose temperature was heard and cannot be seen now.
    #[serde(default)]
    unseen: Vec<Place>,
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
    beside: beside::Told,
    /// The gravest of what is out of its band.
    symptom: Option<explain::Symptom>,
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
            unseen: Vec::new(),
        };
        let subject = Subject::Enclosure(ix);
        Den { subject, plan, memory, turns: Vec::new(), beside: beside::Told::default(), symptom: None }
    }

    pub fn memory(&self) -> &Memory {
        &self.memory
    }

    /// Takes up what was remembered, if it fits what is configured now.
    pub fn restore(&mut self, memory: Memory) {
        if memory.sources == self.memory.sources {
            self.memory = memory;
            self.symptom = self.look_for_symptom();
            self.give_time();
        }
    }

    /// A trusted reading of this enclosure.
    pub fn hear(&mut self, reading: &Reading, around: &Around, out: &mut Vec<Change>) {
        let (value, now) = (reading.value, reading.at);
        let (on, told) = (value > 0.5, out.len());
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
        if out.len() != told {
            self.symptom = self.look_for_symptom();
        }
        debug_assert_eq!(self.symptom, self.look_for_symptom());
        if let Some(input) = input {
            self.hear_heat(input, now, around, out);
        }
        self.explain(around, now, out);
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
        self.tell_beside(now, around);
        self.memory.heat.hear(input, now, &self.beside.context, &mut self.turns);
        self.pass_on(now, out);
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

    /// What vapour and lamps have taught of its heat.
    pub fn beside_heat(&self) -> (Option<vapour::Learned>, Option<lamps::Learned>) {
        self.memory.heat.beside_heat()
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
        self.memory.unseen.retain(|unseen| *unseen != place);
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
        let unlike = matches!(around.room_says, Says::Unlike(_)) || self.is_unlike() || !self.memory.unseen.is_empty();
        let spot = Spot { subject: self.subject, place, limits, course, hold: around.hold, opened, unlike };
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
            self.beside = beside::Told::default();
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
            lamp_may_waver: sources.iter().any(|s| s.kind.gives_light() && s.thermostat.is_none()),
            hold: around.hold,
            room_c: around.room_c,
        };
        look(&mut self.memory.comfort, &judged);
    }

    /// The instant that it asked for has come: light may be missing although nothing reports.
    pub fn wake(&mut self, now: Now, around: &Around, out: &mut Vec<Change>) {
        self.judge(around, now, |comfort, judged| comfort.wake(judged, now, out));
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::Target;
    use crate::terms::id::ProbeIx;

    #[test]
    fn a_place_is_unseen_until_its_temperature_is_heard_again_and_never_for_its_humidity() {
        let mut den = Den::new(EnclosureIx(0), None, &HeatSettings::default());
        let hear = |den: &mut Den, min: i64| {
            let slot = Slot::At(Place::WarmSide, Quantity::Temperature);
            let at = Now::at(min * 60_000);
            let target = Target::Enclosure(EnclosureIx(0));
            let reading = Reading { probe: ProbeIx(0), target, slot, at, measured: None, value: 30.0, retained: false };
            den.hear(&reading, &Around::default(), &mut Vec::new());
        };
        hear(&mut den, 0);
        den.lose_sight(Place::Air);
        assert_eq!(den.memory.unseen, [], "nobody ever heard how warm it is there");
        den.lose_sight(Place::WarmSide);
        assert_eq!(den.memory.unseen, [Place::WarmSide]);
        hear(&mut den, 1);
        assert_eq!(den.memory.unseen, []);
    }
}
