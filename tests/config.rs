//! The keeper's file from outside: the examples load, every fault is found at its place in the right words, no bytes panic.

use proptest::prelude::*;
use std::path::{Path, PathBuf};
use warmside::config::fault::Report;
use warmside::config::{self, Config};

fn path(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(name)
}

fn text(name: &str) -> String {
    std::fs::read_to_string(path(name)).unwrap_or_else(|why| panic!("{name}: {why}"))
}

fn judge(text: &str) -> Result<Config, Report> {
    config::from_bytes("warmside.toml", text.as_bytes(), Path::new("/etc/warmside"))
}

fn example(name: &str) -> Config {
    config::load_without_secrets(&path(name)).unwrap_or_else(|report| panic!("{report}"))
}

mod examples {
    use super::*;
    use warmside::post::settings::{Tls, Way};
    use warmside::reading::settings::What;
    use warmside::reading::{Slot, Target};
    use warmside::terms::id::EnclosureIx;
    use warmside::terms::place::Place;
    use warmside::terms::quantity::{Quantity, Unit};
    use warmside::terms::time::Span;

    /// Lines that are no comments and not blank.
    fn lines(name: &str) -> usize {
        text(name).lines().filter(|l| !l.trim().is_empty() && !l.trim().starts_with('#')).count()
    }

    #[test]
    fn a_first_enclosure_takes_15_lines() {
        let config = example("config/first-enclosure.toml");
        assert!(lines("config/first-enclosure.toml") <= 15);
        let [enclosure] = &config.settings.enclosures[..] else { panic!("one enclosure") };
        let warm = enclosure.care.as_ref().and_then(|c| c.places[Place::WarmSide.index()]).expect("a warm side");
        assert_eq!(warm.wanted.map(|b| (b.low, b.high)), Some((29.0, 32.0)));
        assert_eq!(config.builtin_broker.map(|b| b.listen.to_string()).as_deref(), Some("127.0.0.1:1883"));
        assert_eq!(config.store.keep_readings, Span::days(90));
        assert_eq!(config.settings.notice.repeat_now, Span::min(15));
        assert!(matches!(config.post, Way::Folder { .. }));
        // Nothing is said of its heat, and it is watched all the same.
        let heat: Vec<Place> = enclosure.heat.sources.iter().map(|s| s.at).collect();
        assert_eq!(heat, [Place::WarmSide]);
        let none = judge(&text("config/first-enclosure.toml").replace("id = \"a3\"", "id = \"a3\"\nheat = []"));
        assert!(none.is_ok_and(|c| c.settings.enclosures[0].heat.sources.is_empty()));
    }

    #[test]
    fn a_rack_of_40_takes_60_lines() {
        let config = example("config/rack-of-40.toml");
        assert!(text("config/rack-of-40.toml").lines().count() <= 60);
        let all = &config.settings.enclosures;
        assert_eq!(all.len(), 40);
        assert_eq!((all[0].id.as_str(), all[39].id.as_str()), ("a1", "e8"));
        assert_eq!(all[2].animal.as_deref(), Some("Olive"));
        assert_eq!(all[12].where_, ["rack", "row b", "tub 5"]);
        assert!(config.doubts.faults.is_empty(), "{}", config.doubts);
        let warm =
            |ix: usize| all[ix].care.as_ref().and_then(|c| c.places[Place::WarmSide.index()]?.wanted).map(|b| b.low);
        assert_eq!((warm(0), warm(39)), (Some(29.0), Some(28.0)), "the last one has an override");
    }

    #[test]
    fn every_key_is_explained_and_obeyed() {
        let config = example("config/every-key.toml");
        assert!(config.doubts.faults.is_empty(), "{}", config.doubts);
        let broker = config.broker.expect("a broker");
        assert_eq!((broker.tls, broker.host.as_str(), broker.port), (true, "broker.example", 8_883));
        let Way::Server(post) = config.post else { panic!("a mail server") };
        assert_eq!((post.tls, post.port, post.from.address.as_str()), (Tls::Implicit, 465, "warmside@example.org"));
        assert_eq!(config.post_fallback.map(|f| (f.tls, f.port)), Some((Tls::StartTls, 587)));
        let of = |topic: &str| config.settings.links.iter().find(|l| l.topic == topic).expect("the link");
        let plain = of("shed/probe7");
        assert_eq!(plain.target, Some(Target::Enclosure(EnclosureIx(0))));
        assert_eq!((plain.reads[0].unit, plain.reads[0].offset_k), (Unit::Celsius, 0.3));
        assert_eq!(of("plug/a3").reads[0].what, What::Slot(Slot::Heat(0, Quantity::Power)));
        assert_eq!(of("rack/{enclosure}/{place}/temperature").names.len(), 2);
        assert_eq!(of("logger/c1").shape.columns, Some((";".into(), 4)));
        assert!(of("senml/c2").shape.senml);
    }

