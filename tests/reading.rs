//! Messages through compiled links: what is read, what is refused and why, and that no bytes break anything.

use proptest::prelude::*;
use warmside::reading::links::{Heard, Links};
use warmside::reading::refusal::Refusal;
use warmside::reading::settings::{Link, Read, Shape, What};
use warmside::reading::{Reading, Slot, Target, decode, probes, topics};
use warmside::terms::id::{EnclosureIx, RoomIx};
use warmside::terms::place::Place;
use warmside::terms::quantity::{Quantity, Unit};
use warmside::terms::time::{Now, Span, Wall};

const NOW: Now = Now::at(1_767_600_000_000);

fn read(what: What, pointer: Option<&str>, unit: Unit) -> Read {
    Read { what, pointer: pointer.map(str::to_owned), unit, offset_k: 0.0 }
}

fn link(topic: &str, target: Option<Target>, reads: Vec<Read>) -> Link {
    Link { topic: topic.into(), target, reads, names: vec![], time: None, every: None, shape: Shape::default() }
}

fn at(place: Place, quantity: Quantity) -> What {
    What::Slot(Slot::At(place, quantity))
}

const WARM: What = What::Slot(Slot::At(Place::WarmSide, Quantity::Temperature));
const A1: Option<Target> = Some(Target::Enclosure(EnclosureIx(0)));

fn links(links: &[Link]) -> Links {
    Links::new(links, &["a1".into(), "a2".into()], &["back-room".into()])
}

/// One message to one link: the values, or the refusal.
fn one(link: Link, payload: &[u8]) -> Result<Vec<f64>, Heard> {
    let mut out = Vec::new();
    match links(&[link]).hear("t", payload, false, NOW, &mut out) {
        Heard::Accepted => Ok(out.iter().map(|r| r.value).collect()),
        other => Err(other),
    }
}

fn refused(why: Refusal) -> Result<Vec<f64>, Heard> {
    Err(Heard::Refused(why))
}

