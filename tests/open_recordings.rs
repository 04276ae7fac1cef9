//! The open sensor recordings through decoder and trust: each labelled fault found and when, each healthy stretch in peace.
//!
//! The sets are too large for the repository. To run: `WARMSIDE_RECORDINGS=<their folder> cargo test --release --test
//! open_recordings -- --ignored --nocapture`. Each set is a folder with `recording.jsonl.gz` and `labels.json`; origin and
//! licence of each stand in its README, those of the excerpts used elsewhere in `data/payloads/README.md`.

use std::collections::BTreeMap;
use std::path::PathBuf;
use warmside::heat;
use warmside::reading::links::Links;
use warmside::reading::settings::{Link, Read, Shape, What};
use warmside::reading::{Slot, Target};
use warmside::recording;
use warmside::recording::reader::Lines;
use warmside::terms::id::EnclosureIx;
use warmside::terms::place::Place;
use warmside::terms::quantity::{Quantity, Unit};
use warmside::terms::time::{Now, Span, Wall};
use warmside::trust::watch::Watch;
use warmside::trust::{Event, Fault, Kind, Verdict};

/// A link of one topic to the warm side of an enclosure of its own: temperature, humidity, light, volts by pointer.
fn link(enclosure: u16, topic: &str, reads: &[(char, &str)]) -> Link {
    let read = |(what, pointer): &(char, &str)| {
        let at = |place, quantity| What::Slot(Slot::At(place, quantity));
        let (what, unit) = match what {
            't' => (at(Place::WarmSide, Quantity::Temperature), Unit::Celsius),
            'f' => (at(Place::WarmSide, Quantity::Temperature), Unit::Fahrenheit),
            'h' => (at(Place::WarmSide, Quantity::Humidity), Unit::Percent),
            'l' => (at(Place::Air, Quantity::Illuminance), Unit::Lux),
            _ => (What::Slot(Slot::Battery), Unit::Volt),
        };
        let pointer = (!pointer.is_empty()).then(|| (*pointer).to_owned());
        Read { what, pointer, unit, offset_k: 0.0 }
    };
    Link {
        topic: topic.to_owned(),
        target: Some(Target::Enclosure(EnclosureIx(enclosure))),
        reads: reads.iter().map(read).collect(),
        names: Vec::new(),
        time: None,
        every: None,
        shape: Shape::default(),
    }
}

fn text(link: Link) -> Link {
    Link { shape: Shape { text_number: true, ..Shape::default() }, ..link }
}

struct Told {
    at: Wall,
    topic: String,
    event: Event,
}

struct Heard {
    told: Vec<Told>,
    /// By topic: lowest and highest temperature that was trusted after a moment, here of the whole recording.
    trusted: Vec<(Wall, String, f64)>,
}

impl Heard {
    fn kinds(&self, topic: &str, from: Wall, until: Wall) -> Vec<(Kind, Span)> {
        let of = |t: &&Told| t.topic.starts_with(topic) && t.event.fault.is_some() && t.at >= from && t.at <= until;
        self.told.iter().filter(of).map(|t| (t.event.kind, t.at.since(from))).collect()
    }
    fn all(&self, topic: &str) -> Vec<Kind> {
        self.kinds(topic, Wall::MIN, Wall::MAX).into_iter().map(|(kind, _)| kind).collect()
    }
}

fn folder() -> PathBuf {
    PathBuf::from(std::env::var_os("WARMSIDE_RECORDINGS").expect("WARMSIDE_RECORDINGS names the folder of the sets"))
}

