//! Merges what turns out to be of one origin, and splits off who is left behind when the rest has recovered.

use super::book::Book;
use super::house::House;
use super::{Incident, Step, enclosure_of, origin};
use crate::finding::Key;
use crate::finding::cause::Cause;
use crate::terms::id::EnclosureIx;
use crate::terms::time::{Mono, Now, Span};
use std::collections::BTreeSet;

impl Book {
    /// Merges other open incidents of the same origin into this one, or this one into an older one.
    pub(super) fn gather(&mut self, at: usize, key: Key, now: Now, out: &mut Vec<Step>) -> usize {
        let Some(this) = self.incidents.get(at) else { return at };
        let id = this.id.clone();
        let mut same: Vec<String> = Vec::new();
        for other in self.open().filter(|o| o.id != id && !o.drill) {
            let whole =
                other.findings.iter().filter(|s| s.stands).all(|s| origin::joins(this, &s.finding, &self.house));
            if whole
                && other.standing().next().is_some()
                && other.leading().is_some_and(|f| origin::joins(this, f, &self.house))
            {
                let apart = other.members().is_disjoint(&this.members());
                if apart || origin::scope_of(key.subject).is_some() {
                    same.push(other.id.clone());
                }
            }
        }
        same.extend(self.powerless_together(at));
        same.push(id);
        same.sort();
        same.dedup();
        let kept = self.merge(&same, now, out);
        let kept = self.across_circuits(&kept, now, out);
        self.incidents.iter().position(|i| i.id == kept).unwrap_or(at)
    }

    /// Incidents of one circuit that together leave at least half of it without heat.
    fn powerless_together(&self, at: usize) -> Vec<String> {
        let heatless = |i: &Incident| -> Vec<(EnclosureIx, Mono)> {
            let power = i.standing().filter(|f| origin::kin(f.key.cause) == Some(origin::Kin::Power));
            power.filter_map(|f| Some((enclosure_of(f.key.subject)?, f.since.mono))).collect()
        };
        let Some(this) = self.incidents.get(at).map(heatless) else { return Vec::new() };
        let Some((ix, since)) = this.last().copied() else { return Vec::new() };
        let near = |(other, at): &(EnclosureIx, Mono)| {
            self.house.same_circuit(*other, ix) && at.since(since).as_ms().abs() <= origin::POWER_WINDOW.as_ms()
        };
        let (mut ids, mut enclosures) = (Vec::new(), BTreeSet::new());
        for other in self.open() {
            let those: Vec<_> = heatless(other).into_iter().filter(near).collect();
            if !those.is_empty() {
                ids.push(other.id.clone());
                enclosures.extend(those.into_iter().map(|(ix, _)| ix));
            }
        }
        if enclosures.len() >= 2 && origin::is_half_of_each_circuit(&enclosures, &self.house) {
            ids
        } else {
            Vec::new()
        }
    }

    /// Circuits that lost their power together: the mains.
    fn across_circuits(&mut self, id: &str, now: Now, out: &mut Vec<Step>) -> String {
        let lost = |i: &Incident, house: &House| {
            matches!(origin::shared(i, house), Some((_, Some(Cause::PowerLost)))).then(|| i.since().mono)
        };
        let Some(since) = self.get(id).and_then(|i| lost(i, &self.house)) else { return id.to_owned() };
        let near = |m: Mono| m.since(since).as_ms().abs() <= Span::min(10).as_ms();
        let together: Vec<String> =
            self.open().filter(|i| lost(i, &self.house).is_some_and(near)).map(|i| i.id.clone()).collect();
        self.merge(&together, now, out)
    }

    /// Into the one that people know, else the oldest; answers its id.
    fn merge(&mut self, ids: &[String], now: Now, out: &mut Vec<Step>) -> String {
        let open: Vec<usize> =
            (0..self.incidents.len()).filter(|i| self.incidents.get(*i).is_some_and(|i| ids.contains(&i.id))).collect();
        let known =
            |at: &usize| self.incidents.get(*at).map(|i| (i.told.is_some() && i.due.is_none(), i.told.is_some()));
        let Some(kept) = open.iter().copied().max_by_key(|at| (known(at), std::cmp::Reverse(*at))) else {
            return String::new();
        };
        let kept_id = self.incidents.get(kept).map(|i| i.id.clone()).unwrap_or_default();
        for at in open.into_iter().filter(|at| *at != kept) {
            let Some(other) = self.incidents.get_mut(at) else { continue };
            other.record(now, "warmside", format!("same origin as {kept_id}"));
            (other.ended, other.due) = (Some(now), None);
            other.merged_into = Some(kept_id.clone());
            let (id, findings, told) = (other.id.clone(), std::mem::take(&mut other.findings), other.told.clone());
            let latched = other.latched;
            self.touch(&id);
            if let Some(keep) = self.incidents.get_mut(kept) {
                keep.latched |= latched;
                keep.record(now, "warmside", format!("took over {id}"));
                keep.findings.extend(findings);
                match (&mut keep.told, told) {
                    (Some(mine), Some(theirs)) => mine.take_over(theirs),
                    (None, theirs @ Some(_)) => keep.told = theirs,
                    _ => {}
                }
            }
            out.push(Step::Merged { incident: id, into: kept_id.clone() });
        }
        kept_id
    }

    /// The rest of a circuit or feed has recovered: who is left behind has a fault of its own.
    pub(super) fn split_those_due(&mut self, now: Now, out: &mut Vec<Step>) {
        for i in 0..self.incidents.len() {
            let splits = |i: &Incident| i.is_open() && i.splits_at().is_some_and(|at| at <= now.mono);
            let Some(old) = self.incidents.get_mut(i).filter(|i| splits(i)) else { continue };
            let (left, recovered): (Vec<_>, Vec<_>) =
                std::mem::take(&mut old.findings).into_iter().partition(|s| s.stands);
            old.findings = recovered;
            old.calm = old.findings.iter().map(|s| s.changed).max_by_key(|c| c.mono);
            let (id, latched) = (old.id.clone(), left.iter().any(|s| s.finding.latched));
            let at = self.begin(now);
            if let Some(new) = self.incidents.get_mut(at) {
                new.findings = left;
                new.latched = latched;
                new.record(now, "warmside", format!("left behind when the rest of {id} recovered"));
                new.record(now, "warmside", "raised");
                new.shared = origin::shared(new, &self.house).map(|(scope, _)| (scope, None));
                new.tell(now, &self.house);
                let new_id = new.id.clone();
                if let Some(old) = self.incidents.get_mut(i) {
                    old.record(now, "warmside", format!("what is left goes on as {new_id}"));
                }
                self.touch(&new_id);
                out.push(Step::Raised { incident: new_id });
            }
            self.touch(&id);
        }
    }
}
