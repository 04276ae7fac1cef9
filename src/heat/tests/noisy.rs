//! Heat that is lost where noise hides its course: what a plug tells all the same.

use super::steered::{lost, said_low};
use crate::heat::clue::Clue;
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
    let mut idle = picture;
    idle.gradient.as_mut().unwrap().low.habit = 0.0;
    assert_ne!(said_low(&idle).map(|(_, way)| way), Some(Way::Watts), "an hour that has no gradient has none to lose");
    picture.sees_doors = false;
    assert_ne!(said_low(&picture).map(|(_, way)| way), Some(Way::Watts), "one probe alone may lie under an animal");
}
