//! `warmside explain`: why an enclosure's state is what it is.

use super::configured::Configured;
use super::words::Speech;
use super::{Exit, out, status};
use crate::engine::view::View;

/// Tells why an enclosure's state is what it is: readings, the bands of the next 24 hours, what was learned, what would alarm
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  warmside explain a3")]
pub struct Args {
    /// Its id, as your file has it
    enclosure: String,
    #[command(flatten)]
    config: Configured,
}

pub fn run(args: &Args) -> Exit {
    let view = match status::view(&args.config) {
        Ok(view) => view,
        Err(exit) => return exit,
    };
    match words(&view, &args.enclosure) {
        Some(text) => {
            out::result(text);
            Exit::Done
        }
        None => {
            let known: Vec<&str> = view.enclosures.iter().map(|enclosure| enclosure.id.as_str()).collect();
            out::failed(format_args!("there is no enclosure {:?}; there are {}", args.enclosure, known.join(", ")))
        }
    }
}

/// An enclosure of a view explained; `None`: there is none of that id.
pub fn words(view: &View, enclosure: &str) -> Option<String> {
    view.enclosures.iter().find(|e| e.id == enclosure).map(|e| Speech::of(view).explain(e))
}
