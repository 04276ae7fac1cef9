//! Links that get into each other's way: one message for two places, two links for one probe; and enclosures that none reads.

use super::enclosure::Enclosures;
use super::link::{Aim, StatedLink};
use super::names::Names;
use super::tied::Tied;
use super::walk::{Table, Walk, shown};
use crate::reading::settings::{Link, What};
use crate::reading::{Slot, Target};
use crate::terms::id::EnclosureIx;
use crate::terms::place::Place;
use std::collections::BTreeSet;

/// All pairs of links; they are few (a rack is one link), and the square of a thousand is done in a moment.
pub fn check(walk: &Walk, links: &[StatedLink], enclosures: &Enclosures, rooms: &Names) {
    let words = Words { enclosures: &enclosures.names, rooms };
    for (i, later) in links.iter().enumerate() {
        for earlier in links.iter().take(i) {
            pair(walk, &words, earlier, later);
        }
    }
}

/// Enclosures that nobody reads: a fault, unless the keeper said that they are tied on the page, or has begun to.
pub fn unread(root: &Table<'_>, links: &[StatedLink], broken: &[Aim], enclosures: &Enclosures, tied: (&Tied, bool)) {
    let (tied, later) = tied;
    // Who may not see what is tied cannot say that nothing is.
    let later = later || tied.trouble.is_some();
    let walk = root.walk;
    if links.is_empty() && broken.is_empty() && tied.all.is_empty() && !later {
        let right = "add one, which `warmside listen` drafts; or `[page] tie = true`, and tie what is heard there";
        return walk.missing(&(0..0), "there is no [[link]]: nothing is read", right);
    }
    for (ix, enclosure) in enclosures.all.iter().enumerate() {
        let target = Target::Enclosure(EnclosureIx(ix as u16));
        let would = |aim: &Aim| matches!(aim, Aim::Unknown | Aim::Enclosure) || *aim == Aim::Known(target);
        let read = links.iter().any(|l| may_bring(&l.link, target)) || broken.iter().any(would);
        if read || enclosure.empty {
            continue;
        }
        let Some(span) = enclosures.spans.get(ix) else { continue };
        let id = shown(&enclosure.id);
        if later || tied.all.iter().any(|(tie, _)| tie.enclosure.as_deref() == Some(&enclosure.id)) {
            let right = "tie what is heard of it on the page, under Setup, and seal it";
            walk.doubt(span, format!("enclosure \"{id}\" is not watched yet: nothing reads it"), right);
        } else {
            let right = "add a [[link]] with its topic, `empty = true` while nobody lives in it, or `[page] tie = true` \
                         to tie it on the page";
            walk.missing(span, format!("nothing reads enclosure \"{id}\""), right);
        }
    }
}

/// Whether a link may bring readings of this target.
pub fn may_bring(link: &Link, target: Target) -> bool {
    match (link.target, target) {
        (Some(own), target) => own == target,
        (None, Target::Enclosure(_)) => captures(link, "enclosure"),
        (None, Target::Room(_)) => captures(link, "room"),
    }
}

fn captures(link: &Link, name: &str) -> bool {
    link.topic.split('/').any(|level| capture(level) == Some(name))
}

fn capture(level: &str) -> Option<&str> {
    level.strip_prefix('{').and_then(|l| l.strip_suffix('}'))
}

pub fn pair(walk: &Walk, words: &Words<'_>, earlier: &StatedLink, later: &StatedLink) {
    let (a, b) = (&earlier.link, &later.link);
    let meet = words.meet(a, b);
    let same_probe = |x: What, y: What| match (x, y) {
        (What::Slot(Slot::Battery), _) | (_, What::Slot(Slot::Battery)) => false,
        (What::Slot(x), What::Slot(y)) => x == y,
        (What::AtPlaceOfTopic(x), What::AtPlaceOfTopic(y)) => x == y,
        (What::Slot(x), What::AtPlaceOfTopic(y)) | (What::AtPlaceOfTopic(y), What::Slot(x)) => {
            x.place().is_some() && x.quantity() == y
        }
    };
    let both_fixed = a.target.is_some() && a.target == b.target;
    for (x, x_span) in a.reads.iter().zip(&earlier.reads) {
        for (y, y_span) in b.reads.iter().zip(&later.reads) {
            let fixed = |w: What| matches!(w, What::Slot(_));
            if both_fixed && fixed(x.what) && fixed(y.what) && same_probe(x.what, y.what) {
                let right = "a probe has one link: take one of the two out";
                walk.fault_beside(y_span, "two links read the same probe", right, x_span, "the first");
                return;
            }
            if meet && x.pointer == y.pointer && a.shape.pick == b.shape.pick {
                let right = "one number belongs to one place: take one of the two out";
                walk.fault_beside(&later.topic, "this topic fits two links", right, &earlier.topic, "the other");
                return;
            }
        }
    }
}

/// Which words a capture can take.
pub struct Words<'w> {
    pub enclosures: &'w Names,
    pub rooms: &'w Names,
}

impl Words<'_> {
    /// Whether some topic fits both links.
    fn meet(&self, a: &Link, b: &Link) -> bool {
        let (x, y): (Vec<&str>, Vec<&str>) = (a.topic.split('/').collect(), b.topic.split('/').collect());
        x.len() == y.len() && x.iter().zip(&y).all(|(x, y)| self.levels_meet((x, a), (y, b)))
    }

    fn levels_meet(&self, (x, a): (&str, &Link), (y, b): (&str, &Link)) -> bool {
        match (capture(x), capture(y)) {
            (None, None) => x == y,
            (Some(name), None) => self.of(name, a).is_none_or(|w| w.contains(y)),
            (None, Some(name)) => self.of(name, b).is_none_or(|w| w.contains(x)),
            (Some(one), Some(other)) => match (self.of(one, a), self.of(other, b)) {
                (Some(w), Some(v)) => w.intersection(&v).next().is_some(),
                _ => true,
            },
        }
    }

    /// `None`: any word.
    fn of<'l>(&'l self, name: &str, link: &'l Link) -> Option<BTreeSet<&'l str>> {
        let own: Vec<&str> = match name {
            "enclosure" => self.enclosures.ids().collect(),
            "room" => self.rooms.ids().collect(),
            "place" => Place::ALL.map(Place::word).to_vec(),
            _ => return None,
        };
        let renamed = link.names.iter().filter(|(_, ours)| own.contains(&ours.as_str())).map(|(word, _)| word.as_str());
        Some(own.iter().copied().chain(renamed).collect())
    }
}
