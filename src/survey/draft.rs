//! Drafts `[[link]]` tables from a survey: one a pattern of topics, what is unsure commented out with the reason.

use super::guess::Seems;
use super::lines::{Line, read_lines};
use super::patterns::{Pattern, patterns};
use super::payload::Shape;
use super::rhythm::{Companions, companions};
use super::{Survey, Topic};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;

/// The keeper's names that may stand in topics.
#[derive(Clone, Debug, Default)]
pub struct Names {
    pub enclosures: BTreeSet<String>,
    pub rooms: BTreeSet<String>,
}

impl Names {
    pub fn is_known(&self, word: &str) -> bool {
        self.enclosures.contains(word) || self.rooms.contains(word)
    }
}

/// The whole draft, as TOML to review and append.
pub fn draft(survey: &Survey, names: &Names) -> String {
    let mut text = String::new();
    let patterns = patterns(survey, names);
    let companions = companions(survey, names);
    let mut taken = BTreeMap::new();
    for pattern in &patterns {
        write_pattern(&mut text, pattern, names, (&companions, &mut taken));
    }
    if survey.beyond > 0 {
        comment(&mut text, &format!("# {} messages came on further topics, which were not looked at.", survey.beyond));
    }
    text
}

/// By whom and what it is, the topic that is linked as it already.
type Taken<'a> = BTreeMap<(&'a str, String), &'a str>;

fn write_pattern<'a>(
    text: &mut String,
    pattern: &Pattern<'a>,
    names: &Names,
    (companions, taken): (&Companions<'_>, &mut Taken<'a>),
) {
    let Pattern { topic, captured, of, first } = pattern;
    let more = if captured.len() > 1 { format!(" and {} more alike", captured.len() - 1) } else { String::new() };
    let every = of.every_s().map_or(String::new(), |s| format!(", a message each {} s", super::guess::round(s)));
    comment(text, &format!("# {first}{more}: {} messages{every}", of.messages));
    let strangers: Vec<&str> = captured.iter().filter(|w| !names.is_known(w)).copied().collect();
    let target = match captured.first() {
        _ if !topic.contains('{') && captured.len() == 1 && strangers.is_empty() => captured.first().copied(),
        _ => None,
    };
    let nobody = (!topic.contains('{') && target.is_none()) || !strangers.is_empty();
    let in_room = topic.contains("{room}") || target.is_some_and(|id| names.rooms.contains(id));
    let mut lines = read_lines(pattern, in_room, companions);
    if !nobody {
        doubt_what_is_taken(&mut lines, pattern, taken);
    }
    for line in &lines {
        let doubt = line.reason.as_ref().map_or(String::new(), |r| format!(" — unsure: {r}"));
        let at = if line.pointer.is_empty() { "payload" } else { &line.pointer };
        comment(text, &format!("#   {at}: {} ({}){doubt}", line.guess.seems.words(), line.guess.because));
    }
    // Of a whole rack the names have said enough, if they say anything.
    for line in lines.iter().filter(|line| captured.len() <= 1 || line.reason.is_some()) {
        if let Some(said) = companions.said.get(&(*first, line.pointer.as_str())) {
            let at = if line.pointer.is_empty() { "payload" } else { &line.pointer };
            comment(text, &format!("#   {at}: {said}"));
        }
    }
    let time = lines.iter().find(|l| l.guess.seems == Seems::Time).map(|l| l.pointer.clone());
    lines.retain(|line| line.guess.seems.quantity().is_some());
    if lines.is_empty() {
        text.push_str("#   nothing to link\n\n");
        return;
    }
    let sure = !nobody && lines.iter().any(|line| line.reason.is_none());
    let mark = if sure { "" } else { "# " };
    if nobody {
        let who = if strangers.is_empty() { "the topic names none".to_owned() } else { strangers.join(", ") };
        comment(text, &format!("#   unsure: which enclosure is it ({who})? Complete and take the # away"));
    }
    let _ = writeln!(text, "{mark}[[link]]\n{mark}topic = {}", quoted(topic));
    match target {
        Some(id) if names.rooms.contains(id) => drop(writeln!(text, "{mark}room = {}", quoted(id))),
        Some(id) => drop(writeln!(text, "{mark}enclosure = {}", quoted(id))),
        None if !topic.contains('{') => drop(writeln!(text, "{mark}{}", whose(topic, names))),
        None if !strangers.is_empty() => {
            let pairs: Vec<String> = strangers.iter().map(|w| format!("{} = \"…\"", quoted(w))).collect();
            let _ = writeln!(text, "{mark}names = {{ {} }}", pairs.join(", "));
        }
        None => {}
    }
    if let Some(time) = time.filter(|_| of.shape == Shape::Json) {
        let _ = writeln!(text, "{mark}time = {}", quoted(&time));
    }
    write_shape(text, mark, of, &lines);
    write_reads(text, mark, &lines);
    text.push('\n');
}

