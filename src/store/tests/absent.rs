//! A store that cannot be opened: the house is watched without it, what can be read is read, and it is taken up later.

use super::*;
use crate::engine::event::StoreOutcome;
use crate::store::FILE;
use std::sync::atomic::AtomicBool;

/// A disk that refuses to open anything while `away` is set.
fn fickle() -> (Arc<AtomicBool>, Hook) {
    let away = Arc::new(AtomicBool::new(true));
    let asked = Arc::clone(&away);
    let hook: Hook = Arc::new(move |_| {
        let error = rusqlite::ffi::Error::new(rusqlite::ffi::SQLITE_FULL);
        if asked.load(Ordering::SeqCst) { Err(rusqlite::Error::SqliteFailure(error, None)) } else { Ok(()) }
    });
    (away, hook)
}

fn raise(house: &House, id: &str) -> Result<(), Error> {
    let (key, _) = id.split_once('.').unwrap();
    let rows = vec![row(&format!("incident/{key}"), &format!("{id:?}"))];
    house.store.commit(wall(START), rows, vec![notice(id, Urgency::Now, false)]).wait()
}

fn failing(told: &[Told]) -> usize {
    told.iter().filter(|word| matches!(word, Told::Health(StoreOutcome::Failing(_)))).count()
}

fn due(house: &House) -> Vec<String> {
    house.store.due(wall(i64::MAX), 9).wait().unwrap().into_iter().map(|mail| mail.notice.id).collect()
}

fn readings(folder: &Folder) -> usize {
    let reader = Reader::open(&folder.0).unwrap();
    reader.readings(WARM, wall(i64::MIN), wall(i64::MAX), usize::MAX).unwrap().len()
}

#[test]
fn a_fresh_store_that_the_disk_refuses_is_begun_when_it_can_be() {
    let folder = Folder::new();
    let (away, hook) = fickle();
    let house = try_open(&folder.0, START, Some(hook)).unwrap();
    assert!(house.found.rows.is_empty() && house.found.last.is_none() && house.found.site.len() == 32);
    assert!(
        matches!(&house.told()[..], [Told::Health(StoreOutcome::Failing(why))] if why.contains("full") && why.contains("in memory")),
        "{:?}",
        house.told()
    );
    assert!(matches!(raise(&house, "7Q.1"), Err(Error::Owed(_))));
    for i in 0..100 {
        house.store.keep(&reading(0, START + i, 28.0));
    }
    assert!(house.store.flush().wait().is_err());
    assert_eq!(due(&house), ["7Q.1"], "mailed all the same");
    // The disk has room again: nothing is opened before the next look, all is written at it.
    away.store(false, Ordering::SeqCst);
    assert!(house.store.flush().wait().is_err());
    house.set(START + 10_000);
    house.store.flush().wait().unwrap();
    assert_eq!(house.told().last(), Some(&Told::Health(StoreOutcome::Healthy)));
    assert_eq!((failing(&house.told()), readings(&folder)), (1, 100));
    let again = open(&folder.copy(), START + 20_000);
    assert_eq!(
        (&again.found.site, again.found.rows.len()),
        (&house.found.site, 1),
        "one house, one kind of Message-ID"
    );
    assert_eq!(due(&again), ["7Q.1"]);
}

