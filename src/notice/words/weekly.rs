//! The weekly letter: what happened, who talks most, and each enclosure's week in a line and a row of cells.

use super::Mail;
use super::doc::{Block, Table, WeekRow};
use super::letters::{Subject, letter, more};
use super::subject::fit;
use super::{ONLY_WATCHES, finish};
use crate::finding::cause::Cause;
use crate::notice::local::{Local, one_decimal};
use crate::notice::scene::Week;
use crate::terms::time::Span;

pub fn weekly(s: &Subject) -> Mail {
    let (local, now) = (s.local, s.now.wall);
    let weeks = s.eyes.week();
    let told = s.told_since(Span::days(7));
    let open = told.iter().filter(|i| i.is_open()).count();
    let head = match (told.len(), open) {
        (0, _) => "no incident".to_owned(),
        (n, 0) => format!("{n} incident{}, all ended", if n == 1 { "" } else { "s" }),
        (n, open) => format!("{n} incident{}, {open} open", if n == 1 { "" } else { "s" }),
    };
    let subject = fit(&["Week in review".to_owned()], std::slice::from_ref(&head));
    let from = local.date(now - Span::days(7));
    let mut doc =
        letter(format!("{}, {from} to {}", s.settings.site, local.date(now)), super::facts::capital(&head) + ".");
    doc.say_strong("Look at", look_at(&weeks));
    doc.say("Incidents", s.incidents_since(Span::days(7)));
    doc.say("Mails", s.mails());
    doc.say("Who talks most", s.talkers());
    doc.say("Noted", more(s.notes.iter().map(|n| s.note(n)).collect()));
    doc.say(
        "Shelved now",
        match s.book.shelves().count() {
            0 => "None.".to_owned(),
            n => format!("{n}. See the daily mail."),
        },
    );
    doc.say("Last drill", s.drill());
    let (shown, rest) = worth_a_line(&weeks);
    if !shown.is_empty() {
        let table = table(&shown, local);
        let weeks = shown.iter().zip(&table.rows).map(|(w, row)| week_row(w, row)).collect();
        let title = "Day by day, oldest first. Empty: in band; half: some minutes out; full: an hour or more; dashed: not watched";
        doc.blocks.push(Block::Weeks { table, title: title.to_owned(), weeks });
    }
    doc.say("The others", rest);
    let next = s.next.map_or(String::new(), |at| format!("Next letter: {}, {}. ", local.date(at), local.time(at)));
    doc.foot = format!("{next}Times are {}. {ONLY_WATCHES}", local.zone(now));
    finish(&doc, subject)
}

/// So much more effort, as a share of full power, is worth a look.
const HARDER: f64 = 0.1;
/// Lines of enclosures in a letter; a larger house has lines only for those that differ.
const MOST_WEEKS: usize = 40;
/// In band for less of the week, or lit as planned for less of it, an enclosure has a line of its own in any house.
const MOSTLY: f64 = 0.99;

fn look_at(weeks: &[Week]) -> String {
    let harder = |w: &Week| w.effort_change.filter(|c| *c >= HARDER).map(|c| (w.label.clone(), c));
    let all: Vec<(String, f64)> = weeks.iter().filter_map(harder).collect();
    // Where many work harder at once, it is the weather.
    if 2 * all.len() > weeks.len() && all.len() > 1 {
        return "Most heaters worked harder at the end of the week than at its beginning: a colder room?".to_owned();
    }
    let line = |(label, c): (String, f64)| format!("{label}: heat works {:.0}\u{a0}% of full power harder", c * 100.0);
    let lines = more(all.into_iter().map(line).collect());
    if lines.is_empty() {
        return lines;
    }
    format!("{lines} Same room, same band? Then the heater weakens, was knocked aside or is covered.")
}

/// In the order of the house: all of a small one, of a large one those that differ; and what is to be said of the others.
fn worth_a_line(weeks: &[Week]) -> (Vec<&Week>, String) {
    let differs = |w: &&Week| {
        w.in_band.is_none_or(|v| v < MOSTLY)
            || w.light.is_some_and(|v| v < MOSTLY)
            || w.effort_change.is_some_and(|c| c.abs() >= HARDER)
    };
    if weeks.len() <= MOST_WEEKS {
        return (weeks.iter().collect(), String::new());
    }
    let all: Vec<&Week> = weeks.iter().filter(differs).collect();
    let (shown, left) = (all.len().min(MOST_WEEKS), all.len().saturating_sub(MOST_WEEKS));
    let well = weeks.len() - all.len();
    let mut rest = format!("{well} were in band and lit as planned for 99\u{a0}% of the week or more.");
    if left > 0 {
        rest += &format!(" {left} more differ, and are shown on the page only.");
    }
    (all.into_iter().take(shown).collect(), rest)
}

