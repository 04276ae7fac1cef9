//! Every link of a house, compiled: a message in, readings out, and a count of what was taken, refused or wanted by nobody.

use super::decode::{Decoder, Found};
use super::homie::{self, Devices, Said};
use super::probes::{Known, Probes};
use super::refusal::Refusal;
use super::settings::{Link, What};
use super::topic::{self, LONGEST_TOPIC, Pattern};
use super::topics::{Entry, Route, Topics};
use super::{Reading, Slot, Target};
use crate::terms::id::{EnclosureIx, LinkIx, ProbeIx, RoomIx};
use crate::terms::place::Place;
use crate::terms::time::Now;
use serde::{Deserialize, Serialize};

/// What became of one message. Each message is exactly one of the three.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Heard {
    /// At least one reading came of it, or a device described itself.
    Accepted,
    /// A link wants the topic, and nothing could be read.
    Refused(Refusal),
    /// No link wants the topic.
    Unlinked,
}

/// Messages so far: `messages = accepted + refused + unlinked`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Counts {
    pub accepted: u64,
    pub refused: u64,
    pub unlinked: u64,
}

impl Counts {
    pub fn messages(self) -> u64 {
        self.accepted + self.refused + self.unlinked
    }
}

/// A number that was expected from a probe and could not be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Spoiled {
    pub probe: ProbeIx,
    pub why: Refusal,
}

/// All links, with the topics and probes that they have met.
#[derive(Clone, Debug)]
pub struct Links {
    links: Vec<(Link, Pattern, Decoder)>,
    enclosures: Vec<String>,
    rooms: Vec<String>,
    probes: Probes,
    topics: Topics,
    counts: Counts,
    found: Found,
    spoiled: Vec<Spoiled>,
    /// Whether any link follows the Homie convention, and what its devices said of themselves.
    homie: bool,
    devices: Devices,
    /// Whose device does not speak any more (true) or does again, by the last message.
    turned: Vec<(ProbeIx, bool)>,
    /// What was amiss with the last message though a reading came of it.
    blemish: Option<Refusal>,
}

impl Links {
    /// `enclosures` and `rooms`: the keeper's ids in the order of their indices.
    pub fn new(links: &[Link], enclosures: &[String], rooms: &[String]) -> Links {
        let links: Vec<_> = links.iter().map(|l| (l.clone(), Pattern::new(&l.topic), Decoder::new(l))).collect();
        let mut probes = Probes::default();
        for (ix, (link, pattern, _)) in links.iter().enumerate() {
            let (Some(ix), Some(target)) = (link_ix(ix), link.target) else { continue };
            for (read, what) in link.reads.iter().enumerate() {
                let What::Slot(slot) = what.what else { continue };
                let topic = pattern.is_plain().then_some(link.topic.as_str());
                if topic.is_some() || slot != Slot::Battery {
                    probes.fit((target, slot), topic, read, (ix, link));
                }
            }
        }
        Links {
            homie: links.iter().any(|(link, ..)| link.shape.homie),
            devices: Devices::default(),
            turned: Vec::new(),
            links,
            enclosures: enclosures.to_vec(),
            rooms: rooms.to_vec(),
            probes,
            topics: Topics::default(),
            counts: Counts::default(),
            found: Found::default(),
            spoiled: Vec::new(),
            blemish: None,
        }
    }

    /// The MQTT subscriptions that bring every linked topic.
    pub fn filters(&self) -> Vec<String> {
        let topics = self.links.iter().flat_map(|(link, ..)| link.topics());
        topic::deduplicate(topics.map(|topic| Pattern::new(&topic).filter()).collect())
    }

