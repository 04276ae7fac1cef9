//! Keeps the house in order: imports point down, every file has its charter, pure rooms stay pure, nothing private leaks.
//!
//! Each rule is a function from a file's path and text to complaints, so that the planted faults at the end can show that
//! it complains.

use std::fs;
use std::path::{Path, PathBuf};

/// The floor of each room. A room may import rooms of lower floors, and itself; edges (floor 11) never one another.
const FLOORS: &[(&str, u8)] = &[
    ("terms", 0),
    ("nature", 1),
    ("care", 2),
    ("reading", 3),
    ("trust", 4),
    ("heat", 5),
    ("finding", 6),
    ("incident", 7),
    ("plot", 7),
    ("notice", 8),
    ("engine", 9),
    ("recording", 10),
    ("config", 10),
    ("survey", 10),
    ("tls", 10),
    ("descriptors", 10),
    ("clock", 11),
    ("mqtt", 11),
    ("broker", 11),
    ("store", 11),
    ("post", 11),
    ("answers", 11),
    ("page", 11),
    ("control", 11),
    ("outpost", 11),
    ("daemon", 12),
    ("commands", 13),
    ("main", 14),
    ("lib", 14),
];

/// Settings of edges are built by `config/`, so their `settings` file alone may be imported from below.
const SETTINGS_MAY_BE_READ_BY: &str = "config";

/// Rooms that must not know that a world exists.
const PURE_UP_TO: u8 = 9;

/// Words that have no business in a pure room, and why.
const BANNED_IN_PURE_ROOMS: &[(&str, &str)] = &[
    ("std::fs", "a pure room reads no file"),
    ("std::net", "a pure room opens no socket"),
    ("std::thread", "a pure room starts no thread"),
    ("std::env", "a pure room reads no environment"),
    ("std::process", "a pure room starts and ends nothing"),
    ("tokio", "a pure room waits for nothing"),
    ("tracing", "a pure room returns what is to be logged"),
    ("rusqlite", "a pure room stores nothing"),
    ("Instant::now", "time is a parameter"),
    ("SystemTime", "time is a parameter"),
    ("getrandom", "a pure room rolls no dice"),
    ("println!", "a pure room prints nothing"),
    ("HashMap", "its order differs from run to run: use BTreeMap, Vec, or the fixed hasher with a reason on the line"),
    ("HashSet", "its order differs from run to run: use BTreeSet or Vec"),
    ("RandomState", "its order differs from run to run"),
    (".unwrap()", "no bytes may panic"),
    (".expect(", "no bytes may panic"),
    ("panic!", "no bytes may panic"),
    ("todo!", "no stub called done"),
    ("unimplemented!", "no stub called done"),
];

/// Longer than this and a file is about two things.
const LONGEST_FILE: usize = 500;

/// Files that are about one thing and longer all the same.
const LONG_FOR_A_REASON: &[(&str, usize)] = &[];

/// Unit tests in files of their own: they may do what the room may not.
fn is_test(path: &Path) -> bool {
    path.components().any(|c| matches!(c.as_os_str().to_string_lossy().as_ref(), "tests" | "tests.rs" | "model.rs"))
}

fn room_of(path: &Path) -> String {
    let inside = path.strip_prefix("src").unwrap_or(path);
    let first = inside.components().next().map(|c| c.as_os_str().to_string_lossy().into_owned()).unwrap_or_default();
    first.trim_end_matches(".rs").to_owned()
}

fn floor_of(room: &str) -> Option<u8> {
    FLOORS.iter().find(|(name, _)| *name == room).map(|(_, floor)| *floor)
}

/// The lines before the file's unit tests, with their numbers, comments taken off.
fn code(text: &str) -> impl Iterator<Item = (usize, &str)> {
    let end = text.find("#[cfg(test)]").unwrap_or(text.len());
    let lines = text[..end].lines().enumerate().map(|(i, line)| (i + 1, line.split("//").next().unwrap_or(line)));
    lines.collect::<Vec<_>>().into_iter()
}

