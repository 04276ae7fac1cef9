//! Each kind of mail as it reads, kept in `snapshots/`; and what must hold of every mail.

use super::fixture::*;
use crate::finding::cause::{Cause, Urgency};
use crate::finding::fact::Fact;
use crate::finding::{Change, Finding, Subject};
use crate::notice::NoticeRow;
use crate::notice::scene::Week;
use crate::terms::id::{EnclosureIx, RoomIx};
use crate::terms::place::Place;
use crate::terms::quantity::{Degrees, Quantity};
use crate::terms::time::{Now, Span, Wall};

/// As a keeper sees it: subject, then text.
fn reads(mail: &NoticeRow) -> String {
    show(mail);
    let to: Vec<&str> = mail.to.iter().map(|(id, _)| id.as_str()).collect();
    format!("To: {}\nSubject: {}\n\n{}", to.join(", "), mail.subject, mail.text)
}

/// `WARMSIDE_MAILS=folder cargo test --lib notice::`: leaves each mail of these tests there, for a browser to show.
fn show(mail: &NoticeRow) {
    let Some(folder) = std::env::var_os("WARMSIDE_MAILS") else { return };
    let word: String = mail.subject.chars().filter(|c| c.is_ascii_alphanumeric() || *c == ' ').collect();
    let base = std::path::Path::new(&folder).join(format!("{} {}", mail.id, word.trim()).replace(' ', "-"));
    let beside = |end: &str| base.with_file_name(format!("{}.{end}", base.file_name().unwrap().to_string_lossy()));
    let mut html = mail.html.clone();
    if let Some(picture) = &mail.picture {
        let png = beside("png");
        std::fs::write(&png, crate::plot::pixels::png(&picture.drawing).expect("a picture")).unwrap();
        let name = png.file_name().unwrap().to_string_lossy().into_owned();
        html = html.replace(&format!("cid:{}", picture.cid), &name);
    }
    std::fs::write(beside("html"), html).unwrap();
    std::fs::write(beside("txt"), format!("{}\n\n{}", mail.subject, mail.text)).unwrap();
}

#[test]
fn a_notice_is_one_line_in_the_order_of_the_formats() {
    let mut d = Day::new(14, settings(), "2026-03-03T14:00:00Z");
    d.stands(at("2026-03-03T14:10:35Z"), no_heat(2));
    d.until(at("2026-03-03T14:12:00Z"));
    assert_eq!(
        d.mails[0].json,
        concat!(
            r#"{"at":"2026-03-03T14:11:20.000Z","incident":"10","event":"raised","urgency":"now","cause":"heat-failed","#,
            r#""enclosures":["a3"],"place":"warm_side","since":"2026-03-03T14:02:00.000Z","#,
            r#""act_by":"2026-03-03T14:55:00.000Z","to":["ines"],"subject":"a3 Juno: no heat, 29.7 C and falling"}"#
        )
    );
}

/// One heater that fails, from the first mail to the last.
#[test]
fn heat_failed() {
    let mut d = Day::new(14, settings(), "2026-03-03T14:00:00Z");
    d.stands(at("2026-03-03T14:10:35Z"), no_heat(2));
    d.until(at("2026-03-03T14:32:00Z"));
    d.answer(at("2026-03-03T14:35:00Z"), "10", "tom");
    d.seen.scene.places[0].value = Some(30.9);
    d.seen.scene.places[0].slope = None;
    d.calm(at("2026-03-03T15:04:00Z"), 2, Cause::HeatFailed);
    d.until(at("2026-03-03T15:30:00Z"));
    let all: Vec<String> = d.mails.iter().map(reads).collect();
    assert_eq!(d.mails.iter().filter(|m| m.thread.as_deref() == Some("10.1")).count(), d.mails.len() - 1);
    insta::assert_snapshot!("heat-failed", all.join("\n\n==========\n\n"));
    insta::assert_snapshot!("heat-failed-html", d.mails[0].html);
}

#[test]
fn too_hot() {
    let mut d = Day::new(14, settings(), "2026-03-05T10:00:00Z");
    let mut hot = place(Place::BaskingSpot, 38.4, (32.0, 35.0), (18.0, 36.0), at("2026-03-05T10:05:50Z"));
    hot.slope = Some(1.2);
    d.seen.scene.places.insert(0, hot);
    d.seen.scene.places[1].value = Some(31.6);
    d.seen.scene.heat[0].power_w = Some(100.0);
    d.seen.scene.heat[0].told_on = Some(false);
    let mut f = found(10, Cause::HeatStuckOn, at("2026-03-05T10:03:00Z"));
    f.key.place = Some(Place::BaskingSpot);
    f.latched = true;
    f.act_by = Some(at("2026-03-05T10:06:00Z"));
    let limit = Some(36.0);
    f.facts = vec![
        Fact::Reading { place: Place::BaskingSpot, quantity: Quantity::Temperature, value: 38.4, limit, never: true },
        Fact::Heading { place: Place::BaskingSpot, level: 41.0, at: at("2026-03-05T10:08:00Z") },
    ];
    d.stands(at("2026-03-05T10:05:25Z"), f);
    d.until(at("2026-03-05T10:07:00Z"));
    insta::assert_snapshot!("too-hot", reads(&d.mails[0]));
}

