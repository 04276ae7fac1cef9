//! `warmside outpost`: the watcher of the watcher, on another machine.

use super::{Exit, log, out, watch};
use crate::clock::Clock;
use crate::config::outpost::{self, Config};
use crate::daemon;
use crate::post::settings::Way;
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use std::fmt::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Where its file is looked for when the command line names none.
const USUAL: [&str; 2] = ["outpost.toml", "/etc/warmside/outpost.toml"];

/// Misses a house that falls silent: runs elsewhere, hears its beat, and mails when it cannot be reached
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:\n  warmside outpost --config outpost.toml\n  \
                        warmside outpost --config outpost.toml --check  # all faults of its file, or who is missed by whom\n  \
                        warmside outpost --new-key  # a key for both sides\n\n\
                        It hears only whether the house speaks: how the animals are it never knows.")]
pub struct Args {
    /// The outpost's own file; left out: ./outpost.toml, or else /etc/warmside/outpost.toml
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    /// Only reads the file: all its faults, or a summary
    #[arg(long)]
    check: bool,
    /// Prints a new key: the same one goes to the house and to the outpost
    #[arg(long, conflicts_with_all = ["config", "check"])]
    new_key: bool,
}

pub fn run(args: &Args) -> Exit {
    if args.new_key {
        return new_key();
    }
    let usual = || USUAL.iter().map(Path::new).find(|path| path.exists()).unwrap_or(Path::new(USUAL[0]));
    let path = args.config.clone().unwrap_or_else(|| usual().to_owned());
    let config = match outpost::load(&path) {
        Ok(config) => config,
        Err(report) => {
            eprint!("{}", report.render(out::coloured()));
            return Exit::Config;
        }
    };
    if !config.doubts.faults.is_empty() {
        eprint!("{}", config.doubts.cited(out::coloured()));
    }
    if args.check {
        out::result(summary(&config).trim_end());
        return Exit::Done;
    }
    log::start("info");
    match watch::runtime() {
        Ok(runtime) => watch::ended(runtime.block_on(daemon::outpost::run(config, Arc::new(Clock::real())))),
        Err(why) => out::failed(why),
    }
}

fn new_key() -> Exit {
    let mut bytes = [0; 32];
    match getrandom::fill(&mut bytes) {
        Ok(()) => {
            out::result(URL_SAFE_NO_PAD.encode(bytes));
            Exit::Done
        }
        Err(why) => out::failed(format_args!("the machine gives no random bytes: {why}")),
    }
}

fn summary(config: &Config) -> String {
    let outpost = &config.outpost;
    let tls = if outpost.identity.is_some() { "by TLS" } else { "without TLS of its own" };
    let mut text = format!("{}: no faults\nlistens on {}, {tls}\n", config.doubts.file, outpost.listen);
    let _ = match &config.post {
        Way::Server(server) => writeln!(text, "mails by {}:{}", server.host, server.port),
        Way::Folder { folder, .. } => {
            writeln!(text, "NO MAIL SERVER: mails are only written to\n  {}", folder.display())
        }
    };
    for house in &outpost.houses {
        let to: Vec<&str> = house.tells.iter().map(|(keeper, _)| keeper.as_str()).collect();
        let to = if to.is_empty() { "NOBODY".to_owned() } else { to.join(", ") };
        let _ = writeln!(text, "{}, {}: tells {to} when it cannot be reached", house.id, house.name);
    }
    text
}
