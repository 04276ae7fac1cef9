//! Heat that is lost where noise hides its course: what is missing for long tells, and a plug tells sooner.

use super::steered::{lost, said_low};
use crate::heat::clue::Clue;
use crate::heat::low;
use crate::heat::verdict::{Cause, Way};

#[test]
fn no_power_and_a_level_below_every_return_for_longer_than_a_cleaning_is_failed_heat() {
    let mut picture = lost();
    (picture.cycler, picture.even_fall, picture.strict_fall, picture.v) = (false, false, false, 0.01);
    picture.low.undercut = 1.5 * picture.low.threshold;
    let gradient = picture.gradient.as_mut().unwrap();
    gradient.now = 0.4 * gradient.usual;
    picture.clue = Some(Clue { none: true, ..Clue::default() });
    for (past_min, said) in [(40.0, None), (46.0, Some((Cause::HeatFailed, Way::Watts)))] {
        picture.low.past_min = Some(past_min);
        assert_eq!(said_low(&picture).filter(|(_, way)| *way == Way::Watts), said, "{past_min}");
    }
    picture.sees_doors = false;
    assert_ne!(said_low(&picture).map(|(_, way)| way), Some(Way::Watts), "one probe alone may lie under an animal");
}

#[test]
fn a_gradient_that_strays_in_health_by_what_it_lacks_must_lack_it_for_an_hour() {
    let mut picture = lost();
    let gradient = picture.gradient.as_mut().unwrap();
    (gradient.low.lowest, gradient.now, gradient.usual) = (2.0, 0.3, 2.5);
    (picture.low.days, picture.low.lowest, picture.fall) = (3, picture.x + 3.0, 0.0);
    // Nothing but the hours tells.
    (picture.low.undercut, picture.low.past_min, picture.even_fall, picture.strict_fall) = (0.1, None, false, false);
    for (threshold, absent_min, told) in [(1.0, 20.0, true), (2.9, 20.0, false), (2.9, 61.0, true)] {
        picture.gradient.as_mut().unwrap().low.threshold = threshold;
        assert!(low::is_absent(&picture), "threshold {threshold}");
        picture.absent_min = Some(absent_min);
        let failed = said_low(&picture) == Some((Cause::HeatFailed, Way::Absent));
        assert_eq!(failed, told, "threshold {threshold}, for {absent_min} min");
    }
}
