//! `warmside backup`: a copy of the store of a running daemon, with what was tied on the page.

use super::configured::Configured;
use super::{Exit, order, out};
use crate::control::Request;
use std::path::PathBuf;

/// Copies the store of the running Warmside, and what was tied on its page, into one file, while it watches on
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  warmside backup warmside-2026-03-05.db\n\n\
    The running Warmside writes the file: where it may not write (a hardened service), name one in its store's folder.\n\
    Your own configuration and passwords are not in it. `warmside restore` puts it back.")]
pub struct Args {
    /// The file to write
    file: PathBuf,
    #[command(flatten)]
    config: Configured,
}

pub fn run(args: &Args) -> Exit {
    match std::path::absolute(&args.file) {
        Ok(file) => order::tell(&args.config, &Request::Backup { file }),
        Err(why) => out::failed(format_args!("{}: {why}", args.file.display())),
    }
}