fn hear(set: &str, file: &str, links: &[Link]) -> Heard {
    let ids: Vec<String> = (0..40).map(|i| format!("e{i}")).collect();
    let mut reading = Links::new(links, &ids, &[]);
    let mut watch = Watch::new(vec![None; 40]);
    let mut lines = Lines::open(&folder().join(set).join(file)).expect("the recording");
    let mut heard = Heard { told: Vec::new(), trusted: Vec::new() };
    let (mut out, mut events) = (Vec::new(), Vec::new());
    let mut messages = 0;
    while let Some(raw) = lines.next_line().expect("a line") {
        let Ok(line) = recording::parse(raw.text.unwrap_or("")) else { continue };
        let (at, recording::What::Message { topic, payload, retained }) = (line.at, line.what) else { continue };
        messages += 1;
        let now = Now::at(at.as_ms());
        watch.fit(reading.probes(), now);
        while let Some(due) = watch.next_wake().filter(|due| *due <= now.mono) {
            watch.wake(Now::at(due.as_ms()), &mut events);
            note(&reading, &mut events, Wall::from_ms(due.as_ms()), &mut heard.told);
        }
        out.clear();
        reading.hear(&topic, &payload, retained, now, &mut out);
        watch.fit(reading.probes(), now);
        for spoiled in reading.spoiled() {
            watch.hear_refused(spoiled.probe, spoiled.why, now, &mut events);
        }
        for r in &out {
            let trusted = watch.hear(r, &mut events) == Verdict::Trusted;
            if trusted && r.slot.quantity() == Quantity::Temperature {
                heard.trusted.push((at, topic.to_string(), r.value));
            }
        }
        note(&reading, &mut events, at, &mut heard.told);
    }
    let counts = reading.counts();
    println!("{set}: {messages} messages = {counts:?}");
    assert_eq!(counts.messages(), messages);
    heard
}

fn note(reading: &Links, events: &mut Vec<Event>, at: Wall, told: &mut Vec<Told>) {
    for event in events.drain(..) {
        // A set that begins later than another one in the same file is not what these tests are about.
        if !matches!(event.fault, Some(Fault::NeverHeard { .. })) {
            let topic = reading.probes()[event.probe.index()].topic.as_deref().unwrap_or_default().to_owned();
            told.push(Told { at, topic, event });
        }
    }
}

fn labels(set: &str) -> Vec<serde_json::Value> {
    let file = std::fs::read_to_string(folder().join(set).join("labels.json")).expect("labels");
    let all: serde_json::Value = serde_json::from_str(&file).expect("JSON");
    all["faults"].as_array().cloned().unwrap_or_default()
}

fn time(label: &serde_json::Value, key: &str) -> Wall {
    label[key].as_str().and_then(Wall::parse_rfc3339).unwrap_or_else(|| panic!("{key} in {label}"))
}

/// Rooms and benches in which nothing was wrong.
fn healthy_rooms() -> [(&'static str, &'static str, Vec<Link>); 7] {
    [
        (
            "occupancy",
            "recording.jsonl.gz",
            vec![
                link(0, "office/climate", &[('t', "/temperature"), ('h', "/humidity")]),
                link(0, "office/light", &[('l', "")]),
            ],
        ),
        (
            "mqtt_telemetry",
            "recording.jsonl.gz",
            (0..2)
                .map(|i| {
                    link(
                        i,
                        ["telemetry/device-01", "telemetry/device-03"][usize::from(i)],
                        &[('t', "/data/temp"), ('h', "/data/humidity")],
                    )
                })
                .collect(),
        ),
        ("arduino_plant", "recording.jsonl.gz", vec![link(0, "plant/climate", &[('t', "/tempC"), ('h', "/hum")])]),
        (
            "sml2010",
            "recording.jsonl.gz",
            vec![
                link(0, "house/bedroom/temperature", &[('t', "")]),
                link(0, "house/bedroom/humidity", &[('h', "")]),
                link(1, "house/dining", &[('t', "/temperature"), ('h', "/humidity"), ('l', "/lux")]),
            ],
        ),
        (
            "appliances_energy",
            "recording.jsonl.gz",
            vec![
                link(0, "house/kitchen/climate", &[('t', "/temperature"), ('h', "/humidity")]),
                text(link(1, "house/laundry/climate", &[('t', "/temp"), ('h', "/hum")])),
                link(2, "house/living/temperature", &[('t', "")]),
                link(2, "house/living/humidity", &[('h', "")]),
                link(3, "house/office/climate", &[('t', "/temperature"), ('h', "/humidity")]),
            ],
        ),
        (
            "heater_step",
            "two-heaters-a.jsonl.gz",
            vec![link(0, "bench/probe-1", &[('t', "")]), link(1, "bench/probe-2", &[('t', "")])],
        ),
        (
            "node_airing",
            "recording.jsonl.gz",
            vec![
                link(0, "node/living/temperature", &[('t', "")]),
                link(0, "node/living/humidity", &[('h', "")]),
                link(1, "node/office/climate", &[('t', "/temperature"), ('h', "/humidity")]),
            ],
        ),
    ]
}

