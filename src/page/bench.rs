//! The workbench of Setup: what is heard while somebody sets up, what is tied, and which places are free. The daemon lays
//! things on it and carries out what is wished; the page only looks and wishes.

use super::Answer;
use crate::config::tied::{Columns, Fate, Tie, Tied, Words};
use crate::engine::view::{ProbeView, View};
use crate::reading::settings::{Link, Read};
use crate::reading::topic::Pattern;
use crate::survey::draft::Names;
use crate::survey::field::Field;
use crate::survey::lines::on_and_off;
use crate::survey::offer::{Offer, offer};
use crate::survey::payload::Shape;
use crate::survey::{Survey, Topic};
use crate::terms::quantity::{Quantity, Unit};
use crate::terms::time::Wall;
use std::collections::BTreeSet;
use std::sync::{Mutex, MutexGuard, PoisonError};
use tokio::sync::oneshot;

/// One number of one topic.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Number {
    pub topic: String,
    /// RFC 6901; empty: the whole payload.
    pub pointer: String,
}

impl Number {
    pub fn of(tie: &Tie) -> Number {
        Number { topic: tie.topic.clone(), pointer: tie.pointer.clone().unwrap_or_default() }
    }
}

/// Something at a place of somebody that can be tied.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Free {
    /// The id of an enclosure; of a room where `room`.
    pub whose: String,
    pub room: bool,
    /// `warm_side.temperature`, `heat.power`, …
    pub reads: String,
    /// The care wants it: until it is tied, nobody watches it.
    pub wanted: bool,
}

/// What somebody who sets up wants done.
#[derive(Clone, Debug, PartialEq)]
pub enum Wish {
    /// Hear everything for a while.
    Hear,
    Tie(Box<Tie>),
    /// Takes a tie away again, sealed or not.
    Untie(Number),
    /// Somebody takes a probe into their hand, to see whether it is this one.
    Touch(Held),
    /// Two ties are the wrong way round: the number that was `held` belongs where the other is tied, and the reverse.
    Exchange {
        held: Number,
        with: Number,
        by: String,
    },
    /// Nobody holds anything any more.
    LetGo,
    /// Everything tied to this enclosure or room is watched from now on. `untouched`: though no hand proved it.
    Seal {
        whose: String,
        untouched: bool,
    },
}

/// A wish, and where the daemon's answer goes.
#[derive(Debug)]
pub struct Wished {
    pub wish: Wish,
    pub answer: oneshot::Sender<Answer>,
}

/// A number, and where it is taken to belong: tied there on the page, or linked in the keeper's file.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Held {
    pub number: Number,
    /// The id of an enclosure or room.
    pub whose: String,
    /// `warm_side.temperature`, …
    pub reads: String,
}

impl Held {
    pub fn of(tie: &Tie) -> Held {
        Held { number: Number::of(tie), whose: tie.whose().to_owned(), reads: tie.reads.clone() }
    }

    /// What a link reads; `None`: never heard, or at no place.
    pub fn of_probe(probe: &ProbeView) -> Option<Held> {
        let whose = probe.enclosure.as_ref().or(probe.room.as_ref())?.clone();
        let number = Number { topic: probe.topic.clone(), pointer: probe.pointer.clone().unwrap_or_default() };
        let reads = format!("{}.{}", probe.place?.word(), probe.quantity.word());
        (!number.topic.is_empty()).then_some(Held { number, whose, reads })
    }

    /// Whether a hand can prove it: only warmth can be felt.
    pub fn can_be_felt(&self) -> bool {
        self.reads.ends_with(".temperature")
    }
}

/// A hand on a probe.
#[derive(Clone, Debug)]
pub struct Touch {
    /// What is to be proved.
    pub held: Held,
    pub since: Wall,
    /// What was heard since.
    pub survey: Survey,
    /// The number that must be the one in the hand, and how far it rose.
    pub found: Option<(Number, f64)>,
}

