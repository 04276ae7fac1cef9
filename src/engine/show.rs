//! The engine's [`View`] of itself: a copy, for whoever shows it.

use super::Engine;
use super::show_care::beside_heat;
use super::view::{
    CircuitView, Condition, Counts, EnclosureView, FeedView, HeatView, HumidityView, IncidentView, KeeperView,
    PlaceView, PostView, ProbeView, RoomView, UnreadView, View,
};
use crate::finding::cause::{Cause, Urgency};
use crate::heat::clue::Doubt;
use crate::heat::view::{Learned, Rhythm, State, Taught};
use crate::incident::house::scope_names;
use crate::incident::shelf::Kind;
use crate::incident::{Incident, State as IncidentState};
use crate::notice::scene::PlaceNow;
use crate::reading::Target;
use crate::reading::topics::Entry;
use crate::terms::id::{EnclosureIx, ProbeIx};
use crate::terms::quantity::{Degrees, Quantity};
use crate::terms::time::{Now, Span};

/// Topics of lost messages that a view tells.
const MOST_UNREAD: usize = 200;

impl Engine {
    /// Everything that is known, as of the last entry.
    pub fn view(&self) -> View {
        let (world, settings) = (&self.world, &self.world.settings);
        let now = world.now;
        let counts = world.links.counts();
        let mut incidents: Vec<IncidentView> = self.book.open().filter_map(|i| self.incident_view(i)).collect();
        incidents.sort_by(|a, b| {
            let by = |i: &IncidentView| (i.act_by.is_none(), i.act_by, std::cmp::Reverse(i.urgency), i.since);
            by(a).cmp(&by(b)).then_with(|| a.id.cmp(&b.id))
        });
        let all = (0..settings.enclosures.len()).filter_map(|ix| u16::try_from(ix).ok().map(EnclosureIx));
        View {
            at: now,
            site: settings.notice.site.clone(),
            time_zone: settings.notice.time_zone.clone(),
            degrees: settings.notice.degrees,
            enclosures: all.filter_map(|ix| self.enclosure_view(ix, &incidents)).collect(),
            rooms: self.room_views(),
            incidents,
            feed: self.feed_view(now),
            post: PostView {
                failing: world.edges.post_failing.clone(),
                last_accepted: world.edges.last_accepted,
                waiting: world.edges.waiting,
            },
            store_failing: world.edges.store_failing.clone(),
            probes: self.probe_views(),
            counts: Counts {
                messages: counts.messages(),
                accepted: counts.accepted,
                refused: counts.refused,
                unlinked: counts.unlinked,
            },
            keepers: settings
                .notice
                .keepers
                .iter()
                .map(|k| KeeperView { id: k.id.clone(), name: k.name.clone() })
                .collect(),
            circuits: settings
                .circuits
                .iter()
                .map(|c| CircuitView { id: c.id.clone(), name: c.name.clone() })
                .collect(),
            unread: self.unread_views(),
        }
    }

    /// The stable name of a probe: `a3/warm_side.temperature`.
    pub fn probe_name(&self, probe: ProbeIx) -> Option<String> {
        self.world.links.name(probe)
    }

    /// Messages since the start.
    pub fn counts(&self) -> crate::reading::links::Counts {
        self.world.links.counts()
    }

    fn enclosure_view(&self, ix: EnclosureIx, incidents: &[IncidentView]) -> Option<EnclosureView> {
        let own = self.world.settings.enclosures.get(ix.index())?;
        let now = self.world.now;
        let places = self.world.places_now(ix);
        let shelf = self.book.shelf(ix);
        let until = |kind: Kind| shelf.filter(|s| s.kind == kind).map(|s| now.wall + s.until.since(now.mono));
        let mine: Vec<&IncidentView> = incidents.iter().filter(|i| i.enclosures.contains(&own.id)).collect();
        let mut humid: Vec<&PlaceNow> = places.iter().filter(|p| p.quantity == Quantity::Humidity).collect();
        humid.sort_by_key(|p| p.wanted.is_none());
        Some(EnclosureView {
            id: own.id.clone(),
            animal: own.animal.clone(),
            room: own.room.and_then(|r| self.world.settings.rooms.get(r.index())).map(|r| r.id.clone()),
            circuit: own.circuit.and_then(|c| self.world.settings.circuits.get(c.index())).map(|c| c.id.clone()),
            where_: own.where_.clone(),
            what_to_do: own.what_to_do.clone(),
            empty: own.empty,
            condition: condition(shelf.map(|s| s.kind), &mine, &places),
            humidity: humid.first().map(|p| HumidityView { place: p.place, percent: p.value, wanted: p.wanted }),
            air: self.air_views(ix),
            light: self.light_view(ix),
            seasons: self.season_views(ix),
            coming: self.coming_views(ix),
            follows: self.follows_view(ix),
            heat: self.heat_view(ix),
            shelved_until: until(Kind::Shelved),
            hands_in_until: until(Kind::HandsIn),
            incidents: mine.iter().map(|i| i.id.clone()).collect(),
            places: places.iter().filter(|p| p.quantity == Quantity::Temperature).map(|p| self.place_view(p)).collect(),
        })
    }