/// A probe has one link: of two topics that seem to be one reading, the second is doubted.
fn doubt_what_is_taken<'a>(lines: &mut [Line], pattern: &Pattern<'a>, taken: &mut Taken<'a>) {
    for line in lines.iter_mut().filter(|line| line.reason.is_none()) {
        let Some(what) = line.what.clone().filter(|what| what != "battery") else { continue };
        let whose = || pattern.captured.iter().map(|who| (*who, what.clone()));
        match whose().find_map(|key| taken.get(&key)) {
            Some(first) => line.reason = Some(format!("{first} is {what} of the same one already")),
            None => taken.extend(whose().map(|key| (key, pattern.first))),
        }
    }
}

/// Where the topic names nobody: the keeper's only room, if it speaks of one.
fn whose(topic: &str, names: &Names) -> String {
    match names.rooms.first().filter(|_| names.rooms.len() == 1 && topic.split('/').any(|word| word == "room")) {
        Some(room) => format!("room = {}", quoted(room)),
        None => "enclosure = \"…\"".to_owned(),
    }
}

fn write_shape(text: &mut String, mark: &str, of: &Topic, lines: &[Line]) {
    match &of.shape {
        Shape::Text { comma, suffix } => {
            if *comma {
                let _ = writeln!(text, "{mark}decimal = \",\"");
            }
            if !suffix.is_empty() {
                let _ = writeln!(text, "{mark}suffix = {}", quoted(suffix));
            }
        }
        Shape::Columns { separator, count } => {
            let separator = quoted(&separator.to_string());
            let _ = writeln!(text, "{mark}columns = {{ separator = {separator}, count = {count} }}");
        }
        _ => {}
    }
    if lines.iter().any(|l| l.text_number) {
        let _ = writeln!(text, "{mark}text_number = true");
    }
    if let Some((on, off)) = lines.iter().find_map(|l| l.words.as_ref()) {
        let _ = writeln!(text, "{mark}words = {{ on = {}, off = {} }}", quoted(on), quoted(off));
    }
}

fn write_reads(text: &mut String, mark: &str, lines: &[Line]) {
    let unit = |line: &Line| line.guess.seems.quantity().map_or("1", |(_, unit)| unit.code());
    let quantity = |line: &Line| line.guess.seems.quantity().map_or("", |(q, _)| q.word());
    let what = |line: &Line| line.what.clone().unwrap_or_else(|| format!("….{}", quantity(line)));
    if let [line] = lines
        && line.pointer.is_empty()
    {
        let mark = if line.reason.is_some() { "# " } else { mark };
        let _ = writeln!(text, "{mark}reads = {}\n{mark}unit = {}", quoted(&what(line)), quoted(unit(line)));
        return;
    }
    let _ = writeln!(text, "{mark}[link.read]");
    for line in lines {
        let own = if line.reason.is_some() { "# " } else { mark };
        let (what, pointer, unit) = (quoted(&what(line)), quoted(&line.pointer), quoted(unit(line)));
        let _ = writeln!(text, "{own}{what} = {{ pointer = {pointer}, unit = {unit} }}");
    }
}

/// A line of comment. Topics and members are a stranger's words: a line break in one must not end the comment, and TOML
/// (1.0, Comment) bears no other control character there either.
fn comment(text: &mut String, line: &str) {
    text.extend(line.chars().map(|c| if c.is_control() { '\u{FFFD}' } else { c }));
    text.push('\n');
}

