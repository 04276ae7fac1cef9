//! A warm probe that lies elsewhere: it went alone, or it reads what no enclosure without heat can be.

use super::low::{Suspicion, if_it_holds};
use super::picture::Picture;
use super::verdict::{Cause, Way};

/// What two cheap probes may differ by at most, K: each is right within 0.75 or so. Common practice, no source.
const COLDER_K: f64 = 1.5;
/// When a probe that went alone is said to lie elsewhere, min after its fall: it has found its level, and an animal would be warmer
/// by this share of what it lacks.
const FELL_MIN: std::ops::RangeInclusive<f64> = 12.0..=40.0;
const RECOVERS: f64 = 0.2;

/// It went alone, at once, and took the gradient with it.
pub fn gone(p: &Picture) -> Option<Suspicion> {
    let g = p.gradient?;
    let lately = FELL_MIN.contains(&p.since_hurried_fall);
    // A cold animal that lies down on a probe warms up from the first minutes on.
    let stays = p.x - p.low.min < RECOVERS * p.low.undercut;
    let share = p.low.share?;
    // Both ends at once: hands or an open front, not a probe that went alone.
    let alone = p.since_cool_dip > 20.0;
    (alone
        && stays
        && p.low.past(1.0)
        && lately
        && -p.v < 0.5 * p.fall_speed.1
        && share < 0.15
        && g.ratio() < 0.35
        && g.low.past(1.0))
    .then_some(())?;
    if_it_holds(Cause::ProbeDisplaced, Way::Course)
}

/// Clearly colder than the cool side, which stayed where it was: lost heat leaves the warm end no colder than that, whatever two
/// probes differ by.
pub fn colder(p: &Picture) -> Option<Suspicion> {
    let g = p.gradient.filter(|_| p.sees_doors)?;
    // A level that is held for an hour is no fall any more, and has no share.
    let alone = p.low.share.is_none_or(|share| share.abs() < 0.15) && p.since_cool_dip > 20.0;
    // Wet for a moment it may be as cold.
    let long = p.low.share.is_none() || p.t - p.low.peak_t > *FELL_MIN.start();
    let stays = long && p.x - p.low.min < RECOVERS * g.missing();
    let colder = g.now < -COLDER_K && g.usual > COLDER_K && !g.narrowed_from_outside();
    (colder && alone && stays).then_some(())?;
    if_it_holds(Cause::ProbeDisplaced, Way::Course)
}