    fn place_view(&self, p: &PlaceNow) -> PlaceView {
        let unseen = p.silent.then(|| match p.at {
            Some(at) => format!("silent or doubted since {}", self.world.clock_time(at)),
            None => "never heard".to_owned(),
        });
        PlaceView {
            place: p.place,
            celsius: p.value,
            at: p.at,
            slope_k_per_min: p.slope,
            wanted: p.wanted,
            never: p.never,
            unseen,
        }
    }

    fn heat_view(&self, ix: EnclosureIx) -> HeatView {
        let Some(den) = self.world.dens.get(ix.index()) else { return HeatView::default() };
        let learned = den.learned();
        let degrees = self.world.settings.notice.degrees;
        let state = match learned.first().map(|l| l.state) {
            _ if !den.has_heat() => "none",
            None | Some(State::Hearing) => "hearing",
            Some(State::Learning) => "learning",
            Some(State::Young) => "young",
            Some(State::Watching) => "watching",
        };
        HeatView {
            state: state.to_owned(),
            learned: learned.iter().flat_map(|l| sentences(l, degrees)).chain(beside_heat(den, degrees)).collect(),
            power_w: den.plugs().find_map(|(_, plug)| plug.power_w),
            switch_on: den.plugs().find_map(|(_, plug)| plug.told_on),
        }
    }

    fn room_views(&self) -> Vec<RoomView> {
        let with = self.world.settings.rooms.iter().zip(&self.world.rooms);
        with.map(|(room, now_there)| RoomView {
            id: room.id.clone(),
            name: room.name.clone(),
            celsius: now_there.celsius.map(|(c, _)| c),
            at: now_there.celsius.map(|(_, at)| at.wall),
        })
        .collect()
    }

    fn feed_view(&self, now: Now) -> FeedView {
        let feed = &self.world.feed;
        let day_ago = now.wall - Span::days(1);
        FeedView {
            connected: feed.connected(),
            since: feed.since().map(|n| n.wall),
            newest: feed.newest().map(|n| n.wall),
            gaps: feed.gaps().iter().filter(|g| g.from + g.length > day_ago).map(|g| (g.from, g.length)).collect(),
            per_minute: self.world.pulse.per_minute(now.mono),
        }
    }

    fn incident_view(&self, incident: &Incident) -> Option<IncidentView> {
        let house = self.book.house();
        let (told, next) = (self.desk.told(&incident.id), self.desk.next(&self.book, &incident.id));
        let (room, circuit) = scope_names(incident, house);
        let cause = incident.cause()?;
        let state = match incident.state() {
            IncidentState::Gathering | IncidentState::Unacknowledged => "unacknowledged",
            IncidentState::Acknowledged => "acknowledged",
            IncidentState::ReturnedUnacknowledged | IncidentState::ReturnedAcknowledged => "returned-unacknowledged",
            IncidentState::Latched => "latched",
            IncidentState::Normal => "normal",
        };
        Some(IncidentView {
            id: incident.id.clone(),
            cause,
            urgency: incident.urgency(),
            place: incident.place(),
            enclosures: incident.enclosures(house).into_iter().map(|ix| house.id(ix).to_owned()).collect(),
            room: room.map(str::to_owned),
            circuit: circuit.map(str::to_owned),
            since: incident.since().wall,
            act_by: incident.act_by(),
            what: self.in_one_sentence(incident, cause),
            facts: incident.leading().map(|f| f.facts.clone()).unwrap_or_default(),
            answered: incident.answered.as_ref().map(|a| (a.by.clone(), a.at.wall)),
            told,
            next,
            state: state.to_owned(),
            latched: incident.latched,
        })
    }

