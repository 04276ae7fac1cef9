//! What of an incident is news, and when it ends or splits.

use super::house::House;
use super::{Eased, Incident, Told, Worse, enclosure_of};
use crate::finding::cause::{Cause, Urgency};
use crate::terms::time::{Mono, Now, Span};

/// A recovered circuit: glass warms at its own pace, so the last ones get this long before they count as left behind.
const LEFT_BEHIND_POWER: Span = Span::h(1);
const LEFT_BEHIND_FEED: Span = Span::min(20);

/// When the urgent part of an incident has been over for so long while a lesser one goes on (weak heat that waits for its
/// spare part), its return is news again: whoever answered for the first time knows nothing of the second.
const EASED_FOR: Span = Span::h(3);

impl Told {
    pub(super) fn take_over(&mut self, other: Told) {
        self.urgency = self.urgency.max(other.urgency);
        self.enclosures.extend(other.enclosures);
        self.nevers.extend(other.nevers);
    }
}

impl Incident {
    pub(super) fn tell(&mut self, now: Now, house: &House) {
        let before = self.told.take();
        let cause = self.cause().unwrap_or(Cause::WatcherRestarted);
        let enclosures = self.enclosures(house).into_iter().collect();
        let mut told = Told { at: now, urgency: self.urgency(), cause, enclosures, nevers: self.nevers(), eased: None };
        if let Some(before) = before {
            told.take_over(before);
        }
        self.told = Some(told);
    }

    /// Before a change is looked at: forgets what was told of findings that have long been over.
    pub(super) fn ease(&mut self, now: Now) {
        let Some(urgency) = self.standing().map(|f| f.urgency).max() else { return };
        let latch_stands = self.standing().any(|f| f.latched);
        let may_forget = self.answered.is_some() || !self.latched;
        let Some(told) = &mut self.told else { return };
        if let Some(over) = told.eased.filter(|e| may_forget && now.mono.since(e.since.mono) >= EASED_FOR) {
            (told.urgency, told.eased) = (told.urgency.min(over.urgency), None);
            self.latched &= latch_stands;
        }
        let since = told.eased.map_or(now, |e| e.since);
        let worst = told.eased.map_or(urgency, |e| e.urgency.max(urgency));
        told.eased = (urgency < told.urgency).then_some(Eased { since, urgency: worst });
    }

    /// Whether something of it is worth telling again.
    pub(super) fn news(&self) -> Option<Worse> {
        let told = self.told.as_ref()?;
        if self.urgency() > told.urgency {
            return Some(Worse::Urgency);
        }
        // The first limit to be passed is news, on either side; the repeats carry what follows it: other places of the same
        // air, other enclosures of the same room.
        let unheard = |(_, _, high): &(_, _, bool)| !told.nevers.iter().any(|(.., was_high)| was_high == high);
        if self.nevers().iter().any(unheard) {
            return Some(Worse::Never);
        }
        let named = self.shared.is_some_and(|(_, cause)| cause.is_some_and(|c| c.explains() > told.cause.explains()));
        if named {
            return Some(Worse::Named);
        }
        // Whoever answered for the others does not know of this one.
        let urgent = self.standing().filter(|f| f.urgency == Urgency::Now);
        let mut whose = urgent.filter_map(|f| enclosure_of(f.key.subject));
        whose.any(|ix| !told.enclosures.contains(&ix)).then_some(Worse::Spread)
    }

    /// When it ends, if nothing happens.
    pub(super) fn ends_at(&self) -> Option<Mono> {
        if self.drill {
            return self.answered.as_ref().map(|a| a.at.mono);
        }
        let may_end = self.due.is_none() && (!self.latched || self.answered.is_some());
        self.calm.filter(|_| may_end).map(|c| c.mono + self.dwell())
    }

    /// When the few that are left of many count as left behind.
    pub(super) fn splits_at(&self) -> Option<Mono> {
        let (_, cause) = self.shared?;
        let patience = match cause? {
            Cause::PowerLost => LEFT_BEHIND_POWER,
            Cause::FeedSilent => LEFT_BEHIND_FEED,
            _ => return None,
        };
        let left = self.standing_members();
        let whole_stands = self.standing().any(|f| enclosure_of(f.key.subject).is_none());
        if self.due.is_some() || whole_stands || left.is_empty() || 2 * left.len() >= self.members().len() {
            return None;
        }
        let last = self.findings.iter().filter(|s| !s.stands).map(|s| s.changed.mono).max()?;
        Some(last + patience)
    }
}
