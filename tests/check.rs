//! `warmside check` as a keeper runs it: exit statuses, what goes where, and the words of its summary.

use std::path::Path;
use std::process::{Command, Output};

fn check(args: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_warmside"));
    command.current_dir(env!("CARGO_MANIFEST_DIR")).arg("check").args(args).env_remove("CREDENTIALS_DIRECTORY");
    command.output().expect("the binary runs")
}

fn words(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("text")
}

#[test]
fn faults_go_to_standard_error_with_status_78() {
    let said = check(&["--config", "tests/config/faults.toml"]);
    assert_eq!(said.status.code(), Some(78));
    assert!(said.stdout.is_empty());
    let report = words(&said.stderr);
    assert!(report.contains("--> tests/config/faults.toml:4:13"), "{report}");
    // What the library says of the same text, and the password file, which only a file can name.
    assert!(report.contains("cannot read the password file \"secret/nothing-here\""), "{report}");
    assert!(!report.contains('\u{1b}'), "no colour where nobody looks");
    let json = check(&["--json", "--config", "tests/config/faults.toml"]);
    assert_eq!(json.status.code(), Some(78));
    let faults: serde_json::Value = serde_json::from_slice(&json.stdout).expect("JSON");
    assert_eq!(faults["faults"].as_array().map(Vec::len), Some(report.matches("fault: ").count()));
    assert_eq!((faults["faults"][0]["line"].as_u64(), faults["faults"][0]["column"].as_u64()), (Some(4), Some(13)));
}

#[test]
fn a_rack_is_told_in_few_lines_and_what_is_blind_comes_first() {
    let said = check(&["--config", "config/rack-of-40.toml"]);
    assert_eq!(said.status.code(), Some(0));
    let text = words(&said.stdout);
    let (blind, seen) = text.split_once("WATCHED, if these topics come").expect("both parts");
    assert!(
        blind.contains("NOT WATCHED\na1..a8, b1..b8, c1..c8, d1..d8, e1..e8: 40 enclosures\n  light: wanted"),
        "{text}"
    );
    assert!(seen.contains("e1..e7: 39 enclosures\n  warm side: 29 to 32 by day, 25 to 32 by night"), "{text}");
    assert!(seen.contains("e8, Fern, hatchling\n  warm side: 28 to 31 by day"), "{text}");
    assert!(text.lines().count() < 50, "{text}");
    let wide = text.lines().max_by_key(|l| l.chars().count()).unwrap_or_default();
    assert!(wide.chars().count() <= 72, "a phone breaks it: {wide}");
}

#[test]
fn a_day_shows_its_season_on_the_way() {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("check-season");
    std::fs::create_dir_all(&folder).expect("a folder for the test");
    let rack = std::fs::read_to_string("config/rack-of-40.toml").expect("the example is there");
    let season = "[[care.corn-snake.season]]\nname = \"brumation\"\nfrom = \"11-15\"\nuntil = \"02-10\"\nstep = 1.0\n\
                  warm_side = { wanted = [10, 15], night = [10, 15], never = [4, 20] }\n\
                  cool_side = { wanted = [9, 15], night = [9, 15], never = [4, 20] }\n\
                  gradient = { at_least = 0 }\nlight = { on = \"10:00\", hours = 8 }\n\n[[enclosure]]\nids";
    let file = folder.join("season.toml");
    std::fs::write(&file, rack.replacen("[[enclosure]]\nids", season, 1)).expect("written");
    let on = |day: &str| words(&check(&["--on", day, "--config", &file.display().to_string()]).stdout);
    let before = on("2026-11-01");
    assert!(before.contains("WANTED ON 2026-11-01") && !before.contains("brumation:"), "{before}");
    assert!(on("2026-11-20").contains("brumation: day 6 on the way in"));
    let full = on("2027-01-10");
    assert!(full.contains("brumation: in full\n  warm side: 10 to 15,\n    never below 4 or above 20"), "{full}");
    assert!(full.contains("light: on 10:00, off 18:00 (8 h of light)"), "{full}");
    assert!(on("2027-02-12").contains("brumation: day 3 on the way out"));
    assert_eq!(check(&["--on", "2026-02-30", "--config", "config/rack-of-40.toml"]).status.code(), Some(2));
}

/// The first enclosure of the README is the one in `config/`, so that it is known to load.
#[test]
fn the_readme_shows_the_first_enclosure() {
    let read = |name: &str| std::fs::read_to_string(name).expect("it is there");
    let (readme, example) = (read("README.md"), read("config/first-enclosure.toml"));
    let block = readme.split("```toml\n").nth(1).and_then(|rest| rest.split("```").next()).expect("a TOML block");
    let said: Vec<&str> = example.lines().filter(|l| !l.starts_with('#')).collect();
    assert_eq!(block.lines().collect::<Vec<_>>(), said);
}