/// Rooms named on a line after `crate::` (or `warmside::` in the binary), with what follows the name.
fn imported(line: &str) -> Vec<(String, String)> {
    let mut found = Vec::new();
    for prefix in ["crate::", "warmside::"] {
        for (at, _) in line.match_indices(prefix) {
            let rest = &line[at + prefix.len()..];
            let names: Vec<&str> = match rest.strip_prefix('{') {
                Some(list) => list.split('}').next().unwrap_or("").split(',').collect(),
                None => vec![rest],
            };
            for name in names {
                let name = name.trim();
                let room: String = name.chars().take_while(|c| c.is_ascii_alphanumeric() || *c == '_').collect();
                found.push((room.clone(), name[room.len()..].to_owned()));
            }
        }
    }
    found
}

fn imports_point_down(path: &Path, text: &str) -> Vec<String> {
    let room = room_of(path);
    let Some(floor) = floor_of(&room) else {
        return vec![format!("{}: no floor is given for this room", path.display())];
    };
    let mut wrong = Vec::new();
    for (line, code) in code(text) {
        for (other, rest) in imported(code) {
            let Some(its) = floor_of(&other) else { continue };
            let settings = rest.starts_with("::settings") && room == SETTINGS_MAY_BE_READ_BY;
            if other != room && its >= floor && !settings {
                wrong
                    .push(format!("{}:{line}: {room}/ (floor {floor}) imports {other}/ (floor {its})", path.display()));
            }
        }
    }
    wrong
}

fn charter_first(path: &Path, text: &str) -> Vec<String> {
    let good = text.lines().next().is_some_and(|first| first.starts_with("//! ") && first.len() > 24);
    if good { vec![] } else { vec![format!("{}:1: the first line is not a `//!` charter", path.display())] }
}

fn not_too_long(path: &Path, text: &str) -> Vec<String> {
    let lines = text.lines().count();
    let most =
        LONG_FOR_A_REASON.iter().find(|(name, _)| Path::new(name) == path).map_or(LONGEST_FILE, |(_, most)| *most);
    if lines <= most {
        vec![]
    } else {
        vec![format!("{}: {lines} lines; split it by what it is about", path.display())]
    }
}

fn pure_rooms_stay_pure(path: &Path, text: &str) -> Vec<String> {
    if is_test(path) || floor_of(&room_of(path)).is_none_or(|floor| floor > PURE_UP_TO) {
        return vec![];
    }
    let mut wrong = Vec::new();
    for (line, code) in code(text) {
        for (word, why) in BANNED_IN_PURE_ROOMS {
            if code.contains(word) && !text.lines().nth(line - 1).is_some_and(|l| l.contains("// tidy:")) {
                wrong.push(format!("{}:{line}: `{word}`: {why}", path.display()));
            }
        }
    }
    wrong
}

fn no_rooms_without_a_charter_of_their_own(path: &Path, _: &str) -> Vec<String> {
    const NAMELESS: &[&str] = &["common", "utils", "util", "types", "prelude", "helpers", "misc"];
    let bad = path.components().any(|c| NAMELESS.contains(&c.as_os_str().to_string_lossy().trim_end_matches(".rs")));
    if bad { vec![format!("{}: a room is named after what it does", path.display())] } else { vec![] }
}

/// A line that goes past the log is one that nobody bounds, and a stranger may be able to have it repeated.
fn what_is_said_goes_through_the_log(path: &Path, text: &str) -> Vec<String> {
    if is_test(path) || room_of(path) == "main" {
        return vec![];
    }
    let in_commands = room_of(path) == "commands";
    let is_log = ["log.rs", "log_limit.rs"].iter().any(|name| path.ends_with(name)) && in_commands;
    let mut wrong = Vec::new();
    for (line, code) in code(text) {
        let past = !in_commands && ["print!", "println!", "std::io::stderr"].iter().any(|word| code.contains(word));
        if past || (!is_log && code.contains("tracing_subscriber")) {
            wrong.push(format!("{}:{line}: goes past the log, which bounds what is said", path.display()));
        }
    }
    wrong
}

/// Hosts and paths of the machine that this was written on, and words that point at where the idea came from.
fn nothing_private(path: &Path, text: &str) -> Vec<String> {
    // Put together here, so that this file does not complain about itself.
    let banned: Vec<String> =
        [["/wo", "rk/"], ["/ro", "ot/"], ["index.", "crates.io"], ["you", "tube"], ["trans", "cript of"]]
            .iter()
            .map(|halves| halves.concat())
            .collect();
    let mut wrong = Vec::new();
    for (i, line) in text.lines().enumerate() {
        let low = line.to_lowercase();
        for word in &banned {
            if low.contains(word.as_str()) {
                wrong.push(format!("{}:{}: `{word}` does not belong in the repository", path.display(), i + 1));
            }
        }
    }
    wrong
}

