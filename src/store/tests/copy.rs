//! A copy put back: whole, with what was tied on the page, in place of what was there, and under no Message-ID of before.

use super::*;
use crate::config::tied;
use crate::store::copy::Backup;
use std::fs;

const TIES: &str = "[[tie]]\ntopic = \"loose/1\"\n";

/// A house with one learned thing, and its copy in another folder.
fn copied(tied: Option<&str>) -> (Folder, House, Folder, PathBuf) {
    let folder = Folder::new();
    let house = open(&folder, START);
    house.store.save(vec![("heat/a1".into(), vec![1])]).wait().unwrap();
    house.store.flush().wait().unwrap();
    if let Some(text) = tied {
        fs::write(folder.0.join(tied::FILE), text).unwrap();
    }
    let elsewhere = Folder::new();
    let file = elsewhere.0.join("copy.db");
    Reader::open(&folder.0).unwrap().backup(&file).unwrap();
    (folder, house, elsewhere, file)
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> =
        fs::read_dir(folder).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

#[test]
fn a_copy_put_back_has_its_ties_and_repeats_no_message_id() {
    let (folder, house, _elsewhere, file) = copied(Some(TIES));
    let copy = Backup::open(&file).unwrap();
    assert_eq!((copy.tied(), copy.last), (Some(TIES), Some(wall(START))));
    assert!(matches!(copy.restore(&folder.0, wall(START)), Err(Error::InUse(_))), "it is watched just now");
    let site = house.found.site.clone();
    house.store.save(vec![("heat/a1".into(), vec![2])]).wait().unwrap();
    house.store.close().wait().unwrap();
    fs::write(folder.0.join(tied::FILE), "# untied since").unwrap();
    let aside = copy.restore(&folder.0, wall(START + HOUR)).unwrap().unwrap();
    let known = ["lock", "tied.toml", "tied.toml.before-restore-20260105T010000000Z", "warmside.db"];
    assert_eq!(names(&folder.0), [&known[..], &["warmside.db.before-restore-20260105T010000000Z"]].concat());
    assert_eq!(fs::read_to_string(folder.0.join(tied::FILE)).unwrap(), TIES);
    let again = open(&folder, START + 2 * HOUR);
    assert_eq!(again.found.snapshot, [("heat/a1".to_owned(), vec![1])]);
    assert!(again.found.site != site && again.found.site.len() == 32, "{}", again.found.site);
    assert_eq!(again.told(), []);
    // What was there is a store still.
    let before = Folder::new();
    fs::rename(aside, before.0.join(super::super::FILE)).unwrap();
    assert_eq!(open(&before, START + 3 * HOUR).found.snapshot, [("heat/a1".to_owned(), vec![2])]);
}

#[test]
fn a_house_without_ties_comes_back_without_and_onto_a_bare_machine() {
    let (_folder, _house, _elsewhere, file) = copied(None);
    let bare = Folder::new();
    let state = bare.0.join("state");
    assert_eq!(Backup::open(&file).unwrap().restore(&state, wall(START)).unwrap(), None);
    assert_eq!(names(&state), ["lock", "warmside.db"]);
    // There, ties of later are not those of the copy.
    fs::write(state.join(tied::FILE), TIES).unwrap();
    Backup::open(&file).unwrap().restore(&state, wall(START)).unwrap();
    assert!(!state.join(tied::FILE).exists());
}

#[test]
fn what_is_no_whole_copy_changes_nothing() {
    let (folder, house, elsewhere, file) = copied(Some(TIES));
    house.store.close().wait().unwrap();
    let before = names(&folder.0);
    let mut bytes = fs::read(&file).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle..].fill(0xa5);
    let damaged = elsewhere.0.join("damaged.db");
    fs::write(&damaged, bytes).unwrap();
    let empty = elsewhere.0.join("empty.db");
    fs::write(&empty, "").unwrap();
    let other = elsewhere.0.join("other.db");
    rusqlite::Connection::open(&other).unwrap().execute_batch("CREATE TABLE meta(key, value)").unwrap();
    let newer = elsewhere.0.join("newer.db");
    fs::copy(&file, &newer).unwrap();
    rusqlite::Connection::open(&newer).unwrap().execute_batch("PRAGMA user_version = 999").unwrap();
    let missing = elsewhere.0.join("missing.db");
    for (file, says) in [
        (&damaged, "damaged"),
        (&empty, "holds no store"),
        (&other, "not of Warmside"),
        (&newer, "schema 999"),
        (&missing, "cannot be restored"),
    ] {
        let why = Backup::open(file).unwrap_err().to_string();
        assert!(why.contains(says), "{why}");
    }
    assert!(!missing.exists(), "nothing is made by looking");
    assert_eq!(names(&folder.0), before);
}

#[test]
fn a_copy_that_was_laid_there_by_hand_says_what_is_missing() {
    let (_folder, _house, _elsewhere, file) = copied(Some(TIES));
    let by_hand = Folder::new();
    fs::copy(&file, by_hand.0.join(super::super::FILE)).unwrap();
    let told = open(&by_hand, START + HOUR).told();
    assert!(matches!(&told[..], [Told::Log(words)] if words.contains("warmside restore")), "{told:?}");
}