    /// Takes one message; pushes what it says. See [`Links::spoiled`] for what it should have said.
    pub fn hear(&mut self, topic: &str, payload: &[u8], retained: bool, now: Now, out: &mut Vec<Reading>) -> Heard {
        self.spoiled.clear();
        self.turned.clear();
        self.blemish = None;
        if self.homie && homie::is_attribute(topic) {
            let heard = self.hear_attribute(topic, payload);
            match heard {
                Heard::Accepted => self.counts.accepted += 1,
                _ => self.counts.unlinked += 1,
            }
            return heard;
        }
        let ix = match self.topics.find(topic) {
            Some(ix) => Some(ix),
            None => self.meet(topic),
        };
        let heard = match ix.and_then(|ix| self.topics.take_routes(ix)) {
            Some(routes) if routes.is_empty() => Heard::Unlinked,
            Some(routes) => {
                let heard = self.follow(&routes, topic, payload, (retained, now), out);
                if let Some(ix) = ix {
                    self.topics.put_routes(ix, routes);
                }
                heard
            }
            // Beyond the memory for topics: found anew each time, slower and not named, but heard.
            None if topic.len() <= LONGEST_TOPIC => match self.route(topic) {
                Ok(routes) => self.follow(&routes, topic, payload, (retained, now), out),
                Err(_) => Heard::Unlinked,
            },
            None => Heard::Unlinked,
        };
        match heard {
            Heard::Accepted => self.counts.accepted += 1,
            Heard::Refused(_) => self.counts.refused += 1,
            Heard::Unlinked => self.counts.unlinked += 1,
        }
        self.topics.count(ix, payload, heard, self.blemish, now.wall);
        heard
    }

    /// What the last message should have said and did not: for `trust/`, which knows how long a probe may stammer.
    pub fn spoiled(&self) -> &[Spoiled] {
        &self.spoiled
    }

    /// Probes whose device said with the last message that it is gone (true), or there again.
    pub fn turned(&self) -> &[(ProbeIx, bool)] {
        &self.turned
    }

    /// A device speaks of itself. Only those are remembered that a link can read.
    fn hear_attribute(&mut self, topic: &str, payload: &[u8]) -> Heard {
        let of_links = |(link, ..): &(Link, Pattern, Decoder)| {
            link.shape.homie
                && homie::attributes(&link.topic).iter().any(|a| Pattern::new(a).fits(topic, &mut Vec::new()))
        };
        if !self.links.iter().any(of_links) {
            return Heard::Unlinked;
        }
        let (devices, gone) = match self.devices.hear(topic, payload) {
            Said::Nothing => return Heard::Unlinked,
            Said::Noted => return Heard::Accepted,
            Said::Gone(devices) => (devices, true),
            Said::Back(devices) => (devices, false),
        };
        for (ix, known) in self.probes.all().iter().enumerate() {
            let homie = self.links.get(known.link.index()).is_some_and(|(link, ..)| link.shape.homie);
            let of = known.topic.as_deref().and_then(|t| t.rsplitn(3, '/').nth(2)).filter(|_| homie);
            if let (Some(of), Ok(ix)) = (of, u32::try_from(ix))
                && devices.iter().any(|device| device == of)
            {
                self.turned.push((ProbeIx(ix), gone));
            }
        }
        Heard::Accepted
    }

    pub fn counts(&self) -> Counts {
        self.counts
    }

    /// All probes by their index: those of plain links from the start, those of captured names since first heard.
    pub fn probes(&self) -> &[Known] {
        self.probes.all()
    }

    /// The probe that measures a slot. `None`: no link reads it.
    pub fn probe_at(&self, target: Target, slot: Slot) -> Option<ProbeIx> {
        self.probes.at(target, slot)
    }

    /// Topics met so far with their counts, by name: for `status` and the page.
    pub fn topics(&self) -> Vec<&Entry> {
        self.topics.by_name()
    }

    /// A topic that was met, by its name.
    pub fn topic(&self, name: &str) -> Option<&Entry> {
        self.topics.find(name).and_then(|ix| self.topics.all().get(ix))
    }