    /// Keys as the code asks for them, against the file that promises all of them.
    #[test]
    fn no_key_is_forgotten_in_every_key() {
        // An outpost has a file of its own.
        let promised = text("config/every-key.toml") + &text("config/outpost.toml");
        let mut asked = std::collections::BTreeSet::new();
        for entry in std::fs::read_dir(path("src/config")).expect("the room is there").flatten() {
            let code = std::fs::read_to_string(entry.path()).expect("a source file");
            for call in [".get(\"", ".need(\"", ".table(\"", ".tables(\"", "length(&table, \"", "length(table, \""] {
                let keys = code.split(call).skip(1).filter_map(|rest| rest.split('"').next());
                asked
                    .extend(keys.filter(|k| k.bytes().all(|b| b.is_ascii_lowercase() || b == b'_')).map(str::to_owned));
            }
        }
        assert!(asked.len() > 60, "the calls are found: {asked:?}");
        let is_word = |c: char| c.is_ascii_alphanumeric() || c == '_';
        let words: std::collections::BTreeSet<&str> = promised.split(|c| !is_word(c)).collect();
        let forgotten: Vec<_> = asked.iter().filter(|key| !words.contains(key.as_str())).collect();
        assert!(forgotten.is_empty(), "{forgotten:?}");
    }

    #[test]
    fn fahrenheit_is_a_border_and_no_more() {
        // 85 to 90 F warm and 70 to 75 F cool: common practice, no source.
        let text = text("config/first-enclosure.toml")
            .replace("site.time_zone", "site.unit = \"F\"\nsite.time_zone")
            .replace("[29, 32], night = [25, 32], never = [20, 36]", "[85, 90], night = [77, 90], never = [68, 97]")
            .replace("[22, 26], night = [20, 26], never = [18, 30]", "[70, 75], night = [68, 78], never = [64, 86]")
            .replace("light =", "gradient = { at_least = 9 }\nlight =");
        let config = judge(&text).unwrap_or_else(|report| panic!("{report}"));
        let care = config.settings.enclosures[0].care.clone().expect("a care");
        let near = |a: f64, b: f64| (a - b).abs() < 1e-9;
        let warm = care.places[Place::WarmSide.index()].and_then(|p| p.wanted).expect("a band");
        assert!(near(warm.low, 265.0 / 9.0) && near(warm.high, 290.0 / 9.0));
        assert_eq!(care.gradient_at_least_k, Some(5.0), "a difference has no zero point");
    }
}

mod secrets {
    use super::*;

    const BROKER: &str =
        "[broker]\nurl = \"mqtts://broker.example\"\nuser = \"warmside\"\npassword_file = \"secret/broker\"\n";

    fn folder(name: &str) -> PathBuf {
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
        let _ = std::fs::remove_dir_all(&folder);
        std::fs::create_dir_all(folder.join("secret")).expect("a folder for the test");
        std::fs::write(
            folder.join("warmside.toml"),
            format!("{BROKER}{}", text("config/first-enclosure.toml").replace("site.time_zone", "[site]\ntime_zone")),
        )
        .expect("written");
        folder
    }

    fn password(folder: &Path) -> Result<String, Report> {
        let broker = config::load(&folder.join("warmside.toml"))?.broker.expect("a broker");
        Ok(broker.password.expect("a password").expose().to_owned())
    }

    #[test]
    fn a_password_is_read_without_one_newline_and_never_shown() {
        let folder = folder("password");
        for (written, want) in
            [("hunter\n", "hunter"), ("hunter\r\n", "hunter"), ("hunter", "hunter"), (" a b ", " a b ")]
        {
            std::fs::write(folder.join("secret/broker"), written).expect("written");
            assert_eq!(password(&folder).ok().as_deref(), Some(want), "{written:?}");
        }
        let config = config::load(&folder.join("warmside.toml")).expect("it is sound");
        assert!(!format!("{config:?}").contains(" a b "));
    }