#[test]
fn probe_silent() {
    let mut d = Day::new(14, settings(), "2026-03-03T13:00:00Z");
    d.seen.scene.places.iter_mut().for_each(|p| p.at = Some(at("2026-03-03T13:23:40Z")));
    d.seen.scene.places[0].silent = true;
    d.seen.scene.places[0].value = Some(31.2);
    d.seen.scene.places[0].at = Some(at("2026-03-03T13:10:00Z"));
    let mut f = found(12, Cause::ProbeSilent, at("2026-03-03T13:10:00Z"));
    f.facts = vec![Fact::Silent {
        place: Some(Place::WarmSide),
        quantity: Some(Quantity::Temperature),
        last: Some(at("2026-03-03T13:10:00Z")),
        usual: Some(Span::s(30)),
        value: Some(31.2),
    }];
    d.stands(at("2026-03-03T13:21:00Z"), f);
    d.until(at("2026-03-03T13:25:00Z"));
    insta::assert_snapshot!("probe-silent", reads(&d.mails[0]));
}

#[test]
fn power_lost() {
    let mut d = Day::new(14, settings(), "2026-03-06T21:00:00Z");
    d.seen.scene.what_to_do = None;
    d.seen.scene.room_celsius = Some(20.4);
    for ix in 0..14 {
        let mut f = found(ix, Cause::HeatFailed, at("2026-03-06T21:02:00Z"));
        f.act_by = Some(at("2026-03-06T21:27:00Z") + Span::min(7 * i64::from(ix % 4)));
        d.stands(at("2026-03-06T21:09:00Z"), f);
    }
    d.until(at("2026-03-06T21:10:00Z"));
    assert_eq!(d.mails.len(), 1);
    insta::assert_snapshot!("power-lost", reads(&d.mails[0]));
}

#[test]
fn comes_back_and_is_watched_again() {
    let mut d = Day::new(14, settings(), "2026-03-03T06:00:00Z");
    for h in 0..3 {
        let then = at("2026-03-03T06:00:00Z") + Span::h(2 * h);
        d.seen.scene.places.iter_mut().for_each(|p| p.at = Some(then));
        d.stands(then, found(0, Cause::GradientLost, then));
        d.calm(at("2026-03-03T06:10:00Z") + Span::h(2 * h), 0, Cause::GradientLost);
    }
    d.until(at("2026-03-03T11:00:00Z"));
    assert!(d.book.hands_in(EnclosureIx(0), "tom", Span::min(20), d.now));
    d.until(at("2026-03-03T11:30:00Z"));
    let all: Vec<String> = d.mails.iter().map(reads).collect();
    insta::assert_snapshot!("comes-back", all.join("\n\n==========\n\n"));
}