/// The numbers of a row of the table, each with its name; what is not known is left out.
fn week_row(week: &Week, row: &[String]) -> WeekRow {
    let names = ["", "in band", "hot end", "cool end", "heat", "", "light as planned"];
    let mut numbers: Vec<String> = Vec::new();
    for (name, number) in names.iter().zip(row).filter(|(name, number)| !name.is_empty() && *number != "-") {
        numbers.push(format!("{name} {number}").replace(' ', "\u{a0}"));
        if let (&"heat", Some(change)) = (name, row.get(5).filter(|c| *c != ".")) {
            numbers.push(format!("{change} since its beginning"));
        }
    }
    WeekRow { label: week.label.clone(), out_min: week.out_min.clone(), numbers: numbers.join(", ") }
}

fn table(weeks: &[&Week], local: &Local) -> Table {
    let range =
        |r: Option<(f64, f64)>| r.map_or("-".to_owned(), |(lo, hi)| format!("{}–{}", local.bare(lo), local.bare(hi)));
    let percent =
        |v: Option<f64>| v.filter(|v| v.is_finite()).map_or("-".to_owned(), |v| format!("{:.0}\u{a0}%", v * 100.0));
    let rows = weeks.iter().map(|w| {
        let change = w
            .effort_change
            .filter(|c| c.abs() >= 0.005)
            .map_or(".".to_owned(), |c| format!("{:+.0}\u{a0}%", c * 100.0));
        let in_band = w
            .in_band
            .filter(|v| v.is_finite())
            .map_or("-".to_owned(), |v| format!("{}\u{a0}%", one_decimal(v * 100.0)));
        vec![w.label.clone(), in_band, range(w.hot_end), range(w.cool_end), percent(w.effort), change, percent(w.light)]
    });
    Table {
        title: format!("The week ({}; heat: share of full, and its change)", local.degrees.letter()),
        columns: vec![
            ("", 14, false),
            ("in band", 7, true),
            ("hot end", 11, true),
            ("cool end", 11, true),
            ("heat", 5, true),
            ("+/-", 5, true),
            ("light", 5, true),
        ],
        rows: rows.collect(),
    }
}

/// What may keep an enclosure from talking, where nothing was wrong with it.
fn advice(cause: Cause) -> &'static str {
    match cause {
        Cause::TooCold | Cause::RoomCold => "is its lower limit, by day or by night, above what it truly reaches?",
        Cause::TooHot | Cause::RoomHot | Cause::NoRetreat | Cause::OutsideHeat => {
            "is its upper limit below what it truly reaches, or does the sun touch its probe?"
        }
        Cause::NightDropMissing => "does its night band ask for more of a drop than the room allows?",
        Cause::GradientLost => "do its probes lie too close to one another?",
        Cause::LeftOpen => "say `hands-in` before you open it.",
        Cause::HeatFailed | Cause::HeatWeak | Cause::HeatStuckOn | Cause::PowerLost => {
            "is its probe loose, or its thermostat moved? A plug that reports watts would settle it."
        }
        Cause::LightMissing | Cause::LightStuckOn | Cause::LightShifted | Cause::LightFlickering => {
            "does its light plan say what its timer does?"
        }
        Cause::HumidityHigh | Cause::HumidityLow => "is its humidity band too narrow, or its probe beside the water?",
        Cause::ProbeSilent | Cause::FeedSilent => "a fresh battery, or a better place for its radio?",
        Cause::ProbeFaulty | Cause::ProbeStuck | Cause::ProbeDisplaced | Cause::ProbesSwapped | Cause::UnitChanged => {
            "fix its probe in place, or change it."
        }
        Cause::PostFailing
        | Cause::StoreFailing
        | Cause::ClockWrong
        | Cause::OutpostSilent
        | Cause::WatcherRestarted => "it is the watcher's own trouble.",
    }
}

impl Subject<'_> {
    fn mails(&self) -> String {
        let name =
            |id: &str| self.settings.keepers.iter().find(|k| k.id == id).map_or(id.to_owned(), |k| k.name.clone());
        let each: Vec<String> = self
            .tally
            .mails
            .iter()
            .map(|(id, (all, now))| {
                if *now == 0 {
                    format!("{all} to {}", name(id))
                } else {
                    format!("{all} to {}, of these {now} urgent", name(id))
                }
            })
            .collect();
        if each.is_empty() { "None.".to_owned() } else { more(each) }
    }

    /// Who was the subject of most mails, with what could be done about it.
    fn talkers(&self) -> String {
        let mut about: Vec<(&String, &u32)> = self.tally.about.iter().filter(|(_, n)| **n >= 4).collect();
        about.sort_by(|a, b| (b.1, a.0).cmp(&(a.1, b.0)));
        let house = self.book.house();
        let line = |(id, n): &(&String, &u32)| {
            let label = house.find(id).map_or((*id).clone(), |ix| self.eyes.scene(ix).label());
            let causes = self.tally.causes.get(*id).into_iter().flatten();
            match causes.max_by_key(|(cause, n)| (**n, std::cmp::Reverse(**cause))) {
                Some((cause, _)) => {
                    format!("{label}, {n} mails, mostly {}: {}", super::cause_name(*cause), advice(*cause))
                }
                None => format!("{label}, {n} mails."),
            }
        };
        let all: Vec<String> = about.iter().take(3).map(line).collect();
        if all.is_empty() { String::new() } else { format!("{} Only if nothing was truly wrong.", all.join(" ")) }
    }
}
