//! Setup: what is heard is offered, tied, touched and sealed by forms; other people's words stay text.

use crate::house::{at, trouble};
use crate::{balanced, server};
use std::sync::Arc;
use warmside::config::tied::{Fate, Tie};
use warmside::page::bench::{Free, Held, Laid, Number, Touch, Wish};
use warmside::page::frame::segment;
use warmside::page::listen::Patience;
use warmside::survey::Survey;
use warmside::survey::draft::Names;
use warmside::terms::time::Span;

const EVIL: &str = "evil/<b>'\"&/temp";

/// Half an hour of a bench: a probe that offers itself, one that does not, one with a hostile name.
pub fn lay(laid: &mut Laid) {
    laid.names = Names { enclosures: ["b5".to_owned()].into_iter().collect(), ..Names::default() };
    let free = |reads: &str, wanted| Free { whose: "b5".into(), room: false, reads: reads.into(), wanted };
    laid.free = vec![free("warm_side.temperature", true), free("cool_side.temperature", true), free("battery", false)];
    (laid.since, laid.until) = (Some(at("14:00")), Some(at("14:45")));
    for i in 0..30 {
        let when = at("14:00") + Span::min(i);
        let wave = (i % 5) as f64 / 10.0;
        laid.hear("rack/b5/warm/temp", format!("{:.1}", 31.0 + wave).as_bytes(), false, when);
        laid.hear("loose/2", format!(r#"{{"t":{:.1},"seq":{i}}}"#, 25.0 + wave).as_bytes(), false, when);
        laid.hear(EVIL, format!("{:.1}", 52.0 + wave).as_bytes(), false, when);
    }
}

fn setup() -> server::Server {
    let server = server::open(trouble());
    lay(&mut server.bench.look());
    server
}

pub fn tie(reads: &str, topic: &str) -> Tie {
    Tie {
        topic: topic.into(),
        enclosure: Some("b5".into()),
        reads: reads.into(),
        unit: Some("Cel".into()),
        by: "ines".into(),
        tied: "2026-03-03T14:20:00.000Z".into(),
        ..Tie::default()
    }
}

#[test]
fn setup_offers_what_names_and_values_say_and_ties_nothing_by_itself() {
    let server = setup();
    let text = server.get("/setup", &[]).text();
    balanced(&text);
    assert!(text.contains("3 topics: 3 numbers wait, 1 set aside"), "{text}");
    let checked: Vec<&str> = text
        .split("type=\"radio\"")
        .skip(1)
        .filter(|t| t.split('>').next().unwrap_or("").contains("checked"))
        .collect();
    assert_eq!(checked.len(), 2, "one on each side");
    assert!(
        checked[0].contains("value=\"rack%2Fb5%2Fwarm%2Ftemp \"")
            && checked[1].contains("value=\"enclosure b5 warm_side.temperature\"")
    );
    assert!(text.contains("Looks like <b>b5") && text.contains("fits both °C and °F") && text.contains("52.40, unit?"));
    assert!(text.contains("evil/&lt;b&gt;") && !text.contains("evil/<b>"));
    assert!(server.wished.lock().unwrap().is_empty());
    // A word narrows it.
    let found = server.get("/setup?q=loose", &[]).text();
    assert!(found.contains(">loose/2<") && !found.contains("rack%2Fb5%2Fwarm%2Ftemp "));
}

#[test]
fn a_tie_is_read_from_its_form_or_refused_in_words() {
    let server = setup();
    let token = server.get("/setup", &[]).token();
    let form = |heard: &str, place: &str, unit: &str| {
        let enc = |text: &str| segment(text).replace("%20", "+");
        format!(
            "token={token}&by=ines&heard={}&place={}&other=enclosure+b5+battery&unit={}",
            enc(heard),
            enc(place),
            enc(unit)
        )
    };
    let key = |topic: &str, pointer: &str| format!("{} {}", segment(topic), segment(pointer));
    let warm = "enclosure b5 warm_side.temperature";
    for (heard, place, unit, want) in [
        (key("rack/b5/warm/temp", ""), warm, "", 303),
        (key("loose/2", "/t"), "enclosure b5 cool_side.temperature", "K", 303),
        (key("loose/2", "/t"), "other", "V", 303),
        (key(EVIL, ""), warm, "", 422),
        (key(EVIL, ""), warm, "[degF]", 303),
        (key("rack/b5/warm/temp", ""), "enclosure b5 hide.temperature", "", 422),
        (key("rack/b5/warm/temp", ""), "enclosure zz warm_side.temperature", "", 422),
        (key("rack/b5/warm/temp", ""), "", "", 422),
        (key("never/heard", ""), warm, "", 422),
        (key("rack/b5/warm/temp", ""), warm, "furlong", 422),
    ] {
        let got = server.post("/setup/tie", &[], &form(&heard, place, unit));
        assert_eq!(got.status, want, "{heard} {place} {unit}: {}", got.text());
    }
    let wished = server.wished.lock().unwrap().clone();
    let ties: Vec<(String, Option<String>, Option<String>)> = wished
        .iter()
        .map(|wish| match wish {
            Wish::Tie(tie) => (tie.reads.clone(), tie.pointer.clone(), tie.unit.clone()),
            other => panic!("{other:?}"),
        })
        .collect();
    let some = |text: &str| Some(text.to_owned());
    assert_eq!(
        ties,
        [
            ("warm_side.temperature".to_owned(), None, some("Cel")),
            ("cool_side.temperature".to_owned(), some("/t"), some("K")),
            ("battery".to_owned(), some("/t"), some("V")),
            ("warm_side.temperature".to_owned(), None, some("[degF]")),
        ]
    );
    // What a form of another page says, or nobody, is not done.
    for (headers, fields, want) in [
        (vec![], form(&key("rack/b5/warm/temp", ""), warm, "").replace(&token, "x"), 403),
        (vec![("origin", "http://evil.example")], form(&key("rack/b5/warm/temp", ""), warm, ""), 403),
        (vec![], form(&key("rack/b5/warm/temp", ""), warm, "").replace("by=ines", "by=nobody"), 422),
    ] {
        assert_eq!(server.post("/setup/tie", &headers, &fields).status, want, "{fields}");
    }
    assert_eq!(server.wished.lock().unwrap().len(), 4);
}

#[test]
fn ties_are_touched_sealed_and_untied() {
    let server = setup();
    {
        let mut laid = server.bench.look();
        let waits = tie("warm_side.temperature", "rack/b5/warm/temp");
        let idle = tie("hide.temperature", "old/<i>");
        laid.tied.all = vec![(waits, Fate::Waits), (idle, Fate::Idle("your own file counts: <u>".into()))];
    }
    let text = server.get("/setup", &[]).text();
    balanced(&text);
    assert!(text.contains("one touch missing, not watched yet") && text.contains("Seal untouched"), "{text}");
    assert!(text.contains("your own file counts: &lt;u&gt;") && text.contains("old/&lt;i&gt;"));
    assert!(text.contains("2 numbers wait"), "what is tied waits no more");
    assert!(!text.contains("value=\"enclosure b5 warm_side.temperature\""), "nor is its place empty");
    let token = server.get("/setup", &[]).token();
    let heard = "rack%252Fb5%252Fwarm%252Ftemp+";
    for (path, fields, want) in [
        ("/setup/touch", format!("heard={heard}"), "/setup/touch?told="),
        ("/setup/let-go", String::new(), "/setup?told="),
        ("/setup/untie", format!("heard={heard}"), "/setup?told="),
        ("/setup/seal", "whose=b5&untouched=1".to_owned(), "/setup?told="),
        ("/setup/hear", String::new(), "/setup?told="),
    ] {
        let got = server.post(path, &[], &format!("token={token}&by=tom&{fields}"));
        assert!(
            got.status == 303 && got.header("location").starts_with(want),
            "{path}: {} {}",
            got.status,
            got.header("location")
        );
    }
    assert_eq!(server.post("/setup/burn", &[], &format!("token={token}&by=tom")).status, 404);
    let number = || Number { topic: "rack/b5/warm/temp".into(), pointer: String::new() };
    let seal = Wish::Seal { whose: "b5".into(), untouched: true };
    let held = Held { number: number(), whose: "b5".into(), reads: "warm_side.temperature".into() };
    let want = [Wish::Touch(held), Wish::LetGo, Wish::Untie(number()), seal, Wish::Hear];
    assert_eq!(*server.wished.lock().unwrap(), want);
}

#[test]
fn the_page_of_a_hand_says_which_probe_it_holds() {
    let server = setup();
    assert!(server.get("/setup/touch", &[]).text().contains("Nobody holds a probe"));
    let touch = |topic: &str| Touch {
        held: Held::of(&tie("warm_side.temperature", topic)),
        since: at("14:30"),
        survey: Survey::default(),
        found: None,
    };
    server.bench.look().touch = Some(touch("rack/b5/warm/temp"));
    let waits = server.get("/setup/touch", &[]).text();
    assert!(
        waits.contains("http-equiv=\"refresh\" content=\"5\"") && waits.contains("Nothing has risen yet"),
        "{waits}"
    );
    for i in 0..12 {
        let when = at("14:30") + Span::s(5 * i);
        server.bench.look().hear("loose/9", format!("{:.1}", 25.0 + 0.3 * i as f64).as_bytes(), false, when);
    }
    let other = server.get("/setup/touch", &[]).text();
    assert!(other.contains("No: what you hold belongs nowhere yet") && !other.contains("http-equiv"), "{other}");
    server.bench.look().touch.as_mut().unwrap().held.number.topic = "loose/9".into();
    assert!(server.get("/setup/touch", &[]).text().contains("Yes: it is this one."));
}

/// Two probes exchanged between warm and cool look healthy from afar: a hand tells, and one press puts it right where both
/// were tied here. What the keeper's own file links is told and left to the keeper.
#[test]
fn two_that_are_the_wrong_way_round_are_told_and_exchanged() {
    let server = server::open(trouble());
    let held = |laid: &mut Laid, topic: &str, of: Held| {
        laid.touch = Some(Touch { held: of, since: at("14:30"), survey: Survey::default(), found: None });
        for i in 0..12 {
            laid.hear(topic, format!("{:.1}", 25.0 + 0.3 * i as f64).as_bytes(), false, at("14:30") + Span::s(5 * i));
        }
    };
    {
        let mut laid = server.bench.look();
        lay(&mut laid);
        let (warm, cool) = (tie("warm_side.temperature", "loose/7"), tie("cool_side.temperature", "loose/9"));
        laid.tied.all = vec![(warm.clone(), Fate::Waits), (cool, Fate::Waits)];
        held(&mut laid, "loose/9", Held::of(&warm));
    }
    let text = server.get("/setup/touch", &[]).text();
    balanced(&text);
    assert!(text.contains("No: what you hold is taken for b5") && text.contains("the wrong way round"), "{text}");
    assert!(text.contains("exchange the two"), "{text}");
    let token = server.get("/setup", &[]).token();
    let fields = format!("token={token}&by=tom&heard=loose%252F9+&with=loose%252F7+");
    assert_eq!(server.post("/setup/exchange", &[], &fields).status, 303);
    let number = |topic: &str| Number { topic: topic.into(), pointer: String::new() };
    let wish = Wish::Exchange { held: number("loose/9"), with: number("loose/7"), by: "tom".into() };
    assert_eq!(*server.wished.lock().unwrap(), [wish]);

    // Both linked by the keeper's file: the view knows where they belong.
    let of = |topic: &str| trouble().probes.iter().filter_map(Held::of_probe).find(|h| h.number.topic == topic);
    let (warm, cool) =
        (of("rack/a3/warm_side/temperature").expect("linked"), of("rack/a3/cool_side/temperature").expect("linked"));
    let form = format!("token={token}&by=tom&heard={}+", segment("rack%2Fa3%2Fwarm_side%2Ftemperature"));
    assert_eq!(server.post("/setup/touch", &[], &form).status, 303);
    assert_eq!(server.wished.lock().unwrap().last(), Some(&Wish::Touch(warm.clone())));
    {
        let mut laid = server.bench.look();
        laid.tied.all.clear();
        held(&mut laid, &cool.number.topic, warm);
    }
    let text = server.get("/setup/touch", &[]).text();
    assert!(text.contains("what you hold is taken for a3 Juno, cool side"), "{text}");
    assert!(text.contains("warmside mark a3 probe-moved") && !text.contains("/setup/exchange"), "{text}");
}

#[test]
fn setup_tells_the_offset_that_a_link_adds_and_what_a_bundle_measured() {
    let mut view = trouble();
    let warm = view.probes.iter_mut().find(|p| p.topic == "rack/a3/warm_side/temperature").expect("linked");
    warm.offset_k = -0.3;
    let past = Arc::new(crate::stored::Stored { days: 1, failing: false });
    let text = server::start(view, false, past, Patience::default()).get("/setup", &[]).text();
    balanced(&text);
    let row = |place: &str| text.split(&format!("rack/a3/{place}")).nth(1).unwrap().split("</tr>").next().unwrap();
    let warm = row("warm_side");
    assert!(warm.contains("\u{2212}0.30 K added, +0.12 K off when bundled on Tue 3 March<"), "{warm}");
    let cool = row("cool_side");
    assert!(cool.contains("+0.62 K off when bundled on Tue 3 March: its link wants offset = -0.62<"), "{cool}");
}

#[test]
fn a_bench_of_thousands_is_still_a_page() {
    let server = server::open(trouble());
    {
        let mut laid = server.bench.look();
        laid.since = Some(at("14:00"));
        for i in 0..3_000 {
            laid.hear(&format!("rack/{i}/temp"), b"25.1", false, at("14:01"));
        }
        laid.free = (0..2_000)
            .map(|i| Free { whose: format!("x{i}"), room: false, reads: "warm_side.temperature".into(), wanted: true })
            .collect();
    }
    let text = server.get("/setup", &[]).text();
    assert!(text.contains("2,000 topics") || text.contains("2000 topics"), "bounded");
    assert!(text.len() < 400_000, "{}", text.len());
    let _ = Arc::strong_count(&server.bench);
}
