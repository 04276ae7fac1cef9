//! A disk that takes nothing: missing, full, read-only.

use crate::house::{House, speak};
use std::fs;
use std::path::PathBuf;
use std::process::Command;

/// A small file system of its own, in the house's folder.
struct Card(PathBuf);

impl Card {
    fn mount(house: &House, size: &str) -> Card {
        let folder = house.folder.join("card");
        fs::create_dir(&folder).expect("a folder");
        let size = format!("size={size}");
        let words = ["-t", "tmpfs", "-o", &size, "warmside-test"];
        assert!(Command::new("mount").args(words).arg(&folder).status().expect("runs").success());
        Card(folder)
    }

    fn remount(&self, how: &str) {
        let status = Command::new("mount").args(["-o", &format!("remount,{how}")]).arg(&self.0).status();
        assert!(status.expect("runs").success());
    }
}

impl Drop for Card {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(&self.0).status();
    }
}

#[test]
fn without_a_store_it_watches_and_mails_and_takes_the_store_up_when_it_can() {
    let house = House::new("storeless");
    house.write(&format!("{}\n[store]\nfolder = \"card/state\"\n", house.text()));
    // A file where the card should be mounted: nothing can be made below it, not even by root.
    fs::write(house.folder.join("card"), "").expect("written");
    let mut daemon = house.watch();
    daemon.says("Watching goes on in memory");
    daemon.says("connected to the broker");
    house.mailed();
    fs::remove_file(house.folder.join("card")).expect("removed");
    daemon.says("the store is written again");
    // Commands are answered from now on, and what was mailed before is in the store.
    speak(&house);
    let status = house.status();
    assert!(status["store_failing"].is_null(), "{status}");
    daemon.signal("TERM");
    assert_eq!(daemon.exit(), Some(0));
    let ids = house.message_ids();
    let reader = warmside::store::reader::Reader::open(&house.folder.join("card/state")).expect("opens");
    let raised: Vec<_> = reader.mails(10).expect("reads").into_iter().filter(|m| m.notice.thread.is_none()).collect();
    assert_eq!(raised.len(), 1);
    assert!(ids.iter().any(|id| id.starts_with(&format!("{}.", raised[0].notice.id))), "{ids:?}");
}

/// A disk of its own that is full to the last byte, as a memory card is one day.
#[test]
#[ignore = "mounts a small file system: needs root"]
fn on_a_full_disk_a_fresh_store_waits_for_room() {
    let house = House::new("full");
    house.write(&format!("{}\n[store]\nfolder = \"card/state\"\n", house.text()));
    let card = Card::mount(&house, "1m");
    let filler = card.0.join("filler");
    fs::create_dir(card.0.join("state")).expect("a folder");
    let filled = fs::write(&filler, vec![0; 2 << 20]);
    assert!(filled.is_err(), "a disk of 1 MiB");
    let mut daemon = house.watch();
    let why = daemon.says("Watching goes on in memory");
    assert!(why.contains("full") || why.contains("space"), "{why}");
    house.mailed();
    fs::remove_file(&filler).expect("removed");
    daemon.says("the store is written again");
    speak(&house);
    daemon.signal("TERM");
    assert_eq!(daemon.exit(), Some(0));
}

/// A card that the system mounted read-only after an error, as memory cards end: what it holds is known still.
#[test]
#[ignore = "mounts a small file system: needs root"]
fn on_a_read_only_disk_it_watches_and_mails_with_what_was_known() {
    let house = House::new("readonly");
    house.write(&format!("{}\n[store]\nfolder = \"card/state\"\n", house.text()));
    let card = Card::mount(&house, "4m");
    let mut daemon = house.watch();
    daemon.says("connected to the broker");
    assert!(house.run(&["shelve", "a3", "--for", "12h"]).status.success());
    daemon.signal("TERM");
    assert_eq!(daemon.exit(), Some(0));
    card.remount("ro");
    let mut daemon = house.watch();
    let why = daemon.says("Watching goes on in memory");
    assert!(why.contains("mount its disk for writing"), "{why}");
    daemon.says("connected to the broker");
    // Of the store that fails.
    house.mailed();
    card.remount("rw");
    daemon.says("the store is written again");
    speak(&house);
    house.until("shelved still", |view| !view["enclosures"][0]["shelved_until"].is_null());
    daemon.signal("TERM");
    assert_eq!(daemon.exit(), Some(0));
}
