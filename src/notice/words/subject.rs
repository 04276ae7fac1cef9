//! Subjects: ASCII, at most 45, and they make sense on a lock screen.

use super::phrase::{About, Phrase};
use super::{Telling, common};
use crate::finding::cause::Cause;
use crate::incident::Worse;
use crate::notice::Event;

pub const LONGEST: usize = 45;

pub fn subject(t: &Telling, about: &About, phrase: &Phrase) -> String {
    let n = t.scenes.len();
    let heads = match (t.scenes.as_slice(), common(t)) {
        ([(_, scene)], _) => vec![scene.label(), scene.id.clone()],
        ([], _) => vec![t.settings.site.clone(), "Warmside".to_owned()],
        (several, common) => {
            let ids: Vec<String> = several.iter().take(3).map(|(_, s)| s.id.clone()).collect();
            let more = if n > 3 { format!(" and {} more", n - 3) } else { String::new() };
            let named = format!("{}{more}", ids.join(", "));
            match common {
                Some((name, _)) => vec![name, named, format!("{n} enclosures")],
                None => vec![named, format!("{n} enclosures")],
            }
        }
    };
    let tails = if n > 1 { several_tails(about, n) } else { phrase.tails.clone() };
    let tails: Vec<String> = match t.event {
        Event::Ended => ended_tails(about, n),
        Event::Answered => {
            let by = t.answered_by.as_ref().map_or(String::new(), |(name, _)| format!(" by {name}"));
            vec![format!("answered{by}"), "answered".to_owned()]
        }
        Event::Repeated | Event::HandedOn if t.incident.latched && t.incident.calm.is_some() => calm_tails(about, n),
        event => {
            let prefix = match (event, t.why) {
                (Event::Worse, Some(Worse::Again)) => "again: ",
                (Event::Worse, Some(Worse::Named)) => "",
                (Event::Worse, _) => "worse: ",
                (Event::Repeated, _) => "still ",
                (Event::HandedOn, _) => "unanswered: ",
                _ => "",
            };
            tails.into_iter().map(|tail| format!("{prefix}{tail}")).collect()
        }
    };
    fit(&heads, &tails)
}

fn ended_tails(about: &About, n: usize) -> Vec<String> {
    if about.cause.blinds() {
        return vec!["seen again".to_owned()];
    }
    // What ended, not that all is well: that is for whoever looks.
    let calm = format!("ended ({})", name(about.cause).trim_end_matches('?'));
    match about.celsius().filter(|_| n == 1) {
        Some(c) => {
            let value = format!("{} {}", about.local.bare(c), about.local.degrees.letter());
            vec![format!("{calm}, {value}"), calm, format!("ended, {value}"), "ended".to_owned()]
        }
        None => vec![calm, "ended".to_owned()],
    }
}

/// Calm, and waiting for the answer that alone ends it.
fn calm_tails(about: &About, n: usize) -> Vec<String> {
    let short = "calm, please answer".to_owned();
    match about.celsius().filter(|_| n == 1) {
        Some(c) => vec![format!("{} {}, {short}", about.local.bare(c), about.local.degrees.letter()), short],
        None => vec![short],
    }
}

fn several_tails(about: &About, n: usize) -> Vec<String> {
    let name = name(about.cause);
    vec![format!("{n} {name}"), name.to_owned()]
}

/// What a cause is called where no number is to be told.
pub fn name(cause: Cause) -> &'static str {
    match cause {
        Cause::PowerLost => "without power?",
        Cause::HeatFailed => "no heat",
        Cause::HeatStuckOn => "heat stuck on",
        Cause::HeatWeak => "weak heat",
        Cause::OutsideHeat => "heated from outside",
        Cause::LeftOpen => "left open?",
        Cause::RoomHot => "in a room too warm",
        Cause::RoomCold => "in a cold room",
        Cause::NoRetreat => "no cool retreat",
        Cause::TooHot => "too hot",
        Cause::TooCold => "too cold",
        Cause::GradientLost => "warm and cool side alike",
        Cause::NightDropMissing => "no night drop",
        Cause::LightMissing => "light is off",
        Cause::LightStuckOn => "light is on",
        Cause::LightShifted => "light not at its time",
        Cause::LightFlickering => "light goes on and off",
        Cause::HumidityHigh => "too humid",
        Cause::HumidityLow => "too dry",
        Cause::ProbeSilent => "probe silent",
        Cause::ProbeFaulty => "probe broken",
        Cause::ProbeStuck => "probe repeats itself",
        Cause::ProbeDisplaced => "probe moved?",
        Cause::ProbesSwapped => "probes swapped?",
        Cause::UnitChanged => "unit changed",
        Cause::FeedSilent => "not heard",
        Cause::PostFailing => "mail does not go out",
        Cause::StoreFailing => "nothing can be stored",
        Cause::ClockWrong => "clock is wrong",
        Cause::OutpostSilent => "outpost does not hear us",
        Cause::WatcherRestarted => "watcher restarted",
    }
}