#[test]
#[ignore = "needs the open recordings"]
fn healthy_rooms_are_left_in_peace() {
    for (set, file, links) in healthy_rooms() {
        let heard = hear(set, file, &links);
        let (first, last) = (heard.trusted.first().map(|t| t.0), heard.trusted.last().map(|t| t.0));
        // The end of one topic's recording while another goes on is a true silence.
        let told: Vec<_> = heard
            .told
            .iter()
            .filter(|t| t.event.kind != Kind::Silent)
            .map(|t| (t.at.rfc3339(), &t.topic, t.event.fault))
            .collect();
        println!("   {set}: {} trusted temperatures, told {told:?}", heard.trusted.len());
        assert!(told.is_empty() && first < last, "{set}: {told:?}");
    }
}

/// Every trusted temperature of a recording, topic by topic, as the one probe of an enclosure with unsteered heat: verdicts.
fn heat_verdicts(heard: &Heard) -> Vec<(String, heat::verdict::Cause, String)> {
    let source = heat::settings::Source {
        id: "main".to_owned(),
        kind: heat::settings::Kind::CeramicEmitter,
        at: Place::WarmSide,
        watts: None,
        thermostat: None,
    };
    let settings = heat::settings::Settings { sources: vec![source] };
    let mut watches = BTreeMap::<&str, heat::Watch>::new();
    let (mut said, mut changes) = (Vec::new(), Vec::new());
    for (at, topic, celsius) in &heard.trusted {
        let minutes = at.as_ms().div_euclid(60_000);
        let context = heat::Context {
            local_minute: minutes.rem_euclid(1_440) as u16,
            day: minutes.div_euclid(1_440) as i32,
            ..heat::Context::default()
        };
        let watch = watches.entry(topic).or_insert_with(|| heat::Watch::new(&settings));
        let input = heat::Input::Level { place: Place::WarmSide, celsius: *celsius };
        watch.hear(input, Now::at(at.as_ms()), &context, &mut changes);
        for change in changes.drain(..) {
            if let heat::verdict::Change::Stands(v) = change {
                said.push((topic.clone(), v.cause, at.rfc3339()));
            }
        }
    }
    said
}

#[test]
#[ignore = "needs the open recordings"]
fn healthy_rooms_hear_nothing_of_heat() {
    for (set, file, links) in healthy_rooms() {
        let said = heat_verdicts(&hear(set, file, &links));
        println!("   {set}: heat says {said:?}");
        // One house of them cooled by eight kelvin within a day, both its rooms: one probe alone calls that heat that is missing.
        let allowed = usize::from(set == "sml2010");
        let topics: std::collections::BTreeSet<&str> = said.iter().map(|(topic, ..)| topic.as_str()).collect();
        for topic in topics {
            let n = said.iter().filter(|(t, cause, _)| t == topic && cause.is_urgent()).count();
            assert!(n <= allowed, "{set}: {said:?}");
        }
    }
}

#[test]
#[ignore = "needs the open recordings"]
fn lost_bits_are_not_trusted() {
    let heard = hear(
        "mqtt_telemetry",
        "recording.jsonl.gz",
        &[link(0, "telemetry/device-01", &[('t', "/data/temp"), ('h', "/data/humidity")])],
    );
    let glitches: Vec<(Wall, f64)> = labels("mqtt_telemetry")
        .iter()
        .filter(|l| l["field"] == "data.temp")
        .map(|l| (time(l, "at"), l["value"].as_f64().unwrap_or(0.0)))
        .collect();
    let passed = glitches
        .iter()
        .filter(|(at, value)| heard.trusted.iter().any(|(t, _, v)| t == at && (v - value).abs() < 0.05))
        .count();
    println!("   {} of {} temperature glitches were held", glitches.len() - passed, glitches.len());
    assert!(glitches.len() > 20 && passed == 0);
}