/// A TOML basic string.
fn quoted(text: &str) -> String {
    let mut out = String::from('"');
    for c in text.chars() {
        match c {
            '"' | '\\' => out.extend(['\\', c]),
            c if c.is_control() => drop(write!(out, "\\u{:04X}", c as u32)),
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::terms::time::{Span, Wall};

    fn survey(messages: &[(&str, &dyn Fn(f64) -> String)]) -> Survey {
        let mut survey = Survey::default();
        for i in 0..40 {
            for (topic, payload) in messages {
                let at = Wall::from_ms(1_767_600_000_000) + Span::s(i * 30);
                survey.hear(topic, payload(i as f64).as_bytes(), false, at);
            }
        }
        survey
    }

    fn names() -> Names {
        let set = |ids: &[&str]| ids.iter().map(|s| (*s).to_owned()).collect();
        Names { enclosures: set(&["a1", "a2"]), rooms: set(&["back-room"]) }
    }

    /// The lines that are not commented out.
    fn active(draft: &str) -> Vec<&str> {
        draft.lines().filter(|l| !l.starts_with('#') && !l.is_empty()).collect()
    }

    #[test]
    fn a_rack_is_one_link() {
        let warm = |i: f64| format!("{:.1}", 30.0 + (i % 7.0) / 10.0);
        let survey = survey(&[("rack/a1/warm/temperature", &warm), ("rack/a2/warm/temperature", &warm)]);
        let draft = draft(&survey, &names());
        let want = [
            "[[link]]",
            "topic = \"rack/{enclosure}/warm/temperature\"",
            "reads = \"warm_side.temperature\"",
            "unit = \"Cel\"",
        ];
        assert_eq!(active(&draft), want, "{draft}");
        assert!(draft.contains("and 1 more alike"));
    }

    #[test]
    fn json_with_the_same_reading_twice_and_things_nobody_reads() {
        let json = |i: f64| {
            let c = 25.0 + (i % 9.0) / 10.0;
            format!(
                r#"{{"warm":{{"tempC":{c:.2},"tempF":{:.2},"hum":{}}},"rssi":-71,"ts":{}}}"#,
                c * 1.8 + 32.0,
                50.0 + i,
                1.7e9 + i
            )
        };
        let survey = survey(&[("climate/a1", &json)]);
        let draft = draft(&survey, &names());
        let want = [
            "[[link]]",
            "topic = \"climate/a1\"",
            "enclosure = \"a1\"",
            "time = \"/ts\"",
            "[link.read]",
            "\"warm_side.humidity\" = { pointer = \"/warm/hum\", unit = \"%\" }",
            "\"warm_side.temperature\" = { pointer = \"/warm/tempC\", unit = \"Cel\" }",
        ];
        assert_eq!(active(&draft), want, "{draft}");
        assert!(draft.contains("another value is warm_side.temperature already"));
    }

    #[test]
    fn what_is_unsure_is_commented_out_with_the_reason() {
        let fahrenheit = |i: f64| format!("{}", 52.0 + i % 2.0);
        let place = |i: f64| format!("{:.1}", 24.0 + (i % 5.0) / 10.0);
        let plug = |i: f64| format!("{}", if i % 10.0 < 5.0 { 0.0 } else { 87.5 });
        let survey = survey(&[
            ("x/a1/warm/temp", &fahrenheit),
            ("y/a1/temp", &place),
            ("plug/a1/power", &plug),
            ("z/stranger/warm/temp", &place),
        ]);
        let draft = draft(&survey, &names());
        assert_eq!(active(&draft), ["[[link]]"; 0], "{draft}");
        for reason in
            ["fits both °C and °F", "which place is it?", "is it the heat's or the lamp's?", "which enclosure is it"]
        {
            assert!(draft.contains(reason), "{reason}: {draft}");
        }
    }

    #[test]
    fn no_message_is_drafted_for_two_links_and_no_probe_for_two_topics() {
        let warm = |i: f64| format!("{:.1}", 30.0 + (i % 7.0) / 10.0);
        let json = |i: f64| format!("{{\"warm\":{{\"temp\":{:.1}}}}}", 30.0 + (i % 7.0) / 10.0);
        let survey = survey(&[
            ("rack/a1/warm/temp", &warm),
            ("rack/a2/warm/temp", &warm),
            ("rack/other/warm/temp", &json),
            ("spare/a1/warm/temp", &warm),
        ]);
        let draft = draft(&survey, &names());
        let topics: Vec<_> = active(&draft).into_iter().filter(|l| l.starts_with("topic")).collect();
        assert_eq!(topics, ["topic = \"rack/a1/warm/temp\"", "topic = \"rack/a2/warm/temp\""], "{draft}");
        assert!(draft.contains("rack/a1/warm/temp is warm_side.temperature of the same one already"), "{draft}");
    }

    /// Found by coverage-guided fuzzing.
    #[test]
    fn a_strangers_line_break_ends_no_comment() {
        let hostile = |i: f64| format!("{{\"t\\n[[link]]\\u007f\":{}}}", 20.0 + i % 2.0);
        let warm = |i: f64| format!("{:.1}", 30.0 + (i % 7.0) / 10.0);
        let draft = draft(&survey(&[("q\nreads = 1", &warm), ("z/a1/x", &hostile)]), &names());
        assert_eq!(active(&draft), ["[[link]]"; 0], "{draft}");
        assert!(!draft.chars().any(|c| c.is_control() && c != '\n'), "{draft}");
    }

    #[test]
    fn words_suffixes_and_text_numbers_are_pinned() {
        let relay = |i: f64| if i % 10.0 < 5.0 { "ON".into() } else { "OFF".into() };
        let comma = |i: f64| format!("{},{} °C", 24, i % 7.0);
        let text = |i: f64| format!(r#"{{"t":"{:.1}"}}"#, 24.0 + (i % 7.0) / 10.0);
        let survey = survey(&[("a1/heater/state", &relay), ("a1/cool/temp", &comma), ("a1/warm/env", &text)]);
        let draft = draft(&survey, &names());
        for line in [
            "words = { on = \"ON\", off = \"OFF\" }",
            "reads = \"heat.switch\"",
            "decimal = \",\"",
            "suffix = \"°C\"",
            "text_number = true",
        ] {
            assert!(active(&draft).contains(&line), "{line}: {draft}");
        }
    }
}