    fn in_one_sentence(&self, incident: &Incident, cause: Cause) -> String {
        let local =
            crate::notice::local::Local::new(&self.world.settings.notice.time_zone, self.world.settings.notice.degrees);
        let fact = incident.leading().and_then(|f| f.facts.first());
        let seen = fact.map(|f| crate::notice::words::facts::sentence(f, &local, self.world.now.wall));
        let seen = seen.unwrap_or_default();
        let means = crate::notice::words::facts::capital(crate::notice::words::cause_name(cause));
        if seen.is_empty() { format!("{means}.") } else { format!("{} {means}.", sentence_end(&seen)) }
    }

    fn unread_views(&self) -> Vec<UnreadView> {
        let view = |entry: &Entry| {
            Some(UnreadView {
                topic: entry.topic.to_string(),
                payload: entry.payload(),
                at: entry.last?,
                times: entry.unlinked + entry.refused,
                refused: refusal(entry),
            })
        };
        self.world.links.unread(MOST_UNREAD).into_iter().filter_map(view).collect()
    }

    fn probe_views(&self) -> Vec<ProbeView> {
        let settings = &self.world.settings;
        let known = self.world.links.probes().iter().enumerate();
        let views = known.filter_map(|(ix, probe)| {
            let probe_ix = ProbeIx(u32::try_from(ix).ok()?);
            let name = self.world.links.name(probe_ix)?;
            let (trust, tally) = (self.world.trust.probe(probe_ix), self.world.tallies.get(ix));
            let doubt = match trust {
                None => Some("never heard".to_owned()),
                Some(trust) => trust.standing().first().map(|(fault, _)| fault.words()),
            };
            let (enclosure, room) = match probe.target {
                Target::Enclosure(ix) => (settings.enclosures.get(ix.index()).map(|e| e.id.clone()), None),
                Target::Room(ix) => (None, settings.rooms.get(ix.index()).map(|r| r.id.clone())),
            };
            Some(ProbeView {
                name,
                enclosure,
                room,
                place: probe.slot.place(),
                quantity: probe.slot.quantity(),
                topic: probe.topic.as_deref().unwrap_or_default().to_owned(),
                pointer: settings.links.get(probe.link.index()).and_then(|link| link.pointer_of(probe.slot)),
                offset_k: probe.offset_k,
                payload: probe.topic.as_deref().and_then(|t| self.world.links.topic(t)).map(Entry::payload),
                last: trust.and_then(|t| t.last_value()),
                last_at: trust.and_then(|t| t.last_heard()).map(|at| at.wall),
                usual_interval: trust.and_then(|t| t.usual()).or(probe.every),
                accepted: tally.map_or(0, |t| t.accepted),
                doubted: tally.map_or(0, |t| t.doubted),
                doubt,
            })
        });
        views.collect()
    }
}

/// Why a topic that a link seems to want is read by none.
fn refusal(entry: &Entry) -> Option<String> {
    let stranger = || entry.stranger.as_ref().map(|word| format!("\"{word}\" is no name of yours"));
    entry.last_refusal.filter(|_| entry.linked).map(|(why, _)| why.words().to_owned()).or_else(stranger)
}

/// With its full stop, once.
fn sentence_end(text: &str) -> String {
    let text = text.trim_end();
    if text.ends_with(['.', '!', '?', ':']) { text.to_owned() } else { format!("{text}.") }
}

/// The one word of an enclosure's state: what is worst, but what suppresses alarms first, for silence must be visible.
fn condition(shelf: Option<Kind>, incidents: &[&IncidentView], places: &[PlaceNow]) -> Condition {
    match shelf {
        Some(Kind::Shelved) => return Condition::Shelved,
        Some(Kind::HandsIn) => return Condition::HandsIn,
        None => {}
    }
    let told = |i: &&&IncidentView| i.urgency > Urgency::Note && i.state != "returned-unacknowledged";
    let worst = incidents.iter().filter(told).map(|i| by_cause(i.cause)).max_by_key(|c| match c {
        Condition::TooHot => 4,
        Condition::TooCold => 3,
        Condition::NotWatched => 2,
        _ => 1,
    });
    let blind = places.iter().any(|p| p.silent && p.wanted.is_some());
    match worst {
        Some(worst) => worst,
        None if blind || places.is_empty() => Condition::NotWatched,
        None => Condition::InBand,
    }
}

