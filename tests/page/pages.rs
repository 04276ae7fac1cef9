//! Enclosure, setup, ledger and mails: what they show, and what they show when there is nothing.

use crate::house::{calm, empty, now, trouble};
use crate::stored::Stored;
use crate::{balanced, server};
use std::sync::Arc;
use warmside::page::listen::Patience;
use warmside::terms::time::Span;

fn stored() -> server::Server {
    server::start(trouble(), false, Arc::new(Stored { days: 400, failing: false }), Patience::default())
}

#[test]
fn an_enclosure_tells_what_a_woken_keeper_asks() {
    let text = stored().get("/e/a3", &[]).text();
    for said in [
        "a3 Juno: no heat",
        "23 min",
        "until 14:55",
        "your limit",
        "Spare emitter: drawer 2. Plug 4.",
        "Nobody yet.",
        "Mailed to Ines 14:11, Ines 14:26.",
        "Tom, neighbour is mailed at 14:45.",
        "About 22.4",
        "7 others",
        "Since it began",
        "time constant of 59 min",
        "spare &lt;emitter&gt; tested",
    ] {
        assert!(text.contains(said), "{said} is missing");
    }
    balanced(&text);
}

#[test]
fn plots_of_any_stretch_are_small_and_a_gap_is_a_gap() {
    let server = stored();
    let lines = |text: &str| {
        let d = text.split("class=\"wl\" d=\"").nth(1).map_or("", |d| d.split('"').next().unwrap_or(""));
        (d.matches('M').count(), d.matches('L').count())
    };
    let day = server.get("/e/a1?span=24h", &[]).text();
    let (pieces, points) = lines(&day);
    assert_eq!(pieces, 2, "the gap at noon splits the line");
    assert!((120..150).contains(&points), "{points}");
    for span in ["7d", "90d", "1y", "nonsense"] {
        let text = server.get(&format!("/e/a1?span={span}"), &[]).text();
        assert!((100..1_000).contains(&lines(&text).1), "{span}: {:?}", lines(&text));
        assert!(text.len() < 200_000, "{span}: {}", text.len());
        balanced(&text);
    }
    let earlier = now() - Span::days(30);
    let text = server.get(&format!("/e/a1?span=7d&until={}", earlier.as_ms()), &[]).text();
    assert!(text.contains("until Sun 1 February") && text.contains(">later<"), "the way back is there");
    for until in ["x", "-9223372036854775808", "9223372036854775807", "99999999999999999999"] {
        assert_eq!(server.get(&format!("/e/a1?span=1y&until={until}"), &[]).status, 200, "{until}");
    }
}

#[test]
fn setup_shows_what_lacks_first_and_what_nobody_reads() {
    let text = server::open(trouble()).get("/setup", &[]).text();
    assert!(text.contains("No. 1 of 24 lacks something."));
    assert!(
        text.contains("silent since 13:10")
            && text.contains("{&quot;t&quot;:100.9}")
            && text.contains("no enclosure is that hot")
    );
    assert!(text.find("id=\"setup-b5\"").unwrap() < text.find("id=\"setup-a1\"").unwrap());
    assert!(server::open(calm()).get("/setup", &[]).text().contains("Yes, all 24."));
    for path in ["/", "/setup", "/ledger", "/mails"] {
        let text = server::open(empty()).get(path, &[]).text();
        balanced(&text);
    }
}

#[test]
fn ledger_and_mails_are_found_and_shown_as_they_went() {
    let server = stored();
    let all = server.get("/ledger", &[]).text();
    assert!(all.contains("Reminder: no heat") && all.contains("I have it"));
    let found = server.get("/ledger?q=WATER+tom", &[]).text();
    assert!(found.contains("water changed") && !found.contains("Reminder"));
    let one = server.get("/ledger?enclosure=c1", &[]).text();
    assert!(one.contains("I have it") && !one.contains("Reminder"));
    let mails = server.get("/mails?q=falling", &[]).text();
    assert!(mails.contains("/mails/7Q.1") && !mails.contains("daily."));
    let mail = server.get("/mails/7Q.1", &[]).text();
    assert!(mail.contains("none arrives. &lt;b&gt;") && mail.contains("250 2.0.0 kept") && mail.contains("went out"));
    assert_eq!(server.get("/mails/none", &[]).status, 404);
}
