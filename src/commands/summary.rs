//! What `check` says of a sound configuration: narrow lines for a phone, what is not watched before what is.

use super::tied;
use crate::care::calendar::{Calendar, Date};
use crate::care::plan::{DayTable, Plan};
use crate::care::season::{Phase, PlaceLimits, limits};
use crate::care::settings::{Band, Care, LightPlan};
use crate::config::Config;
use crate::config::coverage::{Aspect, Part, Watch, coverage, room_links};
use crate::engine::settings::Enclosure;
use crate::heat::settings::Kind;
use crate::notice::settings::Keeper;
use crate::post::settings::Way;
use crate::reading::settings::Link;
use crate::terms::id::RoomIx;
use crate::terms::place::Place;
use crate::terms::quantity::Degrees;
use serde_json::{Value, json};
use std::fmt::Write;
use std::sync::Arc;

/// The summary as text; with a day, what is wanted on it.
pub fn text(config: &Config, on: Option<&(Date, Calendar)>) -> String {
    let settings = &config.settings;
    let watched = coverage(settings);
    let mut text = head(config);
    text.push_str(&not_watched(&watched));
    let title = match on {
        Some((date, _)) => format!("\nWANTED ON {date}"),
        None => "\nWATCHED, if these topics come".to_owned(),
    };
    let _ = writeln!(text, "{title}");
    for (ids, body) in alike(&watched, |watch| body(watch, settings.notice.degrees, on)) {
        let _ = write!(text, "{}\n{body}", named(&ids, &watched));
    }
    if on.is_some() {
        return text;
    }
    for (ix, room) in settings.rooms.iter().enumerate() {
        let links = room_links(settings, RoomIx(ix as u16));
        let read = if links.is_empty() { "no link reads it".into() } else { topics(&links) };
        let _ = writeln!(text, "room {}\n  air: {read}", room.id);
    }
    let _ = write!(text, "\nWhether these topics ever come, no file can tell:\n  warmside status   while it runs\n");
    text
}

fn head(config: &Config) -> String {
    let settings = &config.settings;
    let notice = &settings.notice;
    let doubts = match config.doubts.faults.len() {
        0 => String::new(),
        n => format!(", {}", count(n, "doubt")),
    };
    let mut text = format!("{}: no faults{doubts}\n", config.doubts.file);
    let _ = writeln!(text, "{}, {}, degrees {}", notice.site, notice.time_zone, notice.degrees.letter());
    let _ =
        writeln!(text, "{}, {}", count(settings.enclosures.len(), "enclosure"), count(settings.links.len(), "link"));
    let hears = match (&config.broker, &config.builtin_broker) {
        (Some(broker), _) => {
            format!("{}:{}{}", broker.host, broker.port, if broker.tls { "" } else { ", in the clear" })
        }
        (None, Some(own)) => format!("its own broker on {}", own.listen),
        (None, None) => String::new(),
    };
    let _ = writeln!(text, "hears {hears}");
    let mails = match &config.post {
        Way::Server(server) => format!("mails by {}:{}", server.host, server.port),
        Way::Folder { folder, .. } => {
            format!("NO MAIL SERVER: mails are only written to\n  {}", folder.display())
        }
    };
    let _ = writeln!(text, "{mails}");
    if let Some(second) = &config.post_fallback {
        let _ = writeln!(text, "  and by {}:{} when that fails", second.host, second.port);
    }
    if let Some(outpost) = &config.outpost {
        let plain = if outpost.tls { "" } else { ", signed but in the clear" };
        let _ = writeln!(
            text,
            "is missed by the outpost {}:{}\n  as {}, a beat every {}{plain}",
            outpost.host, outpost.port, outpost.house, outpost.every
        );
    }
    text.push_str(&tied::text(config));
    match &notice.keepers[..] {
        [] => text.push_str("NOBODY IS TOLD: there is no [[keeper]]\n"),
        keepers => {
            let _ = writeln!(text, "tells {}", keepers.iter().map(told).collect::<Vec<_>>().join("; "));
        }
    }
    text
}

fn told(keeper: &Keeper) -> String {
    match keeper.after {
        Some(after) => format!("{} after {after}", keeper.name),
        None => format!("{} at once", keeper.name),
    }
}

