//! A dial that is turned: until the new level is reached it moves the warm end exactly as dead heat or endless heat does.
//!
//! No course tells the two apart: only how far it goes, how long, at which hour, and what it leads to. So, while people are up,
//! heat that has a dial must move further or longer than dials make it, unless it is clearly out of what is wanted: that is
//! told, whoever did it.

use super::picture::{Picture, Side};

/// Further than most dials are turned by, K, and longer than a new level takes, min. Down: what is lost by waiting is an animal's
/// warmth for some minutes more, and a fall is what is found late without this rule already.
const DOWN: Turned = Turned { k: 2.5, min: 45.0 };
const UP: Turned = Turned { k: 3.0, min: 40.0 };
/// The same beside a plug that has shown for longer than ever that there is no power, or nothing but power, and as far where the
/// level is clearly out of what is wanted: that much is known already.
const KNOWN: Turned = Turned { k: 2.0, min: 15.0 };
/// People are up, minutes of the local day.
const AWAKE: std::ops::Range<u16> = 420..1_380;

struct Turned {
    k: f64,
    min: f64,
}

/// Whether the fall may be a dial that was turned down.
pub fn turned_down(p: &Picture) -> bool {
    lower(p, &DOWN) && !p.low.past_for(DOWN.min)
}

/// Whether the rise may be a dial that was turned up.
pub fn turned_up(p: &Picture) -> bool {
    higher(p, &UP) && !p.high.past_for(UP.min)
}

pub fn turned_down_at_plug(p: &Picture) -> bool {
    lower(p, &KNOWN) && !p.low.past_for(KNOWN.min)
}

pub fn turned_up_at_plug(p: &Picture) -> bool {
    higher(p, &KNOWN) && !p.high.past_for(KNOWN.min)
}

/// The same where the level need not move any more, so that time says nothing.
pub fn held_lower(p: &Picture) -> bool {
    lower(p, &DOWN)
}

pub fn held_higher(p: &Picture) -> bool {
    higher(p, &UP)
}

/// The same of a level that is so much lower than any day had it at this hour, K.
pub fn may_be_lower(p: &Picture, lacks_k: f64) -> bool {
    p.dial && awake(p) && lacks_k < DOWN.k
}

pub fn awake(p: &Picture) -> bool {
    AWAKE.contains(&p.minute)
}

fn lower(p: &Picture, turned: &Turned) -> bool {
    may_be(p, &p.low, turned) && !(p.out_below() && p.low.undercut >= KNOWN.k)
}

fn higher(p: &Picture, turned: &Turned) -> bool {
    may_be(p, &p.high, turned) && !(p.out_above() && p.high.undercut >= KNOWN.k)
}

fn may_be(p: &Picture, side: &Side, turned: &Turned) -> bool {
    p.dial && !p.circuit_lost && awake(p) && side.undercut < turned.k
}