/// The fullest head and tail that fit; the tail counts more. Never a control character, never more than 45.
pub fn fit(heads: &[String], tails: &[String]) -> String {
    let heads: Vec<String> = heads.iter().map(|h| ascii(h)).filter(|h| !h.is_empty()).collect();
    let tails: Vec<String> = tails.iter().map(|t| ascii(t)).collect();
    // A shorter tail is a smaller loss than the animal's name, two shorter ones are not.
    let mut pairs: Vec<(usize, String)> = Vec::new();
    for (i, head) in heads.iter().enumerate() {
        for (j, tail) in tails.iter().enumerate() {
            pairs.push((3 * i + 2 * j, format!("{head}: {tail}")));
        }
    }
    pairs.retain(|(_, whole)| whole.len() <= LONGEST);
    if let Some((_, best)) = pairs.into_iter().min_by_key(|(loss, _)| *loss) {
        return best;
    }
    let tail = tails.last().cloned().unwrap_or_default();
    let head = heads.last().cloned().unwrap_or_default();
    let room = LONGEST.saturating_sub(tail.len() + 2);
    let head: String = head.chars().take(room).collect();
    let whole = if head.is_empty() { tail } else { format!("{}: {tail}", head.trim_end()) };
    whole.chars().take(LONGEST).collect::<String>().trim_end().to_owned()
}

/// Letters of the Latin alphabet without their marks; what has no such letter is left out.
pub fn ascii(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '\u{a0}' | '\t' | '\n' | '\r' => out.push(' '),
            ' '..='~' => out.push(c),
            'À'..='Å' => out.push('A'),
            'à'..='å' | 'ā' | 'ă' | 'ą' => out.push('a'),
            'Æ' => out.push_str("AE"),
            'æ' => out.push_str("ae"),
            'Ç' | 'Č' | 'Ć' => out.push('C'),
            'ç' | 'č' | 'ć' => out.push('c'),
            'È'..='Ë' => out.push('E'),
            'è'..='ë' | 'ē' | 'ę' | 'ě' => out.push('e'),
            'Ì'..='Ï' => out.push('I'),
            'ì'..='ï' | 'ī' => out.push('i'),
            'Ñ' | 'Ń' | 'Ň' => out.push('N'),
            'ñ' | 'ń' | 'ň' => out.push('n'),
            'Ò'..='Ö' | 'Ø' => out.push('O'),
            'ò'..='ö' | 'ø' | 'ő' => out.push('o'),
            'Ù'..='Ü' => out.push('U'),
            'ù'..='ü' | 'ū' | 'ů' | 'ű' => out.push('u'),
            'Ý' => out.push('Y'),
            'ý' | 'ÿ' => out.push('y'),
            'ß' => out.push_str("ss"),
            'Š' | 'Ś' => out.push('S'),
            'š' | 'ś' | 'ş' => out.push('s'),
            'Ž' | 'Ź' | 'Ż' => out.push('Z'),
            'ž' | 'ź' | 'ż' => out.push('z'),
            'Ł' => out.push('L'),
            'ł' => out.push('l'),
            'ř' => out.push('r'),
            'ď' | 'đ' => out.push('d'),
            'ť' => out.push('t'),
            'ğ' => out.push('g'),
            '–' | '—' => out.push('-'),
            '‘' | '’' => out.push('\''),
            '“' | '”' => out.push('"'),
            _ => {}
        }
    }
    out.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn subjects_fit_and_stay_one_line() {
        let s = |list: &[&str]| list.iter().map(|s| (*s).to_owned()).collect::<Vec<_>>();
        assert_eq!(
            fit(&s(&["a3 Juno", "a3"]), &s(&["no heat, 29.1 C and falling", "no heat"])),
            "a3 Juno: no heat, 29.1 C and falling"
        );
        assert_eq!(
            fit(&s(&["a3 Königin Élodie der Große", "a3"]), &s(&["no heat, 29.1 C and falling"])),
            "a3: no heat, 29.1 C and falling"
        );
        let long = "x".repeat(64);
        assert_eq!(fit(&[long], &s(&["no heat"])).len(), 45);
        assert_eq!(fit(&s(&["a3\r\nBcc: all@example.org"]), &s(&["no heat"])), "a3 Bcc: all@example.org: no heat");
        assert_eq!(fit(&s(&["東京"]), &s(&["no heat"])), "no heat");
        assert_eq!(ascii("Jörg’s Ælf"), "Jorg's AElf");
    }
}
