//! The store under test: a folder that goes away, a clock that is set, and what the writer told.

mod absent;
mod archive;
mod copy;
mod faults;
mod outbox;
mod size;

use super::reader::Reader;
use super::{Error, Found, Hook, Names, Opening, Settled, Store, Told, settings};
use crate::finding::cause::Urgency;
use crate::incident::Row;
use crate::notice::NoticeRow;
use crate::reading::{Reading, Slot, Target};
use crate::terms::id::{EnclosureIx, ProbeIx};
use crate::terms::place::Place;
use crate::terms::quantity::Quantity;
use crate::terms::time::{Mono, Now, Span, Wall};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicI64, AtomicU32, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

/// 2026-01-05T00:00:00Z.
const START: i64 = 1_767_571_200_000;
const HOUR: i64 = 3_600_000;
const WARM: &str = "enclosure/a1/warm_side.temperature";

/// A folder of its own under the system's temporary one, removed at the end.
struct Folder(PathBuf);

impl Folder {
    fn new() -> Folder {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let name = format!("warmside-store-{}-{}", std::process::id(), COUNT.fetch_add(1, Ordering::Relaxed));
        let path = std::env::temp_dir().join(name);
        std::fs::create_dir_all(&path).unwrap();
        Folder(path)
    }
    /// What a `kill -9` at this moment would leave behind.
    fn copy(&self) -> Folder {
        copy_of(&self.0)
    }
}

fn copy_of(from: &Path) -> Folder {
    let copy = Folder::new();
    for name in ["warmside.db", "warmside.db-wal"] {
        if from.join(name).exists() {
            std::fs::copy(from.join(name), copy.0.join(name)).unwrap();
        }
    }
    copy
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// An opened store with the clock it goes by and what it told.
struct House {
    store: Store,
    found: Found,
    wall: Arc<AtomicI64>,
    /// Wall clock minus monotonic clock, ms.
    leapt: Arc<AtomicI64>,
    told: Arc<Mutex<Vec<Told>>>,
}

fn try_open(folder: &Path, wall: i64, hook: Option<Hook>) -> Result<House, Error> {
    open_keeping(folder, wall, hook, Span::days(90))
}

fn open_keeping(folder: &Path, wall: i64, hook: Option<Hook>, keep_readings: Span) -> Result<House, Error> {
    let clock = Arc::new(AtomicI64::new(wall));
    let told = Arc::new(Mutex::new(Vec::new()));
    let leapt = Arc::new(AtomicI64::new(0));
    let (ticks, leap, heard) = (Arc::clone(&clock), Arc::clone(&leapt), Arc::clone(&told));
    let settings = settings::Settings { folder: folder.to_owned(), keep_readings, keep_summaries: Span::days(5 * 365) };
    let opening = Opening {
        names: Names { enclosures: (1..=20).map(|i| (format!("a{i}"), vec![])).collect(), rooms: vec![] },
        clock: Arc::new(move || {
            let mono = ticks.load(Ordering::SeqCst);
            Now { mono: Mono::from_ms(mono), wall: Wall::from_ms(mono + leap.load(Ordering::SeqCst)) }
        }),
        tell: Box::new(move |word| heard.lock().unwrap_or_else(PoisonError::into_inner).push(word)),
        hook,
    };
    let (store, found) = Store::open(&settings, opening)?;
    Ok(House { store, found, wall: clock, leapt, told })
}

fn open(folder: &Folder, wall: i64) -> House {
    try_open(&folder.0, wall, None).unwrap()
}

impl House {
    fn set(&self, wall: i64) {
        self.wall.store(wall, Ordering::SeqCst);
    }
    /// Moves the wall clock and not the monotonic one.
    fn leap(&self, by: Span) {
        self.leapt.fetch_add(by.as_ms(), Ordering::SeqCst);
    }
    fn told(&self) -> Vec<Told> {
        self.told.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
    /// Goes round until nothing is left to pack or delete.
    fn settle_archive(&self) {
        self.store.go_round().wait().unwrap();
    }
}

fn reading(enclosure: u16, t: i64, value: f64) -> Reading {
    Reading {
        probe: ProbeIx(u32::from(enclosure)),
        target: Target::Enclosure(EnclosureIx(enclosure)),
        slot: Slot::At(Place::WarmSide, Quantity::Temperature),
        at: Now { mono: Mono::from_ms(t), wall: Wall::from_ms(t) },
        measured: None,
        value,
        retained: false,
    }
}

fn notice(id: &str, urgency: Urgency, digest: bool) -> NoticeRow {
    NoticeRow {
        id: id.to_owned(),
        thread: None,
        json: "{}".to_owned(),
        urgency,
        digest,
        to: vec![("ines".into(), "ines@example.org".into()), ("tom".into(), "tom@example.org".into())],
        subject: "a1: no heat, 29.1 C and falling".to_owned(),
        text: "a1\nACT BY ABOUT 14:55\n".to_owned(),
        html: String::new(),
        picture: None,
    }
}

fn row(key: &str, json: &str) -> Row {
    Row { key: key.to_owned(), json: Some(json.to_owned()) }
}

fn wall(ms: i64) -> Wall {
    Wall::from_ms(ms)
}
