//! Where one number that was heard may belong: an offer to a keeper, who decides. Names say it, values must not contradict.

use super::Topic;
use super::draft::Names;
use super::field::Field;
use super::guess::{BOTH, Guess, guess};
use super::lines::belongs;
use crate::terms::quantity::{Quantity, Unit};

/// What a number seems to be, and of whom.
#[derive(Clone, Debug, PartialEq)]
pub struct Offer {
    pub guess: Guess,
    /// What Warmside reads of that kind, and in which unit where its name or its values leave no choice.
    pub quantity: Option<(Quantity, Option<Unit>)>,
    /// An enclosure's or room's id that stands in the topic.
    pub whose: Option<String>,
    /// `warm_side.temperature`, where its names say so.
    pub reads: Option<String>,
}

/// What the number under a pointer of a topic may be.
pub fn offer(topic: &str, pointer: &str, field: &Field, of: &Topic, names: &Names) -> Offer {
    let guess = guess(topic, pointer, field, of);
    let open = guess.doubt.as_deref().is_some_and(|doubt| doubt.ends_with(BOTH));
    let quantity = guess.seems.quantity().map(|(quantity, unit)| (quantity, (!open).then_some(unit)));
    let word = |word: &&str| {
        let named =
            |ids: &std::collections::BTreeSet<String>| ids.iter().find(|id| id.eq_ignore_ascii_case(word)).cloned();
        named(&names.enclosures).or_else(|| named(&names.rooms))
    };
    let whose = topic.split('/').find_map(|level| word(&level));
    let room = whose.as_ref().is_some_and(|id| !names.enclosures.contains(id));
    let reads = quantity.and_then(|(quantity, _)| belongs(topic, pointer, (quantity, room)).ok());
    Offer { guess, quantity, whose, reads }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::survey::Survey;
    use crate::terms::time::{Span, Wall};

    fn check(topic: &str, values: [f64; 3], want: (Option<&str>, Option<&str>, Option<Option<Unit>>)) {
        let mut survey = Survey::default();
        for i in 0..12 {
            let at = Wall::from_ms(1_767_600_000_000) + Span::s(30 * i);
            survey.hear(topic, values[i as usize % 3].to_string().as_bytes(), false, at);
        }
        let names = Names {
            enclosures: ["c8".to_owned()].into_iter().collect(),
            rooms: ["back".to_owned()].into_iter().collect(),
        };
        let of = &survey.topics()[topic];
        let offer = offer(topic, "", &of.fields[""], of, &names);
        let unit = offer.quantity.map(|(_, unit)| unit);
        assert_eq!((offer.whose.as_deref(), offer.reads.as_deref(), unit), want, "{topic}");
    }

    #[test]
    fn names_offer_and_values_may_leave_the_unit_open() {
        let celsius = Some(Some(Unit::Celsius));
        check("lizard/C8/warm/temp", [30.1, 30.6, 31.0], (Some("c8"), Some("warm_side.temperature"), celsius));
        check("lizard/c8/k", [25.1, 25.6, 25.0], (Some("c8"), None, celsius));
        check("loose/2", [25.1, 25.6, 25.0], (None, None, celsius));
        check("x/c8/warm/temp", [52.0, 53.0, 54.0], (Some("c8"), Some("warm_side.temperature"), Some(None)));
        check("room/back/temp", [20.1, 20.6, 20.0], (Some("back"), Some("air.temperature"), celsius));
        check("c8/rssi", [-70.0, -71.0, -72.0], (Some("c8"), None, None));
    }
}
