//! The page from made-up views: what it says, what it costs, who gets in, and what it never lets through.

mod browser;
mod costs;
mod door;
mod hostile;
mod house;
mod live;
mod pages;
mod programs;
mod says;
mod server;
mod stored;
mod tied;
mod tls;

use std::fs;
use std::path::Path;
use std::sync::Arc;
use warmside::engine::view::View;
use warmside::page::asset;
use warmside::page::frame::{Here, Page, Reader, Reload};
use warmside::page::listen::Patience;
use warmside::page::standing::House;
use warmside::page::{needs, wall};

/// Every page with a made-up house in trouble.
const PAGES: &[&str] = &[
    "/",
    "/?room=snake-room",
    "/e/a3",
    "/e/b5",
    "/e/b8",
    "/i/7Q",
    "/setup",
    "/setup/touch",
    "/ledger",
    "/ledger?enclosure=a3",
    "/mails",
];
/// What programs read.
const FOR_PROGRAMS: &[&str] = &[
    "/metrics",
    "/api/1/openapi.json",
    "/api/1/house",
    "/api/1/enclosures",
    "/api/1/enclosures/a3",
    "/api/1/incidents",
    "/api/1/incidents/7Q",
    "/api/1/probes",
    "/api/1/readings?probe=enclosure/a3/warm_side.temperature",
];

fn wall_of(view: &View) -> String {
    let house = House::of(view);
    let reader = Reader { token: "t".repeat(43), who: None, logged_in: true };
    let main = wall::main(&house, &reader, &wall::Filter::default());
    let (title, live) = (needs::title(&house), Some("/live/wall".to_owned()));
    Page {
        house: &house,
        reader: &reader,
        here: Here::Wall,
        title,
        live,
        reload: Reload::WithoutScript,
        age_s: 0,
        main,
    }
    .draw()
    .into_string()
}

/// Every tag is closed, in order: SVG inside HTML forgives nothing.
fn balanced(html: &str) {
    const VOID: &[&str] = &["meta", "link", "input", "br", "hr", "!DOCTYPE"];
    let mut open: Vec<String> = Vec::new();
    let mut rest = html;
    while let Some(at) = rest.find('<') {
        let tag = rest[at + 1..].split('>').next().unwrap_or("");
        rest = &rest[at + 1..];
        let name = tag.trim_start_matches('/').split([' ', '/']).next().unwrap_or("").to_owned();
        if let Some(closed) = tag.strip_prefix('/') {
            assert_eq!(
                open.pop().as_deref(),
                Some(closed),
                "closed out of order near {:?}",
                &rest[..rest.len().min(80)]
            );
        } else if !tag.ends_with('/') && !VOID.contains(&name.as_str()) {
            open.push(name);
        }
    }
    assert!(open.is_empty(), "left open: {open:?}");
}

/// Writes pages to look at: `WARMSIDE_PICTURES=folder cargo test --test page -- --ignored pictures`.
#[test]
#[ignore = "draws pages for people to look at"]
fn pictures() {
    let folder = std::env::var("WARMSIDE_PICTURES").expect("a folder");
    let folder = Path::new(&folder);
    fs::write(folder.join("style.css"), asset::STYLE_TEXT).unwrap();
    let write = |name: &str, html: String| {
        fs::write(folder.join(format!("{name}.html")), html.replace("/style.css?", "style.css?")).unwrap();
    };
    for (name, view) in [
        ("wall-calm", house::calm()),
        ("wall-trouble", house::trouble()),
        ("wall-barn", house::barn()),
        ("wall-few", house::few()),
        ("wall-empty", house::empty()),
    ] {
        write(name, wall_of(&view));
    }
    let stored = Arc::new(stored::Stored { days: 400, failing: false });
    let server = server::start(house::trouble(), false, stored, Patience::default());
    for (name, path) in [
        ("enclosure-trouble", "/e/a3"),
        ("enclosure-calm", "/e/a1"),
        ("enclosure-week", "/e/a1?span=7d"),
        ("incident", "/i/7Q"),
        ("setup", "/setup"),
        ("ledger", "/ledger"),
        ("mails", "/mails"),
        ("mail", "/mails/7Q.1"),
    ] {
        write(name, server.get(path, &[]).text());
    }
    write("login", server::locked(house::trouble()).get("/login", &[]).text());
}
