//! Memory held by a control group, as the unit's `MemoryMax` holds it: near what it takes a daemon lives, far below it is killed, and
//! comes back with all that it had said and stored.

use crate::house::{Daemon, House, speak};
use std::fs;
use std::os::unix::process::ExitStatusExt;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;
use warmside::store::reader::Reader;
use warmside::terms::time::Wall;

/// SIGKILL, by signal(7).
const KILLED: i32 = 9;

/// A control group of its own, by either version of the kernel's interface (cgroups(7)).
struct Group {
    folder: PathBuf,
    limit: &'static str,
    peak: &'static str,
    kills: &'static str,
}

impl Group {
    /// `Err`: why none can be made here.
    fn new() -> Result<Group, String> {
        let name = format!("warmside-test-{}", std::process::id());
        let (all, first) = (Path::new("/sys/fs/cgroup"), Path::new("/sys/fs/cgroup/memory"));
        let (folder, [limit, peak, kills]) = if first.is_dir() {
            (first.join(name), ["memory.limit_in_bytes", "memory.max_usage_in_bytes", "memory.oom_control"])
        } else {
            fs::write(all.join("cgroup.subtree_control"), "+memory")
                .map_err(|why| format!("no memory control: {why}"))?;
            (all.join(name), ["memory.max", "memory.peak", "memory.events"])
        };
        fs::create_dir(&folder).map_err(|why| format!("{}: {why}", folder.display()))?;
        // What is swapped out is not held by the limit. A kernel without swap has no such file.
        let _ = fs::write(folder.join("memory.swap.max"), "0");
        let group = Group { folder, limit, peak, kills };
        let tries =
            [group.limit, group.peak, group.kills, "cgroup.procs"].iter().all(|file| group.folder.join(file).exists());
        if tries { Ok(group) } else { Err("the group has no memory control".to_owned()) }
    }

    fn limit(&self, kib: u64) {
        fs::write(self.folder.join(self.limit), (kib * 1_024).to_string()).expect("the limit is taken");
    }

    /// The most that it ever took, KiB: what its processes have of their own, and the pages of files that they were first to read.
    fn peak(&self) -> u64 {
        let bytes = fs::read_to_string(self.folder.join(self.peak)).expect("readable");
        bytes.trim().parse::<u64>().expect("a number") / 1_024
    }

    /// How many processes of it the kernel has killed for want of memory.
    fn kills(&self) -> u64 {
        let events = fs::read_to_string(self.folder.join(self.kills)).expect("readable");
        let count = events.lines().find_map(|line| line.strip_prefix("oom_kill "));
        count.expect("Linux 4.13 and later").parse().expect("a number")
    }

    /// The shell's `words` within the group.
    fn command(&self, words: &str) -> Command {
        let mut command = Command::new("sh");
        command.args(["-c", &format!("echo $$ >\"$GROUP/cgroup.procs\" && {words}")]);
        command.env("GROUP", &self.folder).env_remove("NOTIFY_SOCKET").env_remove("WARMSIDE_LOG");
        command
    }

    /// The first to be killed in it, see proc_pid_oom_score_adj(5).
    fn watch(&self, house: &House) -> Daemon {
        let mut command =
            self.command("echo 1000 >/proc/$$/oom_score_adj && exec \"$WARMSIDE\" watch --config \"$HOUSE\"");
        Daemon::of(command.env("WARMSIDE", env!("CARGO_BIN_EXE_warmside")).env("HOUSE", house.file()))
    }
}

impl Drop for Group {
    fn drop(&mut self) {
        // The dead leave their group a moment after they were waited for.
        for _ in 0..50 {
            if fs::remove_dir(&self.folder).is_ok() {
                return;
            }
            std::thread::sleep(Duration::from_millis(100));
        }
    }
}

fn kib(daemon: &Daemon, name: &str) -> u64 {
    let status = fs::read_to_string(format!("/proc/{}/status", daemon.child.id())).expect("it runs");
    let line = status.lines().find_map(|line| line.strip_prefix(name)).expect("Linux");
    line.trim().trim_end_matches(" kB").parse().expect("a number")
}

/// A reading, a mail and a backup: what a house does, and that it does it.
fn does_its_work(house: &House, copy: &str) {
    speak(house);
    assert!(house.run(&["drill"]).status.success());
    house.mailed();
    let copy = house.folder.join(copy);
    let output = house.run(&["backup", copy.to_str().expect("UTF-8")]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}

fn stored(house: &House) -> usize {
    let reader = Reader::open(&house.folder.join("state")).expect("opens");
    let all = reader.readings("enclosure/a3/warm_side.temperature", Wall::MIN, Wall::MAX, usize::MAX);
    all.expect("reads").len()
}

#[test]
#[ignore = "makes a control group: needs root"]
fn held_to_little_memory_it_lives_or_comes_back() {
    let group = match Group::new() {
        Ok(group) => group,
        Err(why) => return println!("not tried here: {why}"),
    };
    let house = House::new("memory");
    let mut daemon = group.watch(&house);
    daemon.says("connected to the broker");
    does_its_work(&house, "copy-1.db");
    let (takes, own) = (group.peak(), kib(&daemon, "RssAnon:"));
    daemon.signal("TERM");
    assert_eq!(daemon.exit(), Some(0));

    // Near what it takes: it lives.
    group.limit(takes + takes / 8);
    let mut daemon = group.watch(&house);
    daemon.says("connected to the broker");
    does_its_work(&house, "copy-2.db");
    house.run(&["shelve", "a3", "--for", "12h"]);
    assert_eq!(group.kills(), 0, "a daemon that takes {takes} KiB does not live with as much");

    // What is told and stored by now is there, whatever comes. Then something beside it takes the rest.
    let (told, before) = (house.message_ids(), stored(&house));
    assert!(before > 0, "nothing is stored");
    let beside = group.command(&format!("dd if=/dev/zero of=/dev/null count=1 bs={takes}k")).output().expect("runs");
    println!("takes {takes} KiB, {own} KiB of it its own; as much beside it ended with {}", beside.status);
    assert_eq!(daemon.child.wait().expect("ends").signal(), Some(KILLED), "it was not killed");

    // Far below what it takes it dies as often as it is started, and loses nothing by it.
    group.limit(own / 2);
    for round in 0..3 {
        let killed = group.kills();
        let mut daemon = group.watch(&house);
        assert_eq!(daemon.child.wait().expect("ends").signal(), Some(KILLED), "round {round}");
        assert!(group.kills() > killed, "round {round} was ended by something else");
    }
    group.limit(4 * takes);
    let mut daemon = group.watch(&house);
    daemon.says("connected to the broker");
    house.until("shelved still", |view| !view["enclosures"][0]["shelved_until"].is_null());
    house.until("calm", |view| view["post"]["failing"].is_null() && view["store_failing"].is_null());
    let again = house.message_ids();
    assert!(
        told.iter().all(|id| again.iter().filter(|other| *other == id).count() == 1),
        "{told:?} and then {again:?}"
    );
    assert!(stored(&house) >= before, "{} of {before} readings", stored(&house));
    speak(&house);
    daemon.signal("TERM");
    assert_eq!(daemon.exit(), Some(0));
    assert!(stored(&house) > before, "nothing was stored any more");
}