#[test]
fn letters() {
    let mut s = settings();
    (s.daily, s.at_most) = (Some(420), 1);
    s.weekly = Some(crate::notice::settings::Weekly { weekday: 6, minute: 1_080 });
    let mut d = Day::new(14, s, "2026-03-07T06:00:00Z");
    d.seen.round.nearest = Some(("a9 Clove".into(), Place::CoolSide, 23.4, 0.6));
    d.until(at("2026-03-07T07:30:00Z"));
    let id = d.drill(at("2026-03-07T10:00:00Z"));
    d.answer(at("2026-03-07T10:06:00Z"), &id, "ines");
    let note = Finding { urgency: Urgency::Note, ..found(3, Cause::HeatWeak, d.now.wall) };
    d.change(Change::Stands(note));
    d.stands(at("2026-03-07T13:00:00Z"), found(0, Cause::HeatFailed, at("2026-03-07T12:50:00Z")));
    d.stands(at("2026-03-07T13:20:00Z"), found(1, Cause::HumidityLow, at("2026-03-07T12:00:00Z")));
    d.stands(at("2026-03-07T13:20:30Z"), found(5, Cause::ProbeStuck, at("2026-03-07T12:10:00Z")));
    d.calm(at("2026-03-07T15:00:00Z"), 0, Cause::HeatFailed);
    let until = at("2026-03-09T18:00:00Z");
    assert!(d.book.shelve(EnclosureIx(7), "ines", until, d.now));
    d.seen.round.in_band = 12;
    d.seen.round.not_well = vec![("a2 Bracken".into(), "cool side too dry".into())];
    d.seen.round.unwatched = vec![("a6 Marl".into(), "warm side not seen since 12:10".into())];
    d.seen.round.lights = crate::notice::scene::Lights {
        on: 12,
        off: 2,
        unseen: 3,
        differ: vec!["a9 Clove".into()],
        next: Some(at("2026-03-08T20:00:00Z")),
    };
    d.seen.round.gaps = vec![(at("2026-03-07T13:05:00Z"), Span::min(3))];
    d.seen.week = (0..14u16)
        .map(|i| Week {
            label: format!("a{} {}", i + 1, ANIMALS[usize::from(i)]),
            in_band: Some(1.0 - f64::from(i) * 0.004),
            hot_end: Some((25.6, 31.7)),
            cool_end: Some((23.2, 25.7)),
            effort: Some(if i == 3 { 0.66 } else { 0.4 }),
            effort_change: Some(if i == 3 { 0.22 } else { 0.0 }),
            light: Some(if i == 5 { 0.9 } else { 1.0 }),
            out_min: (0..7)
                .map(|d| (d != 6 || i != 5).then_some(if d == 1 { f64::from(i) * 9.0 } else { 0.0 }))
                .collect(),
        })
        .collect();
    d.until(at("2026-03-08T18:30:00Z"));
    let kinds = ["daily", "weekly", "gathered"];
    for kind in kinds {
        let of_kind = d.mails.iter().filter(|m| m.json.contains(&format!("\"letter\":\"{kind}\"")));
        let all: Vec<String> = of_kind.map(|m| format!("{}\n{}", m.json, reads(m))).collect();
        insta::assert_snapshot!(kind, all.join("\n\n==========\n\n"));
    }
    d.mails.iter().for_each(holds);
}

/// What must hold of every mail, whatever it tells.
#[track_caller]
fn holds(mail: &NoticeRow) {
    let what = &mail.subject;
    assert!(mail.subject.is_ascii() && mail.subject.len() <= 45 && !mail.subject.contains(['\r', '\n']), "{what}");
    assert!(!mail.subject.is_empty());
    for line in mail.text.lines() {
        assert!(line.chars().count() <= 78, "{what}: {line}");
        assert!(!line.starts_with("> ") && !line.starts_with("From "), "{what}: {line}");
    }
    assert!(!mail.text.contains('\r'));
    let lower = format!("{}\n{}", mail.subject, mail.text).to_lowercase();
    for word in ["critical", "warning", " ok ", "offline", "you forgot", "!", " nan", " inf "] {
        assert!(!lower.contains(word), "{what} says {word:?}:\n{}", mail.text);
    }
    assert_eq!(mail.html.matches("src=").count(), mail.html.matches("src=\"cid:").count(), "{what}");
    assert_eq!(mail.html.matches("<img ").count(), mail.html.matches(" alt=\"").count(), "{what}");
    assert_eq!(mail.html.contains("<img "), mail.picture.is_some(), "{what}");
    for loads in ["@import", "url(", "<script", "<link", "onload"] {
        assert!(!mail.html.contains(loads), "{what} loads {loads}");
    }
    // Every element that is opened is closed, in order.
    let mut open: Vec<&str> = Vec::new();
    for tag in mail.html.split('<').skip(1).filter_map(|t| t.split('>').next()) {
        let name = tag.split([' ', '/']).find(|n| !n.is_empty()).unwrap_or_default();
        if tag.starts_with('/') {
            assert_eq!(open.pop(), Some(name), "{what}");
        } else if !["meta", "br", "img", "!doctype"].contains(&name) {
            open.push(name);
        }
    }
    assert!(open.is_empty(), "{what}: {open:?}");
    let json: serde_json::Value = serde_json::from_str(&mail.json).expect("JSON");
    assert!(!mail.json.contains('\n') && json["subject"] == mail.subject.as_str());
}

#[test]
fn a_forecast_whose_hour_has_come_is_not_repeated() {
    let mut d = Day::new(14, settings(), "2026-03-03T14:00:00Z");
    d.stands(at("2026-03-03T14:10:35Z"), no_heat(2));
    d.until(at("2026-03-03T18:00:00Z"));
    assert!(d.mails[0].text.contains("by 16:00"), "{}", d.mails[0].text);
    let last = d.mails.last().expect("repeated");
    assert!(!last.text.contains("by 16:00") && last.text.contains("ACT NOW"), "{}", last.text);
}

