//! What the disk can do: refuse at any step, lose us at any step, be full, be damaged, be somebody else's.

use super::*;
use crate::engine::event::StoreOutcome;
use crate::store::{FILE, opening};
use rusqlite::Connection;
use std::io::{Seek, SeekFrom, Write};
use std::sync::atomic::AtomicUsize;

fn full() -> rusqlite::Error {
    rusqlite::Error::SqliteFailure(rusqlite::ffi::Error::new(rusqlite::ffi::SQLITE_FULL), None)
}

/// Changes that belong together: the incident's row, a deleted one, its mail.
fn change(house: &House, n: i64) -> Result<(), Error> {
    let rows = vec![row("incident/7Q", &n.to_string()), Row { key: "shelf/a1".into(), json: None }];
    let notices = vec![notice(&format!("7Q.{n}"), Urgency::Now, false)];
    house.store.commit(wall(START + n), rows, notices).wait()
}

/// The number in the incident's row, after asserting that exactly the mails up to it are there.
fn whole(folder: &Folder) -> i64 {
    let house = open(folder, START + 10_000);
    let n = house
        .found
        .rows
        .iter()
        .find(|r| r.key == "incident/7Q")
        .map_or(0, |r| r.json.as_ref().unwrap().parse().unwrap());
    let mails = house.store.due(wall(i64::MAX), 100).wait().unwrap();
    let ids: Vec<_> = mails.iter().map(|m| m.notice.id.clone()).collect();
    assert_eq!(ids, (1..=n).map(|i| format!("7Q.{i}")).collect::<Vec<_>>(), "row and mails of one mind");
    assert!(mails.iter().all(|m| m.to.len() == 2), "no mail without its recipients");
    n
}

#[test]
fn a_refusal_at_any_step_leaves_all_or_nothing_and_the_mail_due() {
    let mut at_step = 0;
    loop {
        let folder = Folder::new();
        let steps = Arc::new(AtomicUsize::new(usize::MAX / 2));
        let counted = Arc::clone(&steps);
        // Every step from the chosen one on is refused, so that the retries are too.
        let hook: Hook = Arc::new(move |_| {
            let left = counted.load(Ordering::SeqCst);
            if left == 0 {
                return Err(full());
            }
            counted.store(left - 1, Ordering::SeqCst);
            Ok(())
        });
        let house = try_open(&folder.0, START, Some(hook)).unwrap();
        change(&house, 1).unwrap();
        steps.store(at_step, Ordering::SeqCst);
        let changed = change(&house, 2);
        // On the disk: both or neither.
        let on_disk = whole(&folder.copy());
        assert_eq!(house.store.due(wall(i64::MAX), 9).wait().unwrap().len(), 2, "due, whatever the disk says");
        if changed.is_ok() {
            assert_eq!(on_disk, 2);
            break;
        }
        assert!(matches!(changed, Err(Error::Owed(_))), "{changed:?}");
        let said = house.told();
        assert!(
            matches!(&said[..], [Told::Health(StoreOutcome::Failing(why))] if why.contains("full")),
            "told once, in words: {said:?}"
        );
        // The disk has room again: the next order pays, in one transaction, and says that all is well.
        steps.store(usize::MAX / 2, Ordering::SeqCst);
        change(&house, 3).unwrap();
        assert_eq!(house.told().last(), Some(&Told::Health(StoreOutcome::Healthy)));
        assert_eq!(whole(&folder.copy()), 3);
        at_step += 1;
    }
    assert!(at_step >= 7, "begin, two rows, mail, two recipients, commit: {at_step}");
}

#[test]
fn killed_at_any_step_nothing_that_was_acknowledged_is_missing() {
    let folder = Folder::new();
    let copies = Arc::new(Mutex::new(Vec::new()));
    let (taken, from) = (Arc::clone(&copies), folder.0.clone());
    let hook: Hook = Arc::new(move |name| {
        if name != "opened" {
            taken.lock().unwrap().push((name, copy_of(&from)));
        }
        Ok(())
    });
    let house = try_open(&folder.0, START, Some(hook)).unwrap();
    let mut acknowledged = Vec::new();
    for n in 1..=3 {
        change(&house, n).unwrap();
        acknowledged.push(copies.lock().unwrap().len());
    }
    house.store.keep(&reading(0, START, 28.1));
    house.store.flush().wait().unwrap();
    house.store.close().wait().unwrap();
    let copies = std::mem::take(&mut *copies.lock().unwrap());
    assert!(copies.len() > 20);
    for (i, (name, copy)) in copies.iter().enumerate() {
        let must = acknowledged.iter().filter(|a| **a <= i).count() as i64;
        let n = whole(copy);
        assert!(
            n == must || (n == must + 1 && *name == "committed"),
            "killed before step {i} ({name}): {n}, not {must}"
        );
    }
}