    /// Topics whose last message became no reading, newest first.
    pub fn unread(&self, at_most: usize) -> Vec<&Entry> {
        let lost = |e: &&Entry| e.unlinked > 0 || e.last_refusal.is_some_and(|(_, at)| Some(at) == e.last);
        let mut lost: Vec<&Entry> = self.topics.all().iter().filter(lost).collect();
        lost.sort_by(|a, b| b.last.cmp(&a.last).then_with(|| a.topic.cmp(&b.topic)));
        lost.truncate(at_most);
        lost
    }

    /// Messages on topics beyond those that [`Links::topics`] can name.
    pub fn beyond(&self) -> u64 {
        self.topics.beyond()
    }

    /// Links on whose topics nothing came yet.
    pub fn never_heard(&self) -> Vec<LinkIx> {
        let heard: std::collections::BTreeSet<LinkIx> =
            self.probes.all().iter().filter(|p| p.last.is_some()).map(|p| p.link).collect();
        (0..self.links.len()).filter_map(link_ix).filter(|ix| !heard.contains(ix)).collect()
    }

    /// The name under which a probe's state is kept over restarts, when indices may have changed: `a3/warm_side.temperature`.
    pub fn name(&self, probe: ProbeIx) -> Option<String> {
        let known = self.probes.all().get(probe.index())?;
        let target = match known.target {
            Target::Enclosure(ix) => self.enclosures.get(ix.index())?.clone(),
            Target::Room(ix) => format!("room:{}", self.rooms.get(ix.index())?),
        };
        let quantity = known.slot.quantity().word();
        Some(match known.slot {
            Slot::At(place, _) => format!("{target}/{}.{quantity}", place.word()),
            Slot::Heat(source, _) => format!("{target}/heat.{source}.{quantity}"),
            Slot::Lamp(_) => format!("{target}/lamp.{quantity}"),
            Slot::Battery => format!("{target}/battery@{}", known.topic.as_deref().unwrap_or_default()),
        })
    }

    /// Ties a topic's probes before it is heard: after a restart, so that the silence of a probe known from before is noticed.
    pub fn recall(&mut self, topic: &str) {
        if self.topics.find(topic).is_none() {
            self.meet(topic);
        }
    }

    /// Finds out once what a new topic feeds. `None`: cannot be remembered.
    fn meet(&mut self, topic: &str) -> Option<usize> {
        if topic.len() > LONGEST_TOPIC {
            return None;
        }
        let routes = self.route(topic);
        self.topics.remember(topic, routes)
    }

    /// Every link that wants the topic, or the word in it that is none of the keeper's names.
    fn route(&mut self, topic: &str) -> Result<Vec<Route>, Option<String>> {
        let (mut routes, mut stranger) = (Vec::new(), None);
        for (ix, (link, pattern, _)) in self.links.iter().enumerate() {
            let mut captured = Vec::new();
            let (true, Some(ix)) = (pattern.fits(topic, &mut captured), link_ix(ix)) else { continue };
            let names = Names { link, captured: &captured, enclosures: &self.enclosures, rooms: &self.rooms };
            let (target, place) = match (names.target(), names.place()) {
                (Ok(target), Ok(place)) => (target, place),
                (Err(word), _) | (_, Err(word)) => {
                    stranger = Some(word.to_owned());
                    continue;
                }
            };
            let mut probes = Vec::with_capacity(link.reads.len());
            for (read, wanted) in link.reads.iter().enumerate() {
                let slot = match (wanted.what, place) {
                    (What::Slot(slot), _) => Some(slot),
                    (What::AtPlaceOfTopic(quantity), Some(place)) => Some(Slot::At(place, quantity)),
                    (What::AtPlaceOfTopic(_), None) => None,
                };
                probes.push(slot.and_then(|slot| self.probes.fit((target, slot), Some(topic), read, (ix, link))));
            }
            routes.push(Route { link: ix, probes });
        }
        if routes.is_empty() { Err(stranger) } else { Ok(routes) }
    }

