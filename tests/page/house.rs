//! Invented houses for the page's tests: 24 enclosures calm or in trouble, a barn of 300, and one with hostile names.

use warmside::engine::view::{
    BandView, CircuitView, ComingView, Condition, Counts, EnclosureView, FeedView, FollowsView, HeatView, HumidityView,
    IncidentView, KeeperView, LightView, PlaceView, PostView, ProbeView, RoomView, UnreadView, View,
};
use warmside::finding::cause::{Cause, Urgency};
use warmside::finding::fact::Fact;
use warmside::terms::place::Place;
use warmside::terms::quantity::{Degrees, Quantity};
use warmside::terms::time::{Now, Span, Wall};

/// Tuesday 3 March 2026, 14:31:06 in Dublin (no summer time yet).
pub fn now() -> Wall {
    Wall::parse_rfc3339("2026-03-03T14:31:06Z").unwrap()
}

pub fn at(clock: &str) -> Wall {
    Wall::parse_rfc3339(&format!("2026-03-03T{clock}:00Z")).unwrap()
}

pub fn empty() -> View {
    View {
        at: Now::at(now().as_ms()),
        site: "Hollow Lane".to_owned(),
        time_zone: "Europe/Dublin".to_owned(),
        degrees: Degrees::C,
        enclosures: vec![],
        rooms: vec![],
        incidents: vec![],
        feed: FeedView {
            connected: true,
            since: Some(at("06:00")),
            newest: Some(now() - Span::s(6)),
            gaps: vec![],
            per_minute: (0..120u32).map(|i| if (34..37).contains(&i) { 0 } else { 230 + i * 7 % 11 }).collect(),
        },
        post: PostView { failing: None, last_accepted: Some(at("07:00")), waiting: 0 },
        store_failing: None,
        probes: vec![],
        counts: Counts { messages: 338_760, accepted: 338_412, refused: 12, unlinked: 336 },
        keepers: vec![keeper("ines", "Ines"), keeper("tom", "Tom, neighbour")],
        circuits: vec![],
        unread: vec![],
    }
}

fn keeper(id: &str, name: &str) -> KeeperView {
    KeeperView { id: id.to_owned(), name: name.to_owned() }
}

pub fn place(place: Place, celsius: f64, wanted: (f64, f64), never: (f64, f64)) -> PlaceView {
    PlaceView {
        place,
        celsius: Some(celsius),
        at: Some(now() - Span::s(6)),
        slope_k_per_min: Some(0.0),
        wanted: Some(wanted),
        never: Some(never),
        unseen: None,
    }
}

fn snake(id: &str, animal: &str, off: f64) -> EnclosureView {
    let places = vec![
        place(Place::WarmSide, 31.0 + off, (30.0, 32.0), (25.0, 36.0)),
        place(Place::Hide, 28.6 + off * 0.7, (27.0, 30.0), (23.0, 34.0)),
        place(Place::CoolSide, 25.2 + off * 0.4, (24.0, 26.0), (18.0, 30.0)),
    ];
    enclosure(id, animal, places)
}

fn lizard(id: &str, animal: &str, off: f64) -> EnclosureView {
    let places = vec![
        place(Place::BaskingSpot, 38.0 + off, (36.0, 40.0), (20.0, 46.0)),
        place(Place::WarmSide, 31.5 + off * 0.7, (30.0, 33.0), (18.0, 36.0)),
        place(Place::CoolSide, 25.4 + off * 0.4, (24.0, 27.0), (18.0, 34.0)),
    ];
    enclosure(id, animal, places)
}

fn enclosure(id: &str, animal: &str, places: Vec<PlaceView>) -> EnclosureView {
    let coming = vec![coming("14:00", true, false, &places), coming("19:30", false, true, &places)];
    EnclosureView {
        id: id.to_owned(),
        animal: (!animal.is_empty()).then(|| animal.to_owned()),
        room: None,
        circuit: None,
        where_: vec![],
        what_to_do: Some("Spare emitter: drawer 2. Plug 4.\nNo spare? Backup mat on plug 11.".to_owned()),
        empty: false,
        condition: Condition::InBand,
        places,
        humidity: Some(HumidityView { place: Place::CoolSide, percent: Some(52.0), wanted: Some((40.0, 60.0)) }),
        light: LightView {
            planned_on: Some(true),
            seen_on: Some(true),
            on_at: Some(at("07:30")),
            off_at: Some(at("19:30")),
            seen: vec![(at("07:31"), None)],
            lit_above_lx: Some(165.0),
            levels: None,
            seen_by: vec!["light meter".to_owned()],
            lux: Some(412.0),
        },
        air: vec![],
        seasons: vec![],
        coming,
        follows: Some(FollowsView { within: Span::min(70), learned_from: 12 }),
        heat: HeatView {
            state: "watching".to_owned(),
            learned: vec![
                "Cools with a time constant of 59 min once the heat is off (21 coolings seen).".to_owned(),
                "The main heater is on for 38 % of the time at this hour.".to_owned(),
            ],
            power_w: Some(81.0),
            switch_on: Some(true),
        },
        shelved_until: None,
        hands_in_until: None,
        incidents: vec![],
    }
}