/// Everything on the bench.
#[derive(Clone, Debug, Default)]
pub struct Laid {
    pub survey: Survey,
    pub since: Option<Wall>,
    /// Everything is heard until then; `None`: only what links read.
    pub until: Option<Wall>,
    /// Why not everything is heard.
    pub trouble: Option<String>,
    pub touch: Option<Touch>,
    pub tied: Tied,
    /// Links of the keeper's file and of sealed ties.
    pub links: Vec<Link>,
    pub free: Vec<Free>,
    pub names: Names,
}

#[derive(Debug, Default)]
pub struct Bench(Mutex<Laid>);

impl Bench {
    /// What lies there, to be changed. Held for moments only: whoever hears waits meanwhile, and so may the watch.
    pub fn look(&self) -> MutexGuard<'_, Laid> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What lies there now, to be looked at for as long as that takes: nobody waits.
    pub fn copy(&self) -> Laid {
        self.look().clone()
    }
}

impl Laid {
    /// One message of any topic. Returns the number that was found in somebody's hand, once.
    pub fn hear(&mut self, topic: &str, payload: &[u8], retained: bool, at: Wall) -> Option<Number> {
        self.survey.hear(topic, payload, retained, at);
        // A retained message tells what was, and a hand warms what is.
        let touch = self.touch.as_mut().filter(|t| t.found.is_none() && !retained)?;
        touch.survey.hear(topic, payload, retained, at);
        // All that was heard is compared only where this may be the one.
        touch.survey.topics().get(topic).filter(|of| of.rose())?;
        let warmed = touch.survey.warmed().filter(|warmed| warmed.stands_out())?;
        let number = Number { topic: warmed.topic.to_owned(), pointer: warmed.pointer.to_owned() };
        touch.found = Some((number.clone(), warmed.rise));
        Some(number)
    }

    pub fn tie_of(&self, number: &Number) -> Option<&(Tie, Fate)> {
        self.tied.all.iter().find(|(tie, _)| tie.is_of(&number.topic, &number.pointer))
    }

    /// Where a number belongs by a tie, or else by a link.
    pub fn belongs(&self, number: &Number, view: &View) -> Option<Held> {
        let tied = self.tie_of(number).map(|(tie, _)| Held::of(tie));
        tied.or_else(|| view.probes.iter().filter_map(Held::of_probe).find(|held| held.number == *number))
    }

    /// The places that nothing is tied to yet.
    pub fn free(&self) -> impl Iterator<Item = &Free> {
        self.free.iter().filter(|free| {
            !self.tied.all.iter().any(|(tie, fate)| {
                !matches!(fate, Fate::Idle(_)) && tie.whose() == free.whose && tie.reads == free.reads
            })
        })
    }

    /// Numbers that nobody reads and that could be tied, likely ones first; and how many numbers are nothing to tie.
    pub fn waiting(&self) -> (Vec<(Number, &Topic, &Field, Offer)>, usize) {
        let patterns: Vec<(Pattern, &Link)> = self.links.iter().map(|l| (Pattern::new(&l.topic), l)).collect();
        let tied: BTreeSet<Number> = self.tied.all.iter().map(|(tie, _)| Number::of(tie)).collect();
        let (mut waiting, mut aside) = (Vec::new(), 0);
        for (topic, of) in self.survey.topics() {
            let reading: Vec<&Link> =
                patterns.iter().filter(|(p, _)| p.fits(topic, &mut Vec::new())).map(|(_, l)| *l).collect();
            for (pointer, field) in &of.fields {
                let number = Number { topic: topic.clone(), pointer: pointer.clone() };
                if tied.contains(&number) || reading.iter().any(|link| reads(link, pointer)) {
                    continue;
                }
                let offer = offer(topic, pointer, field, of, &self.names);
                match offer.quantity {
                    Some(_) => waiting.push((number, &**of, field, offer)),
                    None => aside += 1,
                }
            }
        }
        waiting.sort_by_key(|(.., offer)| (offer.whose.is_none(), offer.reads.is_none()));
        (waiting, aside)
    }