/// Facts of every kind, with numbers that no probe should send among them.
fn facts() -> Vec<Fact> {
    let (place, quantity, at) = (Place::WarmSide, Quantity::Temperature, at("2026-03-03T12:00:00Z"));
    vec![
        Fact::Reading { place, quantity, value: 41.0, limit: Some(36.0), never: true },
        Fact::Reading { place, quantity: Quantity::Humidity, value: 91.0, limit: Some(60.0), never: false },
        Fact::Moved { place, from: 31.0, to: 25.0, over: Span::min(40) },
        Fact::NeverBefore { place, level: 30.0, days: 0.2, below: true },
        Fact::Heading { place, level: 22.0, at },
        Fact::Slope { place, k_per_min: -0.15 },
        Fact::Gradient { now: 0.4, usual: 6.0 },
        Fact::Watts { source: "main".into(), power_w: 0.0, usual_w: Some(80.0), told_on: Some(true) },
        Fact::Effort { now: 0.9, usual: 0.5 },
        Fact::Room { now: 15.0, usual: Some(21.0) },
        Fact::Neighbours { as_usual: 7, of: 7 },
        Fact::Silent { place: None, quantity: None, last: None, usual: None, value: None },
        Fact::Repeated { place, quantity, value: 31.2, for_: Span::h(3) },
        Fact::Impossible { place: Some(place), quantity, value: -127.0 },
        Fact::Light { planned_on: true, seen_on: false, since: at },
        Fact::LightShift { by: Span::ms(i64::MIN) },
        Fact::LightThreshold { lx: 40.0 },
        Fact::DewPoints { here: 14.0, there: 19.0 },
        Fact::Lasted { span: Span::MAX },
        Fact::Plain { text: "the server said\r\n550 no".into() },
    ]
}

#[test]
fn every_cause_can_be_told_of_one_and_of_many() {
    let mut mails = 0;
    for cause in Cause::ALL {
        for (fact, several) in facts().into_iter().flat_map(|f| [(f.clone(), false), (f, true)]) {
            let mut s = settings();
            (s.degrees, s.answers_by_mail, s.page) = (Degrees::F, several, None);
            let mut d = Day::new(14, s, "2026-03-03T12:00:00Z");
            let subjects = if several {
                vec![Subject::Room(RoomIx(0))]
            } else {
                vec![Subject::Enclosure(EnclosureIx(0)), Subject::Site]
            };
            for subject in subjects {
                let mut f = Finding::new(subject, *cause, Some(Place::WarmSide), d.now);
                f.urgency = Urgency::Now;
                f.act_by = Some(at("2026-03-03T12:30:00Z"));
                f.facts = vec![fact.clone()];
                d.change(Change::Stands(f.clone()));
                d.until(d.now.wall + Span::min(40));
                d.change(Change::Calm(f.key));
                d.until(d.now.wall + Span::min(30));
            }
            assert!(d.mails.len() >= 5, "{cause:?} is raised, repeated, handed on and ended");
            d.mails.iter().for_each(holds);
            mails += d.mails.len();
        }
    }
    assert!(mails > 5_000);
}

#[test]
fn a_keepers_words_are_no_markup_no_header_and_no_quote() {
    let mut s = settings();
    s.site = "Hollow <b>Lane</b>\r\nBcc: all@example.org".into();
    s.vet_phone = Some("0\r\n\r\n<script>1</script>".into());
    let mut d = Day::new(14, s, "2026-03-03T14:00:00Z");
    let long = "x".repeat(300);
    d.seen.scene.what_to_do = Some(format!("> Spare\n From the <script>drawer</script> & co.\r\n{long}"));
    d.seen.scene.where_ = vec!["left\r\nX-Evil: 1".into(), long.clone()];
    d.seen.scene.places[0].value = Some(f64::NAN);
    d.seen.scene.places[1].value = Some(f64::INFINITY);
    d.seen.scene.places[2].wanted = Some((f64::NAN, f64::NEG_INFINITY));
    d.stands(at("2026-03-03T14:10:35Z"), found(0, Cause::TooHot, at("2026-03-03T14:02:00Z")));
    d.stands(at("2026-03-03T14:10:35Z"), found(7, Cause::HumidityHigh, Wall::MIN));
    d.until(at("2026-03-03T14:50:00Z"));
    assert!(d.mails.len() >= 4);
    d.mails.iter().for_each(holds);
    assert!(
        d.mails[0].text.contains("\n > Spare\nFrom the <script>drawer</script> & co.\n")
            || d.mails[0].text.contains("\n > Spare\n From the")
    );
    assert!(!d.mails[0].html.contains("<script"));
    let _ = Now::at(0);
}

