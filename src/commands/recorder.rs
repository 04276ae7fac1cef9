//! Recording files: plain or gzip, each of a bounded size, all of them together too.

use crate::clock::machine_wall;
use crate::recording::reader::Lines;
use crate::recording::{self, Line};
use crate::terms::time::Wall;
use flate2::Compression;
use flate2::write::GzEncoder;
use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

/// Bytes on the disk.
#[derive(Clone, Copy, Debug)]
pub struct Limits {
    pub each: u64,
    pub total: u64,
}

/// The file that is being written, and its full elders.
pub struct Recorder {
    path: PathBuf,
    limits: Limits,
    packed: bool,
    sink: Sink,
    /// The time of the file's first line.
    first: Option<Wall>,
}

enum Sink {
    Plain(BufWriter<Counted>),
    Gzip(Box<GzEncoder<BufWriter<Counted>>>),
}

/// A file that knows how much went into it.
struct Counted {
    file: File,
    bytes: u64,
}

impl Write for Counted {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.file.write(bytes)?;
        self.bytes += written as u64;
        Ok(written)
    }
    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

impl Recorder {
    /// Begins a file. One that is there already is put aside, never written over.
    pub fn open(path: &Path, limits: Limits) -> io::Result<Recorder> {
        if path.exists() {
            let first = first_line(path).unwrap_or_else(machine_wall);
            fs::rename(path, elder(path, first))?;
        }
        let packed = path.extension().is_some_and(|extension| extension == "gz");
        Ok(Recorder { path: path.to_owned(), limits, packed, sink: sink(path, packed)?, first: None })
    }

    pub fn write(&mut self, line: &Line<'_>) -> io::Result<()> {
        let first = *self.first.get_or_insert(line.at);
        let mut text = recording::write(line);
        text.push('\n');
        let full = match &mut self.sink {
            Sink::Plain(to) => {
                to.write_all(text.as_bytes())?;
                to.get_ref().bytes + to.buffer().len() as u64 >= self.limits.each
            }
            Sink::Gzip(to) => {
                to.write_all(text.as_bytes())?;
                to.get_ref().get_ref().bytes >= self.limits.each
            }
        };
        if full { self.turn(first) } else { Ok(()) }
    }

    /// Hands what was written to the system, so that a kill loses seconds only.
    pub fn settle(&mut self) -> io::Result<()> {
        match &mut self.sink {
            Sink::Plain(to) => to.flush(),
            // The encoder's own flush ends a block, which can then be read.
            Sink::Gzip(to) => to.flush(),
        }
    }

    pub fn close(self) -> io::Result<()> {
        finish(self.sink)
    }

    /// Puts the full file aside and begins the next.
    fn turn(&mut self, first: Wall) -> io::Result<()> {
        let part = self.path.with_extension("part");
        // The old one is whole before it gets its lasting name.
        let full = std::mem::replace(&mut self.sink, sink(&part, self.packed)?);
        finish(full)?;
        fs::rename(&self.path, elder(&self.path, first))?;
        fs::rename(&part, &self.path)?;
        self.first = None;
        self.forget_oldest()
    }

    fn forget_oldest(&self) -> io::Result<()> {
        let (stem, rest) = split(&self.path);
        let folder = self.path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let mut elders = Vec::new();
        for entry in fs::read_dir(folder)? {
            let entry = entry?;
            let name = entry.file_name().to_string_lossy().into_owned();
            let stamp = name.strip_prefix(&stem).and_then(|name| name.strip_suffix(&rest)).unwrap_or_default();
            if stamp.starts_with('.') && stamp.len() >= STAMP && stamp[1..].bytes().all(|b| b.is_ascii_alphanumeric()) {
                elders.push((name, entry.path(), entry.metadata()?.len()));
            }
        }
        elders.sort();
        // The one that is being written may grow to its limit.
        let mut total = self.limits.each + elders.iter().map(|(_, _, size)| size).sum::<u64>();
        for (_, path, size) in elders {
            if total <= self.limits.total {
                break;
            }
            fs::remove_file(path)?;
            total -= size;
        }
        Ok(())
    }
}

fn sink(path: &Path, packed: bool) -> io::Result<Sink> {
    let file = BufWriter::with_capacity(64 << 10, Counted { file: File::create(path)?, bytes: 0 });
    Ok(if packed { Sink::Gzip(Box::new(GzEncoder::new(file, Compression::default()))) } else { Sink::Plain(file) })
}

fn finish(sink: Sink) -> io::Result<()> {
    let mut file = match sink {
        Sink::Plain(to) => to,
        Sink::Gzip(to) => to.finish()?,
    };
    file.flush()?;
    file.get_ref().file.sync_all()
}

/// `.20260105T070012345Z`
const STAMP: usize = 20;