#[test]
#[ignore = "needs the open recordings"]
fn steam_is_believed() {
    let heard = hear(
        "lwsndr",
        "recording.jsonl.gz",
        &[link(0, "wsn/indoor-1/climate", &[('t', "/temperature"), ('h', "/humidity")])],
    );
    let highest = heard.trusted.iter().map(|t| t.2).fold(0.0, f64::max);
    println!("   highest trusted {highest:.1}");
    assert!(highest > 56.0 && heard.told.iter().all(|t| t.event.kind == Kind::Silent));
}

#[test]
#[ignore = "needs the open recordings"]
fn batteries_that_die_hot_are_told_before_and_not_believed_after() {
    let state = |i, mote: &str, reads: &[(char, &str)]| link(i, &format!("lab/mote-{mote}/state"), reads);
    let links = [
        state(0, "01", &[('t', "/temperature"), ('h', "/humidity"), ('b', "/voltage")]),
        state(1, "04", &[('t', "/env/t"), ('h', "/env/rh"), ('b', "/battery/voltage")]),
        text(state(2, "22", &[('t', "/temperature"), ('h', "/humidity"), ('b', "/voltage")])),
        state(3, "23", &[('t', "/temperature"), ('h', "/humidity"), ('b', "/voltage")]),
        link(4, "lab/mote-19/temperature", &[('t', "")]),
        link(4, "lab/mote-19/humidity", &[('h', "")]),
        link(4, "lab/mote-19/voltage", &[('b', "")]),
        link(5, "lab/mote-33/climate", &[('t', "/temp_c"), ('h', "/hum")]),
        link(5, "lab/mote-33/voltage", &[('b', "")]),
    ];
    let heard = hear("intel_lab", "recording.jsonl.gz", &links);
    let mut sick = BTreeMap::new();
    for label in labels("intel_lab") {
        let topic = label["topic"].as_str().unwrap_or("").trim_end_matches('#').to_owned();
        match label["kind"].as_str() {
            Some("battery_death_runaway") => {
                let leaves = time(&label, "leaves_35C_for_good");
                let warned = heard
                    .told
                    .iter()
                    .find(|t| t.topic.starts_with(&topic) && t.event.kind == Kind::Battery)
                    .map(|t| t.at);
                let doubted = heard
                    .told
                    .iter()
                    .find(|t| t.topic.starts_with(&topic) && t.event.kind == Kind::Faulty)
                    .map(|t| t.at);
                let after = heard.trusted.iter().filter(|(at, t, _)| t.starts_with(&topic) && *at > leaves);
                let believed = after.map(|(.., value)| *value).fold(0.0, f64::max);
                let before = |t: Option<Wall>| t.map(|t| leaves.since(t));
                println!(
                    "   {topic} warned {:?} before 35 °C, doubted {:?} before, highest believed after: {believed:.1}",
                    before(warned).map(|s| s.to_string()),
                    before(doubted).map(|s| s.to_string())
                );
                // 3 K beyond all that the mote read in its better days.
                assert!(warned.is_some_and(|w| w < leaves) && believed < 38.0);
                assert!(doubted.is_some_and(|d| d < leaves + Span::h(1)));
                sick.insert(topic, warned.unwrap_or(Wall::MAX));
            }
            Some("silent") if label["hours"].as_f64().is_some_and(|h| h > 12.0) => {
                let found = heard.kinds(&topic, time(&label, "from"), time(&label, "to"));
                let silence = found.iter().find(|(kind, _)| *kind == Kind::Silent).map(|(_, after)| *after);
                println!("   {topic} silent: told after {:?}", silence.map(|s| s.to_string()));
                assert!(silence.is_some_and(|after| after < Span::h(1)));
            }
            _ => {}
        }
    }
    let early: Vec<_> = heard
        .told
        .iter()
        .filter(|t| {
            t.event.kind != Kind::Silent && sick.iter().any(|(topic, at)| t.topic.starts_with(topic) && t.at < *at)
        })
        .map(|t| (t.at.rfc3339(), &t.topic, t.event.kind))
        .collect();
    assert!(sick.len() == 6 && early.is_empty(), "{early:?}");
}

