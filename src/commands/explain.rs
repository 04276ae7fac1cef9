//! `warmside explain`: why an enclosure's state is what it is.

use super::configured::Configured;
use super::words::Speech;
use super::{Exit, out, status};

/// Tells why an enclosure's state is what it is: readings, wanted bands, what was learned, what would alarm
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  warmside explain a3")]
pub struct Args {
    enclosure: String,
    #[command(flatten)]
    config: Configured,
}

pub fn run(args: &Args) -> Exit {
    let view = match status::view(&args.config) {
        Ok(view) => view,
        Err(exit) => return exit,
    };
    match view.enclosures.iter().find(|enclosure| enclosure.id == args.enclosure) {
        Some(enclosure) => {
            out::result(Speech::of(&view).explain(enclosure));
            Exit::Done
        }
        None => {
            let known: Vec<&str> = view.enclosures.iter().map(|enclosure| enclosure.id.as_str()).collect();
            out::failed(format_args!("there is no enclosure {:?}; there are {}", args.enclosure, known.join(", ")))
        }
    }
}
