//! Per enclosure: what its heat normally does, learned from its own readings, and whether that is still so.
//!
//! Every reading enters by [`Watch::hear`] with the time and a cheap [`Context`]; what comes out are edges, [`Change`]s. Only
//! trusted readings come here, but a spike that slips through does no harm. How it decides is told in `MODEL.md`.

pub mod clue;
mod cycle;
mod dial;
mod doubts;
mod due;
mod elsewhere;
mod front;
mod healed;
mod high;
mod history;
mod hours;
pub mod lamps;
mod levels;
mod low;
pub mod picture;
mod relay;
mod rings;
pub mod settings;
mod spell;
mod standing;
#[cfg(test)]
mod tests;
mod tops;
mod tracker;
mod tract;
pub mod tuning;
pub mod vapour;
pub mod verdict;
pub mod view;
pub mod watts;
mod young;

pub use high::{is_dark, looks_endless, widens};
pub use low::looks_lost;

use crate::terms::place::Place;
use crate::terms::time::{Mono, Now, Span};
use clue::Beside;
use front::{Front, Sample};
use lamps::Lamps;
use picture::Picture;
use serde::{Deserialize, Serialize};
use settings::Settings;
use standing::{Stood, Turn};
use tract::{Company, Tract};
use tuning::Tuning;
use vapour::Vapour;
use verdict::{Change, Evidence, Verdict, Way};
use watts::Plug;

/// One thing heard about an enclosure. Temperatures °C, power W, illuminance lx, humidity %.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Input {
    Level {
        place: Place,
        celsius: f64,
    },
    /// Power of the heat source at this index of the settings.
    Power {
        source: u8,
        watts: f64,
    },
    Switch {
        source: u8,
        on: bool,
    },
    LampPower {
        watts: f64,
    },
    LampSwitch {
        on: bool,
    },
    Illuminance {
        lx: f64,
    },
    Humidity {
        place: Place,
        percent: f64,
    },
    Room {
        celsius: f64,
    },
}

/// What the engine knows at this moment beside the reading.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Context {
    /// Minute of the local day, 0 to 1439.
    pub local_minute: u16,
    /// Local civil day, counted from any fixed day.
    pub day: i32,
    /// Whether lights should be on by the plan; `None`: no plan.
    pub lights_planned: Option<bool>,
    /// Since and until a change of light or band that is planned; `None`: no plan.
    pub since_planned_change: Option<Span>,
    pub until_planned_change: Option<Span>,
    /// Low and high end, °C, of what is wanted at a place while that is on its way by plan (lights just went out, a season
    /// begins): a level within is the plan's doing, whatever the clock is used to.
    pub on_its_way: [Option<(f64, f64)>; Place::COUNT],
    /// Low and high end, °C, of what is wanted at a place now; `None`: not told.
    pub wanted: [Option<(f64, f64)>; Place::COUNT],
    /// A season moves all bands day by day: the pace of the heat changes with them.
    pub season_moves: bool,
    /// The keeper said that hands are in the enclosure.
    pub hands_in: bool,
    /// Whether the other enclosures of the room are as usual; `None`: unknown.
    pub neighbours_ok: Option<bool>,
    /// Another enclosure on its circuit has just lost its heat.
    pub circuit_lost: bool,
    /// It is one of half of its circuit whose levels fall at once as without heat ([`picture::Picture::lean`]).
    pub falls_together: bool,
}

/// Why everything is learned anew.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Relearn {
    SettingChanged,
    LampChanged,
    ProbeMoved,
}

/// The watch over one enclosure's heat. Survives a restart through serde (CBOR: some numbers are infinite).
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Watch {
    settings: Settings,
    tuning: Tuning,
    origin: Option<Mono>,
    cool: Front,
    room: Front,
    tracts: Vec<Tract>,
    plugs: Vec<Plug>,
    /// From the first reading on.
    #[serde(default)]
    vapour: Option<Box<Vapour>>,
    #[serde(default)]
    lamps: Option<Box<Lamps>>,
    #[serde(skip)]
    turns: Vec<Turn>,
}

