//! `warmside restore`: puts a copy of the store back, with what was tied on the page.

use super::configured::Configured;
use super::{Exit, out};
use crate::clock::machine_wall;
use crate::config::tied;
use crate::store::copy::Backup;
use std::path::PathBuf;

/// Puts a copy that `warmside backup` made in the place of the store, while Warmside is stopped
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  warmside restore warmside-2026-03-05.db\n\n\
    What was tied on the page comes back with it. The store that is there is set aside, not deleted. Nothing is changed where\n\
    the copy is damaged, of a newer Warmside, or the house is watched just now. A mail that waited when the copy was made\n\
    may come a second time, and mails from before are no longer answered by a reply.")]
pub struct Args {
    /// The copy
    file: PathBuf,
    #[command(flatten)]
    config: Configured,
}

pub fn run(args: &Args) -> Exit {
    let copy = match Backup::open(&args.file) {
        Ok(copy) => copy,
        Err(why) => return out::failed(why),
    };
    // What cannot be read is put back as it was: Setup and `check` say so, as they did.
    let ties = copy.tied().and_then(|text| tied::parse(text).ok()).unwrap_or_default();
    let count = ties.len();
    let config = match args.config.load_restored(ties) {
        Ok(config) => config,
        Err(exit) => return exit,
    };
    match copy.restore(&config.store.folder, machine_wall()) {
        Ok(aside) => {
            let until = copy.last.map_or(String::new(), |at| format!(" as it was at {}", at.rfc3339()));
            out::result(format_args!("restored{until} into {}", config.store.folder.display()));
            out::result(format_args!("tied on the page: {count}"));
            if let Some(aside) = aside {
                out::result(format_args!("what was there is {} now", aside.display()));
            }
            out::result("Start Warmside: nobody watches until then.");
            Exit::Done
        }
        Err(why) => out::failed(why),
    }
}