fn coming(from: &str, light: bool, moving: bool, places: &[PlaceView]) -> ComingView {
    let band = |p: &PlaceView| Some(BandView { place: p.place, low: Some(p.wanted?.0), high: p.wanted?.1 });
    ComingView { from: at(from), light_on: Some(light), moving, bands: places.iter().filter_map(band).collect() }
}

const NAMES: [&str; 24] = [
    "Sorrel", "Bracken", "Juno", "Fennel", "Tansy", "Marl", "Sedge", "Umber", "Clove", "Hazel", "Dune", "Pip", "Wren",
    "Rook", "Briar", "Thistle", "Basil", "Saffron", "Quill", "Ember", "Pebble", "Flint", "Sable", "Loam",
];

/// Two racks of snakes, one shelf of lizards: all in band.
pub fn calm() -> View {
    let mut view = empty();
    view.rooms = [("snake-room", "Snake room", 21.0), ("lizard-room", "Lizard room", 23.4)]
        .map(|(id, name, c)| RoomView {
            id: id.to_owned(),
            name: name.to_owned(),
            celsius: Some(c),
            at: Some(now() - Span::s(20)),
        })
        .to_vec();
    view.circuits = [("c1", "Circuit 1, hall cupboard"), ("c2", "Circuit 2, hall cupboard")]
        .map(|(id, name)| CircuitView { id: id.to_owned(), name: name.to_owned() })
        .to_vec();
    for (i, name) in NAMES.into_iter().enumerate() {
        let (rack, n) = (i / 8, i % 8);
        let id = format!("{}{}", ["a", "b", "c"][rack], n + 1);
        let off = (i * 37 % 11) as f64 / 11.0 - 0.4;
        let mut e = if rack == 2 { lizard(&id, name, off * 1.4) } else { snake(&id, name, off) };
        e.room = Some(["snake-room", "snake-room", "lizard-room"][rack].to_owned());
        e.circuit = Some(if i < 12 { "c1" } else { "c2" }.to_owned());
        e.where_ =
            [["left rack", "right rack", "wall"][rack], &format!("shelf {}", n / 2 + 1), ["left", "right"][n % 2]]
                .map(str::to_owned)
                .to_vec();
        view.enclosures.push(e);
    }
    view.probes = view.enclosures.iter().flat_map(probes_of).collect();
    view
}

fn probes_of(e: &EnclosureView) -> Vec<ProbeView> {
    let probe = |p: &PlaceView| ProbeView {
        name: format!("{} {}.temperature", e.id, p.place.word()),
        enclosure: Some(e.id.clone()),
        room: None,
        place: Some(p.place),
        quantity: Quantity::Temperature,
        topic: format!("rack/{}/{}/temperature", e.id, p.place.word()),
        pointer: None,
        offset_k: 0.0,
        payload: p.celsius.map(|c| c.to_string()),
        last: p.celsius,
        last_at: p.at,
        usual_interval: Some(Span::s(30)),
        accepted: 2_880,
        doubted: 0,
        doubt: p.unseen.clone(),
    };
    e.places.iter().map(probe).collect()
}

pub fn incident(id: &str, cause: Cause, urgency: Urgency, enclosures: &[&str]) -> IncidentView {
    IncidentView {
        id: id.to_owned(),
        cause,
        urgency,
        place: None,
        enclosures: enclosures.iter().map(|e| (*e).to_owned()).collect(),
        room: None,
        circuit: None,
        since: at("14:02"),
        act_by: None,
        what: String::new(),
        facts: vec![],
        answered: None,
        told: vec![],
        next: None,
        state: "unacknowledged".to_owned(),
        latched: false,
    }
}