/// The minute of what never was: longer ago than any span that is asked for.
const NEVER: f64 = -1e9;

/// Warm places of one enclosure that are watched.
const MOST_TRACTS: usize = 2;

impl Watch {
    pub fn new(settings: &Settings) -> Watch {
        Watch::tuned(settings, Tuning::default())
    }

    /// Elsewhere on the curve of delay against false alarms.
    pub fn tuned(settings: &Settings, tuning: Tuning) -> Watch {
        let mut settings = settings.clone();
        settings.sources.truncate(settings::MOST_SOURCES);
        let mut tracts: Vec<Tract> = Vec::new();
        for source in &settings.sources {
            if tracts.len() < MOST_TRACTS && tracts.iter().all(|t| t.place != source.at) {
                tracts.push(Tract::new(source.at));
            }
        }
        if tracts.is_empty() {
            tracts.push(Tract::new(Place::WarmSide));
        }
        let plugs = settings.sources.iter().map(|_| Plug::default()).collect();
        Watch {
            settings,
            tuning,
            origin: None,
            cool: Front::default(),
            room: Front::default(),
            tracts,
            plugs,
            vapour: None,
            lamps: None,
            turns: Vec::new(),
        }
    }

    /// One reading. Changes, if any, are pushed to `out`.
    pub fn hear(&mut self, input: Input, now: Now, context: &Context, out: &mut Vec<Change>) {
        let origin = *self.origin.get_or_insert(now.mono);
        let t = now.mono.since(origin).as_min();
        if t < 0.0 {
            return;
        }
        match input {
            Input::Level { place, celsius } => self.level(place, t, celsius, now, context, out),
            Input::Room { celsius } => {
                self.room.hear(t, celsius, &mut [Sample::default(); 2]);
            }
            Input::Power { source, watts } => self.power(usize::from(source), t, watts, now, context, out),
            Input::Switch { source, on } => {
                let source = usize::from(source);
                let beside = self.beside(source, t, context);
                if let Some(plug) = self.plugs.get_mut(source) {
                    plug.switched(on, &beside);
                }
            }
            Input::Humidity { place, percent } => self.vapour.get_or_insert_default().hear(place, t, percent),
            Input::LampPower { watts } => self.lamps.get_or_insert_default().power(t, watts),
            Input::LampSwitch { on } => self.lamps.get_or_insert_default().switched(t, on),
            Input::Illuminance { lx } => self.lamps.get_or_insert_default().lit(t, lx),
        }
    }

    fn level(&mut self, place: Place, t: f64, celsius: f64, now: Now, context: &Context, out: &mut Vec<Change>) {
        let vapour = self.vapour.as_mut().and_then(|vapour| {
            vapour.level(place, t, celsius);
            vapour.told(t)
        });
        let is_cool = place == Place::CoolSide;
        if is_cool {
            self.cool.hear(t, celsius, &mut [Sample::default(); 2]);
        }
        for ix in 0..self.tracts.len() {
            let Some(tract) = self.tracts.get_mut(ix) else { break };
            let own = tract.place == place;
            if (is_cool && !own) || !tract.takes(place) {
                continue;
            }
            // A cool side by its own probe; failing that the room; else none.
            let cool_at = if own && is_cool { None } else { self.cool.at(t, self.cool.holds_min()) };
            let cool = cool_at.or_else(|| self.room.at(t, self.room.holds_min()));
            self.turns.clear();
            let lamp = self.lamps.as_mut().filter(|_| ix == 0).and_then(|lamps| {
                lamps.level(t, context.local_minute, celsius, tract.is_well());
                lamps.told(t, celsius)
            });
            let at = tract.place;
            let (plugs, sources) = split(&mut self.plugs, &self.settings, at);
            let beside_room = cool_at.is_none();
            let mut company =
                Company { cool, beside_room, context, plugs, sources, vapour, lamp, tuning: &self.tuning };
            tract.hear(place, t, celsius, &mut company, &mut self.turns);
            if self.settings.sources.is_empty() {
                continue;
            }
            for turn in self.turns.iter().copied() {
                push(turn, tract, self.room.at(t, 120.0).map(|r| r.x), t, now, out);
            }
        }
    }

