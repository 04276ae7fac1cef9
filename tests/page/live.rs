//! Live updates: what changed reaches the viewer, beats come with views only, and silence is silence.

use crate::house::{calm, trouble};
use crate::server;
use std::io::BufRead;
use std::sync::Arc;

/// The next event with its data; comments are skipped.
fn next(from: &mut impl BufRead) -> (String, String) {
    let (mut name, mut data) = (String::new(), String::new());
    loop {
        let mut line = String::new();
        assert!(from.read_line(&mut line).expect("still open") > 0, "the stream ended");
        // Chunked bodies put sizes between the lines: they hold no blank after a colon.
        if let Some(rest) = line.strip_prefix("event: ") {
            name = rest.trim_end().to_owned();
        } else if let Some(rest) = line.strip_prefix("data: ") {
            data = rest.trim_end().to_owned();
            return (name, data);
        }
        data.clear();
    }
}

#[test]
fn a_fault_reaches_the_wall_and_brings_a_beat() {
    let server = server::open(calm());
    let page = server.get("/", &[]).text();
    let address = page.split("data-live=\"").nth(1).unwrap().split('"').next().unwrap();
    let mut stream = server.listen(address, &[]);
    // The stream has to be heard before the view changes: its head is.
    let mut line = String::new();
    stream.read_line(&mut line).unwrap();
    assert!(line.contains("200"), "{line}");
    server.view.send_replace(Arc::new(trouble()));
    let (name, data) = next(&mut stream);
    assert_eq!(name, "pieces");
    let said: serde_json::Value = serde_json::from_str(&data).unwrap();
    assert!(said["title"].as_str().unwrap().starts_with("3 of 24 need you"));
    assert!(said["pieces"]["t-a3"].as_str().unwrap().contains("s-low"));
    assert!(said["pieces"]["needs"].as_str().unwrap().contains("a3 Juno"));
    assert_eq!(next(&mut stream).0, "beat");

    // The same again but for one number: only what changed is said.
    let mut view = trouble();
    view.enclosures[0].places[0].celsius = Some(31.7);
    server.view.send_replace(Arc::new(view));
    let (_, data) = next(&mut stream);
    let said: serde_json::Value = serde_json::from_str(&data).unwrap();
    let ids: Vec<&String> = said["pieces"].as_object().unwrap().keys().collect();
    assert_eq!(ids, ["r-a1", "t-a1"], "{data}");
}

#[test]
fn an_enclosure_is_live_without_touching_its_forms() {
    let server = server::open(calm());
    let mut stream = server.listen("/live/e/a3", &[]);
    let mut line = String::new();
    stream.read_line(&mut line).unwrap();
    server.view.send_replace(Arc::new(trouble()));
    let (_, data) = next(&mut stream);
    let said: serde_json::Value = serde_json::from_str(&data).unwrap();
    assert!(said["pieces"]["head"].as_str().unwrap().contains("no heat"));
    assert!(said["pieces"].as_object().unwrap().keys().all(|id| id != "forms"));
    assert_eq!(next(&mut stream).0, "beat");
}

#[test]
fn the_token_of_a_viewer_is_in_their_own_buttons_only() {
    let mut one = calm();
    one.keepers.truncate(1);
    let mut worse = trouble();
    worse.keepers.truncate(1);
    let server = server::locked(one);
    let (mine, yours) = (server.login(), server.login());
    let token = |cookie: &str| server.get("/", &[("cookie", cookie)]).token();
    let (my_token, your_token) = (token(&mine), token(&yours));
    assert_ne!(my_token, your_token);
    let mut streams = [&mine, &yours].map(|cookie| {
        let mut stream = server.listen("/live/wall", &[("cookie", cookie)]);
        let mut line = String::new();
        stream.read_line(&mut line).unwrap();
        stream
    });
    server.view.send_replace(Arc::new(worse));
    let [first, second] = streams.each_mut().map(|s| next(s).1);
    assert!(first.contains(&my_token) && !first.contains(&your_token));
    assert!(second.contains(&your_token) && !second.contains(&my_token));
}