/// The name of a full file: the time of its first line between stem and extension, so that names sort as time does.
fn elder(path: &Path, first: Wall) -> PathBuf {
    let (stem, rest) = split(path);
    let stamp: String = first.rfc3339().chars().filter(|c| c.is_ascii_alphanumeric()).collect();
    let named = |more: &str| path.with_file_name(format!("{stem}.{stamp}{more}{rest}"));
    let mut name = named("");
    for more in 1.. {
        if !name.exists() {
            break;
        }
        name = named(&format!("x{more}"));
    }
    name
}

/// `house.jsonl.gz` → `house` and `.jsonl.gz`.
fn split(path: &Path) -> (String, String) {
    let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    match name.char_indices().skip(1).find(|(_, c)| *c == '.') {
        Some((at, _)) => (name[..at].to_owned(), name[at..].to_owned()),
        None => (name, String::new()),
    }
}

fn first_line(path: &Path) -> Option<Wall> {
    let mut lines = Lines::open(path).ok()?;
    let line = lines.next_line().ok()??;
    Some(recording::parse(line.text?).ok()?.at)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::recording::What;
    use std::borrow::Cow;

    struct Folder(PathBuf);

    impl Folder {
        fn new(name: &str) -> Folder {
            let path = std::env::temp_dir().join(format!("warmside-recorder-{name}-{}", std::process::id()));
            let _ = fs::remove_dir_all(&path);
            fs::create_dir(&path).expect("a folder");
            Folder(path)
        }
        fn names(&self) -> Vec<String> {
            let entries = fs::read_dir(&self.0).expect("readable").map(|entry| entry.expect("entry"));
            let mut names: Vec<_> = entries.map(|entry| entry.file_name().to_string_lossy().into_owned()).collect();
            names.sort();
            names
        }
    }

    impl Drop for Folder {
        fn drop(&mut self) {
            let _ = fs::remove_dir_all(&self.0);
        }
    }

    fn line(s: i64, payload: &[u8]) -> Line<'_> {
        let what = What::Message { topic: Cow::Borrowed("a/b"), payload: Cow::Borrowed(payload), retained: false };
        Line { at: Wall::from_ms(1_767_600_000_000 + s * 1_000), what }
    }

    /// Every line of every file, in the order of the names, the one being written last.
    fn read(folder: &Folder, current: &str) -> Vec<Wall> {
        let mut names = folder.names();
        names.retain(|name| name != current);
        names.push(current.into());
        let mut all = Vec::new();
        for name in names {
            let mut lines = Lines::open(&folder.0.join(name)).expect("opens");
            while let Some(raw) = lines.next_line().expect("reads") {
                all.push(recording::parse(raw.text.expect("UTF-8")).expect("a line").at);
            }
        }
        all
    }

    fn check(name: &str, file: &str) {
        let folder = Folder::new(name);
        let path = folder.0.join(file);
        // Noise does not compress, so that both kinds of file fill up alike.
        let mut seed = 1_u64;
        let mut noise = || -> Vec<u8> {
            (0..600)
                .map(|_| {
                    seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                    (seed >> 33) as u8
                })
                .collect()
        };
        let limits = Limits { each: 100_000, total: 350_000 };
        let mut recorder = Recorder::open(&path, limits).expect("opens");
        for s in 0..300 {
            recorder.write(&line(s, &noise())).expect("writes");
        }
        recorder.close().expect("closes");
        let mut recorder = Recorder::open(&path, limits).expect("opens beside the old one");
        for s in 300..1_000 {
            recorder.write(&line(s, &noise())).expect("writes");
        }
        recorder.close().expect("closes");
        let walls = read(&folder, file);
        assert!(walls.is_sorted() && walls.last() == Some(&line(999, b"").at));
        let firsts = walls.first().expect("lines").since(line(0, b"").at).as_s() as usize;
        assert_eq!(walls.len(), 1_000 - firsts, "nothing is missing between the oldest and the last");
        assert!(firsts > 0, "the oldest are gone");
        let sizes =
            folder.names().iter().map(|name| fs::metadata(folder.0.join(name)).expect("there").len()).sum::<u64>();
        assert!(sizes <= limits.total + 70_000, "{sizes}");
        assert!(folder.names().iter().all(|name| name.ends_with(&split(&path).1)), "{:?}", folder.names());
    }

    #[test]
    fn files_turn_over_and_the_oldest_go() {
        check("plain", "house.jsonl");
        check("gzip", "house.jsonl.gz");
        check("bare", "house");
    }

    #[test]
    fn what_was_settled_can_be_read_before_the_file_is_closed() {
        let folder = Folder::new("settle");
        let path = folder.0.join("house.jsonl.gz");
        let mut recorder = Recorder::open(&path, Limits { each: 1 << 20, total: 1 << 20 }).expect("opens");
        recorder.write(&line(0, b"31.2")).expect("writes");
        recorder.write(&Line { at: Wall::from_ms(5), what: What::LinkLost }).expect("writes");
        recorder.settle().expect("settles");
        let mut lines = Lines::open(&path).expect("opens");
        for _ in 0..2 {
            assert!(lines.next_line().expect("reads").is_some());
        }
    }
}