    /// A tie of a number that was heard. `unit`: said by the keeper; `None`: as its name and values say.
    pub fn tie(&self, number: &Number, to: &Free, unit: Option<Unit>, by: &str, at: Wall) -> Result<Tie, String> {
        let of = self.survey.topics().get(&number.topic).ok_or("That topic was not heard lately.")?;
        let field = of.fields.get(&number.pointer).ok_or("That number was not heard lately.")?;
        let quantity = to.reads.rsplit('.').next().and_then(Quantity::from_word).ok_or("That is no place.")?;
        let seems = offer(&number.topic, &number.pointer, field, of, &self.names).quantity;
        let its_own = seems.filter(|(seems, _)| *seems == quantity).and_then(|(_, unit)| unit);
        let only = match quantity.units() {
            [only] => Some(*only),
            _ => None,
        };
        let unit = unit.or(only).or(its_own).ok_or("Say in which unit it is.")?;
        let (enclosure, room) = if to.room { (None, Some(to.whose.clone())) } else { (Some(to.whose.clone()), None) };
        let mut tie = Tie {
            topic: number.topic.clone(),
            pointer: (!number.pointer.is_empty()).then(|| number.pointer.clone()),
            enclosure,
            room,
            reads: to.reads.clone(),
            unit: (unit != Unit::One).then(|| unit.code().to_owned()),
            by: by.to_owned(),
            tied: at.rfc3339(),
            ..Tie::default()
        };
        pin(&mut tie, of, field)?;
        Ok(tie)
    }
}

/// Whether a link reads the number under a pointer. By `pick` or a pack nobody but the link itself can tell: then all.
fn reads(link: &Link, pointer: &str) -> bool {
    let own = |read: &Read| read.pointer.as_deref().unwrap_or_default() == pointer;
    link.shape.senml || link.shape.pick.is_some() || link.reads.iter().any(own)
}

