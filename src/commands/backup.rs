//! `warmside backup`: a copy of the store of a running daemon.

use super::configured::Configured;
use super::{Exit, order, out};
use crate::control::Request;
use std::path::PathBuf;

/// Copies the store of the running Warmside into a file, while it watches on
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  warmside backup warmside-2026-03-05.db\n\n\
    The running Warmside writes the file: where it may not write (a hardened service), name one in its store's folder.\n\
    To restore: stop it, put the copy in the place of warmside.db, and start it.")]
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
