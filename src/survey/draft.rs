//! Drafts `[[link]]` tables from a survey: one a pattern of topics, what is unsure commented out with the reason.

use super::guess::{Guess, Seems, guess, names_quantity};
use super::payload::Shape;
use super::rhythm::{At, companions};
use super::{Survey, Topic};
use crate::terms::place::Place;
use crate::terms::quantity::Quantity;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;

/// The keeper's names that may stand in topics.
#[derive(Clone, Debug, Default)]
pub struct Names {
    pub enclosures: BTreeSet<String>,
    pub rooms: BTreeSet<String>,
}

/// Words of topics and members, and the places that they mean. Common practice, no source.
const PLACES: &[(&str, Place)] = &[
    ("warm", Place::WarmSide),
    ("hot", Place::WarmSide),
    ("warm_side", Place::WarmSide),
    ("cool", Place::CoolSide),
    ("cold", Place::CoolSide),
    ("cool_side", Place::CoolSide),
    ("basking", Place::BaskingSpot),
    ("basking_spot", Place::BaskingSpot),
    ("hide", Place::Hide),
    ("floor", Place::Floor),
    ("mat", Place::Floor),
    ("water", Place::Water),
    ("air", Place::Air),
    ("ambient", Place::Air),
];

/// One value of a pattern.
#[derive(Clone, Debug)]
struct Line {
    pointer: String,
    guess: Guess,
    /// `place.quantity`, where both are known.
    what: Option<String>,
    /// Why it is commented out.
    reason: Option<String>,
    text_number: bool,
    words: Option<(String, String)>,
}

/// Topics that differ in one level only.
#[derive(Clone, Debug)]
struct Pattern<'a> {
    /// With `{enclosure}` or `{room}` for that level.
    topic: String,
    /// What stood there.
    captured: Vec<&'a str>,
    of: &'a Topic,
    first: &'a str,
}

/// The whole draft, as TOML to review and append.
pub fn draft(survey: &Survey, names: &Names) -> String {
    let mut text = String::new();
    let patterns = patterns(survey, names);
    let companions = companions(survey);
    for pattern in &patterns {
        write_pattern(&mut text, pattern, names, &companions);
    }
    if survey.beyond > 0 {
        let _ = writeln!(text, "# {} messages came on further topics, which were not looked at.", survey.beyond);
    }
    text
}

/// Groups topics by the level in which most of their kind differ; a level that holds the keeper's ids goes first.
fn patterns<'a>(survey: &'a Survey, names: &Names) -> Vec<Pattern<'a>> {
    let with = |topic: &str, level: usize, word: &str| {
        topic.split('/').enumerate().map(|(i, l)| if i == level { word } else { l }).collect::<Vec<_>>().join("/")
    };
    let key = |topic: &str, level: usize, of: &Topic| {
        let pointers: Vec<&String> = of.fields.keys().collect();
        format!("{}\n{pointers:?}{:?}", with(topic, level, "{}"), of.shape)
    };
    let mut sizes: BTreeMap<String, usize> = BTreeMap::new();
    for (topic, of) in survey.topics() {
        for level in 0..topic.split('/').count() {
            *sizes.entry(key(topic, level, of)).or_default() += 1;
        }
    }
    let mut found: BTreeMap<String, Pattern<'a>> = BTreeMap::new();
    for (topic, of) in survey.topics() {
        let words: Vec<&str> = topic.split('/').collect();
        let ours = words.iter().position(|w| names.enclosures.contains(*w) || names.rooms.contains(*w));
        let size = |level: usize| sizes.get(&key(topic, level, of)).copied().unwrap_or(1);
        // Of equals the earlier one is more likely the enclosure's.
        let likely = (0..words.len())
            .filter(|l| size(*l) > 1 && words.get(*l).is_some_and(|word| !names_quantity(word)))
            .max_by_key(|l| (size(*l), usize::MAX - l));
        let level = ours.or(likely);
        let alike = level.is_some_and(|l| size(l) > 1);
        let room = ours.and_then(|l| words.get(l)).is_some_and(|w| names.rooms.contains(*w));
        let name = if room { "{room}" } else { "{enclosure}" };
        let (pattern, id) = match level.filter(|_| alike) {
            Some(level) => (with(topic, level, name), key(topic, level, of)),
            None => (topic.clone(), topic.clone()),
        };
        let word = level.and_then(|l| words.get(l).copied());
        let entry = found.entry(format!("{id}{room}"));
        let entry = entry.or_insert_with(|| Pattern { topic: pattern, captured: Vec::new(), of, first: topic });
        entry.captured.extend(word);
    }
    found.into_values().collect()
}