    fn follow(
        &mut self,
        routes: &[Route],
        topic: &str,
        payload: &[u8],
        (retained, now): (bool, Now),
        out: &mut Vec<Reading>,
    ) -> Heard {
        let before = out.len();
        let mut first = None;
        for route in routes {
            let Some((link, _, decoder)) = self.links.get(route.link.index()) else { continue };
            if let Err(why) = decoder.decode(payload, now.wall, &mut self.found) {
                first = first.or(Some(why));
                self.spoiled.extend(route.probes.iter().flatten().map(|probe| Spoiled { probe: *probe, why }));
                continue;
            }
            if link.shape.homie
                && let Some(claim) = self.devices.claim_of(topic)
            {
                for (slot, read) in self.found.slots.iter_mut().zip(&link.reads) {
                    let said = slot.take();
                    *slot = said.map(|said| said.and_then(|v| claim.read(v, read.what.quantity(), read.unit)));
                }
            }
            let mut take = |read: usize, value: f64, measured, ours: bool| {
                let Some(wanted) = link.reads.get(read) else { return };
                let Some(probe) = route.probes.get(read).copied().flatten() else {
                    first = first.or(Some(Refusal::TooManyProbes));
                    return;
                };
                let value = if ours { value } else { wanted.unit.to_ours(value) } + wanted.offset_k;
                let Some(known) = self.probes.get_mut(probe) else { return };
                if !known.takes(topic, retained, now, (route.link, wanted.unit, wanted.offset_k)) {
                    first = first.or(Some(Refusal::OtherTopic));
                    return;
                }
                let (target, slot) = (known.target, known.slot);
                out.push(Reading { probe, target, slot, at: now, measured, value, retained });
            };
            for (read, slot) in self.found.slots.iter().enumerate() {
                match slot {
                    Some(Ok(value)) => take(read, *value, self.found.measured, false),
                    Some(Err(why)) => {
                        let probe = route.probes.get(read).copied().flatten();
                        self.spoiled.extend(probe.map(|probe| Spoiled { probe, why: *why }));
                    }
                    None => {}
                }
            }
            for (read, value, measured) in &self.found.timed {
                take(*read, *value, *measured, true);
            }
            if self.found.bad_time {
                first = first.or(Some(Refusal::BadTime));
            }
        }
        let first = self.spoiled.first().map(|s| s.why).or(first);
        if out.len() > before {
            self.blemish = first;
            return Heard::Accepted;
        }
        Heard::Refused(first.unwrap_or(Refusal::Absent))
    }
}

fn link_ix(ix: usize) -> Option<LinkIx> {
    u16::try_from(ix).ok().map(LinkIx)
}

/// The words that a topic has for the names of a link.
struct Names<'a> {
    link: &'a Link,
    captured: &'a [(&'a str, &'a str)],
    enclosures: &'a [String],
    rooms: &'a [String],
}

impl<'a> Names<'a> {
    /// The captured word in the keeper's terms.
    fn word(&self, name: &str) -> Option<&'a str> {
        let word = self.captured.iter().find(|(n, _)| *n == name)?.1;
        let ours = self.link.names.iter().find(|(theirs, _)| theirs == word);
        Some(ours.map_or(word, |(_, ours)| ours.as_str()))
    }

    fn target(&self) -> Result<Target, &'a str> {
        if let Some(target) = self.link.target {
            return Ok(target);
        }
        let index =
            |ids: &[String], word: &str| ids.iter().position(|id| id == word).and_then(|i| u16::try_from(i).ok());
        match (self.word("enclosure"), self.word("room")) {
            (Some(word), _) => index(self.enclosures, word).map(|i| Target::Enclosure(EnclosureIx(i))).ok_or(word),
            (None, Some(word)) => index(self.rooms, word).map(|i| Target::Room(RoomIx(i))).ok_or(word),
            (None, None) => Err("{enclosure}"),
        }
    }

    fn place(&self) -> Result<Option<Place>, &'a str> {
        match self.word("place") {
            None => Ok(None),
            Some(word) => Place::from_word(word).map(Some).ok_or(word),
        }
    }
}
