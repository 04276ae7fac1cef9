//! May this reading be believed? Per probe: silent, stuck, sentinel values, impossible values and jumps, noise, a changed
//! unit, a dying battery, swapped ends; per sender: a wrong clock and late batches.
//!
//! # The trade-off
//!
//! A lying probe and a real emergency look alike: both are a level that was never there before. Three rules decide:
//!
//! - **What moves on is believed.** Heat is continuous. A jump is *held* for one or two readings; when the next ones go on
//!   from there (a ramp, however steep) or stay there (a step that a thermometer can make), it is trusted, seconds to a
//!   minute late. A value that was never approached, such as 85.0 out of nothing, is never trusted however often it comes.
//! - **What others confirm is believed at once.** If another probe of the enclosure or its room moves the same way, or
//!   already moved, nothing is held.
//! - **What is neither is doubted, and said.** A step larger than [`gate::LARGEST_STEP_K`] within two minutes that then lies
//!   still is not how heat arrives. It raises neither too hot nor too cold and ends nothing, but within ten minutes the
//!   place is mailed as unwatched. The price: a probe that really was carried to a place more than 12 K hotter, alone, with no other
//!   witness, is reported as a faulty probe and not as heat.

pub mod battery;
pub mod bundle;
mod company;
pub mod drift;
pub mod gate;
mod heat_runs;
mod listening;
pub mod moved;
pub mod noise;
mod place;
pub mod plausible;
pub mod probe;
mod restless;
pub mod rhythm;
pub mod run;
pub mod scale;
mod silence;
pub mod spell;
pub mod stamps;
pub mod swap;
pub mod watch;

use crate::reading::refusal::Refusal;
use crate::reading::{Slot, Target};
use crate::terms::id::ProbeIx;
use crate::terms::place::Place;
use crate::terms::quantity::Quantity;
use crate::terms::time::{Now, Span};
use serde::{Deserialize, Serialize};

/// What to do with one reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Verdict {
    /// Judge by it.
    Trusted,
    /// Unsure: show it, judge by the next one.
    Held,
    /// It raises nothing and ends nothing.
    Doubted(Doubt),
}

/// Why a reading is not believed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Doubt {
    /// The broker had kept it: its age is unknown.
    UnknownAge,
    /// The sender says that it was measured well before it came: for the history only.
    Late,
    /// No enclosure can have it.
    Impossible,
    /// A value that sensors send when they fail, and that was not approached.
    Sentinel,
    /// A step that heat cannot make, and that nothing else confirms.
    Step,
    /// It reads as the other scale of temperature would.
    Unit,
    /// The probe is noisy far beyond its habit.
    Noisy,
    /// The probe repeats itself while heat moves around it.
    Stuck,
    /// Its battery is low and it has left what it ever read before.
    Dying,
    /// The two ends of the enclosure have changed places.
    Swapped,
    /// It reads what the room or another enclosure reads.
    Displaced,
}

/// What is wrong with a probe, as kept and told.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fault {
    /// Linked, and not heard since the start. Told twice: after two hours, and after a day.
    NeverHeard {
        a_day: bool,
    },
    Silent,
    /// It speaks, but says nothing readable.
    Unreadable(Refusal),
    /// Nothing that it said lately was believed, and why.
    Unbelievable(Doubt),
    Noisy,
    /// Humidity pinned at the upper end for half a day.
    Soaked,
    Battery {
        /// V or %, as told.
        level: f64,
    },
    Stuck {
        for_: Span,
    },
    UnitChanged,
    SwappedWith(Place),
    /// It left its place alone and at once; `like`: whose air it reads now, where that is clear.
    LiesElsewhere {
        like: Option<Target>,
    },
    /// Its daily mean, or what it reads against a keeper's own thermometer, is off by this, K.
    Drifted {
        by_k: f32,
    },
}

/// At most one fault of a kind stands for a probe.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Kind {
    Silent,
    Faulty,
    Noisy,
    Soaked,
    Battery,
    Stuck,
    Unit,
    Swapped,
    Displaced,
    Drift,
}

impl Kind {
    pub const ALL: [Kind; 10] = [
        Kind::Silent,
        Kind::Faulty,
        Kind::Noisy,
        Kind::Soaked,
        Kind::Battery,
        Kind::Stuck,
        Kind::Unit,
        Kind::Swapped,
        Kind::Displaced,
        Kind::Drift,
    ];
}

impl Fault {
    /// In a few words, for lists.
    pub fn words(self) -> String {
        match self {
            Fault::NeverHeard { .. } => "never heard since the start".to_owned(),
            Fault::Silent => "silent".to_owned(),
            Fault::Unreadable(why) => format!("cannot be read: {}", why.words()),
            Fault::Unbelievable(_) => "not believed: its values cannot be".to_owned(),
            Fault::Noisy => "far noisier than its habit".to_owned(),
            Fault::Soaked => "humidity at the end of its scale for half a day".to_owned(),
            Fault::Battery { level } => format!("battery low ({level:.2})"),
            Fault::Stuck { for_ } => format!("one value for {for_}"),
            Fault::UnitChanged => "reads as the other scale of temperature".to_owned(),
            Fault::SwappedWith(other) => format!("exchanged with the {}", other.label()),
            Fault::LiesElsewhere { like: Some(Target::Room(_)) } => {
                "lies outside: it reads what the room reads".to_owned()
            }
            Fault::LiesElsewhere { .. } => "lies elsewhere: not where heat comes and goes".to_owned(),
            Fault::Drifted { by_k } => format!("drifted by {by_k:+.1} K"),
        }
    }

    pub const fn kind(self) -> Kind {
        match self {
            Fault::NeverHeard { .. } | Fault::Silent => Kind::Silent,
            Fault::Unreadable(_) | Fault::Unbelievable(_) => Kind::Faulty,
            Fault::Noisy => Kind::Noisy,
            Fault::Soaked => Kind::Soaked,
            Fault::Battery { .. } => Kind::Battery,
            Fault::Stuck { .. } => Kind::Stuck,
            Fault::UnitChanged => Kind::Unit,
            Fault::SwappedWith(_) => Kind::Swapped,
            Fault::LiesElsewhere { .. } => Kind::Displaced,
            Fault::Drifted { .. } => Kind::Drift,
        }
    }
}

/// An edge: a fault of a probe begins to stand (or stands more gravely), or is over.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Event {
    pub probe: ProbeIx,
    pub target: Target,
    pub slot: Slot,
    /// Where it blinds; for a battery, the place of the first probe that lives on it.
    pub place: Option<Place>,
    pub kind: Kind,
    /// `None`: over.
    pub fault: Option<Fault>,
    /// When it began, or when it was over.
    pub since: Now,
    /// The last trusted value, and when it came.
    pub last: Option<(f64, Now)>,
    /// The last value of all, believed or not.
    pub heard: Option<f64>,
    /// The usual interval, once known.
    pub usual: Option<Span>,
}

impl Event {
    /// Whether from now on the temperature of its place cannot be judged.
    pub fn blinds(&self) -> bool {
        let temperature = matches!(self.slot, Slot::At(_, Quantity::Temperature));
        temperature && self.fault.is_some() && !matches!(self.kind, Kind::Battery | Kind::Soaked | Kind::Drift)
    }
}
