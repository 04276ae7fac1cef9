//! `warmside listen`: hears topics for a while, says what each seems to be, and drafts links to review.

use super::configured::Configured;
use super::ear::{self, Message};
use super::{Exit, out, words};
use crate::survey::draft::{Names, draft};
use crate::survey::thing;
use crate::survey::{Survey, Warmed};
use crate::terms::time::{Span, Wall};
use std::ops::ControlFlow;
use std::path::PathBuf;

/// While somebody holds a probe: how often the one that rose most is shown.
const SHOWN_EVERY: Span = Span::s(5);

/// Hears the broker's topics, says what each seems to be and why, and drafts links to review
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  warmside listen --config warmside.toml --for 30min > links.toml\n  \
    warmside listen --touch --for 3min\n  warmside listen --from house.jsonl.gz\n\n\
    What is unsure is commented out with the reason. Review the draft, then append it to your file and run `check`.")]
pub struct Args {
    /// How long to hear the broker
    #[arg(long = "for", id = "length", value_name = "LENGTH", default_value = "30min", value_parser = words::span)]
    length: Span,
    /// Hold one probe in your hand for a minute: tells which one warmed
    #[arg(long)]
    touch: bool,
    /// Hear recordings instead of the broker
    #[arg(long, value_name = "RECORDING", num_args = 1..)]
    from: Vec<PathBuf>,
    /// W3C Thing Descriptions (JSON): what they say of a topic counts before its name and values
    #[arg(long, value_name = "FILE", num_args = 1..)]
    thing: Vec<PathBuf>,
    /// Topic filters to hear
    #[arg(long, value_name = "FILTER", default_value = "#")]
    topics: Vec<String>,
    #[command(flatten)]
    config: Configured,
}

pub fn run(args: &Args) -> Exit {
    let mut survey = Survey::default();
    // A recording can be looked at before there is any configuration.
    let config = match (args.from.is_empty(), args.config.path().exists()) {
        (false, false) => None,
        (live, _) => match args.config.load_unlinked(live) {
            Ok(config) => Some(config),
            Err(exit) => return exit,
        },
    };
    for path in &args.thing {
        let described = std::fs::read_to_string(path).map_err(|why| why.to_string());
        match described.and_then(|text| thing::read(&text)) {
            Ok(described) => described.into_iter().for_each(|one| survey.describe(one)),
            Err(why) => return out::failed(format_args!("{}: {why}", path.display())),
        }
    }
    let mut shown = None;
    let mut hear = |message: Message<'_>| {
        survey.hear(message.topic, message.payload, message.retained, message.at);
        if args.touch { touch(&survey, message.at, &mut shown) } else { ControlFlow::Continue(()) }
    };
    let heard = match &config {
        Some(config) if args.from.is_empty() => ear::broker(config, ("listen", args.topics.clone(), args.length), hear),
        _ => args.from.iter().try_for_each(|path| ear::recording(path, &mut hear)),
    };
    if let Err(why) = heard {
        return out::failed(why);
    }
    if args.touch {
        return touched(&survey);
    }
    if survey.topics().is_empty() {
        return out::failed("nothing was heard, so there is nothing to draft");
    }
    let names = config.map_or_else(Names::default, |config| Names {
        enclosures: config.settings.enclosures.iter().map(|e| e.id.clone()).collect(),
        rooms: config.settings.rooms.iter().map(|r| r.id.clone()).collect(),
    });
    out::result(draft(&survey, &names));
    Exit::Done
}

/// Shows what rises while it rises; ends the hearing as soon as one stands out.
fn touch(survey: &Survey, at: Wall, shown: &mut Option<Wall>) -> ControlFlow<()> {
    if shown.is_some_and(|then| at.since(then) < SHOWN_EVERY) {
        return ControlFlow::Continue(());
    }
    *shown = Some(at);
    let Some(warmed) = survey.warmed() else { return ControlFlow::Continue(()) };
    let Warmed { topic, pointer, rise, next } = warmed;
    if rise > 0.0 {
        out::note(format_args!("{topic} {pointer} has risen by {rise:.1}, the next one by {next:.1}"));
    }
    if warmed.stands_out() { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
}

fn touched(survey: &Survey) -> Exit {
    let Some(warmed) = survey.warmed() else { return out::failed("no temperature was heard") };
    let Warmed { topic, pointer, rise, next } = warmed;
    if warmed.stands_out() {
        out::result(format_args!("{topic} {pointer} warmed by {rise:.1}; the next one by {next:.1}"));
        Exit::Done
    } else {
        out::failed(format_args!(
            "no probe stands out: {topic} {pointer} rose most, by {rise:.1}, the next one by {next:.1}"
        ))
    }
}