type Rule = fn(&Path, &str) -> Vec<String>;

const RULES_FOR_SOURCE: &[Rule] = &[
    imports_point_down,
    charter_first,
    not_too_long,
    pure_rooms_stay_pure,
    no_rooms_without_a_charter_of_their_own,
    what_is_said_goes_through_the_log,
    nothing_private,
];

fn files_below(folder: &str, extensions: &[&str], found: &mut Vec<PathBuf>) {
    let Ok(entries) = fs::read_dir(folder) else { return };
    for entry in entries.flatten() {
        let path = entry.path();
        let name = entry.file_name().to_string_lossy().into_owned();
        if path.is_dir() && name != "target" && name != "node_modules" && name != ".git" {
            files_below(&path.to_string_lossy(), extensions, found);
        } else if extensions.iter().any(|e| name.ends_with(e)) {
            found.push(path.strip_prefix("./").map(Path::to_path_buf).unwrap_or(path));
        }
    }
    found.sort();
}

fn complaints(files: &[PathBuf], rules: &[Rule]) -> Vec<String> {
    let mut all = Vec::new();
    for path in files {
        let Ok(text) = fs::read_to_string(path) else { continue };
        all.extend(rules.iter().flat_map(|rule| rule(path, &text)));
    }
    all
}

#[test]
fn the_house_is_in_order() {
    let mut files = Vec::new();
    files_below("src", &[".rs"], &mut files);
    assert!(files.len() > 10, "the test looks into the wrong folder");
    let wrong = complaints(&files, RULES_FOR_SOURCE);
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

#[test]
fn tests_and_texts_are_in_order() {
    let mut files = Vec::new();
    files_below("tests", &[".rs"], &mut files);
    let wrong = complaints(&files, &[charter_first, nothing_private]);
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
    let mut texts = Vec::new();
    for folder in ["config", "deploy", "src", "tests", ".ci"] {
        files_below(folder, &[".md", ".toml", ".service", ".sh", ".js", ".py", "run"], &mut texts);
    }
    texts.extend(["README.md", "DEVELOPERS.md", "CHANGELOG.md", "Cargo.toml"].map(PathBuf::from));
    let wrong = complaints(&texts, &[nothing_private]);
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

#[test]
fn every_planted_fault_is_found() {
    let planted: &[(Rule, &str, &str)] = &[
        (imports_point_down, "src/heat/mod.rs", "use crate::engine::event::Event;"),
        (imports_point_down, "src/store/mod.rs", "use crate::{terms::time::Now, post::Mail};"),
        (imports_point_down, "src/nowhere/mod.rs", ""),
        (charter_first, "src/heat/mod.rs", "use std::fmt;"),
        (charter_first, "src/heat/mod.rs", "//! Heat."),
        (pure_rooms_stay_pure, "src/heat/mod.rs", "let t = std::time::Instant::now();"),
        (pure_rooms_stay_pure, "src/reading/mod.rs", "let n: f64 = text.parse().unwrap();"),
        (pure_rooms_stay_pure, "src/notice/mod.rs", "let mut seen = HashMap::new();"),
        (no_rooms_without_a_charter_of_their_own, "src/utils/mod.rs", ""),
        (what_is_said_goes_through_the_log, "src/mqtt/link.rs", "eprintln!(\"refused: {why}\");"),
        (what_is_said_goes_through_the_log, "src/daemon/mod.rs", "tracing_subscriber::fmt().init();"),
        (nothing_private, "README.md", &["see /wo", "rk/main"].concat()),
    ];
    for (rule, path, text) in planted {
        assert!(!rule(Path::new(path), text).is_empty(), "nothing was said of `{text}` in {path}");
    }
    let sound = "//! Says what is wrong, and nothing else.\nuse crate::terms::time::Now; // std::fs\n";
    let said: Vec<String> =
        RULES_FOR_SOURCE.iter().flat_map(|rule| rule(Path::new("src/finding/mod.rs"), sound)).collect();
    assert!(said.is_empty(), "{said:?}");
}
