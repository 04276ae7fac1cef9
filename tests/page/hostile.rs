//! Names and payloads are other people's words: none of them may become markup, on any page.

use crate::house::{incident, trouble};
use crate::{balanced, server, wall_of};
use warmside::engine::view::{CircuitView, KeeperView, View};
use warmside::finding::cause::{Cause, Urgency};
use warmside::page::listen::Patience;
use warmside::page::past::NoPast;

const EVIL: &str = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>&amp;\u{202e}";

fn hostile() -> View {
    let mut view = trouble();
    let evil = || EVIL.to_owned();
    view.site = evil();
    for e in &mut view.enclosures {
        e.animal = Some(evil());
        e.what_to_do = Some(evil());
        e.where_ = vec![evil(), evil(), evil()];
        e.heat.learned = vec![evil()];
        e.places[0].unseen = Some(evil());
    }
    view.rooms.iter_mut().for_each(|r| r.name = evil());
    view.circuits = vec![CircuitView { id: evil(), name: evil() }, CircuitView { id: "c2".into(), name: evil() }];
    view.keepers = vec![KeeperView { id: "x".into(), name: evil() }, KeeperView { id: evil(), name: evil() }];
    for i in &mut view.incidents {
        i.what = evil();
        i.answered = Some((evil(), i.since));
        i.told = vec![(evil(), i.since)];
    }
    view.incidents[0].answered = None;
    view.incidents[0].next = Some((evil(), view.at.wall));
    view.post.failing = Some(evil());
    view.store_failing = Some(evil());
    for p in &mut view.probes {
        p.topic = evil();
        p.payload = Some(evil());
        p.name = evil();
        p.doubt = Some(evil());
    }
    for u in &mut view.unread {
        u.topic = evil();
        u.payload = evil();
        u.refused = Some(evil());
    }
    view
}

/// No tag that we do not write, no attribute that acts.
fn harmless(html: &str) {
    assert!(!html.contains("<img") && !html.contains("<script>"), "a foreign tag: {html}");
    for tag in html.split('<').skip(1).filter_map(|t| t.split('>').next()) {
        assert!(!tag.contains(" onerror=") || tag.contains("&gt;"), "{tag}");
    }
    balanced(html);
}

#[test]
fn hostile_names_stay_text_on_every_page() {
    let server = server::open(hostile());
    for path in crate::PAGES {
        let got = server.get(path, &[]);
        assert_eq!(got.status, 200, "{path}");
        harmless(&got.text());
    }
    let mut ids = hostile();
    ids.enclosures[0].id = EVIL.to_owned();
    ids.incidents.push(incident(EVIL, Cause::TooCold, Urgency::Now, &[EVIL]));
    harmless(&wall_of(&ids));
}

#[test]
fn path_tricks_find_nothing() {
    let server = server::open(trouble());
    for path in [
        "/../../etc/passwd",
        "/e/..%2f..%2fetc%2fpasswd",
        "/e/%00",
        "/e/a3%0d%0aset-cookie:%20a=b",
        "/style.css/../../Cargo.toml",
        "//evil.example/",
        "/e/%ff%fe",
        "/i/%3Cscript%3Ealert(1)%3C/script%3E",
    ] {
        let got = server.get(path, &[]);
        assert!([400, 404, 405].contains(&got.status), "{path}: {}", got.status);
        assert!(!got.text().contains("<script>alert"), "{path}");
        assert!(!got.headers.contains_key("set-cookie"));
    }
}

#[test]
fn who_drips_or_says_nothing_is_cut_off_and_the_others_are_served() {
    use std::io::{Read, Write};
    use std::net::TcpStream;
    let short = std::time::Duration::from_millis(300);
    let patience = Patience { request: short, idle: short, stuck: short };
    let server = server::start(trouble(), false, std::sync::Arc::new(NoPast), patience);
    let mut slow: Vec<TcpStream> = (0..50).map(|_| TcpStream::connect(server.at).unwrap()).collect();
    for (i, stream) in slow.iter_mut().enumerate().filter(|(i, _)| i % 2 == 0) {
        let drip = if i % 4 == 0 {
            "GET / HTTP/1.1\r\nhost: x\r\nx-drip: "
        } else {
            "POST /drill HTTP/1.1\r\ncontent-length: 900\r\n\r\n"
        };
        stream.write_all(drip.as_bytes()).unwrap();
    }
    assert_eq!(server.get("/", &[]).status, 200, "beside fifty who wait");
    for stream in &mut slow {
        // Each is ended by the server: what never comes is seen by the test that hangs.
        let mut rest = Vec::new();
        let _ = stream.read_to_end(&mut rest);
        assert!(!String::from_utf8_lossy(&rest).contains("200 OK"));
    }
    assert_eq!(server.get("/alive", &[]).status, 200);
    assert!(server.said.lock().unwrap().is_empty());
}

#[test]
fn too_large_is_refused_and_the_server_lives() {
    let server = server::open(trouble());
    let token = server.get("/e/a3", &[]).token();
    let long = format!("token={token}&by=ines&note={}", "x".repeat(20_000));
    for path in ["/e/a3/mark", "/setup/tie", "/setup/seal", "/drill", "/login"] {
        assert_eq!(server.post(path, &[], &long).status, 413, "{path}");
    }
    let huge = server::request("GET", "/", server.at, &[("x-long", &"y".repeat(200_000))], "");
    if let Some(got) = server.raw(huge.as_bytes()) {
        assert!((400..500).contains(&got.status), "{}", got.status);
    }
    let many: String = (0..500).map(|n| format!("x-{n}: 1\r\n")).collect();
    let got = server.raw(format!("GET / HTTP/1.1\r\nhost: {}\r\n{many}\r\n", server.at).as_bytes());
    assert!(got.is_none_or(|g| g.status >= 400));
    for rubbish in
        [&b"\0\xff\xfe\r\n\r\n"[..], b"GET / HTTP/9.9\r\n\r\n", b"POST / HTTP/1.1\r\ncontent-length: -1\r\n\r\n"]
    {
        assert!(server.raw(rubbish).is_none_or(|g| g.status >= 400));
    }
    assert!(server.said.lock().unwrap().is_empty());
    assert_eq!(server.get("/", &[]).status, 200);
}
