//! What stands still: a disk that hangs, a process that is stopped, a machine that sleeps.

use crate::house::{Daemon, House, PATIENCE, speak};
use std::fs;
use std::net::TcpListener;
use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;
use warmside::store::reader::Reader;
use warmside::terms::time::{Span, Wall};

/// How much faster the daemon's clocks run than ours, where minutes are to be seconds.
const FASTER: u32 = 20;
/// A part that has not moved for so long stands still: `daemon/pulse.rs`.
const STANDS_STILL: Duration = Duration::from_secs(150);

fn run(program: &str, words: &[&str]) -> String {
    let output = Command::new(program).args(words).output().unwrap_or_else(|why| panic!("{program}: {why}"));
    assert!(output.status.success(), "{program} {words:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).expect("UTF-8").trim().to_owned()
}

fn library() -> String {
    run("faketime", &["-f", "+0", "printenv", "LD_PRELOAD"])
}

/// The binary with both of its clocks running fast.
fn fast(house: &House) -> Command {
    let mut command = house.command(&["watch"]);
    command.env("LD_PRELOAD", library()).env("FAKETIME", format!("+0 x{FASTER}"));
    command
}

/// A disk of its own that can be frozen. It thaws before anything else ends, or nothing could end.
struct Disk {
    folder: PathBuf,
}

impl Disk {
    fn mount(house: &House) -> Disk {
        let (image, folder) = (house.folder.join("image"), house.folder.join("card"));
        fs::File::create(&image).and_then(|file| file.set_len(24 << 20)).expect("an image");
        fs::create_dir(&folder).expect("a folder");
        run("mkfs.ext4", &["-q", &image.display().to_string()]);
        run("mount", &["-o", "loop", &image.display().to_string(), &folder.display().to_string()]);
        Disk { folder }
    }

    fn freeze(&self, freeze: bool) {
        run("fsfreeze", &[if freeze { "-f" } else { "-u" }, &self.folder.display().to_string()]);
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        let _ = Command::new("fsfreeze").arg("-u").arg(&self.folder).output();
        let _ = Command::new("umount").arg("-l").arg(&self.folder).status();
    }
}

/// An outpost that counts who comes.
fn door() -> (u16, Arc<AtomicU64>) {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let (port, came) = (listener.local_addr().expect("an address").port(), Arc::new(AtomicU64::new(0)));
    let count = came.clone();
    std::thread::spawn(move || {
        for _ in listener.incoming().flatten() {
            count.fetch_add(1, Ordering::SeqCst);
        }
    });
    (port, came)
}

#[test]
#[ignore = "takes four minutes, mounts and freezes a file system: needs root and e2fsprogs"]
fn while_the_disk_hangs_neither_the_watchdog_nor_the_outpost_hears_us() {
    let house = House::new("hangs");
    let (port, came) = door();
    fs::write(house.folder.join("key"), "a key for a test, of more than 32 letters").expect("written");
    house.write(&format!(
        "{}\n[store]\nfolder = \"card/state\"\n[outpost]\nurl = \"http://127.0.0.1:{port}\"\nhouse = \"home\"\n\
         beat_key_file = \"key\"\nevery = \"5s\"\n",
        house.text()
    ));
    let disk = Disk::mount(&house);
    let notify = house.folder.join("notify");
    let socket = UnixDatagram::bind(&notify).expect("a socket");
    let mut command = house.command(&["watch"]);
    command.env("NOTIFY_SOCKET", &notify).env("WATCHDOG_USEC", "180000000");
    let daemon = Daemon::of(&mut command);
    // What is declared last is dropped first: a daemon on a frozen disk cannot even be killed.
    let disk = disk;
    daemon.says("connected to the broker");
    // A service manager reads what it is told at once: the queue of such a socket is short, and who finds it full waits.
    let fed = Arc::new(AtomicU64::new(0));
    let count = fed.clone();
    std::thread::spawn(move || {
        let mut bytes = [0; 4_096];
        while let Ok(length) = socket.recv(&mut bytes) {
            let is_food = String::from_utf8_lossy(&bytes[..length]).contains("WATCHDOG=1");
            count.fetch_add(u64::from(is_food), Ordering::SeqCst);
        }
    });
    let until = |what: &str, so: &dyn Fn() -> bool| {
        let patience = PATIENCE.as_millis() / 100;
        assert!((0..patience).any(|_| (so(), std::thread::sleep(Duration::from_millis(100))).0), "never {what}");
    };
    let both = || [&fed, &came].map(|count| count.load(Ordering::SeqCst));
    until("fed, and heard outside", &|| both().iter().all(|count| *count > 1));
    disk.freeze(true);
    let hangs = 2 * STANDS_STILL;
    daemon.says_within("the store stands still; the watchdog is not fed", hangs);
    daemon.says_within("no beat for the outpost", hangs);
    // Both would have come several times.
    let before = both();
    std::thread::sleep(Duration::from_secs(20));
    assert_eq!(both(), before, "the watchdog is fed, or the outpost spoken to, by a house that hangs");
    disk.freeze(false);
    until("fed and heard outside again", &|| both().iter().zip(before).all(|(now, before)| *now > before));
}

/// Gaps that the store knows, in which nobody watched for this reason.
fn gaps(state: &Path, why: &str) -> Vec<Span> {
    let gaps = Reader::open(state).and_then(|reader| reader.gaps(Wall::MIN, Wall::MAX)).expect("reads");
    let ended = gaps.iter().filter(|gap| gap.why == why).filter_map(|gap| Some(gap.until?.since(gap.since)));
    ended.collect()
}

#[test]
#[ignore = "needs faketime"]
fn a_process_that_was_stopped_says_so_and_calls_nobody_silent() {
    let house = House::new("stopped");
    let mut daemon = Daemon::of(&mut fast(&house));
    daemon.says("connected to the broker");
    speak(&house);
    daemon.signal("STOP");
    // Ten minutes of its time and more.
    std::thread::sleep(Duration::from_secs(660) / FASTER);
    daemon.signal("CONT");
    daemon.says("this process stood still for 1");
    speak(&house);
    house.until("the gap is shown", |view| view["feed"]["gaps"].as_array().is_some_and(|gaps| !gaps.is_empty()));
    let silent = house.subjects().into_iter().filter(|subject| subject.contains("silent") || subject.contains("heard"));
    assert_eq!(silent.collect::<Vec<_>>(), Vec::<String>::new());
    daemon.signal("TERM");
    assert_eq!(daemon.exit(), Some(0));
    assert!(gaps(&house.folder.join("state"), "this process stood still").iter().any(|span| *span > Span::min(8)));
}

/// A suspended machine comes back with a wall clock and a time since boot that went on, and a monotonic clock that did not: here the
/// first by libfaketime, the second by a file in the place of the kernel's, in a mount namespace of the daemon's own.
#[test]
#[ignore = "makes a mount namespace: needs root and faketime"]
fn a_machine_that_slept_is_no_wrong_clock_and_a_gap() {
    let house = House::new("slept");
    let (up, clock) = (house.folder.join("uptime"), house.folder.join("clock"));
    let began = warmside::clock::ticks();
    let show = |slept_h: u64| {
        let gone = warmside::clock::ticks() - began;
        let s = 100_000 + slept_h * 3_600 + gone.as_secs();
        // Both at once, or nearly: a look between the two sees a clock that was set for a moment.
        fs::write(&clock, format!("+{slept_h}h\n")).expect("written");
        fs::write(&up, format!("{s}.00 0.00\n")).expect("written");
    };
    show(0);
    let mut command = Command::new("unshare");
    let words = "mount --bind \"$1\" /proc/uptime && exec env LD_PRELOAD=\"$2\" FAKETIME_TIMESTAMP_FILE=\"$3\" FAKETIME_NO_CACHE=1 \
                 FAKETIME_DONT_FAKE_MONOTONIC=1 \"$0\" watch --config \"$4\"";
    command.args(["-m", "sh", "-c", words, env!("CARGO_BIN_EXE_warmside")]).arg(&up).arg(library()).arg(&clock);
    command.arg(house.file()).env_remove("NOTIFY_SOCKET").env_remove("WARMSIDE_LOG");
    let mut daemon = Daemon::of(&mut command);
    daemon.says("connected to the broker");
    speak(&house);
    show(3);
    daemon.says("this machine slept for ");
    speak(&house);
    house.until("the gap is shown", |view| view["feed"]["gaps"].as_array().is_some_and(|gaps| !gaps.is_empty()));
    daemon.signal("TERM");
    assert_eq!(daemon.exit(), Some(0));
    let slept = gaps(&house.folder.join("state"), "this machine slept");
    assert!(slept.iter().any(|span| *span > Span::min(170)), "{slept:?}");
    let log: Vec<String> = daemon.log.iter().collect();
    assert!(!log.iter().any(|line| line.contains("clock is off")), "{log:?}");
}