    #[test]
    fn a_password_that_cannot_be_one_is_a_fault() {
        let folder = folder("no-password");
        let said = |folder: &Path| password(folder).err().map(|r| r.to_string()).unwrap_or_default();
        assert!(said(&folder).contains("cannot read the password file \"secret/broker\""));
        for (written, what) in [("", "holds no password"), ("\n", "holds no password"), ("a\nb\n", "holds no password")]
        {
            std::fs::write(folder.join("secret/broker"), written).expect("written");
            let said = said(&folder);
            assert!(said.contains(what), "{written:?}: {said}");
        }
        std::fs::write(folder.join("secret/broker"), b"\xff\xfe").expect("written");
        assert!(said(&folder).contains("holds no password"));
    }
}

mod report {
    use super::*;

    /// The whole report of a file with more than thirty faults, as a keeper sees it. Look at what changed before taking it over:
    /// `UPDATE=1 cargo test --test config`.
    #[test]
    fn all_faults_of_a_file_in_one_run() {
        let report =
            config::from_bytes("faults.toml", text("tests/config/faults.toml").as_bytes(), Path::new("/nowhere"));
        let said = report.expect_err("it has faults").to_string();
        if std::env::var_os("UPDATE").is_some() {
            std::fs::write(path("tests/config/faults.txt"), &said).expect("written");
        }
        assert_eq!(said, text("tests/config/faults.txt"));
        assert!(said.matches("fault: ").count() >= 12);
    }

    #[test]
    fn colour_is_only_added() {
        let report = judge(&text("tests/config/faults.toml")).expect_err("it has faults");
        let (plain, coloured) = (report.render(false), report.render(true));
        assert!(!plain.contains('\u{1b}') && coloured.contains('\u{1b}'));
    }

    #[test]
    fn what_could_steer_a_terminal_is_not_shown() {
        let report = judge("[site]\n\"\u{1b}[31mred\" = 1\nname = \"\\u001b[2Jx\"\n").expect_err("it has faults");
        let said = report.render(false);
        assert!(!said.contains('\u{1b}'), "{said}");
    }

    #[test]
    fn columns_count_characters() {
        let report = judge("[[keeper]]\nmail = \"a@example.org\"\nid = \"a\"\nname = [\"Zoë\", { \"mällar\" = 3 }]\n");
        let report = report.expect_err("it has faults");
        let line = report.text.lines().position(|l| l.contains("Zoë")).expect("the line") + 1;
        let fault = report.faults.iter().find(|f| f.what.contains("`name` is a list")).expect("the fault");
        assert_eq!(report.line_column(fault.span.start), (line, 8), "{report}");
        let after_umlaut = report.text.find("{ \"m").expect("the table");
        assert_eq!(report.line_column(after_umlaut), (line, 16));
    }

    #[test]
    fn no_file_and_no_text_are_told() {
        let report = config::load(Path::new("/nowhere/warmside.toml")).expect_err("there is none");
        assert_eq!(
            report.to_string(),
            "fault: there is no file /nowhere/warmside.toml\n |\n = right: `--config FILE` names yours\n\n\
             /nowhere/warmside.toml: 1 fault\n"
        );
        let report =
            config::from_bytes("x.toml", b"[site]\nname = \"\xff\"\n", Path::new("/nowhere")).expect_err("no text");
        assert_eq!(report.line_column(report.faults[0].span.start), (2, 9));
        assert!(report.to_string().contains("this is no UTF-8 text"));
    }
}

mod faults {
    use super::*;

    /// A change to `every-key.toml` (or two), and the words of the fault that it makes and of what would be right.
    #[derive(Default)]
    struct Case {
        changes: Vec<(String, String)>,
        doubt: bool,
        what: String,
        right: String,
    }

    /// One block of `cases.txt`.
    fn case(block: &str) -> Case {
        let mut case = Case::default();
        for line in block.lines() {
            let (mark, rest) = line.split_once(' ').unwrap_or((line, ""));
            let rest = rest.replace('⏎', "\n");
            match (mark, case.changes.last_mut()) {
                ("-", _) => case.changes.push((rest, String::new())),
                ("+", Some((_, to))) => *to = rest,
                ("fault:" | "doubt:", _) => (case.doubt, case.what) = (mark == "doubt:", rest),
                ("=", _) => case.right = rest,
                _ => panic!("{line}: no line of a case"),
            }
        }
        case
    }

    #[test]
    fn each_is_found_at_its_place_in_the_right_words() {
        let cases = text("tests/config/cases.txt");
        let blocks: Vec<&str> = cases.split("\n\n").filter(|b| b.starts_with("- ")).collect();
        assert!(blocks.len() > 100, "{} cases", blocks.len());
        let base = text("config/every-key.toml");
        blocks.iter().for_each(|block| run(&base, block));
    }