fn by_cause(cause: Cause) -> Condition {
    match cause {
        Cause::HeatStuckOn | Cause::OutsideHeat | Cause::RoomHot | Cause::NoRetreat | Cause::TooHot => {
            Condition::TooHot
        }
        Cause::PowerLost
        | Cause::HeatFailed
        | Cause::HeatWeak
        | Cause::LeftOpen
        | Cause::RoomCold
        | Cause::TooCold
        | Cause::GradientLost => Condition::TooCold,
        cause if cause.blinds() => Condition::NotWatched,
        _ => Condition::Differs,
    }
}

/// What was learned of a warm place, in sentences that a keeper can check.
fn sentences(l: &Learned, degrees: Degrees) -> Vec<String> {
    let temp = |c: f64| format!("{:.1} {}", degrees.show(c), degrees.letter());
    let diff = |k: f64| format!("{:.2} {}", degrees.show_difference(k), degrees.letter());
    let place = l.place.label();
    let mut said = vec![format!(
        "{place}: {} readings in {}, one every {}, noise {}; this hour known from {} days",
        l.readings,
        l.learned_for,
        l.interval,
        diff(l.noise_k),
        l.days_at_this_hour
    )];
    match (l.rhythm, l.crest, l.trough) {
        (Rhythm::Cycling, Some(crest), Some(trough)) => {
            said.push(format!("its heat comes and goes between {} and {}", temp(trough), temp(crest)));
        }
        (Rhythm::Steady, ..) => said.push("its heat is held or drifts: no cycles are seen".to_owned()),
        _ => said.push("its rhythm is not known yet".to_owned()),
    }
    if let (Some(fall), Some(rise)) = (l.fall_k_per_min, l.rise_k_per_min) {
        said.push(format!(
            "without heat it falls {} a minute, with heat it rises {}",
            diff(fall.abs()),
            diff(rise.abs())
        ));
    }
    if let Some(tau) = l.tau {
        said.push(format!("its time constant is about {tau}"));
    }
    if let (Some(below), Some(level)) = (l.alarm_below, l.level) {
        said.push(format!("now {}; below {} counts as lost heat", temp(level), temp(below)));
    }
    if let Some(above) = l.alarm_above {
        said.push(format!("above {} counts as heat without end", temp(above)));
    }
    if let Some(gradient) = l.gradient_usual_k {
        said.push(format!("usually {} warmer than the cool side", diff(gradient)));
    }
    if let Some(plug) = &l.plug {
        said.extend(of_plug(plug, temp));
    }
    if !l.weakness_visible {
        said.push("a heater that weakens would not show here: only its watts could tell".to_owned());
    }
    said
}

/// What its plug or relay taught.
fn of_plug(plug: &Taught, temp: impl Fn(f64) -> String) -> Vec<String> {
    let mut said = Vec::new();
    match plug.doubt {
        Some(Doubt::NoPower) => said.push("its plug never showed any power: it is not used".to_owned()),
        Some(Doubt::DoesNotFollow) => {
            said.push("the warmth comes and goes, its plug's power does not: the plug is not used".to_owned());
        }
        Some(Doubt::NotAsStated) => {
            said.push("its plug's power is far from the watts that are stated: the plug is not used".to_owned());
        }
        None => {}
    }
    if let Some(power) = plug.power_on_w {
        let idle = plug.idle_share * 100.0;
        said.push(format!("its plug draws {power:.0} W when it heats, and nothing {idle:.0} % of the time"));
    }
    if let Some(pause) = plug.long_pause_min {
        said.push(format!("{} pauses without power are known; one in ten lasted over {pause:.0} min", plug.pauses));
    }
    if let Some(called) = plug.called_by {
        said.push(format!("at this hour power has come back by {}", temp(called)));
    }
    if let Some(let_go) = plug.let_go_by {
        said.push(format!("at this hour full power has ended by {}", temp(let_go)));
    }
    if plug.relay_moves > 0 {
        said.push(format!("its relay has moved {} times", plug.relay_moves));
    }
    said
}