/// What is wanted and nothing brings, one line each, the enclosures of each gathered.
fn not_watched(watched: &[Watch<'_>]) -> String {
    let mut gathered: Vec<(String, Vec<String>)> = Vec::new();
    let mut note = |what: String, id: &str| match gathered.iter_mut().find(|(w, _)| *w == what) {
        Some((_, ids)) => ids.push(id.to_owned()),
        None => gathered.push((what, vec![id.to_owned()])),
    };
    for watch in watched {
        let id = &watch.enclosure.id;
        if watch.enclosure.care.is_none() && !watch.enclosure.empty {
            note("bands and light: no care says what is wanted".into(), id);
        }
        if watch.enclosure.heat.sources.is_empty() && !watch.enclosure.empty {
            note("heat: none is stated".into(), id);
        }
        for part in watch.parts.iter().filter(|p| p.is_blind()) {
            note(format!("{}: wanted, but no link reads it", label(part.aspect, watch.enclosure)), id);
        }
    }
    if gathered.is_empty() {
        return "\nEverything that is wanted has a link.\n".into();
    }
    let lines = gathered.iter().map(|(what, ids)| format!("{}\n  {what}\n", heading(ids)));
    format!("\nNOT WATCHED\n{}", lines.collect::<String>())
}

/// Enclosures of which the same is to be said, together.
fn alike(watched: &[Watch<'_>], body: impl Fn(&Watch<'_>) -> String) -> Vec<(Vec<String>, String)> {
    let mut groups: Vec<(Vec<String>, String)> = Vec::new();
    for watch in watched {
        let body = body(watch);
        match groups.iter_mut().find(|(_, b)| *b == body) {
            Some((ids, _)) => ids.push(watch.enclosure.id.clone()),
            None => groups.push((vec![watch.enclosure.id.clone()], body)),
        }
    }
    groups
}

/// The ids, and the animal's name where there is one enclosure.
fn named(ids: &[String], watched: &[Watch<'_>]) -> String {
    let animal = match ids {
        [id] => watched.iter().find(|w| w.enclosure.id == *id).and_then(|w| w.enclosure.animal.as_deref()),
        _ => None,
    };
    animal.map_or_else(|| heading(ids), |animal| format!("{}, {animal}", heading(ids)))
}

/// `a1..a8, b2: 9 enclosures`, or the one id.
fn heading(ids: &[String]) -> String {
    const MOST_RUNS: usize = 6;
    let mut runs: Vec<(&str, &str)> = Vec::new();
    for id in ids {
        match runs.last_mut() {
            Some((_, last)) if follows(last, id) => *last = id,
            _ => runs.push((id, id)),
        }
    }
    let run = |(first, last): &(&str, &str)| match first == last {
        true => (*first).to_owned(),
        false => format!("{first}..{last}"),
    };
    let shown: Vec<String> = runs.iter().take(MOST_RUNS).map(run).collect();
    let more = if runs.len() > MOST_RUNS { ", …" } else { "" };
    match ids {
        [one] => one.clone(),
        _ => format!("{}{more}: {}", shown.join(", "), count(ids.len(), "enclosure")),
    }
}

/// Whether the number at the end of `next` is the one after that of `last`, with the same words before it.
fn follows(last: &str, next: &str) -> bool {
    let split = |id: &'_ str| {
        let stem = id.trim_end_matches(|c: char| c.is_ascii_digit()).len();
        (id.get(..stem).unwrap_or_default().to_owned(), id.get(stem..).and_then(|n| n.parse::<u64>().ok()))
    };
    match (split(last), split(next)) {
        ((a, Some(m)), (b, Some(n))) => a == b && m.checked_add(1) == Some(n),
        _ => false,
    }
}

fn body(watch: &Watch<'_>, degrees: Degrees, on: Option<&(Date, Calendar)>) -> String {
    let enclosure = watch.enclosure;
    let mut text = String::new();
    if enclosure.empty {
        text.push_str("  empty: nothing is mailed at once\n");
    }
    let day = on.zip(enclosure.care.as_ref()).map(|((date, calendar), care)| day(care, *date, calendar));
    for (season, phase) in day.iter().flat_map(|d| &d.seasons) {
        let _ = writeln!(text, "  {season}: {}", words_of(*phase));
    }
    // On a day the question is what is wanted.
    for part in watch.parts.iter().filter(|p| day.is_none() || p.wanted) {
        let _ = writeln!(text, "  {}{}", label(part.aspect, enclosure), wanted(part, enclosure, degrees, day.as_ref()));
        let read = match (part.is_blind(), part.by_warmth, &part.links[..]) {
            (true, ..) => "NOT WATCHED: no link reads it".to_owned(),
            _ if part.by_dew_point => "by the air of another place and its dew point".to_owned(),
            (false, true, _) => "seen only by the warmth of its lamp".to_owned(),
            (false, false, []) => "by temperature alone: no link reads its plug or relay".to_owned(),
            (false, false, links) => topics(links),
        };
        if day.is_none() {
            let _ = writeln!(text, "    {read}");
        }
    }
    if let Some(least) = gradient(enclosure, day.as_ref()).filter(|k| *k > 0.0) {
        let _ = writeln!(text, "  gradient: at least {} while heat is due", number(degrees.show_difference(least)));
    }
    text
}

fn day(care: &Arc<Care>, date: Date, calendar: &Calendar) -> DayTable {
    Plan::new(care.clone(), Arc::new(calendar.clone()), calendar.midnight(date)).on(date)
}

pub fn words_of(phase: Phase) -> String {
    match phase {
        Phase::Into { day } => format!("day {} on the way in", day + 1),
        Phase::Full => "in full".into(),
        Phase::Back { day } => format!("day {} on the way out", day + 1),
    }
}

fn gradient(enclosure: &Enclosure, day: Option<&DayTable>) -> Option<f64> {
    match day {
        Some(day) => Some(day.start.gradient_at_least_k.min(day.end.gradient_at_least_k)),
        None => enclosure.care.as_ref()?.gradient_at_least_k,
    }
}

fn label(aspect: Aspect, enclosure: &Enclosure) -> String {
    match aspect {
        Aspect::Temperature(place) => place.label().to_owned(),
        Aspect::Humidity(place) => format!("humidity, {}", place.label()),
        Aspect::Light => "light".into(),
        Aspect::Heat(ix) => match enclosure.heat.sources.get(usize::from(ix)) {
            Some(source) => {
                let watts = source.watts.map(|w| format!(", {} W", number(w))).unwrap_or_default();
                let thermostat = source.thermostat.map(|t| format!(", {}", t.word())).unwrap_or_default();
                let kind = if source.kind == Kind::Other { "kind not told" } else { source.kind.word() };
                format!("heat {}: {kind}{watts}{thermostat}, {}", source.id, source.at.label())
            }
            None => "heat".into(),
        },
    }
}

/// What is wanted, after a colon; empty where nothing is.
fn wanted(part: &Part<'_>, enclosure: &Enclosure, degrees: Degrees, day: Option<&DayTable>) -> String {
    if matches!(part.aspect, Aspect::Heat(_)) {
        return String::new();
    }
    let Some(care) = enclosure.care.as_deref().filter(|_| part.wanted) else {
        return ": read, nothing is wanted".into();
    };
    match part.aspect {
        Aspect::Temperature(place) => match day {
            Some(day) => {
                let at = |judged: &crate::care::season::Judged| judged.places[place.index()];
                match (at(&day.start), at(&day.end)) {
                    (Some(start), Some(end)) if start == end => format!(": {}", bands(start, degrees, true)),
                    (Some(start), Some(end)) => {
                        format!(
                            ": {}\n    by the end of the day:\n    {}",
                            bands(start, degrees, true),
                            bands(end, degrees, true)
                        )
                    }
                    _ => ": not judged".into(),
                }
            }
            None => match care.places[place.index()].and_then(limits) {
                Some(limits) => format!(": {}", bands(limits, degrees, care.light.is_some())),
                None => ": only in a season".into(),
            },
        },
        Aspect::Humidity(place) => {
            let humidity = day.map_or(care.humidity, |d| d.start.humidity).filter(|h| h.place == place);
            humidity
                .map_or(": not now".into(), |h| format!(": {} to {} %", number(h.wanted.low), number(h.wanted.high)))
        }
        Aspect::Light => format!(": {}", light(care.light, day)),
        Aspect::Heat(_) => String::new(),
    }
}

fn bands(limits: PlaceLimits, degrees: Degrees, has_night: bool) -> String {
    let number = |celsius: f64| number(degrees.show(celsius));
    let band = |b: Band| format!("{} to {}", number(b.low), number(b.high));
    let (day, night) = (limits.day, limits.night);
    let wanted = match (has_night, night.low_judged) {
        (false, _) => band(day.wanted),
        (true, true) if day.wanted == night.wanted => band(day.wanted),
        (true, true) => format!("{} by day, {} by night", band(day.wanted), band(night.wanted)),
        (true, false) => format!("{} by day, not judged low by night", band(day.wanted)),
    };
    let limit = |day: f64, night: f64| match has_night && day != night {
        true => format!("{} ({} by night)", number(day), number(night)),
        false => number(day),
    };
    let (low, high) = (limit(day.never.low, night.never.low), limit(day.never.high, night.never.high));
    format!("{wanted},\n    never below {low} or above {high}")
}

fn light(plan: Option<LightPlan>, day: Option<&DayTable>) -> String {
    if let Some(light) = day.and_then(|d| d.light.as_ref()) {
        let minute = |at: &crate::care::calendar::Civil| {
            let min = at.of_day.as_ms() / 60_000;
            format!("{:02}:{:02}", min / 60, min % 60)
        };
        let changes = light.changes.iter().map(|(at, on)| format!("{} {}", if *on { "on" } else { "off" }, minute(at)));
        let changes: Vec<String> = changes.collect();
        return match (&changes[..], light.on_at_start) {
            ([], true) => "on all day".into(),
            ([], false) => "off all day".into(),
            _ => format!("{} ({} of light)", changes.join(", "), light.lit),
        };
    }
    match plan {
        Some(LightPlan::Fixed { on_min, hours }) => {
            format!("on at {:02}:{:02} for {} h", on_min / 60, on_min % 60, number(hours))
        }
        Some(LightPlan::Sun { shortest_h, longest_h }) => {
            format!("follows the sun, {} to {} h", number(shortest_h), number(longest_h))
        }
        None => "only in a season".into(),
    }
}

fn topics(links: &[&Link]) -> String {
    let mut topics: Vec<&str> = links.iter().map(|l| l.topic.as_str()).collect();
    topics.dedup();
    topics.join("\n    ")
}

fn count(n: usize, word: &str) -> String {
    format!("{n} {word}{}", if n == 1 { "" } else { "s" })
}

/// One decimal at the most.
fn number(value: f64) -> String {
    let text = format!("{value:.1}");
    let text = text.strip_suffix(".0").unwrap_or(&text);
    if text == "-0" { "0".into() } else { text.into() }
}

/// The summary for programs; temperatures in the site's degrees.
pub fn json(config: &Config, on: Option<&(Date, Calendar)>) -> Value {
    let settings = &config.settings;
    let degrees = settings.notice.degrees;
    let enclosures: Vec<Value> = coverage(settings).iter().map(|watch| enclosure_json(watch, degrees, on)).collect();
    json!({
        "file": config.doubts.file,
        "faults": config.doubts.json(),
        "site": settings.notice.site,
        "unit": degrees.letter(),
        "on": on.map(|(date, _)| date.to_string()),
        "tied": config.tied.all.iter().map(tied::json).collect::<Vec<_>>(),
        "enclosures": enclosures,
    })
}

fn enclosure_json(watch: &Watch<'_>, degrees: Degrees, on: Option<&(Date, Calendar)>) -> Value {
    let enclosure = watch.enclosure;
    let day = on.zip(enclosure.care.as_ref()).map(|((date, calendar), care)| day(care, *date, calendar));
    let part = |part: &Part<'_>| {
        let what = match part.aspect {
            Aspect::Temperature(place) => format!("{}.temperature", place.word()),
            Aspect::Humidity(place) => format!("{}.humidity", place.word()),
            Aspect::Light => "light".into(),
            Aspect::Heat(ix) => {
                format!("heat.{}", enclosure.heat.sources.get(usize::from(ix)).map_or("main", |s| s.id.as_str()))
            }
        };
        let topics: Vec<&str> = part.links.iter().map(|l| l.topic.as_str()).collect();
        let mut value = json!({ "what": what, "wanted": part.wanted, "watched": !part.is_blind(), "topics": topics });
        if let (Aspect::Temperature(place), true) = (part.aspect, part.wanted) {
            value["bands"] = bands_json(enclosure, place, degrees, day.as_ref());
        }
        value
    };
    json!({
        "id": enclosure.id,
        "animal": enclosure.animal,
        "empty": enclosure.empty,
        "seasons": day.iter().flat_map(|d| d.seasons.iter().map(|(name, _)| name)).collect::<Vec<_>>(),
        "parts": watch.parts.iter().map(part).collect::<Vec<_>>(),
    })
}

/// At the start of the day asked for, or of the care itself. `null`: not judged.
fn bands_json(enclosure: &Enclosure, place: Place, degrees: Degrees, day: Option<&DayTable>) -> Value {
    let limits = match day {
        Some(day) => day.start.places[place.index()],
        None => enclosure.care.as_ref().and_then(|c| c.places[place.index()]).and_then(limits),
    };
    let band = |b: Band| json!([degrees.show(b.low), degrees.show(b.high)]);
    limits.map_or(Value::Null, |l| {
        json!({
            "wanted": band(l.day.wanted),
            "night": l.night.low_judged.then(|| band(l.night.wanted)),
            "never": band(l.day.never),
            "never_night": band(l.night.never),
        })
    })
}
