//! The same doors as `fuzz/`, with changes by chance instead of coverage: a fixed, short run in every `cargo test`.
//!
//! Longer: `WARMSIDE_FUZZ=1000000 cargo test --release --test fuzz` (rounds a door; WARMSIDE_DOOR=payloads for one alone).

mod targets;

use targets::{DOORS, Door};

/// Rounds a door in every run.
const ROUNDS: u64 = 400;
/// Longer than this no input grows, bytes.
const LONGEST: usize = 8_192;

/// SplitMix64 (Steele, Lea, Flood 2014; constants from memory).
struct Chance(u64);

impl Chance {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }
    fn below(&mut self, n: usize) -> usize {
        (self.next() % n.max(1) as u64) as usize
    }
}

/// Bytes that parsers trip over.
const WORDS: &[&[u8]] = &[
    b"\"",
    b"\\",
    b"{",
    b"}",
    b"[",
    b"]",
    b":",
    b",",
    b"/",
    b"\n",
    b"\0",
    b"\xff",
    b"\xc3",
    b"-",
    b"e999",
    b"1e308",
    b"NaN",
    b"null",
    b"9999999999999999999",
    b"0.0000000001",
    b"\xed\xa0\x80",
    b"\\u0000",
    b"\\ud800",
    b"=?utf-8?b?",
    b"\r\n.\r\n",
    b"{enclosure}",
    b"$",
    b"+",
    b"#",
    b"\x9f\xff",
    b"\xfb\x7f\xf8\x00\x00\x00\x00\x00\x00",
    "°".as_bytes(),
];

/// One corpus entry after a few changes: bytes set, taken out, doubled, two entries spliced, a hard word put in.
fn changed(corpus: &[Vec<u8>], chance: &mut Chance) -> Vec<u8> {
    let mut bytes = corpus[chance.below(corpus.len())].clone();
    for _ in 0..=chance.below(6) {
        let at = chance.below(bytes.len() + 1);
        match chance.below(6) {
            0 if at < bytes.len() => bytes[at] = chance.next() as u8,
            1 if at < bytes.len() => drop(bytes.remove(at)),
            2 => {
                let end = at + chance.below(bytes.len() - at + 1);
                drop(bytes.drain(at..end));
            }
            3 => {
                let end = at + chance.below(bytes.len() - at + 1);
                let copy = bytes[at..end].to_vec();
                bytes.splice(at..at, copy);
            }
            4 => {
                let other = &corpus[chance.below(corpus.len())];
                bytes.truncate(at);
                bytes.extend_from_slice(&other[chance.below(other.len() + 1)..]);
            }
            _ => drop(bytes.splice(at..at, WORDS[chance.below(WORDS.len())].iter().copied())),
        }
        bytes.truncate(LONGEST);
    }
    bytes
}

/// The bytes that were at the door last, so that a panic can be met again.
struct AtTheDoor<'a>(&'a str, &'a [u8]);

impl Drop for AtTheDoor<'_> {
    fn drop(&mut self) {
        if std::thread::panicking() {
            eprintln!("{}: {:?}", self.0, String::from_utf8_lossy(self.1));
            eprintln!("{:?}", self.1);
        }
    }
}

fn knock(door: &Door, rounds: u64) {
    let corpus = (door.corpus)();
    assert!(!corpus.is_empty());
    corpus.iter().for_each(|bytes| (door.open)(bytes));
    let mut chance = Chance(door.name.len() as u64);
    for _ in 0..rounds {
        let bytes = changed(&corpus, &mut chance);
        let _there = AtTheDoor(door.name, &bytes);
        (door.open)(&bytes);
    }
}

#[test]
fn no_bytes_break_a_door() {
    let rounds = std::env::var("WARMSIDE_FUZZ").ok().and_then(|v| v.parse().ok()).unwrap_or(ROUNDS);
    let only = std::env::var("WARMSIDE_DOOR").ok();
    for door in DOORS.iter().filter(|door| only.as_ref().is_none_or(|only| only == door.name)) {
        knock(door, rounds);
    }
}

/// Writes the corpus to where `cargo fuzz` looks for it.
#[test]
#[ignore = "writes into fuzz/corpus"]
fn write_the_corpus() {
    for door in &DOORS {
        let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/corpus").join(door.name);
        std::fs::create_dir_all(&folder).expect("a folder");
        for (i, bytes) in (door.corpus)().iter().enumerate() {
            std::fs::write(folder.join(format!("{i:03}")), bytes).expect("written");
        }
    }
}