    fn run(base: &str, block: &str) {
        let case = case(block.trim_end());
        let mut text = base.to_owned();
        for (from, to) in &case.changes {
            assert_eq!(text.matches(from.as_str()).count(), 1, "{block}\n{from:?} stands once in the file");
            text = text.replace(from, to);
        }
        let start = text.find('«').unwrap_or_else(|| panic!("{block}\nno place marked"));
        let text = text.replace('«', "");
        let end = text.find('»').unwrap_or_else(|| panic!("{block}\nno place marked"));
        let text = text.replace('»', "");
        let report = match judge(&text) {
            Ok(config) => config.doubts,
            Err(report) => report,
        };
        assert_eq!(report.is_fatal(), !case.doubt, "{block}\n{report}");
        let found = report.faults.iter().any(|f| {
            let right = f.right.as_deref().unwrap_or_default();
            f.warning == case.doubt
                && f.span == (start..end)
                && f.what.contains(&case.what)
                && right.contains(&case.right)
        });
        assert!(found, "{block}\nis not so told at {:?}:\n{report}", &text[start..end]);
        let (line, column) = report.line_column(start);
        assert!(report.to_string().contains(&format!("warmside.toml:{line}:{column}")), "{block}");
    }

    #[test]
    fn an_enclosure_that_nothing_reads() {
        let text = text("config/first-enclosure.toml")
            .replace("{enclosure}", "a3")
            .replace("quantity", "enclosure = \"a3\"\nquantity");
        assert!(judge(&text).is_ok(), "the link names its enclosure");
        let two = format!("{text}[[enclosure]]\nid = \"b4\"\ncare = \"corn-snake\"\n");
        let report = judge(&two).expect_err("nothing reads b4");
        assert_eq!(report.faults.iter().filter(|f| !f.warning).count(), 1, "{report}");
        assert!(report.to_string().contains("nothing reads enclosure \"b4\""), "{report}");
        assert!(judge(&format!("{two}empty = true\n")).is_ok(), "nobody lives in it");
    }

    #[test]
    fn what_is_tied_on_the_page_is_read_beside_the_file_and_never_before_it() {
        use warmside::config::tied::{FILE, Fate, Tie, text as written};
        let folder = std::env::temp_dir().join(format!("warmside-tied-{}", std::process::id()));
        std::fs::create_dir_all(folder.join("state")).expect("a folder");
        let own = text("config/first-enclosure.toml")
            .replace("rack/{enclosure}", "rack/a3")
            .replace("quantity", "enclosure = \"a3\"\nquantity");
        let judge = |ties: &str| {
            std::fs::write(folder.join("state").join(FILE), ties).expect("written");
            config::from_bytes("warmside.toml", own.as_bytes(), &folder).unwrap_or_else(|report| panic!("{report}"))
        };
        let tie = |topic: &str, enclosure: &str, reads: &str, sealed: bool| Tie {
            topic: topic.into(),
            enclosure: Some(enclosure.into()),
            reads: reads.into(),
            unit: Some("Cel".into()),
            by: "ines".into(),
            tied: "2026-03-03T14:20:00.000Z".into(),
            sealed: sealed.then(|| "2026-03-03T14:30:00.000Z".into()),
            ..Tie::default()
        };
        let ties = [
            tie("loose/1", "a3", "hide.temperature", true),
            tie("loose/2", "a3", "floor.temperature", false),
            tie("loose/3", "a3", "hide.temperature", true),
            tie("rack/a3/warm_side/temperature", "a3", "water.temperature", true),
            tie("loose/4", "b9", "hide.temperature", true),
            tie("loose/5", "a3", "roof.temperature", true),
            tie("loose/{x}", "a3", "water.temperature", true),
        ];
        let config = judge(&written(&ties).expect("a file"));
        let fates: Vec<&str> = config
            .tied
            .all
            .iter()
            .map(|(_, fate)| match fate {
                Fate::Watched => "watched",
                Fate::Waits => "waits",
                Fate::Idle(why) => why.as_str(),
            })
            .collect();
        assert_eq!(fates[..2], ["watched", "waits"]);
        for (fate, why) in fates[2..].iter().zip([
            "an earlier tie counts: two links read the same probe",
            "your own file counts: this topic fits two links",
            "no enclosure is called \"b9\"",
            "\"roof.temperature\" is no reading",
            "a tie is of one topic",
        ]) {
            assert!(fate.contains(why), "{fate}: {why}");
        }
        assert_eq!(config.settings.links.len(), 2, "the file's link and the sealed tie");
        assert_eq!(
            config.doubts.faults.iter().filter(|f| f.what.starts_with("tied on the page, and not read")).count(),
            5
        );
        // A file that is spoiled loses its ties and not the house, and says so.
        let spoiled = judge("[[tie]]\ntopic = 3\n");
        assert!(spoiled.tied.trouble.is_some() && spoiled.settings.links.len() == 1);
        assert!(spoiled.doubts.to_string().contains("what is tied on the page cannot be read"));
        let _ = std::fs::remove_dir_all(&folder);
    }