    fn power(&mut self, source: usize, t: f64, watts: f64, now: Now, context: &Context, out: &mut Vec<Change>) {
        let beside = self.beside(source, t, context);
        let Some(plug) = self.plugs.get_mut(source) else { return };
        let Some(settings) = self.settings.sources.get(source) else { return };
        plug.report(watts, settings.watts, &beside);
        let at = settings.at;
        let Some(tract) = self.tracts.iter_mut().find(|tract| tract.place == at) else { return };
        self.turns.clear();
        let (plugs, sources) = split(&mut self.plugs, &self.settings, at);
        let tuning = &self.tuning;
        let (cool, vapour, lamp) = (None, None, None);
        let mut company = Company { cool, beside_room: false, context, plugs, sources, vapour, lamp, tuning };
        tract.powered(t, &mut company, &mut self.turns);
        for turn in self.turns.iter().copied() {
            push(turn, tract, self.room.at(t, 120.0).map(|r| r.x), t, now, out);
        }
    }

    /// What stands beside a word of this source's plug: the level of its place, against every turn of this hour.
    fn beside(&self, source: usize, t: f64, context: &Context) -> Beside {
        let at = self.settings.sources.get(source).map(|s| s.at);
        match self.tracts.iter().find(|tract| Some(tract.place) == at) {
            Some(tract) => Beside { live: !context.hands_in, ..tract.beside(t, context) },
            None => Beside::nothing(t, context),
        }
    }

    /// What each warm place was last judged by: for `explain` and for evaluations.
    pub fn pictures(&self) -> impl Iterator<Item = &Picture> {
        self.tracts.iter().filter_map(|tract| tract.picture.as_ref())
    }

    /// How far it is on its way to be called without heat, in thresholds; 0: not at all, or called so long ago. `None`: it is not
    /// watched yet, or was not heard of late.
    pub fn lean(&self, now: Mono) -> Option<f64> {
        let t = now.since(self.origin?).as_min();
        let lean = |tract: &Tract| {
            let picture = tract.picture.as_ref().filter(|picture| picture.is_fresh(t))?;
            let lost = tract.low.now.filter(|stood| stood.cause == verdict::Cause::HeatFailed);
            let long_ago = lost.is_some_and(|stood| t - stood.since > picture::FALLS_TOGETHER_MIN);
            Some(if long_ago { 0.0 } else { picture.lean() })
        };
        self.tracts.iter().filter_map(lean).reduce(f64::max)
    }

    /// The last judgement of the warm end at a place, failing that of the first; `None`: it was not heard of late.
    pub fn picture(&self, place: Place, now: Mono) -> Option<&Picture> {
        let at = |tract: &&Tract| tract.place == place || tract.heard_at == Some(place);
        let picture = self.tracts.iter().find(at).or(self.tracts.first())?.picture.as_ref()?;
        picture.is_fresh(now.since(self.origin?).as_min()).then_some(picture)
    }

    /// Whether the plugs of a place's sources have shown power since; `None`: none of them has spoken since.
    pub fn powered_since(&self, place: Place, then: Mono) -> Option<bool> {
        let t = then.since(self.origin?).as_min();
        let plugs = self.settings.sources.iter().zip(&self.plugs).filter(|(source, _)| source.at == place);
        plugs.filter_map(|(_, plug)| plug.powered_since(t)).reduce(|any, one| any || one)
    }

    /// Forgets what was learned; what stands is over without a word, for the keeper himself said so.
    pub fn relearn(&mut self, why: Relearn, out: &mut Vec<Change>) {
        for tract in &mut self.tracts {
            for stood in [tract.low.now, tract.high.now].into_iter().flatten() {
                out.push(Change::Calm(stood.cause, tract.heard_at.unwrap_or(tract.place)));
            }
            tract.forget();
        }
        if why == Relearn::LampChanged {
            for plug in &mut self.plugs {
                plug.forget();
            }
        }
    }
}