#[test]
fn a_house_of_three_hundred_has_letters_that_are_read() {
    let mut s = settings();
    s.daily = Some(420);
    s.weekly = Some(crate::notice::settings::Weekly { weekday: 6, minute: 1_080 });
    let mut d = Day::new(300, s, "2026-03-07T06:00:00Z");
    d.seen.round = crate::notice::scene::Round { total: 300, in_band: 240, readings: 9_000_000, ..Default::default() };
    d.seen.round.not_well = (0..40).map(|i| (format!("a{i}"), "cool side too cold".into())).collect();
    d.seen.round.unwatched = (40..60).map(|i| (format!("a{i}"), "warm side never heard".into())).collect();
    d.seen.round.lights.differ = (0..50).map(|i| format!("a{i}")).collect();
    (d.seen.round.lights.on, d.seen.round.lights.unseen) = (300, 100);
    d.seen.week = (0..300u16)
        .map(|i| Week {
            label: format!("a{}", i + 1),
            in_band: Some(if i % 5 == 0 { 0.8 } else { 1.0 }),
            out_min: vec![Some(0.0); 7],
            ..Week::default()
        })
        .collect();
    for ix in 0..60 {
        d.stands(at("2026-03-07T12:00:00Z") + Span::min(i64::from(ix)), found(ix, Cause::HumidityLow, d.now.wall));
    }
    d.until(at("2026-03-08T18:30:00Z"));
    let letters: Vec<&NoticeRow> = d.mails.iter().filter(|m| m.digest && !m.id.starts_with("gathered")).collect();
    assert_eq!(letters.len(), 3, "two mornings and a Sunday");
    for letter in letters {
        holds(letter);
        show(letter);
        assert!(letter.text.lines().count() <= 120, "{}", letter.text);
        assert!(letter.html.len() <= 102_400, "a webmail cuts what is longer: {} bytes", letter.html.len());
    }
    let weekly = d.mails.iter().find(|m| m.id.starts_with("weekly")).expect("a Sunday");
    assert!(weekly.text.contains("240 were in band and lit as planned") && weekly.text.contains("20 more differ"));
    assert!(weekly.text.contains("a196 ") && !weekly.text.contains("a201 "), "40 lines, in the order of the house");
}

/// What somebody could be hurt without reading, by cause; each mail is unflowed before it is looked through.
#[test]
fn cautions_stand_where_somebody_could_get_hurt() {
    let unplug = "Switch off, unplug and let it cool before you touch a heater.";
    let scorched = "do not touch it, cut it at the breaker";
    let smoke = "get out, call the fire service";
    let vet = "call the vet, 01 555 0142. Burns can show days later.";
    let no_smoke_alarm = "It is no smoke alarm.";
    let hot: &[&str] = &["melted or smoking: cut it at the breaker", smoke, vet, no_smoke_alarm];
    let table: [(Cause, &[&str]); 9] = [
        (Cause::HeatFailed, &[unplug, scorched, no_smoke_alarm]),
        (
            Cause::PowerLost,
            &[
                smoke,
                "The breaker: try it once. If it trips again leave it off and call a licensed electrician.",
                "First unplug the heaters, then blankets",
                "Blankets off before heat returns.",
                no_smoke_alarm,
            ],
        ),
        (Cause::HeatStuckOn, hot),
        (Cause::TooHot, hot),
        (Cause::NoRetreat, hot),
        (Cause::TooCold, &[unplug, scorched]),
        (Cause::HeatWeak, &[unplug]),
        (Cause::LightFlickering, &[unplug, "scorched: cut it at the breaker", no_smoke_alarm]),
        (Cause::RoomCold, &["never unattended, never covered"]),
    ];
    for (cause, words) in table {
        let mut d = Day::new(14, settings(), "2026-03-03T14:00:00Z");
        d.stands(at("2026-03-03T14:10:35Z"), Finding { urgency: Urgency::Now, ..found(2, cause, d.now.wall) });
        d.until(at("2026-03-03T14:12:00Z"));
        let text = d.mails[0].text.replace(" \n", " ").replace('\u{a0}', " ");
        for word in words.iter().chain(&["Warmside only watches: it switched nothing."]) {
            assert!(text.contains(word), "{cause:?} lacks {word:?}:\n{text}");
            let html = d.mails[0].html.replace("&nbsp;", " ");
            assert!(html.contains(word), "{cause:?} lacks {word:?} in HTML");
        }
    }
}