    #[test]
    fn an_enclosure_may_wait_to_be_tied_on_the_page_where_the_file_says_so() {
        let bare = text("config/first-enclosure.toml").split("[[link]]").next().unwrap_or_default().to_owned();
        let report = judge(&bare).expect_err("nothing reads it");
        assert!(report.to_string().contains("`[page] tie = true`"), "{report}");
        let config = judge(&format!("{bare}[page]\ntie = true\n")).unwrap_or_else(|report| panic!("{report}"));
        assert!(config.doubts.to_string().contains("enclosure \"a3\" is not watched yet"), "{}", config.doubts);
    }

    /// Without a plan for the light it is always day, and whoever states a night is told so, wherever he states it.
    #[test]
    fn a_night_without_light_is_told_wherever_it_is_stated() {
        let first = text("config/first-enclosure.toml");
        let dark: String = first.lines().filter(|l| !l.starts_with("light ")).map(|l| format!("{l}\n")).collect();
        assert_ne!(dark, first);
        let doubts = |text: &str| {
            let report = judge(text).unwrap_or_else(|r| panic!("{r}")).doubts;
            report.faults.iter().filter(|f| f.what.contains("always day")).map(|f| f.what.clone()).collect::<Vec<_>>()
        };
        assert_eq!(doubts(&first), [""; 0]);
        let told = doubts(&dark);
        assert!(told.iter().any(|t| t.starts_with("`night` of warm_side is never in force")), "{told:?}");
        let plain = dark.replace(", night = [25, 32]", "").replace(", night = [20, 26]", "");
        let own = "care = \"corn-snake\"\noverride = { warm_side = { never_night = [20, 36] } }";
        let own = plain.replace("care = \"corn-snake\"", own);
        assert_eq!(doubts(&plain), [""; 0]);
        let told = doubts(&own);
        assert_eq!(
            told.last().map(String::as_str),
            Some("`never_night` of warm_side is never in force: without `light` it is always day")
        );
    }

    /// Humidity that is wanted where only the temperature is read is watched by the air of another place and its dew point; an
    /// ultraviolet index shows no lamp.
    #[test]
    fn what_is_watched_by_other_means() {
        use warmside::config::coverage::{Aspect, coverage};
        use warmside::terms::place::Place;
        let first = text("config/first-enclosure.toml");
        let text = first.replace("light = {", "humidity = { place = \"cool_side\", wanted = [40, 60] }\nlight = {");
        let blind = |reads: &str, unit: &str| {
            let link =
                format!("[[link]]\ntopic = \"air/a3\"\nenclosure = \"a3\"\nreads = \"{reads}\"\nunit = \"{unit}\"\n");
            let config = judge(&format!("{text}{link}")).unwrap_or_else(|r| panic!("{r}"));
            let watch = coverage(&config.settings);
            watch[0].parts.iter().filter(|p| p.is_blind()).map(|p| p.aspect).collect::<Vec<_>>()
        };
        let (air, light) = (Aspect::Humidity(Place::CoolSide), Aspect::Light);
        assert_eq!(blind("air.uv_index", "1"), [air, light]);
        assert_eq!(blind("warm_side.humidity", "%"), [light]);
        assert_eq!(blind("air.illuminance", "lx"), [air]);
    }