#[test]
fn what_was_read_before_a_commit_is_on_the_disk_with_it() {
    let folder = Folder::new();
    let house = open(&folder, START);
    house.store.keep(&reading(0, START + 1, 28.1));
    house.set(START + 500);
    change(&house, 1).unwrap();
    // Killed here, the gap begins at the commit: what is older must not be missing.
    let killed = folder.copy();
    let readings = Reader::open(&killed.0).unwrap().readings(WARM, wall(0), wall(i64::MAX), 9).unwrap();
    assert_eq!(readings, [(wall(START + 1), 28.1)]);
    assert_eq!(open(&killed, START + 60_000).found.last, Some(Now::at(START + 500)));
}

/// Bytes of the header of SQLite's write-ahead log, and of the header of each frame in it (sqlite.org/fileformat2.html, 4.1).
const LOG_HEADER: u64 = 32;
const FRAME: u64 = 24 + 4_096;

/// A house whose four changes stand in the log and nowhere else; and the log's length.
fn logged() -> (Folder, House, u64) {
    let folder = Folder::new();
    let house = open(&folder, START);
    for n in 1..=4 {
        change(&house, n).unwrap();
    }
    let log = std::fs::metadata(folder.0.join("warmside.db-wal")).unwrap().len();
    assert!(log > 10_000 && (log - LOG_HEADER).is_multiple_of(FRAME), "{log}");
    (folder, house, log)
}

#[test]
fn a_log_cut_at_any_length_opens_with_a_whole_prefix() {
    let (folder, _house, log) = logged();
    // Within and at the end of the log's header, each frame's header and each page, and a byte to either side.
    let frames = (0..=(log - LOG_HEADER) / FRAME).map(|frame| LOG_HEADER + frame * FRAME);
    let edges = frames.flat_map(|at| [at, at + 8, at + 24, at + 24 + 512, at + 24 + 2_048]).chain([0, 16]);
    let near = edges.flat_map(|at| [at.saturating_sub(1), at, at + 1]);
    let mut seen = std::collections::BTreeSet::new();
    for cut in near.filter(|at| *at <= log).chain((0..=log).step_by(1_999)) {
        let copy = folder.copy();
        std::fs::OpenOptions::new().write(true).open(copy.0.join("warmside.db-wal")).unwrap().set_len(cut).unwrap();
        seen.insert((cut, whole(&copy)));
    }
    // The longer the log, the more is there; cut nowhere, all of it.
    assert!(seen.iter().zip(seen.iter().skip(1)).all(|((_, less), (_, more))| less <= more), "{seen:?}");
    assert_eq!(seen.iter().map(|(_, n)| *n).collect::<std::collections::BTreeSet<_>>(), (0..=4).collect());
}

/// When the mains go, a card may have written later sectors and not earlier ones, or half of one.
#[test]
fn a_log_with_a_hole_or_with_rubbish_in_it_opens_with_what_comes_before() {
    let (folder, _house, log) = logged();
    let mut seen = std::collections::BTreeSet::new();
    for at in (0..log).step_by(512) {
        for with in [0x00, 0x5a] {
            let copy = folder.copy();
            let mut file = std::fs::OpenOptions::new().write(true).open(copy.0.join("warmside.db-wal")).unwrap();
            file.seek(SeekFrom::Start(at)).unwrap();
            file.write_all(&[with; 512][..usize::try_from((log - at).min(512)).unwrap()]).unwrap();
            seen.insert(whole(&copy));
        }
    }
    assert!(seen.len() >= 4, "{seen:?}");
}

#[test]
fn a_damaged_file_is_set_aside_and_said() {
    let folder = Folder::new();
    let house = open(&folder, START);
    for n in 1..=200 {
        change(&house, n).unwrap();
    }
    house.store.close().wait().unwrap();
    let site = house.found.site.clone();
    drop(house);
    let damages: [&dyn Fn(&mut std::fs::File); 3] = [
        &|file| {
            for page in 3..30 {
                file.seek(SeekFrom::Start(page * 4_096)).unwrap();
                file.write_all(&[0x5a; 2_000]).unwrap();
            }
        },
        &|file| file.set_len(20_000).unwrap(),
        &|file| file.write_all(b"no database, but a letter to aunt Ada").unwrap(),
    ];
    for damage in damages {
        let copy = folder.copy();
        damage(&mut std::fs::OpenOptions::new().write(true).open(copy.0.join(FILE)).unwrap());
        let size = std::fs::metadata(copy.0.join(FILE)).unwrap().len();
        let house = open(&copy, START + 60_000);
        let aside = house.found.set_aside.clone().unwrap();
        assert_eq!(std::fs::metadata(&aside).unwrap().len(), size, "kept as it was");
        assert_eq!(house.found.rows, []);
        assert_ne!(house.found.site, site, "a rebuilt store repeats no Message-ID");
        assert!(matches!(&house.told()[..], [Told::Health(StoreOutcome::Failing(why))] if why.contains("damaged")));
        change(&house, 1).unwrap();
        assert_eq!(house.told().len(), 1, "not healthy again before anybody was told");
        house.set(START + 60_000 + 31 * 60_000);
        change(&house, 2).unwrap();
        assert_eq!(house.told().last(), Some(&Told::Health(StoreOutcome::Healthy)));
    }
}