#[test]
#[ignore = "needs the open recordings"]
fn injected_noise_is_found_and_clean_motes_are_left_in_peace() {
    let mut links = Vec::new();
    for mote in ["01", "19", "23"] {
        for kind in ["malfunction", "clean"] {
            let (topic, pointer) = match kind {
                "clean" => (format!("bench/mote-{mote}/clean"), "/temperature"),
                kind => (format!("bench/mote-{mote}/temperature-{kind}"), ""),
            };
            links.push(link(links.len() as u16, &topic, &[('t', pointer)]));
        }
    }
    let heard = hear("sensor_fault_bench", "recording.jsonl.gz", &links);
    let (mut found, mut of, mut small) = (0, 0, 0);
    for label in labels("sensor_fault_bench") {
        let topic = label["topic"].as_str().unwrap_or("");
        if label["kind"] != "malfunction" || !topic.contains("temperature-malfunction") {
            continue;
        }
        let (from, to) = (time(&label, "from"), time(&label, "to"));
        let told = heard.kinds(topic, from, to);
        let size = label["median_abs_change"].as_f64().unwrap_or(0.0);
        println!(
            "   {topic} {} ± {size} K: {:?}",
            from.rfc3339(),
            told.iter().map(|(k, s)| format!("{k:?} after {s}")).collect::<Vec<_>>()
        );
        if size < 0.5 {
            small += 1;
        } else {
            of += 1;
            found += usize::from(told.iter().any(|(kind, _)| matches!(kind, Kind::Noisy | Kind::Faulty)));
        }
    }
    println!("   {found} of {of} windows of 0.5 K and more found ({small} smaller ones not counted)");
    assert!(of >= 18 && found == of);
    for mote in ["01", "19", "23"] {
        assert_eq!(heard.all(&format!("bench/mote-{mote}/clean")), []);
    }
}

/// Odd motes were looked at while thresholds were chosen; of 19 and 23 only these figures were.
#[test]
#[ignore = "needs the open recordings"]
fn every_injected_fault_of_the_bench() {
    for kind in ["random", "bias", "drift", "polydrift"] {
        for mote in ["01", "19", "23"] {
            let topic = format!("bench/mote-{mote}/temperature-{kind}");
            let clean = format!("bench/mote-{mote}/clean");
            let heard = hear(
                "sensor_fault_bench",
                "recording.jsonl.gz",
                &[link(0, &topic, &[('t', "")]), link(1, &clean, &[('t', "/temperature")])],
            );
            let truth: BTreeMap<Wall, f64> =
                heard.trusted.iter().filter(|(_, t, _)| *t == clean).map(|(at, _, c)| (*at, *c)).collect();
            let off = |(at, t, value): &&(Wall, String, f64)| {
                *t == topic && truth.get(at).is_some_and(|clean| (value - clean).abs() > 5.0)
            };
            let believed = heard.trusted.iter().filter(off).count();
            let (mut windows, mut told, mut first) = (0, 0, Vec::new());
            for label in labels("sensor_fault_bench").iter().filter(|l| l["topic"] == topic.as_str()) {
                windows += 1;
                let found = heard.kinds(&topic, time(label, "from"), time(label, "to") + Span::h(1));
                told += usize::from(!found.is_empty());
                first.extend(found.first().map(|(kind, after)| format!("{kind:?} after {after}")));
            }
            println!(
                "   {topic}: told of in {told} of {windows} windows, {believed} readings believed that are 5 K off; {first:?}"
            );
            assert!(heard.all(&clean).is_empty());
            // Single wild samples are what trust is for; an offset that a lone sensor keeps cannot be told from heat.
            assert!(kind != "random" || believed * 50 <= windows * 60, "{believed}");
        }
    }
}

#[test]
#[ignore = "needs the open recordings"]
fn outages_of_an_hourly_probe_are_silences() {
    let heard = hear("nab", "recording.jsonl.gz", &[link(0, "office/ambient/temperature", &[('f', "")])]);
    for label in labels("nab").iter().filter(|l| l["kind"] == "silent") {
        let told = heard.kinds("office/ambient", time(label, "from"), time(label, "to"));
        println!("   {} h silent: told after {:?}", label["hours"], told.first().map(|(_, s)| s.to_string()));
        assert!(matches!(told[..], [(Kind::Silent, after)] if after < Span::h(4)));
    }
    assert_eq!(heard.all("office/ambient").len(), 5);
}
