//! What is known of an enclosure's heat, for `explain`: from how much data, how sure, and what would alarm.

use super::Watch;
use super::clue::Doubt;
use super::tract::{LEARNING_MIN, Tract};
use super::watts::Plug;
use crate::terms::place::Place;
use crate::terms::time::Span;
use serde::Serialize;

/// How far learning has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// Too few readings to say anything.
    Hearing,
    /// Under two hours: no heat verdict yet, only the keeper's limits.
    Learning,
    /// This clock time was not seen on an earlier day.
    Young,
    Watching,
}

/// How the heat is seen to be driven.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Rhythm {
    Unknown,
    /// A thermostat that switches: crest and trough, again and again.
    Cycling,
    /// Held or drifting: pulse, dimming, or no control.
    Steady,
}

/// One warm place.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Learned {
    pub place: Place,
    pub state: State,
    pub learned_for: Span,
    pub days_at_this_hour: u8,
    pub rhythm: Rhythm,
    pub readings: u32,
    pub interval: Span,
    pub noise_k: f64,
    /// Crest and trough of a cycling thermostat, °C.
    pub crest: Option<f64>,
    pub trough: Option<f64>,
    /// Mean speeds, K/min, and the time constant that follows from the fall.
    pub fall_k_per_min: Option<f64>,
    pub rise_k_per_min: Option<f64>,
    pub tau: Option<Span>,
    /// Level now; below which it counts as lost heat, above which as heat without end, °C.
    pub level: Option<f64>,
    pub alarm_below: Option<f64>,
    pub alarm_above: Option<f64>,
    pub gradient_usual_k: Option<f64>,
    /// What the first plug or relay of this place has taught.
    pub plug: Option<Taught>,
    /// Whether a heater that has grown weak would show: under proportional control only watts can tell.
    pub weakness_visible: bool,
}

/// What a plug or a relay has taught.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Taught {
    /// Reports of power, and power while there is any, W.
    pub reports: u32,
    pub power_on_w: Option<f64>,
    /// Share of the reports without power.
    pub idle_share: f64,
    /// Pauses without power that ended in health, what one in ten outlasts, min, and by which level power has come back, °C.
    pub pauses: u16,
    pub long_pause_min: Option<f64>,
    pub called_by: Option<f64>,
    /// Level by which full power has ended, °C.
    pub let_go_by: Option<f64>,
    /// Moves of the relay.
    pub relay_moves: u32,
    /// Why it is not used.
    pub doubt: Option<Doubt>,
}

impl Watch {
    /// What is known of each warm place, the first source's place first.
    pub fn view(&self) -> Vec<Learned> {
        self.tracts.iter().map(|tract| self.learned(tract)).collect()
    }

    /// What is known of its air and of its lamp, where they are heard.
    pub fn beside_heat(&self) -> (Option<super::vapour::Learned>, Option<super::lamps::Learned>) {
        (self.vapour.as_ref().and_then(|v| v.learned()), self.lamps.as_ref().and_then(|l| l.learned()))
    }

    /// Bytes that the watch takes with all that it points to.
    pub fn memory_bytes(&self) -> usize {
        size_of::<Watch>()
            + self.tracts.iter().map(Tract::memory_bytes).sum::<usize>()
            + self.plugs.iter().map(Plug::memory_bytes).sum::<usize>()
            + self.vapour.as_ref().map_or(0, |v| size_of_val(&**v))
            + self.lamps.as_ref().map_or(0, |l| size_of_val(&**l))
    }

    fn learned(&self, tract: &Tract) -> Learned {
        let p = tract.picture;
        let cycler = p.is_some_and(|p| p.cycler);
        let plug = self
            .settings
            .sources
            .iter()
            .position(|s| s.at == tract.place)
            .and_then(|k| self.plugs.get(k))
            .filter(|p| p.speaks());
        let speed = tract.falls.mean_speed;
        let reach = tract.usual_gradient.mean;
        let finite = |x: f64| x.is_finite().then_some(x);
        Learned {
            place: tract.heard_at.unwrap_or(tract.place),
            state: state(tract),
            learned_for: Span::from_s(tract.learned_min() * 60.0),
            days_at_this_hour: tract.w_low.reference.days,
            rhythm: match (p, cycler) {
                (None, _) => Rhythm::Unknown,
                (_, true) => Rhythm::Cycling,
                _ if tract.learned_min() < LEARNING_MIN => Rhythm::Unknown,
                _ => Rhythm::Steady,
            },
            readings: tract.warm.count(),
            interval: Span::from_s(tract.warm.interval() * 60.0),
            noise_k: tract.warm.sigma(),
            crest: cycler.then_some(tract.falls.peak.mean),
            trough: cycler.then_some(tract.falls.peak.mean - tract.falls.depth.mean),
            fall_k_per_min: cycler.then_some(speed.mean),
            rise_k_per_min: cycler.then_some(tract.rises.mean_speed.mean),
            tau: (cycler && speed.mean > 1e-4 && reach > 1.0)
                .then(|| Span::from_s((reach / speed.mean).min(1_000.0) * 60.0)),
            level: p.map(|p| p.x),
            alarm_below: finite(tract.w_low.reference.level - tract.w_low.threshold),
            alarm_above: finite(-(tract.w_high.reference.level - tract.w_high.threshold)),
            gradient_usual_k: (tract.usual_gradient.n > 10.0).then_some(reach),
            plug: plug.map(|p| p.taught(tract.w_low.reference.level, -tract.w_high.reference.level)),
            weakness_visible: cycler || plug.is_some_and(|p| p.reports() > 0 && p.doubt().is_none()),
        }
    }
}

fn state(tract: &Tract) -> State {
    match tract.learned_min() {
        m if m < 10.0 => State::Hearing,
        m if m < LEARNING_MIN => State::Learning,
        _ if tract.w_low.reference.days == 0 => State::Young,
        _ => State::Watching,
    }
}