#[test]
fn a_full_disk_keeps_mails_going_and_readings_in_memory() {
    let folder = Folder::new();
    let house = open(&folder, START);
    house.store.run("PRAGMA max_page_count = 1").wait().unwrap();
    let mut n = 0;
    let owed = loop {
        n += 1;
        match change(&house, n) {
            Ok(()) => assert!(n < 500, "never full"),
            Err(why) => break why,
        }
    };
    assert!(matches!(&owed, Error::Owed(why) if why.contains("full")), "{owed:?}");
    for i in 0..5_000 {
        house.store.keep(&reading(0, START + i, 28.0));
    }
    assert!(house.store.flush().wait().is_err());
    assert!(house.store.due(wall(i64::MAX), 1_000).wait().unwrap().iter().any(|m| m.notice.id == format!("7Q.{n}")));
    house.store.run("PRAGMA max_page_count = 1000000").wait().unwrap();
    house.store.flush().wait().unwrap();
    assert_eq!(house.told().last(), Some(&Told::Health(StoreOutcome::Healthy)));
    let reader = Reader::open(&folder.0).unwrap();
    assert_eq!(reader.readings(WARM, wall(START), wall(i64::MAX), usize::MAX).unwrap().len(), 5_000);
    assert!(reader.mail(&format!("7Q.{n}")).unwrap().is_some());
}

#[test]
fn what_is_newer_or_not_ours_or_in_use_is_refused_untouched() {
    let folder = Folder::new();
    let house = open(&folder, START);
    let second = try_open(&folder.0, START, None).err().unwrap();
    assert!(matches!(second, Error::InUse(_)), "{second}");
    house.store.close().wait().unwrap();
    assert!(matches!(change(&house, 1), Err(Error::Closed)));
    drop(house);

    let path = folder.0.join(FILE);
    let db = Connection::open(&path).unwrap();
    db.pragma_update(None, "user_version", 999).unwrap();
    drop(db);
    let before = std::fs::read(&path).unwrap();
    let newer = try_open(&folder.0, START, None).err().unwrap();
    assert!(matches!(newer, Error::Newer(999, 1)), "{newer}");
    assert!(newer.to_string().contains("newer Warmside"));
    assert_eq!(std::fs::read(&path).unwrap(), before);

    let other = Folder::new();
    Connection::open(other.0.join(FILE)).unwrap().execute_batch("CREATE TABLE recipes(name)").unwrap();
    let foreign = try_open(&other.0, START, None).err().unwrap();
    assert!(foreign.to_string().contains("not of Warmside"), "{foreign}");
}

#[test]
fn an_older_store_is_brought_up_step_by_step_and_a_step_that_fails_changes_nothing() {
    let folder = Folder::new();
    let path = folder.0.join(FILE);
    let mut db = Connection::open(&path).unwrap();
    let first = "CREATE TABLE heard(t, v); INSERT INTO heard VALUES(1, 29.5)";
    let second = "ALTER TABLE heard ADD COLUMN why TEXT DEFAULT 'old'";
    let version = |db: &Connection| opening::version(db, &path).ok();
    let words = |db: &Connection| db.query_row("SELECT v || why FROM heard", [], |r| r.get::<_, String>(0)).ok();
    opening::migrate(&mut db, 0, &[first]).ok().expect("begun");
    // The step's own first half goes with its second.
    let broken = format!("{second}; INSERT INTO nowhere VALUES(1)");
    assert!(opening::migrate(&mut db, 1, &[first, &broken]).is_err());
    assert_eq!((version(&db), words(&db)), (Some(1), None));
    opening::migrate(&mut db, 1, &[first, second]).ok().expect("brought up");
    let raised: i64 = db.query_row("PRAGMA user_version", [], |r| r.get(0)).unwrap();
    assert_eq!((raised, words(&db).as_deref()), (2, Some("29.5old")));
}