fn write_pattern(text: &mut String, pattern: &Pattern<'_>, names: &Names, companions: &BTreeMap<At<'_>, String>) {
    let Pattern { topic, captured, of, first } = pattern;
    let more = if captured.len() > 1 { format!(" and {} more alike", captured.len() - 1) } else { String::new() };
    let every = of.every_s().map_or(String::new(), |s| format!(", a message each {} s", super::guess::round(s)));
    let _ = writeln!(text, "# {first}{more}: {} messages{every}", of.messages);
    let known = |word: &&&str| names.enclosures.contains(**word) || names.rooms.contains(**word);
    let strangers: Vec<&str> = captured.iter().filter(|w| !known(w)).copied().collect();
    let target = match captured.first() {
        _ if !topic.contains('{') && captured.len() == 1 && strangers.is_empty() => captured.first().copied(),
        _ => None,
    };
    let nobody = (!topic.contains('{') && target.is_none()) || !strangers.is_empty();
    let mut lines = read_lines(pattern);
    for line in &lines {
        let doubt = line.reason.as_ref().map_or(String::new(), |r| format!(" — unsure: {r}"));
        let at = if line.pointer.is_empty() { "payload" } else { &line.pointer };
        let _ = writeln!(text, "#   {at}: {} ({}){doubt}", line.guess.seems.words(), line.guess.because);
    }
    // Of a whole rack the names have said enough.
    for line in lines.iter().filter(|_| captured.len() <= 1) {
        if let Some(said) = companions.get(&(*first, line.pointer.as_str())) {
            let at = if line.pointer.is_empty() { "payload" } else { &line.pointer };
            let _ = writeln!(text, "#   {at}: {said}");
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
        let _ = writeln!(text, "#   unsure: which enclosure is it ({who})? Complete and take the # away");
    }
    let _ = writeln!(text, "{mark}[[link]]\n{mark}topic = {}", quoted(topic));
    match target {
        Some(id) if names.rooms.contains(id) => drop(writeln!(text, "{mark}room = {}", quoted(id))),
        Some(id) => drop(writeln!(text, "{mark}enclosure = {}", quoted(id))),
        None if !topic.contains('{') => drop(writeln!(text, "{mark}enclosure = \"…\"")),
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

/// What each value of a pattern would be linked as, or why not.
fn read_lines(pattern: &Pattern<'_>) -> Vec<Line> {
    let mut taken = BTreeSet::new();
    let mut lines = Vec::new();
    for (pointer, field) in &pattern.of.fields {
        let guess = guess(pattern.first, pointer, field, pattern.of);
        let mut line = Line {
            pointer: pointer.clone(),
            what: None,
            reason: guess.doubt.clone(),
            text_number: field.text_numbers > 0,
            words: None,
            guess,
        };
        if let Some((quantity, _)) = line.guess.seems.quantity() {
            match belongs(pattern.first, pointer, quantity) {
                Ok(what) => line.what = Some(what),
                Err(why) => line.reason = line.reason.or(Some(why)),
            }
            if field.text_numbers > 0 && field.text_numbers < field.numbers {
                line.reason = Some("it comes as number and as text".to_owned());
            }
            if field.is_words() {
                line.words = on_and_off(&field.words);
                if line.words.is_none() {
                    line.reason = Some(format!("which of {:?} means on?", field.words));
                }
            }
            if let (Some(what), None) = (&line.what, &line.reason)
                && !taken.insert(what.clone())
            {
                line.reason = Some(format!("another value is {what} already"));
            }
        }
        lines.push(line);
    }
    // One link pins one shape for all that it reads.
    if lines.iter().any(|l| l.text_number) {
        for line in lines.iter_mut().filter(|l| !l.text_number && l.reason.is_none()) {
            line.reason = Some("the others are numbers in text, this one is not".to_owned());
        }
    }
    lines
}

/// `place.quantity` by the words of topic and pointer.
fn belongs(topic: &str, pointer: &str, quantity: Quantity) -> Result<String, String> {
    let lower = format!("{topic}/{pointer}").to_lowercase();
    let words: Vec<&str> = lower.split(['/', '-', '.', ' ']).filter(|w| !w.is_empty()).collect();
    let says = |any: &[&str]| words.iter().any(|w| any.contains(w));
    match quantity {
        Quantity::Battery => Ok("battery".to_owned()),
        Quantity::Illuminance => Ok("air.illuminance".to_owned()),
        Quantity::Power | Quantity::Switch => {
            match (says(&["heat", "heater", "emitter", "mat"]), says(&["lamp", "light", "lights"])) {
                (true, false) => Ok(format!("heat.{}", quantity.word())),
                (false, true) => Ok(format!("lamp.{}", quantity.word())),
                _ => Err("is it the heat's or the lamp's?".to_owned()),
            }
        }
        _ => {
            let places: BTreeSet<Place> = PLACES.iter().filter(|(w, _)| words.contains(w)).map(|(_, p)| *p).collect();
            match places.iter().collect::<Vec<_>>()[..] {
                [place] => Ok(format!("{}.{}", place.word(), quantity.word())),
                [] => Err("which place is it?".to_owned()),
                _ => Err("its name speaks of several places".to_owned()),
            }
        }
    }
}

fn on_and_off(words: &BTreeSet<String>) -> Option<(String, String)> {
    const PAIRS: &[(&str, &str)] = &[("on", "off"), ("true", "false"), ("yes", "no"), ("1", "0"), ("high", "low")];
    let find = |wanted: &str| words.iter().find(|w| w.to_lowercase() == wanted).cloned();
    PAIRS.iter().find_map(|(on, off)| Some((find(on)?, find(off)?)))
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
