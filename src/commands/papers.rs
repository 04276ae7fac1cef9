//! `warmside papers`, hidden: writes the manual pages and the shells' completions, from the very command line that is parsed.
//!
//! A command and no build script: a script would build clap a second time for every build, and a package is made seldom.

use super::{Exit, out};
use clap::Command;
use clap_complete::Shell;
use std::path::{Path, PathBuf};

/// Writes the manual pages and completions of this very program into a folder, for a package
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  warmside papers target/papers")]
pub struct Args {
    folder: PathBuf,
}

pub fn run(args: &Args, line: Command) -> Exit {
    match write(&args.folder, line) {
        Ok(()) => Exit::Done,
        Err(why) => out::failed(format_args!("{}: {why}", args.folder.display())),
    }
}

fn write(folder: &Path, mut line: Command) -> std::io::Result<()> {
    std::fs::create_dir_all(folder)?;
    for shell in [Shell::Bash, Shell::Fish, Shell::Zsh] {
        clap_complete::generate_to(shell, &mut line, "warmside", folder)?;
    }
    clap_mangen::generate_to(line, folder)
}
