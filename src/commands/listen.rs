//! `warmside listen`: hears topics for a while, says what each seems to be, and drafts links to review.

use super::configured::Configured;
use super::record::told_to_stop;
use super::{Exit, out, words};
use crate::clock::{machine_wall, ticks};
use crate::config::Config;
use crate::mqtt::Incoming;
use crate::mqtt::link::{Link, Pace, Wish};
use crate::recording::reader::Lines;
use crate::recording::{self, What};
use crate::survey::Survey;
use crate::survey::draft::{Names, draft};
use crate::terms::time::Span;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::time::sleep;

/// A touched probe must rise so far, K, and so many times as far as any other.
const TOUCHED_K: f64 = 1.5;
const TOUCHED_TIMES: f64 = 2.0;

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
        (live, _) => match if live { args.config.load() } else { args.config.load_without_secrets() } {
            Ok(config) => Some(config),
            Err(exit) => return exit,
        },
    };
    let heard = match &config {
        Some(config) if args.from.is_empty() => hear_broker(args, config, &mut survey),
        _ => args.from.iter().try_for_each(|path| hear_recording(path, &mut survey)),
    };
    if let Err(why) = heard {
        return out::failed(why);
    }
    if args.touch {
        return touched(&survey);
    }
    let names = config.map_or_else(Names::default, |config| Names {
        enclosures: config.settings.enclosures.iter().map(|e| e.id.clone()).collect(),
        rooms: config.settings.rooms.iter().map(|r| r.id.clone()).collect(),
    });
    out::result(draft(&survey, &names));
    Exit::Done
}

fn touched(survey: &Survey) -> Exit {
    match survey.warmed() {
        Some((topic, pointer, rise, second)) if rise >= TOUCHED_K && rise >= TOUCHED_TIMES * second => {
            out::result(format_args!("{topic} {pointer} warmed by {rise:.1}; the next one by {second:.1}"));
            Exit::Done
        }
        Some((topic, pointer, rise, second)) => out::failed(format_args!(
            "no probe stands out: {topic} {pointer} rose most, by {rise:.1}, the next one by {second:.1}"
        )),
        None => out::failed("no temperature was heard"),
    }
}

fn hear_recording(path: &Path, survey: &mut Survey) -> Result<(), String> {
    let said = |why: std::io::Error| format!("{}: {why}", path.display());
    let mut lines = Lines::open(path).map_err(said)?;
    while let Some(raw) = lines.next_line().map_err(said)? {
        match raw.text.map(recording::parse) {
            Some(Ok(line)) => {
                if let What::Message { topic, payload, retained } = line.what {
                    survey.hear(&topic, &payload, retained, line.at);
                }
            }
            Some(Err(why)) => out::note(format_args!("{}:{}: {why}", path.display(), raw.number)),
            None => out::note(format_args!("{}:{}: no UTF-8, or too long", path.display(), raw.number)),
        }
    }
    Ok(())
}

fn hear_broker(args: &Args, config: &Config, survey: &mut Survey) -> Result<(), String> {
    let broker = match (&config.broker, &config.builtin_broker) {
        (Some(broker), _) => broker.clone(),
        (None, Some(builtin)) => builtin.as_client(builtin.listen),
        (None, None) => return Err("the configuration names no broker".into()),
    };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(|why| why.to_string())?;
    runtime.block_on(async {
        let wish = Wish {
            // Not that of `watch`, which may be running beside it.
            client_id: format!("warmside-listen-{:08x}", std::process::id() ^ ticks().subsec_nanos()),
            filters: args.topics.clone(),
            presence: None,
        };
        out::note(format_args!("hearing {} for {}", wish.filters.join(", "), args.length));
        let (link, mut inbox) = Link::start(&broker, wish, Pace::default(), ticks).map_err(|why| why.to_string())?;
        let mut long_enough = std::pin::pin!(sleep(Duration::from_millis(args.length.as_ms().unsigned_abs())));
        let mut stopped = std::pin::pin!(told_to_stop());
        loop {
            let news = tokio::select! {
                news = inbox.next() => news,
                () = &mut long_enough => break,
                // Ctrl-C: what was heard so far is drafted all the same.
                () = &mut stopped => break,
            };
            match news {
                Some(Incoming::Message(heard)) => {
                    survey.hear(&heard.topic, &heard.payload, heard.retained, machine_wall());
                }
                Some(Incoming::Up) => {}
                Some(Incoming::Lost(why) | Incoming::Trouble(why)) => out::note(why),
                None => break,
            }
        }
        link.stop(Duration::from_secs(2)).await;
        Ok(())
    })
}
