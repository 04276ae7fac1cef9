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
    // What nobody drew while nobody looked: first what all see, then what each reader sees alone.
    assert!(next(&mut stream).1.contains("\"t-a3\"") && next(&mut stream).1.contains("\"needs\""));
    server.view.send_replace(Arc::new(trouble()));
    let (name, data) = next(&mut stream);
    assert_eq!(name, "pieces", "without a fresh view there is no beat");
    let said: serde_json::Value = serde_json::from_str(&data).unwrap();
    assert!(said["title"].as_str().unwrap().starts_with("3 of 24 need you"));
    assert!(said["pieces"]["t-a3"].as_str().unwrap().contains("s-low"));
    let own: serde_json::Value = serde_json::from_str(&next(&mut stream).1).unwrap();
    assert_eq!(own["pieces"].as_object().unwrap().len(), 1);
    assert!(own["pieces"]["needs"].as_str().unwrap().contains("a3 Juno"));
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
    assert_eq!(next(&mut stream).0, "pieces");
    server.view.send_replace(Arc::new(trouble()));
    let (name, data) = next(&mut stream);
    assert_eq!(name, "pieces", "the first words are no beat");
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
        assert_eq!(next(&mut stream).0, "pieces");
        stream
    });
    server.view.send_replace(Arc::new(worse));
    // Another viewer's coming may draw the calm wall once more before.
    let needs = |stream: &mut _| {
        std::iter::repeat_with(|| next(stream).1)
            .find(|said| said.contains("\"needs\"") && said.contains("a3 Juno"))
            .unwrap()
    };
    let [first, second] = streams.each_mut().map(needs);
    assert!(first.contains(&my_token) && !first.contains(&your_token));
    assert!(second.contains(&your_token) && !second.contains(&my_token));
}

/// 200 viewers of a wall of 300: how long a changed number takes to the last of them.
#[test]
#[ignore = "measures; run it alone"]
#[expect(clippy::disallowed_methods, reason = "a measurement looks at a clock")]
fn two_hundred_viewers() {
    use std::sync::mpsc;
    use std::time::Instant;
    let server = server::open(crate::house::barn());
    let (heard, hears) = mpsc::channel::<Instant>();
    let viewers: Vec<_> = (0..200)
        .map(|_| {
            let (mut stream, heard) = (server.listen("/live/wall", &[]), heard.clone());
            std::thread::spawn(move || {
                while !next(&mut stream).1.contains("\"needs\"") {}
                heard.send(Instant::now()).unwrap();
                for _ in 0..10 {
                    while next(&mut stream).0 != "pieces" {}
                    heard.send(Instant::now()).unwrap();
                }
            })
        })
        .collect();
    (0..200).for_each(|_| assert!(hears.recv().is_ok()));
    std::thread::sleep(std::time::Duration::from_secs(2));
    let mut late = Vec::new();
    for round in 0..10 {
        let mut view = crate::house::barn();
        for e in &mut view.enclosures {
            e.places[0].celsius = Some(30.1 + f64::from(round) * 0.15);
        }
        let sent = Instant::now();
        server.view.send_replace(Arc::new(view));
        late.extend((0..200).map(|_| hears.recv().unwrap().duration_since(sent).as_secs_f64() * 1e3));
        std::thread::sleep(std::time::Duration::from_millis(1_500));
    }
    viewers.into_iter().for_each(|v| v.join().unwrap());
    late.sort_by(f64::total_cmp);
    println!(
        "to the screen's script: median {:.0} ms, p99 {:.0} ms, all 300 tiles changed",
        late[late.len() / 2],
        late[late.len() * 99 / 100]
    );
}