/// The plugs of the sources at a place: all of them when they share it, as the first that reports speaks.
fn split<'a>(plugs: &'a mut [Plug], settings: &'a Settings, at: Place) -> (&'a mut [Plug], &'a [settings::Source]) {
    let first = settings.sources.iter().position(|s| s.at == at).unwrap_or(0);
    let last = settings.sources.iter().rposition(|s| s.at == at).map_or(first, |l| l + 1);
    (plugs.get_mut(first..last).unwrap_or_default(), settings.sources.get(first..last).unwrap_or_default())
}

fn push(turn: Turn, tract: &Tract, room_c: Option<f64>, t: f64, now: Now, out: &mut Vec<Change>) {
    let place = tract.heard_at.unwrap_or(tract.place);
    match turn {
        Turn::Nothing => {}
        Turn::Over(cause) => out.push(Change::Calm(cause, place)),
        Turn::Stands(stood) => out.push(Change::Stands(verdict(&stood, place, tract, room_c, t, now))),
        Turn::Instead(stood, old) => {
            out.push(Change::Stands(verdict(&stood, place, tract, room_c, t, now)));
            out.push(Change::Calm(old, place));
        }
    }
}

fn verdict(stood: &Stood, place: Place, tract: &Tract, room_c: Option<f64>, t: f64, now: Now) -> Verdict {
    let hot = stood.cause.is_hot();
    let sign = if hot { -1.0 } else { 1.0 };
    let tracker = if hot { &tract.w_high } else { &tract.w_low };
    let picture = tract.picture;
    let x = picture.map_or(f64::NAN, |p| p.x);
    let v = picture.map_or(0.0, |p| p.v);
    // What the days at this hour are set against began when it left them, and has moved from nowhere.
    let left_the_days = picture.and_then(|p| match stood.way {
        Way::Slow | Way::Watts if hot => p.above_min.or(p.stays_min),
        Way::Absent => p.absent_min.or(p.late_min),
        _ => None,
    });
    let reference = if left_the_days.is_some() { tracker.reference.lowest } else { tracker.reference.level };
    let known = sign * reference;
    let over = Span::from_s(left_the_days.unwrap_or(t - stood.since).max(0.0) * 60.0);
    let gradient = picture.and_then(|p| p.gradient);
    let clue = picture.and_then(|p| p.clue).filter(|c| c.watts.is_finite());
    let times = tracker.undercut / tracker.threshold.max(0.01);
    let evidence = Evidence {
        way: stood.way,
        level_then: left_the_days.is_none().then_some(sign * tracker.peak),
        level_now: x,
        over,
        furthest_known: known.is_finite().then_some(known),
        days_known: tracker.reference.days,
        undercut_k: tracker.undercut,
        threshold_k: tracker.threshold,
        slope_k_per_min: v,
        gradient_now_k: gradient.map(|g| g.now),
        gradient_usual_k: gradient.map(|g| g.usual),
        power_now_w: clue.map(|c| c.watts),
        power_usual_w: clue.map(|c| c.usual),
        told_on: clue.and_then(|c| c.told_on),
        room_c,
    };
    let toward = (!hot).then(|| room_c.or_else(|| gradient.map(|g| x - g.now))).flatten();
    let tau =
        toward.filter(|to| x - to > 0.3 && v < -1e-3).map(|to| Span::from_s(((x - to) / -v).clamp(5.0, 600.0) * 60.0));
    Verdict { cause: stood.cause, place, since: now.mono - over, sure: sure(stood.way, times), evidence, tau, toward }
}

/// From how many thresholds the level is past, to a share of belief: ½ at none, ¾ at one, 15⁄16 at three.
fn sure(way: verdict::Way, times: f64) -> f64 {
    let by_watts = if way == verdict::Way::Watts { 1.5 } else { 0.0 };
    1.0 - 0.5 * libm::exp2(-(times + by_watts).clamp(0.0, 8.0))
}