    /// A file that cannot be read whole is not blamed for what may only seem to be missing.
    #[test]
    fn what_may_only_seem_to_be_missing_waits_for_a_whole_file() {
        let broken = text("config/first-enclosure.toml").replace("id = \"a3\"", "id = a3\"");
        let report = judge(&broken.replace("[29, 32]", "[32, 29]")).expect_err("it is broken");
        let lines: Vec<usize> = report.faults.iter().map(|f| report.line_column(f.span.start).0).collect();
        assert_eq!(lines, [8, 12], "{report}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    /// Real files with bytes cut out, doubled, or replaced: a report or a configuration, never a panic; and every fault lies
    /// in the text.
    #[test]
    fn no_mutated_file_panics(
        which in 0..4_usize,
        edits in prop::collection::vec((any::<prop::sample::Index>(), 0..40_usize, "[\\[\\]{}=\",.a-z0-9é\\n#-]{0,6}"), 1..6),
    ) {
        let names = ["config/every-key.toml", "config/rack-of-40.toml", "config/first-enclosure.toml", "tests/config/faults.toml"];
        let mut bytes = text(names[which]).into_bytes();
        for (at, length, put) in edits {
            let at = at.index(bytes.len() + 1);
            let end = (at + length).min(bytes.len());
            bytes.splice(at..end, put.bytes());
        }
        if let Err(report) = config::from_bytes("m.toml", &bytes, Path::new("/nowhere")) {
            prop_assert!(report.is_fatal());
            prop_assert!(report.faults.iter().all(|f| f.span.start <= report.text.len()));
            prop_assert!(report.render(false).contains("m.toml:") || report.text.is_empty());
        }
    }

    #[test]
    fn no_bytes_panic(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        let _ = config::from_bytes("b.toml", &bytes, Path::new("/nowhere"));
    }

    #[test]
    fn no_toml_panics(text in "([a-z_]{1,9} ?= ?(\"[^\"]{0,9}\"|[0-9.e+-]{1,9}|\\[[0-9, ]{0,9}\\]|\\{ ?[a-z]{1,5} = 1 ?\\})\n|\\[{1,2}(site|care\\.x|care\\.x\\.season|enclosure|link|keeper|post|link\\.read)\\]{1,2}\n){0,20}") {
        if let Err(report) = config::from_bytes("t.toml", text.as_bytes(), Path::new("/nowhere")) {
            let _ = report.render(true);
        }
    }
}

/// Where nothing but a basking spot is warm, the heat that nobody states is its lamp.
#[test]
fn an_unstated_lamp_is_watched_at_a_basking_spot() {
    // Also where its band is so wide that its middle is a room's.
    for wanted in ["[34, 42]", "[13, 37]"] {
        let text = format!(
            "[care.x]\ncool_side = {{ wanted = [20, 26], never = [5, 40] }}\nbasking_spot = {{ wanted = {wanted}, never = [5, 60] }}\n\
             confirmed_by = \"i\"\n[[keeper]]\nid = \"i\"\nname = \"I\"\nmail = \"i@example.org\"\n[[enclosure]]\nid = \"a\"\ncare = \"x\"\n\
             [[link]]\ntopic = \"t\"\nenclosure = \"a\"\nreads = \"basking_spot.temperature\"\nunit = \"Cel\"\n\
             [[link]]\ntopic = \"u\"\nenclosure = \"a\"\nreads = \"cool_side.temperature\"\nunit = \"Cel\"\n"
        );
        let config = judge(&text).unwrap_or_else(|report| panic!("{report}"));
        let sources = &config.settings.enclosures[0].heat.sources;
        let at = warmside::terms::place::Place::BaskingSpot;
        assert!(
            matches!(sources.as_slice(), [lamp] if lamp.at == at && lamp.kind.gives_light()),
            "{wanted}: {sources:?}"
        );
    }
}

/// Heat that nobody states is watched where more is wanted than a room gives, and `heat = []` says that there is none.
#[test]
fn unstated_heat_is_watched_only_where_a_room_cannot_give_it() {
    let sources = |wanted: &str, heat: &str| {
        let text = format!(
            "[care.x]\nwarm_side = {{ wanted = {wanted}, never = [5, 40] }}\nconfirmed_by = \"i\"\n[[keeper]]\nid = \"i\"\nname = \"I\"\n\
             mail = \"i@example.org\"\n[[enclosure]]\nid = \"a\"\ncare = \"x\"\n{heat}\n[[link]]\ntopic = \"t\"\nenclosure = \"a\"\n\
             reads = \"warm_side.temperature\"\nunit = \"Cel\"\n"
        );
        let config = judge(&text).unwrap_or_else(|report| panic!("{report}"));
        config.settings.enclosures[0].heat.sources.len()
    };
    assert_eq!(sources("[29, 32]", ""), 1);
    assert_eq!(sources("[24, 31]", ""), 1, "the middle of a wide band is no room's");
    assert_eq!(sources("[18, 24]", ""), 0, "a room gives as much");
    assert_eq!(sources("[29, 32]", "heat = []"), 0, "the keeper's word");
}
