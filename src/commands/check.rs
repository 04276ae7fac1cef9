//! `warmside check`: all faults of a keeper's file, or who is watched, by what, and what is not.

use super::configured::Configured;
use super::{Exit, out, summary};
use crate::care::calendar::{Calendar, Date};
use crate::config;
use crate::nature::sun::Position;

/// Tells all faults of a configuration at once, or who is watched, by what, and what is not
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:\n  warmside check --config warmside.toml\n  \
                        warmside check --config warmside.toml --on 2026-12-01  # what is wanted on that day")]
pub struct Args {
    #[command(flatten)]
    configured: Configured,
    /// What is wanted on a day, with its seasons on their way: 2026-12-01
    #[arg(long, value_name = "DATE", value_parser = date)]
    on: Option<Date>,
    /// One JSON object for programs
    #[arg(long)]
    json: bool,
}

fn date(text: &str) -> Result<Date, String> {
    Date::parse(text).ok_or_else(|| "a day that exists, as 2026-12-01".into())
}

pub fn run(args: &Args) -> Exit {
    let config = match config::load(&args.configured.path()) {
        Ok(config) => config,
        Err(report) if args.json => {
            out::json(serde_json::json!({ "file": report.file, "faults": report.json() }));
            return Exit::Config;
        }
        Err(report) => {
            eprint!("{}", report.render(out::coloured()));
            return Exit::Config;
        }
    };
    let settings = &config.settings;
    let position = settings.position.and_then(|(north, east)| Position::new(north, east));
    let calendar = Calendar::new(&settings.notice.time_zone, position).unwrap_or_else(Calendar::utc);
    let on = args.on.map(|date| (date, calendar));
    if args.json {
        out::json(summary::json(&config, on.as_ref()));
        return Exit::Done;
    }
    if !config.doubts.faults.is_empty() {
        eprint!("{}", config.doubts.cited(out::coloured()));
    }
    out::result(summary::text(&config, on.as_ref()).trim_end());
    Exit::Done
}