fn enclosure_mut<'a>(view: &'a mut View, id: &str) -> &'a mut EnclosureView {
    view.enclosures.iter_mut().find(|e| e.id == id).unwrap()
}

/// The calm house with six things wrong.
pub fn trouble() -> View {
    let mut view = calm();
    let juno = enclosure_mut(&mut view, "a3");
    juno.condition = Condition::TooCold;
    for (place, c, slope) in [(0, 27.2, -0.1), (1, 27.2, -0.06), (2, 24.6, -0.03)] {
        juno.places[place].celsius = Some(c);
        juno.places[place].slope_k_per_min = Some(slope);
    }
    juno.heat.power_w = Some(0.0);
    juno.incidents = vec!["7Q".to_owned()];
    let flint = enclosure_mut(&mut view, "c6");
    flint.condition = Condition::TooHot;
    for (place, c) in [(0, 39.5), (1, 34.9), (2, 31.9)] {
        flint.places[place].celsius = Some(c);
    }
    let wren = enclosure_mut(&mut view, "b5");
    wren.condition = Condition::NotWatched;
    wren.places[0].unseen = Some("silent since 13:10".to_owned());
    wren.places[0].at = Some(at("13:10"));
    let thistle = enclosure_mut(&mut view, "b8");
    thistle.condition = Condition::Shelved;
    thistle.shelved_until = Some(at("16:00"));
    for (place, c) in [(0, 27.4), (1, 25.8), (2, 23.9)] {
        thistle.places[place].celsius = Some(c);
    }
    let basil = enclosure_mut(&mut view, "c1");
    basil.condition = Condition::Differs;
    basil.light.seen_on = Some(false);
    basil.light.seen = vec![(at("07:31"), Some(at("12:40")))];
    let pip = enclosure_mut(&mut view, "b4");
    pip.condition = Condition::HandsIn;
    pip.hands_in_until = Some(at("14:40"));

    let mut heat = incident("7Q", Cause::HeatFailed, Urgency::Now, &["a3"]);
    heat.place = Some(Place::WarmSide);
    heat.act_by = Some(Wall::parse_rfc3339("2026-03-03T14:57:10Z").unwrap());
    heat.what = "Heat is called for since 14:02 and none arrives: plug 4 says on and draws 0 W.".to_owned();
    heat.facts = vec![
        Fact::Watts { source: "main".to_owned(), power_w: 0.0, usual_w: Some(81.0), told_on: Some(true) },
        Fact::Moved { place: Place::WarmSide, from: 31.1, to: 27.2, over: Span::min(29) },
        Fact::Heading { place: Place::WarmSide, level: 22.4, at: at("16:00") },
        Fact::Neighbours { as_usual: 7, of: 7 },
    ];
    heat.told = vec![("ines".to_owned(), at("14:11")), ("ines".to_owned(), at("14:26"))];
    heat.next = Some(("tom".to_owned(), at("14:45")));
    let mut sun = incident("7R", Cause::OutsideHeat, Urgency::Now, &["c6"]);
    sun.place = Some(Place::CoolSide);
    sun.since = at("13:20");
    sun.act_by = Some(at("15:20"));
    sun.what = "Heat is off, yet the cool side has risen since 13:20: sun on the glass?".to_owned();
    let mut dark = incident("7S", Cause::LightMissing, Urgency::Today, &["c1"]);
    dark.since = at("12:40");
    dark.what = "Dark since 12:40, light planned until 19:30.".to_owned();
    dark.answered = Some(("ines".to_owned(), at("13:05")));
    let mut silent = incident("7T", Cause::ProbeSilent, Urgency::Today, &["b5"]);
    silent.since = at("13:10");
    silent.what = "Warm side silent since 13:10; cool side 25.1, steady.".to_owned();
    view.incidents = vec![heat, sun, dark, silent];
    view.probes = view.enclosures.iter().flat_map(probes_of).collect();
    view.unread = vec![
        unread("lizard/8/spot", "{\"t\":100.9}", None),
        unread("loose/2", "85.0", Some("no enclosure is that hot")),
    ];
    view
}

fn unread(topic: &str, payload: &str, refused: Option<&str>) -> UnreadView {
    UnreadView {
        topic: topic.to_owned(),
        payload: payload.to_owned(),
        at: now() - Span::s(12),
        times: 41,
        refused: refused.map(str::to_owned),
    }
}

