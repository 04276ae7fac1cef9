//! The numbers behind a finding, as values: `notice/` puts them into words in the site's degrees and time zone.

use crate::terms::place::Place;
use crate::terms::quantity::Quantity;
use crate::terms::time::{Span, Wall};
use serde::{Deserialize, Serialize};

/// One thing that was seen. Temperatures in °C, differences in K, slopes in K/min, powers in W, humidity in %.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "fact", rename_all = "kebab-case")]
pub enum Fact {
    /// The reading that is out of its band, and the limit it passed.
    Reading { place: Place, quantity: Quantity, value: f64, limit: Option<f64>, never: bool },
    /// From a level to a level in a time.
    Moved { place: Place, from: f64, to: f64, over: Span },
    /// At this clock time (or at any) it has not been beyond this in so many days.
    NeverBefore { place: Place, level: f64, days: f64, below: bool },
    /// Where it heads to if left alone: level reached by then.
    Heading { place: Place, level: f64, at: Wall },
    /// Present slope.
    Slope { place: Place, k_per_min: f64 },
    /// Difference between warm and cool side now, and what is usual at this hour.
    Gradient { now: f64, usual: f64 },
    /// What the plug or relay of a heat source says. `told_on`: what its switch says.
    Watts { source: String, power_w: f64, usual_w: Option<f64>, told_on: Option<bool> },
    /// A heat source's share of full effort, now and as usual, 0–1.
    Effort { now: f64, usual: f64 },
    /// The room's temperature, and its usual one at this hour.
    Room { now: f64, usual: Option<f64> },
    /// How many other enclosures of the room or circuit are as usual, of how many.
    Neighbours { as_usual: u16, of: u16 },
    /// Silence: last heard, and the probe's usual interval.
    Silent {
        place: Option<Place>,
        quantity: Option<Quantity>,
        last: Option<Wall>,
        usual: Option<Span>,
        value: Option<f64>,
    },
    /// The same value for a long time.
    Repeated { place: Place, quantity: Quantity, value: f64, for_: Span },
    /// A value that a broken sensor sends, or that no enclosure can have.
    Impossible { place: Option<Place>, quantity: Quantity, value: f64 },
    /// Light planned against light seen.
    Light { planned_on: bool, seen_on: bool, since: Wall },
    /// The light is this much late (negative: early).
    LightShift { by: Span },
    /// The threshold between dark and light that was learned, lx.
    LightThreshold { lx: f64 },
    /// Dew points of two places, °C: the same air has the same dew point.
    DewPoints { here: f64, there: f64 },
    /// How long the fault was in force.
    Lasted { span: Span },
    /// Something that is said once and needs no number, in the judge's plain English.
    Plain { text: String },
}
