//! What the engine knows at one instant, as plain data: what the page, `status`, `explain` and published states show.
//!
//! A view is a copy; nothing in it reaches back. Temperatures in °C, whatever the site's degrees.

use crate::care::season::Phase;
use crate::finding::cause::{Cause, Urgency};
use crate::finding::fact::Fact;
use crate::terms::place::Place;
use crate::terms::quantity::{Degrees, Quantity};
use crate::terms::time::{Now, Span, Wall};
use serde::{Deserialize, Serialize};

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct View {
    pub at: Now,
    pub site: String,
    /// IANA name.
    pub time_zone: String,
    pub degrees: Degrees,
    /// In the keeper's physical order.
    pub enclosures: Vec<EnclosureView>,
    pub rooms: Vec<RoomView>,
    /// Open incidents, soonest `act_by` first, then by urgency and age.
    pub incidents: Vec<IncidentView>,
    pub feed: FeedView,
    pub post: PostView,
    /// What the store last complained of; `None`: healthy.
    pub store_failing: Option<String>,
    pub probes: Vec<ProbeView>,
    pub counts: Counts,
    /// Who may answer, in the order of the configuration.
    pub keepers: Vec<KeeperView>,
    pub circuits: Vec<CircuitView>,
    /// Topics that came and that no link reads, and topics of links whose payload was refused; bounded, newest first.
    pub unread: Vec<UnreadView>,
}

/// Messages since the start, each counted once.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Counts {
    pub messages: u64,
    pub accepted: u64,
    pub refused: u64,
    pub unlinked: u64,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct EnclosureView {
    pub id: String,
    pub animal: Option<String>,
    pub room: Option<String>,
    pub circuit: Option<String>,
    pub where_: Vec<String>,
    pub what_to_do: Option<String>,
    pub empty: bool,
    pub condition: Condition,
    /// Places that are wanted or heard, hot end first.
    pub places: Vec<PlaceView>,
    pub humidity: Option<HumidityView>,
    /// What its air is at each place whose temperature is known.
    #[serde(default)]
    pub air: Vec<AirView>,
    pub light: LightView,
    /// What is wanted now and after each planned change of the next 24 hours; empty without care.
    #[serde(default)]
    pub coming: Vec<ComingView>,
    /// Seasons that move or hold its bands today.
    #[serde(default)]
    pub seasons: Vec<SeasonView>,
    /// How long it may take to follow a planned change; `None` without care.
    #[serde(default)]
    pub follows: Option<FollowsView>,
    pub heat: HeatView,
    pub shelved_until: Option<Wall>,
    pub hands_in_until: Option<Wall>,
    /// Ids of open incidents that concern it.
    pub incidents: Vec<String>,
}

/// The one word of an enclosure's state: what the tile shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Condition {
    InBand,
    /// Something is off that is neither heat nor cold: light, humidity, labels.
    Differs,
    TooCold,
    TooHot,
    /// A wanted place cannot be seen.
    NotWatched,
    HandsIn,
    Shelved,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PlaceView {
    pub place: Place,
    /// Last trusted reading, °C.
    pub celsius: Option<f64>,
    pub at: Option<Wall>,
    /// K/min, where known.
    pub slope_k_per_min: Option<f64>,
    /// Wanted now (low, high), °C; `None`: not judged or no care.
    pub wanted: Option<(f64, f64)>,
    pub never: Option<(f64, f64)>,
    /// Why it is not seen; `None`: it is.
    pub unseen: Option<String>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct HumidityView {
    pub place: Place,
    pub percent: Option<f64>,
    pub wanted: Option<(f64, f64)>,
}

/// The air at a place: measured there, or another place's brought there by its dew point.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct AirView {
    pub place: Place,
    /// Relative humidity.
    pub percent: f64,
    pub measured: bool,
    /// °C; where it is measured.
    pub dew_point_c: Option<f64>,
}

/// What is wanted from an instant on.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ComingView {
    pub from: Wall,
    /// Lamps are due; `None` without a light plan.
    pub light_on: Option<bool>,
    /// Bands are on their way: what was wanted before is still allowed, or a season moves them.
    pub moving: bool,
    pub bands: Vec<BandView>,
}

/// A wanted band, °C.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct BandView {
    pub place: Place,
    /// `None`: too cold is not judged, but for the never limit.
    pub low: Option<f64>,
    pub high: f64,
}

/// A season, and how far it has come.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SeasonView {
    pub name: String,
    pub phase: Phase,
}