/// Five of the calm house, one of them with an unnamed animal.
pub fn few() -> View {
    let mut view = calm();
    view.enclosures.truncate(5);
    view.enclosures[4].animal = None;
    view.rooms.truncate(1);
    view.circuits.truncate(1);
    view.probes.retain(|p| view.enclosures.iter().any(|e| Some(&e.id) == p.enclosure.as_ref()));
    view
}

/// The calm house behind a broker that is gone, with mails that are refused and a full disk: nobody is seen, nobody is told.
pub fn blind() -> View {
    let mut view = calm();
    view.feed.connected = false;
    view.feed.since = Some(at("14:20"));
    view.feed.newest = Some(at("14:20"));
    view.feed.per_minute.iter_mut().rev().take(11).for_each(|n| *n = 0);
    view.post.failing = Some("the server says 535 5.7.8 authentication failed".to_owned());
    view.post.waiting = 3;
    view.store_failing = Some("no space left on device".to_owned());
    for e in &mut view.enclosures {
        e.condition = Condition::NotWatched;
        for p in &mut e.places {
            (p.at, p.unseen) = (Some(at("14:20")), Some("silent since 14:20".to_owned()));
        }
    }
    let all: Vec<String> = view.enclosures.iter().map(|e| e.id.clone()).collect();
    let all: Vec<&str> = all.iter().map(String::as_str).collect();
    let mut feed = incident("9A", Cause::FeedSilent, Urgency::Now, &all);
    feed.since = at("14:20");
    feed.what = "Nothing has come from the broker since 14:20.".to_owned();
    let mut post = incident("9B", Cause::PostFailing, Urgency::Now, &[]);
    post.since = at("14:24");
    post.what = "The mail server refuses: 535 5.7.8 authentication failed. 3 mails wait.".to_owned();
    let mut store = incident("9C", Cause::StoreFailing, Urgency::Today, &[]);
    store.since = at("14:22");
    store.what = "The disk is full.".to_owned();
    view.incidents = vec![feed, post, store];
    view
}

/// Ten racks of five by six, and a shelf without power.
pub fn barn() -> View {
    let mut view = empty();
    view.site = "Long Barn".to_owned();
    view.keepers.truncate(1);
    for i in 0..300usize {
        let (rack, shelf, place) = (i / 30, i % 30 / 5, i % 5);
        let letter = ["a", "b", "c", "d", "e", "f", "g", "h", "j", "k"][rack];
        let mut e = snake(&format!("{letter}{}{}", shelf + 1, place + 1), "", (i * 53 % 17) as f64 / 17.0 - 0.5);
        e.what_to_do = None;
        e.where_ = vec![
            format!("rack {}", letter.to_uppercase()),
            format!("shelf {}", shelf + 1),
            format!("place {}", place + 1),
        ];
        view.enclosures.push(e);
    }
    for id in ["g21", "g22", "g23", "g24", "g25", "d34"] {
        let e = enclosure_mut(&mut view, id);
        e.condition = Condition::TooCold;
        for (p, k) in e.places.iter_mut().zip([2.6, 1.4, 0.9]) {
            p.celsius = p.celsius.map(|c| c - k);
        }
    }
    for id in ["k61", "k62"] {
        let e = enclosure_mut(&mut view, id);
        e.condition = Condition::NotWatched;
        e.places[0].unseen = Some("silent since 09:12".to_owned());
    }
    let moved = enclosure_mut(&mut view, "c25");
    (moved.condition, moved.shelved_until) = (Condition::Shelved, Some(at("20:00")));
    let mut power = incident("8A", Cause::PowerLost, Urgency::Now, &["g21", "g22", "g23", "g24", "g25"]);
    power.act_by = Some(at("15:00"));
    power.place = Some(Place::WarmSide);
    power.what = "Five lose heat together since 14:19: one circuit is off.".to_owned();
    power.answered = Some(("ines".to_owned(), at("14:27")));
    let mut one = incident("8B", Cause::HeatFailed, Urgency::Now, &["d34"]);
    one.act_by = Some(at("14:48"));
    one.place = Some(Place::WarmSide);
    one.what = "Heat is called for since 13:55 and none arrives.".to_owned();
    let mut silent = incident("8C", Cause::ProbeSilent, Urgency::Today, &["k61", "k62"]);
    silent.since = at("09:12");
    silent.what = "Two probes silent since 09:12, same branch.".to_owned();
    view.incidents = vec![one, power, silent];
    view
}