#[test]
fn the_links_of_the_format() {
    let mut rack = link("rack/{enclosure}/{place}/temperature", None, vec![]);
    rack.reads = vec![read(What::AtPlaceOfTopic(Quantity::Temperature), None, Unit::Celsius)];
    rack.names = vec![("w".into(), "warm_side".into()), ("c".into(), "cool_side".into())];
    let mut climate = link("climate/{enclosure}", None, vec![]);
    climate.reads = vec![
        read(WARM, Some("/warm/t"), Unit::Celsius),
        read(at(Place::CoolSide, Quantity::Humidity), Some("/cool/rh"), Unit::Percent),
    ];
    climate.time = Some("/time".into());
    let room = link(
        "room/{room}/temperature",
        None,
        vec![read(at(Place::Air, Quantity::Temperature), None, Unit::Fahrenheit)],
    );
    let mut plain =
        link("shed/probe7", A1, vec![read(at(Place::BaskingSpot, Quantity::Temperature), None, Unit::Celsius)]);
    plain.reads[0].offset_k = 0.3;
    let mut links = links(&[rack, climate, room, plain]);
    assert_eq!(links.filters(), ["climate/+", "rack/+/+/temperature", "room/+/temperature", "shed/probe7"]);
    assert_eq!(links.probes().len(), 1, "only the plain link's probe is known before anything came");

    let mut out = Vec::new();
    let mut say = |links: &mut Links, topic: &str, payload: &str| {
        out.clear();
        let heard = links.hear(topic, payload.as_bytes(), false, NOW, &mut out);
        (heard, out.iter().map(|r: &Reading| (r.target, r.slot, r.value, r.measured)).collect::<Vec<_>>())
    };
    let a2 = Target::Enclosure(EnclosureIx(1));
    let warm = Slot::At(Place::WarmSide, Quantity::Temperature);
    let (heard, got) = say(&mut links, "rack/a2/w/temperature", "31.2");
    assert_eq!((heard, got), (Heard::Accepted, vec![(a2, warm, 31.2, None)]));

    // The same place by another topic is ambiguous and refused, its humidity is not.
    let (heard, got) = say(&mut links, "climate/a2", r#"{"time":1767571224,"warm":{"t":30.9},"cool":{"rh":44}}"#);
    let humid = Slot::At(Place::CoolSide, Quantity::Humidity);
    let time = Wall::parse_rfc3339("2026-01-05T00:00:24Z");
    assert_eq!((heard, got), (Heard::Accepted, vec![(a2, humid, 44.0, time)]));
    let entry = links.topics().into_iter().find(|t| &*t.topic == "climate/a2").and_then(|t| t.last_refusal);
    assert_eq!(entry.map(|e| e.0), Some(Refusal::OtherTopic));

    let (heard, got) = say(&mut links, "room/back-room/temperature", "68");
    assert_eq!(heard, Heard::Accepted);
    assert_eq!(got[0].0, Target::Room(RoomIx(0)));
    assert!((got[0].2 - 20.0).abs() < 1e-9);
    assert_eq!(say(&mut links, "shed/probe7", "33").1[0].2, 33.3);
    assert_eq!(say(&mut links, "climate/a1", r#"{"warm":{}}"#).0, Heard::Refused(Refusal::Absent));
    assert_eq!(say(&mut links, "rack/a9/w/temperature", "31.2").0, Heard::Unlinked);
    assert_eq!(say(&mut links, "rack/a1/x/temperature", "31.2").0, Heard::Unlinked);
    assert_eq!(say(&mut links, "somebody/else", "31.2").0, Heard::Unlinked);
    let stranger =
        links.topics().into_iter().find(|t| &*t.topic == "rack/a9/w/temperature").and_then(|t| t.stranger.clone());
    assert_eq!(stranger.as_deref(), Some("a9"), "the word that is no name of the keeper's is told");
    let counts = links.counts();
    assert_eq!((counts.accepted, counts.refused, counts.unlinked, counts.messages()), (4, 1, 3, 8));
    let names: Vec<_> =
        (0..links.probes().len()).filter_map(|i| links.name(warmside::terms::id::ProbeIx(i as u32))).collect();
    assert!(
        names.contains(&"a2/warm_side.temperature".to_owned())
            && names.contains(&"room:back-room/air.temperature".to_owned())
    );
}

#[test]
fn payloads_are_pinned() {
    let bare = || link("t", A1, vec![read(WARM, None, Unit::Celsius)]);
    assert_eq!(one(bare(), b"31.2"), Ok(vec![31.2]));
    assert_eq!(one(bare(), b"{\"t\":31.2}"), refused(Refusal::NotANumber));
    assert_eq!(one(bare(), b"31.2\xff"), refused(Refusal::NotUtf8));
    assert_eq!(one(bare(), b"nan"), refused(Refusal::NotANumber));
    assert_eq!(one(bare(), &vec![b'1'; decode::LONGEST_PAYLOAD + 1]), refused(Refusal::TooLong));
    assert_eq!(one(bare(), &vec![b'1'; 1_000_000]), refused(Refusal::TooLong));

    let with = |pointer, shape| Link { shape, ..link("t", A1, vec![read(WARM, pointer, Unit::Celsius)]) };
    let columns = || Shape { columns: Some((";".into(), 4)), decimal: Some(','), ..Shape::default() };
    assert_eq!(one(with(Some("/2"), columns()), b"a;b;21,5;d"), Ok(vec![21.5]));
    assert_eq!(one(with(Some("/2"), columns()), b"a;b;21,5"), refused(Refusal::Columns));
    assert_eq!(one(with(Some("/2"), columns()), b"a;b;;d"), refused(Refusal::Empty));
    assert_eq!(one(with(Some("/4"), columns()), b"a;b;21,5;d"), refused(Refusal::Absent));
    let text = || Shape { text_number: true, ..Shape::default() };
    assert_eq!(one(with(Some("/t"), text()), br#"{"t":"21.5"}"#), Ok(vec![21.5]));
    assert_eq!(one(with(Some("/t"), text()), br#"{"t":21.5}"#), refused(Refusal::WrongType));
    assert_eq!(one(with(None, text()), br#""21.5""#), Ok(vec![21.5]));
    let pick = || Shape { pick: Some(("id".into(), "b".into())), ..Shape::default() };
    assert_eq!(one(with(Some("/t"), pick()), br#"[{"id":"a","t":1},{"id":"b","t":2}]"#), Ok(vec![2.0]));

    let words = Shape { words: Some(("ON".into(), "OFF".into())), ..Shape::default() };
    let switch = What::Slot(Slot::Heat(0, Quantity::Switch));
    let on = Link { shape: words, ..link("t", A1, vec![read(switch, None, Unit::One)]) };
    assert_eq!(one(on.clone(), b"ON"), Ok(vec![1.0]));
    assert_eq!(one(on, b"on"), refused(Refusal::UnknownWord));
    let light = at(Place::Air, Quantity::Light);
    let flag = link("t", A1, vec![read(light, Some("/data/light"), Unit::One)]);
    assert_eq!(one(flag.clone(), br#"{"data":{"light":false}}"#), Ok(vec![0.0]));
    assert_eq!(one(flag, br#"{"data":{"light":2}}"#), refused(Refusal::NotAState));
}

#[test]
fn one_bad_number_does_not_spoil_the_others_and_is_told_of_its_probe() {
    let reads = vec![
        read(WARM, Some("/t"), Unit::Celsius),
        read(at(Place::WarmSide, Quantity::Humidity), Some("/h"), Unit::Percent),
    ];
    let mut links = links(&[link("t", A1, reads)]);
    let mut out = Vec::new();
    assert_eq!(links.hear("t", br#"{"t":null,"h":40}"#, false, NOW, &mut out), Heard::Accepted);
    assert_eq!(out.len(), 1);
    let spoiled: Vec<_> = links.spoiled().iter().map(|s| (s.probe.0, s.why)).collect();
    assert_eq!(spoiled, [(0, Refusal::Null)]);
    assert_eq!(
        links.hear("t", br#"{"h":41}"#, false, NOW, &mut out),
        Heard::Accepted,
        "absent is no fault of the message"
    );
    assert!(links.spoiled().is_empty());
    assert_eq!(links.probes()[0].last, None, "expected, never heard");
    assert_eq!(links.hear("t", b"{", false, NOW, &mut out), Heard::Refused(Refusal::NotJson));
    assert_eq!(links.spoiled().len(), 2);
}

#[test]
fn a_retained_ghost_does_not_keep_a_place_from_its_live_topic() {
    let captured = link("{x}/{enclosure}", None, vec![read(WARM, None, Unit::Celsius)]);
    let mut links = links(&[captured]);
    let mut out = Vec::new();
    assert_eq!(links.hear("old/a1", b"20", true, NOW, &mut out), Heard::Accepted);
    assert_eq!(links.hear("new/a1", b"30", false, NOW, &mut out), Heard::Accepted);
    assert_eq!(links.hear("old/a1", b"20", true, NOW, &mut out), Heard::Refused(Refusal::OtherTopic));
    assert_eq!(
        links.hear("third/a1", b"20", false, NOW + Span::min(59), &mut out),
        Heard::Refused(Refusal::OtherTopic)
    );
    assert_eq!(links.hear("third/a1", b"20", false, NOW + Span::min(60), &mut out), Heard::Accepted, "a successor");
    assert_eq!(links.probes().len(), 1);
}

#[test]
fn two_batteries_of_one_enclosure_are_two_probes() {
    let battery = What::Slot(Slot::Battery);
    let captured = link("{enclosure}/{x}", None, vec![read(battery, Some("/b"), Unit::Volt)]);
    let mut links = links(&[captured]);
    let mut out = Vec::new();
    for topic in ["a1/warm", "a1/cool", "a1/warm"] {
        assert_eq!(links.hear(topic, br#"{"b":2.9}"#, false, NOW, &mut out), Heard::Accepted);
    }
    assert_eq!(out.iter().map(|r| r.probe.0).collect::<Vec<_>>(), [0, 1, 0]);
}

#[test]
fn memory_is_bounded_against_hostile_topics() {
    let captured = link("{x}/{enclosure}", None, vec![read(What::Slot(Slot::Battery), None, Unit::Volt)]);
    let mut links = links(&[captured]);
    let mut out = Vec::new();
    let flood = probes::MOST_PROBES + 100;
    for i in 0..flood {
        links.hear(&format!("{i}/a1"), b"3", false, NOW, &mut out);
        links.hear(&format!("{i}/elsewhere/x"), b"3", false, NOW, &mut out);
    }
    assert_eq!(links.probes().len(), probes::MOST_PROBES);
    assert!(links.topics().len() <= topics::MOST_LINKED + topics::MOST_UNLINKED);
    assert_eq!(links.counts().messages(), 2 * flood as u64);
    assert_eq!(links.counts().refused, 100);
    assert!(links.beyond() > 0);
    assert_eq!(links.hear("7/a1", b"3", false, NOW, &mut out), Heard::Accepted, "those who came first are still heard");
}

/// Links of every shape on one topic each, to be fed with anything.
fn every_shape() -> Vec<Link> {
    let json = |pointer| {
        vec![
            read(WARM, pointer, Unit::Celsius),
            read(at(Place::CoolSide, Quantity::Humidity), Some("/h"), Unit::Percent),
        ]
    };
    let shape = |shape| Link { shape, ..link("t", A1, json(Some("/t"))) };
    vec![
        link("t", A1, vec![read(WARM, None, Unit::Fahrenheit)]),
        Link { time: Some("/ts".into()), ..link("t", A1, json(Some("/data/temp"))) },
        shape(Shape { pick: Some(("id".into(), "28-0a".into())), ..Shape::default() }),
        shape(Shape { text_number: true, decimal: Some(','), suffix: Some("°C".into()), ..Shape::default() }),
        shape(Shape { words: Some(("ON".into(), "OFF".into())), ..Shape::default() }),
        Link { time: Some("/0".into()), ..link("t", A1, vec![read(WARM, Some("/1"), Unit::Kelvin)]) },
        Link {
            time: Some("/0".into()),
            shape: Shape { columns: Some((";".into(), 3)), ..Shape::default() },
            ..link("t", A1, vec![read(WARM, Some("/1"), Unit::Celsius)])
        },
        shape(Shape { senml: true, ..Shape::default() }),
        Link {
            shape: Shape { homie: true, ..Shape::default() },
            ..link("t", A1, vec![read(WARM, None, Unit::Celsius)])
        },
    ]
}

/// No panic, finite values, and each message counted once, whatever came.
fn bear(payload: &[u8]) {
    for link in every_shape() {
        let mut links = links(&[link]);
        let mut out = Vec::new();
        let heard = links.hear("t", payload, false, NOW, &mut out);
        assert_eq!(heard == Heard::Accepted, !out.is_empty());
        assert!(out.iter().all(|r| r.value.is_finite()));
        assert_eq!(links.counts().messages(), 1);
    }
}

/// Payloads of the open recordings (see tests/data/payloads/README.md), and some hand-made ones for the other shapes.
fn corpus() -> Vec<Vec<u8>> {
    let recordings = include_str!("data/payloads/recordings.jsonl").lines().map(|line| {
        let line: serde_json::Value = serde_json::from_str(line).expect("a recorded line");
        line["payload"].as_str().expect("a payload").as_bytes().to_vec()
    });
    let ours = [
        &br#"[{"id":"28-0a","t":21.5,"h":40},{"id":"28-0b","t":22.5}]"#[..],
        br#"{"ts":"2026-01-05T00:00:24Z","t":"21,5 \u00b0C","h":"40,0 \u00b0C"}"#,
        br#"[{"bn":"d:","bt":1.7e9,"n":"t","u":"Cel","v":21.5},{"n":"h","u":"%RH","v":40,"t":-5}]"#,
        b"\x81\xa4\x00\x61t\x01\x63Cel\x02\xf9\x4d\xe0\x06\x00",
        b"2026-01-05T00:00:24Z;21.5;x",
        br#"{"t":"ON"}"#,
        b"[1,2]",
    ];
    recordings.chain(ours.into_iter().map(<[u8]>::to_vec)).collect()
}

#[test]
fn every_recorded_payload_is_borne() {
    let corpus = corpus();
    assert!(corpus.len() > 90);
    corpus.iter().for_each(|payload| bear(payload));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_bytes_break_a_decoder(payload in proptest::collection::vec(any::<u8>(), 0..300)) {
        bear(&payload);
    }

    /// Real payloads with bytes changed, taken out and doubled: what a line fault or a hostile sender makes of them.
    #[test]
    fn no_mutation_breaks_a_decoder(
        pick in any::<proptest::sample::Index>(),
        edits in proptest::collection::vec((any::<proptest::sample::Index>(), any::<u8>(), 0..3_u8), 1..8),
    ) {
        let corpus = corpus();
        let mut payload = corpus[pick.index(corpus.len())].clone();
        for (at, byte, how) in edits {
            if payload.is_empty() { break; }
            let at = at.index(payload.len());
            match how {
                0 => payload[at] = byte,
                1 => drop(payload.remove(at)),
                _ => payload.insert(at, payload[at]),
            }
        }
        bear(&payload);
    }

    #[test]
    fn no_topic_breaks_a_link(pattern in "[a-c{}/$+#]{0,12}", topic in ".{0,24}", plain in "[a-c/$]{0,12}") {
        let mut links = links(&[link(&pattern, None, vec![read(WARM, None, Unit::Celsius)])]);
        let mut out = Vec::new();
        for topic in [topic.as_str(), plain.as_str(), pattern.as_str()] {
            links.hear(topic, b"1", false, NOW, &mut out);
        }
        prop_assert_eq!(links.counts().messages(), 3);
        links.filters();
    }
}

/// The examples of RFC 8428 as printed there (sections 5.1.1 to 5.1.4 and 6), each read by the name of one of its records.
#[test]
fn the_examples_of_rfc_8428() {
    const POINTS: &[u8] = br#"[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,
        "n":"voltage","u":"V","v":120.1},{"n":"current","t":-5,"v":1.2},{"n":"current","t":-4,"v":1.3},
        {"n":"current","t":-3,"v":1.4},{"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},
        {"n":"current","v":1.7}]"#;
    const PLACES: &[u8] = br#"[{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
        {"u":"lon","v":24.30621},{"u":"lat","v":60.07965},{"t":60,"v":20.3},{"u":"lon","t":60,"v":24.30622},
        {"u":"lat","t":60,"v":60.07965},{"t":120,"v":20.7},{"u":"lon","t":120,"v":24.30623},
        {"u":"lat","t":120,"v":60.07966},{"u":"%EL","t":150,"v":98},{"t":180,"v":21.2},
        {"u":"lon","t":180,"v":24.30628},{"u":"lat","t":180,"v":60.07967}]"#;
    let cbor = hex(
        "87a721781b75726e3a6465763a6f773a3130653230373361303130383030363a22fb41d303a15b00106223614120050067766f6c7461676501\
         615602fb405e066666666666a3006763757272656e74062402fb3ff3333333333333a3006763757272656e74062302fb3ff4cccccccccccda3\
         006763757272656e74062202fb3ff6666666666666a3006763757272656e74062102f93e00a3006763757272656e74062002fb3ff999999999\
         999aa3006763757272656e74060002fb3ffb333333333333",
    );
    let hear = |payload: &[u8], what, unit, name: &str| {
        let name = format!("/{}", name.replace('/', "~1"));
        let shape = Shape { senml: true, ..Shape::default() };
        let mut links = links(&[Link { shape, ..link("t", A1, vec![read(what, Some(&name), unit)]) }]);
        let mut out = Vec::new();
        let heard = links.hear("t", payload, false, NOW, &mut out);
        let said: Vec<_> = out.iter().map(|r| (r.value, r.measured.map(|at| at.as_ms()))).collect();
        (heard, said)
    };
    let volts = What::Slot(Slot::Battery);
    for pack in [POINTS, &cbor] {
        let (heard, said) = hear(pack, volts, Unit::Volt, "voltage");
        assert_eq!((heard, said), (Heard::Accepted, vec![(120.1, Some(1_276_020_076_001))]));
        let amps = hear(pack, volts, Unit::Volt, "urn:dev:ow:10e2073a0108006:current");
        assert_eq!(amps, (Heard::Refused(Refusal::WrongUnit), vec![]), "amperes are no volts");
    }
    // One name with several units: what cannot be in % is refused, and the pack says so, rather than read as humidity.
    let humid = at(Place::CoolSide, Quantity::Humidity);
    let (_, said) = hear(PLACES, humid, Unit::Percent, "urn:dev:ow:10e2073a01080063");
    let at_s = |s: i64| Some(1_320_067_464_000 + s * 1_000);
    for want in [(20.0, at_s(0)), (20.3, at_s(60)), (20.7, at_s(120)), (21.2, at_s(180))] {
        assert!(said.contains(&want), "{want:?} in {said:?}");
    }
    assert!(said.iter().all(|(v, _)| *v < 22.0 || *v == 98.0), "no longitude: {said:?}");
    let single = br#"[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]"#;
    assert_eq!(hear(single, WARM, Unit::Celsius, "urn:dev:ow:10e2073a01080063").1, [(23.1, None)]);
}

fn hex(text: &str) -> Vec<u8> {
    let digits: Vec<u8> = text.bytes().filter_map(|b| (b as char).to_digit(16)).map(|d| d as u8).collect();
    digits.chunks(2).map(|pair| pair[0] * 16 + pair[1]).collect()
}

#[test]
fn a_homie_device_describes_itself_and_says_when_it_is_lost() {
    let shape = Shape { homie: true, ..Shape::default() };
    let topic = "homie/5/{enclosure}/warm/temperature";
    let link = Link { shape, ..link(topic, None, vec![read(WARM, None, Unit::Celsius)]) };
    let mut links = links(&[link]);
    assert_eq!(
        links.filters(),
        [
            "homie/5/+/$description",
            "homie/5/+/$state",
            "homie/5/+/warm/temperature",
            "homie/5/+/warm/temperature/$format",
            "homie/5/+/warm/temperature/$unit",
        ]
    );
    let description =
        r#"{"homie":"5.0","nodes":{"warm":{"properties":{"temperature":{"unit":"°F","format":"-4:212"}}}}}"#;
    let mut out = Vec::new();
    let mut hear = |topic: &str, payload: &str, retained| {
        out.clear();
        let heard = links.hear(topic, payload.as_bytes(), retained, NOW, &mut out);
        (heard, out.first().map(|r| (r.value * 10.0).round() / 10.0), links.turned().to_vec())
    };
    assert_eq!(hear("homie/5/a1/$description", description, true).0, Heard::Accepted);
    assert_eq!(hear("homie/5/a1/warm/temperature", "86", false).1, Some(30.0));
    let beyond = hear("homie/5/a1/warm/temperature", "500", false);
    assert_eq!((beyond.0, beyond.1), (Heard::Refused(Refusal::BeyondRange), None));
    let probe = warmside::terms::id::ProbeIx(0);
    assert_eq!(hear("homie/5/a1/$state", "lost", false), (Heard::Accepted, None, vec![(probe, true)]));
    assert_eq!(hear("homie/5/a1/$state", "ready", false).2, [(probe, false)]);
    assert_eq!(hear("homie/5/a1/$name", "Rack", true).0, Heard::Unlinked);
    assert_eq!(links.counts().messages(), 6);
}

/// Costs by kind, printed: `cargo test --release --test reading -- --ignored --nocapture`.
#[test]
#[ignore = "a measurement, not a check"]
#[expect(clippy::disallowed_methods, reason = "it measures")]
fn cost_per_payload() {
    let json = br#"{"id":"0x00158d0001a2b3c4","linkquality":84,"data":{"temp":21.37,"h":44.1},"battery":3005}"#;
    let kinds: [(&str, usize, &[u8]); 4] = [
        ("bare number", 0, b"31.25"),
        ("JSON, 2 pointers", 1, json),
        ("columns", 6, b"1767571224;21.5;x"),
        ("SenML JSON", 7, br#"[{"bn":"d:","n":"t","u":"Cel","v":21.5}]"#),
    ];
    for (name, kind, payload) in kinds {
        let mut links = links(&[Link { topic: "house/rack/t".into(), ..every_shape().swap_remove(kind) }]);
        let mut out = Vec::with_capacity(16);
        let rounds = 1_000_000;
        let start = std::time::Instant::now();
        for _ in 0..rounds {
            out.clear();
            std::hint::black_box(links.hear("house/rack/t", std::hint::black_box(payload), false, NOW, &mut out));
        }
        println!("{name}: {} ns, {} bytes", start.elapsed().as_nanos() / rounds, payload.len());
    }
}

#[test]
fn two_links_to_one_topic_both_read_each_message() {
    let warm = link("climate/a1", A1, vec![read(WARM, Some("/warm"), Unit::Celsius)]);
    let cool = at(Place::CoolSide, Quantity::Temperature);
    let cool = link("climate/{enclosure}", None, vec![read(cool, Some("/cool"), Unit::Celsius)]);
    let mut links = links(&[warm, cool]);
    let mut out = Vec::new();
    assert_eq!(links.hear("climate/a1", br#"{"warm":31.5,"cool":24}"#, false, NOW, &mut out), Heard::Accepted);
    assert_eq!(out.iter().map(|r| r.value).collect::<Vec<_>>(), [31.5, 24.0]);
    assert_eq!(links.counts().messages(), 1, "one message, however many links it feeds");
}