/// How long an enclosure may take to follow a planned change before it counts as missed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct FollowsView {
    pub within: Span,
    /// Of so many of its own changes; 0: the default, until it has shown how long it takes.
    pub learned_from: usize,
}

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct LightView {
    pub planned_on: Option<bool>,
    pub seen_on: Option<bool>,
    /// Planned on and off of the local day, for the strip under a tile.
    pub on_at: Option<Wall>,
    pub off_at: Option<Wall>,
    /// When light was seen on the local day (from, until; `None`: still on), oldest first.
    pub seen: Vec<(Wall, Option<Wall>)>,
    /// The lamp is taken to burn above this, lx: learned from the enclosure's own lit and dark hours.
    #[serde(default)]
    pub lit_above_lx: Option<f64>,
    /// What that was learned from.
    #[serde(default)]
    pub levels: Option<LevelsView>,
    /// By what it is seen now: `light meter`, `lamp's watts`.
    #[serde(default)]
    pub seen_by: Vec<String>,
    pub lux: Option<f64>,
}

/// What a light meter shows in the enclosure's own lit and dark hours, lx.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct LevelsView {
    pub lit_lx: f64,
    pub dark_lx: Option<f64>,
    pub learned_over: Span,
}

/// What is known of the heat, in words and numbers for `explain`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct HeatView {
    /// `hearing`, `learning`, `young`, `watching`, or `none` where there is no heat source to watch.
    pub state: String,
    /// Sentences a keeper can check.
    pub learned: Vec<String>,
    pub power_w: Option<f64>,
    pub switch_on: Option<bool>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct RoomView {
    pub id: String,
    pub name: String,
    pub celsius: Option<f64>,
    pub at: Option<Wall>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct KeeperView {
    pub id: String,
    pub name: String,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CircuitView {
    pub id: String,
    pub name: String,
}

/// A message that became no reading.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct UnreadView {
    pub topic: String,
    /// The last payload as text, cut at 200 bytes; bytes that are no text shown as U+FFFD.
    pub payload: String,
    pub at: Wall,
    /// How many since the start.
    pub times: u64,
    /// Why it was refused; `None`: no link reads this topic.
    pub refused: Option<String>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct IncidentView {
    pub id: String,
    pub cause: Cause,
    pub urgency: Urgency,
    pub place: Option<Place>,
    pub enclosures: Vec<String>,
    pub room: Option<String>,
    pub circuit: Option<String>,
    pub since: Wall,
    pub act_by: Option<Wall>,
    /// One sentence: what is seen, then what it means.
    pub what: String,
    pub facts: Vec<Fact>,
    /// Who answered (a keeper's id, or how else they are known), and when.
    pub answered: Option<(String, Wall)>,
    /// Whom the mails went to so far (a keeper's id), and when; oldest first.
    pub told: Vec<(String, Wall)>,
    /// Who is told next if nobody answers, and when.
    pub next: Option<(String, Wall)>,
    /// `unacknowledged`, `acknowledged`, `returned-unacknowledged` (IEC 62682).
    pub state: String,
    pub latched: bool,
}

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct FeedView {
    pub connected: bool,
    pub since: Option<Wall>,
    /// Arrival of the newest message.
    pub newest: Option<Wall>,
    /// Deaf spells of the last 24 h (from, length).
    pub gaps: Vec<(Wall, Span)>,
    /// Accepted readings in each of the last minutes, 120 at the most, oldest first.
    pub per_minute: Vec<u32>,
}

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PostView {
    /// Why mail does not go out; `None`: it does.
    pub failing: Option<String>,
    pub last_accepted: Option<Wall>,
    pub waiting: u32,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ProbeView {
    /// `a3/warm_side.temperature`, `a3/heat.0.power`: under which its state is kept.
    pub name: String,
    pub enclosure: Option<String>,
    pub room: Option<String>,
    pub place: Option<Place>,
    pub quantity: Quantity,
    pub topic: String,
    /// Where in the payload its number stands, as the link has it; `None`: the whole payload.
    #[serde(default)]
    pub pointer: Option<String>,
    /// What the link adds to its readings, K.
    #[serde(default)]
    pub offset_k: f64,
    /// The last payload as text, cut at 200 bytes; bytes that are no text shown as U+FFFD.
    pub payload: Option<String>,
    pub last: Option<f64>,
    pub last_at: Option<Wall>,
    pub usual_interval: Option<Span>,
    pub accepted: u64,
    pub doubted: u64,
    /// Why it is doubted or silent now; `None`: trusted.
    pub doubt: Option<String>,
}
