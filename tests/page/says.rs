//! What the page says of a made-up house: the three answers, the rows, the counts, the tiles.

use crate::house::{self, at, barn, calm, empty, incident, trouble};
use crate::{balanced, wall_of};
use warmside::engine::view::{Condition, View};
use warmside::finding::cause::{Cause, Urgency};
use warmside::page::standing::{House, Standing};
use warmside::page::{needs, wall};
use warmside::terms::time::Span;

/// Text between tags, blanks squeezed.
fn words(html: &str) -> String {
    let mut out = String::new();
    let mut inside = false;
    for c in html.chars() {
        match c {
            '<' => inside = true,
            '>' => (inside, _) = (false, out.push(' ')),
            c if !inside => out.push(c),
            _ => {}
        }
    }
    out.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn answer(view: &View) -> String {
    House::of(view).alright().0
}

#[test]
fn three_questions_are_answered_and_the_counts_add_up() {
    let view = trouble();
    let house = House::of(&view);
    assert_eq!(
        house.alright(),
        ("No. 3 of 24 need you.".into(), "18 in band, 1 not watched, 1 shelved, 1 hands in".into())
    );
    assert_eq!(house.tally.total(), 24);
    let said = words(&wall_of(&view));
    assert!(said.contains("Where first? a3 Juno 23 min left"), "{said}");
    assert!(said.contains("Newest reading 6 s old."), "{said}");
    assert_eq!(needs::title(&house), "3 of 24 need you: a3 Juno first, 23 min");
}

#[test]
fn unknown_is_never_fine() {
    assert_eq!(answer(&calm()), "Yes, all 24.");
    assert_eq!(answer(&empty()), "Nobody is watched yet.");
    let said = words(&wall_of(&empty()));
    assert!(said.contains("Where first? On Setup .") && !said.contains("How to read it"), "{said}");

    let mut deaf = calm();
    deaf.enclosures.iter_mut().for_each(|e| e.condition = Condition::NotWatched);
    let all: Vec<String> = deaf.enclosures.iter().map(|e| e.id.clone()).collect();
    let mut feed = incident("9A", Cause::FeedSilent, Urgency::Now, &[]);
    feed.enclosures = all;
    deaf.incidents = vec![feed];
    deaf.feed.connected = false;
    assert_eq!(answer(&deaf), "Unknown. Nobody can be seen.");
    let (awake, sentence, _) = House::of(&deaf).awake();
    assert!(!awake && sentence.starts_with("No"), "{sentence}");
    let said = words(&wall_of(&deaf));
    assert!(!said.contains("Yes."), "{said}");

    let mut one = calm();
    one.enclosures[4].condition = Condition::NotWatched;
    assert_eq!(answer(&one), "Unknown for 1 of 24.");

    let mut mute = calm();
    mute.post.failing = Some("no route to mail.example.org".into());
    mute.incidents = vec![incident("9B", Cause::PostFailing, Urgency::Now, &[])];
    assert_eq!(answer(&mute), "Yes, but Warmside itself needs you.");
    assert_eq!(House::of(&mute).awake().1, "Awake, but it cannot mail you.");

    let mut shelf = calm();
    shelf.enclosures.iter_mut().for_each(|e| e.condition = Condition::Shelved);
    assert_eq!(answer(&shelf), "Unknown. Nobody is watched now.");
}

#[test]
fn a_shelf_does_not_hide_what_is_urgent() {
    let mut view = calm();
    view.enclosures[2].condition = Condition::Shelved;
    view.incidents = vec![incident("9C", Cause::TooHot, Urgency::Today, &["a3"])];
    assert_eq!(House::of(&view).standings[2], Standing::Shelved);
    view.incidents[0].urgency = Urgency::Now;
    assert_eq!(House::of(&view).standings[2], Standing::Needs);
}

#[test]
fn rows_come_soonest_first_one_an_incident() {
    let view = barn();
    let house = House::of(&view);
    let order: Vec<String> = house.needs.iter().map(|i| house.whom(i)).collect();
    assert_eq!(order, ["d34", "g21–g25"]);
    assert_eq!(house.tally.needs, 6);

    let mut late = trouble();
    late.incidents[1].act_by = Some(at("14:35"));
    late.incidents.push(incident("7Z", Cause::TooCold, Urgency::Now, &["a1"]));
    let house = House::of(&late);
    let order: Vec<&str> = house.needs.iter().map(|i| i.id.as_str()).collect();
    assert_eq!(order, ["7R", "7Q", "7Z", "7S"], "urgent without a known limit: as if it had an hour");
}

#[test]
fn a_limit_that_is_reached_is_said_so() {
    let mut view = trouble();
    view.incidents[0].act_by = Some(house::now() - Span::min(3));
    let said = words(&wall_of(&view));
    assert!(said.contains("a3 Juno now: the limit is reached"), "{said}");
}

#[test]
fn in_band_is_grey_and_only_the_abnormal_has_frame_word_and_number() {
    let view = trouble();
    let house = House::of(&view);
    let html = wall::main(&house, &Default::default(), &wall::Filter::default()).into_string();
    let tile = |id: &str| {
        let from = html.split(&format!("<li id=\"t-{id}\"")).nth(1).unwrap();
        from.split("</li>").next().unwrap().to_owned()
    };
    let (calm, cold, blind, shelved) = (tile("a1"), tile("a3"), tile("b5"), tile("b8"));
    for hue in ["low", "high", "class=\"lo\"", "class=\"hi\"", "num", "s-"] {
        assert!(!calm.contains(hue), "{hue} in {calm}");
    }
    assert!(
        cold.contains("s-low") && cold.contains("no heat") && cold.contains(">27.2<") && cold.contains("23 min left")
    );
    assert!(blind.contains("s-blind") && blind.contains("class=\"si\"") && !blind.contains("min left"));
    assert!(shelved.contains("s-shelf") && !shelved.contains(">27.4<"));
}

#[test]
fn degrees_of_the_site_are_everywhere() {
    let mut view = trouble();
    view.degrees = warmside::terms::quantity::Degrees::F;
    let said = words(&wall_of(&view));
    assert!(said.contains("warm side 81.0, wanted 86–89.6") && said.contains("to 77.0 °F"), "{said}");
    assert!(!said.contains("°C"), "{said}");
}

#[test]
fn pieces_of_the_live_wall_are_those_of_the_page() {
    for view in [trouble(), barn()] {
        let house = House::of(&view);
        let page = wall_of(&view);
        let pieces = wall::pieces(&house, &Default::default());
        assert!(pieces.len() > 2 * view.enclosures.len());
        for (id, html) in pieces {
            assert!(page.contains(&format!("id=\"{id}\"")), "{id} is not in the page");
            if id != "say" && id != "needs" {
                assert!(page.contains(&html), "{id}: {html}");
            }
        }
        balanced(&page);
    }
}