/// Pins how the payload is written, as it was heard.
fn pin(tie: &mut Tie, of: &Topic, field: &Field) -> Result<(), String> {
    match &of.shape {
        Shape::Text { comma, suffix } => {
            tie.decimal = comma.then(|| ",".to_owned());
            tie.suffix = Some(suffix.clone()).filter(|suffix| !suffix.is_empty());
        }
        Shape::Columns { separator, count } => {
            tie.columns = Some(Columns { separator: separator.to_string(), count: *count });
        }
        Shape::Bare | Shape::Json | Shape::Word => {}
    }
    if field.text_numbers > 0 {
        if field.text_numbers < field.numbers {
            return Err("It comes as a number and as text: see to its sender first.".to_owned());
        }
        tie.text_number = Some(true);
    }
    if field.is_words() {
        let (on, off) = on_and_off(&field.words).ok_or("Which of its words means on? Write a link into your file.")?;
        tie.words = Some(Words { on, off });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::terms::time::Span;
    use std::sync::Arc;

    const AT: Wall = Wall::from_ms(1_767_600_000_000);

    fn names() -> Names {
        Names { enclosures: ["c8".to_owned()].into_iter().collect(), rooms: BTreeSet::new() }
    }

    fn heard() -> Laid {
        let mut laid = Laid { names: names(), ..Laid::default() };
        for i in 0..10 {
            let at = AT + Span::s(30 * i);
            let wave = (i % 3) as f64 / 10.0;
            laid.hear("lizard/c8/warm/temp", format!("{:.1}", 31.0 + wave).as_bytes(), false, at);
            laid.hear("lizard/c8/env", format!(r#"{{"t":"{:.1}","rssi":-7{i}}}"#, 25.0 + wave).as_bytes(), false, at);
            laid.hear("loose/2", format!("{:.1} °C", 24.0 + wave).replace('.', ",").as_bytes(), false, at);
        }
        laid
    }

    fn place(reads: &str) -> Free {
        Free { whose: "c8".into(), room: false, reads: reads.into(), wanted: true }
    }

    fn number(topic: &str, pointer: &str) -> Number {
        Number { topic: topic.into(), pointer: pointer.into() }
    }

    #[test]
    fn a_copy_stands_still_and_shares_what_it_shows() {
        let bench = Bench::default();
        *bench.look() = heard();
        let copy = bench.copy();
        bench.look().hear("loose/2", "30,0 °C".as_bytes(), false, AT + Span::h(1));
        let topic = |laid: &Laid, name: &str| laid.survey.topics()[name].clone();
        let now = bench.copy();
        assert_eq!((topic(&copy, "loose/2").messages, topic(&now, "loose/2").messages), (10, 11));
        assert!(Arc::ptr_eq(&topic(&copy, "lizard/c8/env"), &topic(&now, "lizard/c8/env")), "no number is copied");
    }

    #[test]
    fn what_is_heard_waits_until_it_is_tied_or_linked() {
        let mut laid = heard();
        let waiting = |laid: &Laid| laid.waiting().0.into_iter().map(|(n, ..)| n.topic).collect::<Vec<_>>();
        assert_eq!(waiting(&laid), ["lizard/c8/warm/temp", "lizard/c8/env", "loose/2"]);
        assert_eq!(laid.waiting().1, 1, "the signal's strength is nothing to tie");
        laid.free = vec![place("warm_side.temperature"), place("cool_side.temperature")];
        let tie = laid.tie(&number("lizard/c8/warm/temp", ""), &laid.free[0], None, "ines", AT).unwrap();
        assert_eq!((tie.unit.as_deref(), tie.pointer.as_deref()), (Some("Cel"), None));
        laid.tied.all.push((tie, Fate::Waits));
        assert_eq!(waiting(&laid), ["lizard/c8/env", "loose/2"]);
        assert_eq!(laid.free().count(), 1);
    }

    #[test]
    fn payloads_are_pinned_as_they_were_heard() {
        let laid = heard();
        let text = laid.tie(&number("lizard/c8/env", "/t"), &place("cool_side.temperature"), None, "x", AT).unwrap();
        assert_eq!((text.text_number, text.pointer.as_deref()), (Some(true), Some("/t")));
        let comma = laid.tie(&number("loose/2", ""), &place("hide.temperature"), None, "x", AT).unwrap();
        assert_eq!((comma.decimal.as_deref(), comma.suffix.as_deref()), (Some(","), Some("°C")));
        let humid = laid.tie(&number("loose/2", ""), &place("hide.humidity"), None, "x", AT).unwrap();
        assert_eq!(humid.unit.as_deref(), Some("%"));
        for (at, reads) in [(number("loose/3", ""), "hide.temperature"), (number("loose/2", ""), "hide.warmth")] {
            assert!(laid.tie(&at, &place(reads), None, "x", AT).is_err(), "{reads}");
        }
        let battery = laid.tie(&number("loose/2", ""), &place("battery"), None, "x", AT);
        assert_eq!(battery.unwrap_err(), "Say in which unit it is.");
    }

    #[test]
    fn a_hand_is_found_by_what_rises_alone_and_by_nothing_retained() {
        let mut laid = heard();
        let tie = laid.tie(&number("loose/2", ""), &place("hide.temperature"), None, "x", AT).unwrap();
        laid.touch = Some(Touch { held: Held::of(&tie), since: AT, survey: Survey::default(), found: None });
        let mut found = Vec::new();
        for i in 0..12 {
            let at = AT + Span::min(10) + Span::s(10 * i);
            let warm = format!("{:.1}", 31.0 + (i % 3) as f64 / 10.0);
            found.extend(laid.hear("lizard/c8/warm/temp", warm.as_bytes(), false, at));
            found.extend(laid.hear("old/temp", format!("{}", 20 + 2 * i).as_bytes(), true, at));
            found.extend(laid.hear("loose/2", format!("{:.1} °C", 24.0 + 0.3 * i as f64).as_bytes(), false, at));
        }
        assert_eq!(found, [number("loose/2", "")], "once");
        assert!(laid.touch.is_some_and(|t| t.found.is_some_and(|(_, rise)| rise >= 1.5)));
    }
}
