//! Houses for a browser to look at, driven by files: see `tests/real/page/`.

use crate::house::{barn, blind, calm, empty, few, trouble};
use crate::server::{self, Server};
use crate::stored::Stored;
use std::fs;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use warmside::config::tied::Fate;
use warmside::engine::event::Order;
use warmside::engine::view::{Condition, View};
use warmside::page::listen::Patience;
use warmside::terms::time::{Now, Span};

/// Carries out what keepers said, as an engine would for all that the page can see.
fn obey(view: &mut View, server: &Server, done: &mut usize) {
    let said = server.said.lock().unwrap().clone();
    for command in &said[*done..] {
        let at = view.at.wall;
        let mut shelf = |id: &str, condition, until| {
            for e in view.enclosures.iter_mut().filter(|e| e.id == id) {
                (e.condition, e.shelved_until) = (condition, until);
            }
        };
        match &command.order {
            Order::AcknowledgeIncident { incident } => {
                for i in view.incidents.iter_mut().filter(|i| i.id == *incident) {
                    i.answered = Some((command.by.clone(), at));
                }
            }
            Order::Shelve { enclosure, until } => shelf(enclosure, Condition::Shelved, Some(*until)),
            Order::Unshelve { enclosure } => shelf(enclosure, Condition::InBand, None),
            _ => {}
        }
    }
    *done = said.len();
}

/// `WARMSIDE_HOUSE=folder cargo test --test page -- --ignored for_a_browser`: ends when `folder/stop` is there.
#[test]
#[ignore = "serves pages to a browser until it is told to stop"]
fn for_a_browser() {
    let folder = std::env::var("WARMSIDE_HOUSE").expect("a folder");
    let folder = Path::new(&folder);
    let past = || Arc::new(Stored { days: 400, failing: false });
    let open = server::start(calm(), false, past(), Patience::default());
    let locked = server::start(trouble(), true, past(), Patience::default());
    // Somebody is setting up: what is heard waits, one tie is untouched, one cannot be read.
    for server in [&open, &locked] {
        let mut laid = server.bench.look();
        crate::tied::lay(&mut laid);
        let waits = crate::tied::tie("cool_side.temperature", "rack/b5/cool/temp");
        let idle = crate::tied::tie("hide.temperature", "old/hide");
        let why = "your own file counts: two links read the same probe".to_owned();
        laid.tied.all = vec![(waits, Fate::Waits), (idle, Fate::Idle(why))];
    }
    // Houses that only stand there: five, three hundred, one that is deaf and dumb with a store that cannot be read, and
    // one that is new and empty.
    let still = [("few", few()), ("barn", barn()), ("blind", blind()), ("empty", empty())].map(|(name, view)| {
        let past = Arc::new(Stored { days: 400, failing: name == "blind" });
        (name, server::start(view, false, past, Patience::default()))
    });
    for (name, server) in &still {
        fs::write(folder.join(format!("{name}.url")), format!("http://{}\n", server.at)).unwrap();
    }
    fs::write(folder.join("open.url"), format!("http://{}\n", open.at)).unwrap();
    fs::write(folder.join("locked.url"), format!("http://{}\n", locked.at)).unwrap();
    let (mut view, mut done) = (calm(), 0);
    while !folder.join("stop").exists() {
        if folder.join("trouble").exists() && view.incidents.is_empty() {
            view = trouble();
        }
        obey(&mut view, &open, &mut done);
        view.at = Now { mono: view.at.mono + Span::s(1), wall: view.at.wall };
        open.view.send_replace(Arc::new(view.clone()));
        still.iter().for_each(|(_, server)| server.view.send_modify(|_| {}));
        std::thread::sleep(Duration::from_millis(100));
    }
}