#[test]
fn a_known_store_that_cannot_be_written_is_read_and_goes_on() {
    let folder = Folder::new();
    let house = open(&folder, START);
    raise(&house, "7Q.1").unwrap();
    house.store.keep(&reading(0, START, 28.0));
    // Both as a crash leaves it, with its log, and as it is after an end in good order.
    let crashed = folder.copy();
    std::fs::copy(folder.0.join("warmside.db-shm"), crashed.0.join("warmside.db-shm")).unwrap();
    house.store.close().wait().unwrap();
    let site = house.found.site.clone();
    drop(house);
    for (folder, kept) in [(&crashed, 2), (&folder, 3)] {
        let (away, hook) = fickle();
        let house = try_open(&folder.0, START + 60_000, Some(hook)).unwrap();
        assert_eq!((&house.found.site, house.found.rows.len()), (&site, 1), "who was told what is known");
        assert_eq!(due(&house), ["7Q.1"]);
        house.store.keep(&reading(0, START + 61_000, 28.0));
        house.store.keep(&reading(0, START + 62_000, 28.0));
        assert!(raise(&house, "8R.1").is_err());
        away.store(false, Ordering::SeqCst);
        house.set(START + 70_000);
        house.store.flush().wait().unwrap();
        assert_eq!(readings(folder), kept);
        let gaps = Reader::open(&folder.0).unwrap().gaps(wall(START), wall(i64::MAX)).unwrap();
        let spans: Vec<_> =
            gaps.iter().map(|g| (g.since.as_ms() - START, g.until.map(|u| u.as_ms() - START))).collect();
        assert_eq!(spans, [(0, Some(60_000))], "not listening until the start, not until the disk came back");
        house.store.close().wait().unwrap();
        let again = open(&folder.copy(), START + 80_000);
        assert_eq!((again.found.rows.len(), due(&again).len()), (2, 2));
    }
}

#[test]
fn an_older_store_that_comes_back_is_not_mixed_with_what_was_lived_without_it() {
    let folder = Folder::new();
    let house = open(&folder, START);
    raise(&house, "7Q.1").unwrap();
    house.store.close().wait().unwrap();
    let site = house.found.site.clone();
    drop(house);
    // Not even readable: something else lies in its place.
    let (file, away) = (folder.0.join(FILE), folder.0.join("elsewhere"));
    std::fs::rename(&file, &away).unwrap();
    std::fs::create_dir(&file).unwrap();
    let house = open(&folder, START + 60_000);
    assert_ne!(house.found.site, site);
    assert_eq!((failing(&house.told()), house.found.rows.len()), (1, 0));
    assert!(raise(&house, "7Q.1").is_err());
    house.store.keep(&reading(0, START + 61_000, 28.0));
    std::fs::remove_dir(&file).unwrap();
    std::fs::rename(&away, &file).unwrap();
    house.set(START + 70_000);
    assert!(house.store.flush().wait().is_err());
    assert!(!house.told().contains(&Told::Older), "a mail still waits, and would be lost");
    let to =
        ["ines@example.org", "tom@example.org"].map(|a| (a.to_owned(), crate::store::Fate::Accepted, String::new()));
    let settled = Settled { notice: "7Q.1".into(), at: wall(START), next: wall(START), to: to.to_vec() };
    let _ = house.store.settle(settled).wait();
    house.set(START + 80_000);
    assert!(house.store.flush().wait().is_err());
    assert_eq!(house.told().last(), Some(&Told::Older));
    assert_eq!(readings(&folder), 1, "what was read is handed over");
    drop(house);
    let again = open(&folder.copy(), START + 90_000);
    assert_eq!((&again.found.site, due(&again).len()), (&site, 1), "its own past, its own mail");
}

#[test]
fn a_folder_that_cannot_be_made_is_made_later() {
    let folder = Folder::new();
    let state = folder.0.join("card/state");
    std::fs::write(folder.0.join("card"), "a file where the card is mounted").unwrap();
    let house = try_open(&state, START, None).unwrap();
    assert!(!house.found.locked && failing(&house.told()) == 1);
    assert!(raise(&house, "7Q.1").is_err());
    std::fs::remove_file(folder.0.join("card")).unwrap();
    house.set(START + 10_000);
    house.store.flush().wait().unwrap();
    assert_eq!(house.told().last(), Some(&Told::Health(StoreOutcome::Healthy)));
    assert!(matches!(try_open(&state, START, None), Err(Error::InUse(_))), "and is locked from then on");
}
