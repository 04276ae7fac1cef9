//! `warmside bundle`: probes tied together in one place for a while; how far each is from the median of all.

use super::configured::Configured;
use super::ear::{self, Message};
use super::order::Speaker;
use super::{Exit, out, words};
use crate::config::Config;
use crate::engine::event::Order;
use crate::mqtt::filter;
use crate::reading::links::Links;
use crate::reading::{Reading, Slot, Target};
use crate::terms::quantity::{Degrees, Quantity};
use crate::terms::time::{Now, Span};
use crate::trust::bundle::{BUNDLE, Bundle, FLAGGED_K, Finding, LEAST_PROBES, Outcome, REPLACE_K, REPLACED};
use std::fmt::Write;
use std::ops::ControlFlow;
use std::path::PathBuf;

/// Probes tied together in one place: tells how far each is from the median of all, and keeps it in the ledger
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  warmside bundle --only a3 --only a4\n  warmside bundle --for 20min --by ines\n  \
    warmside bundle --from tied.jsonl.gz\n\n\
    Tie the probes together with a cable tie, out of sun and draught, and leave them for twenty minutes. The first half of \
    the time is for coming to rest. Other probes are left out with --only.\n\
    A probe that is more than 2 K off is refused an offset: replace it.")]
pub struct Args {
    /// How long to hear them
    #[arg(long = "for", id = "length", value_name = "LENGTH", default_value = "20min", value_parser = words::span)]
    length: Span,
    /// Only probes of this enclosure or room
    #[arg(long, value_name = "ENCLOSURE")]
    only: Vec<String>,
    /// Hear recordings instead of the broker, and keep nothing
    #[arg(long, value_name = "RECORDING", num_args = 1..)]
    from: Vec<PathBuf>,
    #[command(flatten)]
    speaker: Speaker,
}

pub fn run(args: &Args) -> Exit {
    let configured: &Configured = args.speaker.configured();
    let live = args.from.is_empty();
    let config = match if live { configured.load() } else { configured.load_without_secrets() } {
        Ok(config) => config,
        Err(exit) => return exit,
    };
    let settings = &config.settings;
    let enclosures: Vec<String> = settings.enclosures.iter().map(|e| e.id.clone()).collect();
    let rooms: Vec<String> = settings.rooms.iter().map(|r| r.id.clone()).collect();
    let mut links = Links::new(&settings.links, &enclosures, &rooms);
    let (mut bundle, mut heard) = (Bundle::default(), Vec::new());
    let each = |message: Message<'_>| {
        let now = Now::at(message.at.as_ms());
        heard.clear();
        links.hear(message.topic, message.payload, message.retained, now, &mut heard);
        for reading in heard.iter().filter(|r| is_of_bundle(r) && wanted(args, &enclosures, &rooms, r.target)) {
            bundle.hear(reading.probe, reading.value, message.at);
        }
        ControlFlow::Continue(())
    };
    let done = if live {
        let topics = settings.links.iter().flat_map(|link| link.topics());
        ear::broker(&config, ("bundle", filter::covering(topics), args.length), each)
    } else {
        let mut each = each;
        args.from.iter().try_for_each(|path| ear::recording(path, &mut each))
    };
    if let Err(why) = done {
        return out::failed(why);
    }
    let Some((median_c, outcomes)) = bundle.outcome() else {
        return out::failed(format_args!(
            "fewer than {LEAST_PROBES} probes were heard and came to rest: a median needs three"
        ));
    };
    out::result(table(median_c, &outcomes, &links, settings.notice.degrees));
    if live && !keep(args, &config, &outcomes, &links, &enclosures) {
        return out::failed("the table was not kept in the ledger");
    }
    let refused = outcomes.iter().any(|o| o.finding == Finding::Replace);
    if refused { Exit::Failed } else { Exit::Done }
}

fn is_of_bundle(reading: &Reading) -> bool {
    matches!(reading.slot, Slot::At(_, Quantity::Temperature)) && !reading.retained
}

fn wanted(args: &Args, enclosures: &[String], rooms: &[String], target: Target) -> bool {
    let id = match target {
        Target::Enclosure(ix) => enclosures.get(ix.index()),
        Target::Room(ix) => rooms.get(ix.index()),
    };
    args.only.is_empty() || id.is_some_and(|id| args.only.contains(id))
}

/// A line a probe, in the site's degrees.
fn table(median_c: f64, outcomes: &[Outcome], links: &Links, degrees: Degrees) -> String {
    let letter = degrees.letter();
    let mut text = format!("median {:.2} {letter}\n", degrees.show(median_c));
    for o in outcomes {
        let name = links.name(o.probe).unwrap_or_default();
        let off = degrees.show_difference(o.off_k);
        let known_k = links.probes().get(o.probe.index()).map_or(0.0, |known| known.offset_k);
        let words = match o.finding {
            Finding::Fits => String::new(),
            Finding::Flagged => format!("offset = {:.2}", degrees.show_difference(known_k - o.off_k)),
            Finding::Replace => "replace this probe: no offset makes it good".to_owned(),
            Finding::NotSettled => "did not come to rest: leave it longer, out of sun and draught".to_owned(),
            Finding::TooFewReadings => "too few readings".to_owned(),
        };
        let _ = writeln!(text, "{name:32} {:+6.2}  {:4} readings  {words}", off, o.readings);
    }
    let _ = write!(
        text,
        "flagged beyond {:.1} {letter}, refused beyond {:.1} {letter}",
        degrees.show_difference(FLAGGED_K),
        degrees.show_difference(REPLACE_K)
    );
    text
}

/// Into the ledger of each enclosure, by the running daemon. Whether it took all.
fn keep(args: &Args, config: &Config, outcomes: &[Outcome], links: &Links, enclosures: &[String]) -> bool {
    for (ix, id) in enclosures.iter().enumerate() {
        let ours = outcomes.iter().filter(|o| {
            let known = links.probes().get(o.probe.index());
            known.is_some_and(|k| matches!(k.target, Target::Enclosure(at) if at.index() == ix)) && o.off_k.is_finite()
        });
        let off = |o: &Outcome| {
            let place = links.probes().get(o.probe.index()).and_then(|k| k.slot.place());
            let words = if o.finding == Finding::Replace { REPLACED } else { "" };
            format!("{} {:+.2} K{words}", place.map_or("?", |p| p.word()), o.off_k)
        };
        let said: Vec<String> = ours.map(off).collect();
        if said.is_empty() {
            continue;
        }
        let order = Order::Mark { enclosure: id.clone(), what: format!("{BUNDLE}{}", said.join(", ")) };
        if args.speaker.say_in(config, order) != Exit::Done {
            return false;
        }
    }
    true
}
