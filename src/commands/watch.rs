//! `warmside watch`: the daemon.

use super::configured::{self, Configured};
use super::{Exit, log, out};
use crate::clock::Clock;
use crate::daemon::{self, Setup};
use std::sync::Arc;

/// Watches the house until it is told to stop: the daemon that the other commands talk to
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  warmside watch --config warmside.toml\n\n\
    SIGTERM and Ctrl-C end it in good order, SIGHUP makes it read its configuration again; a file with faults changes \
    nothing. WARMSIDE_LOG=debug says more.")]
pub struct Args {
    #[command(flatten)]
    config: Configured,
}

pub fn run(args: &Args) -> Exit {
    log::start("info");
    let config = match args.config.load() {
        Ok(config) => config,
        Err(exit) => return exit,
    };
    if !config.doubts.faults.is_empty() {
        eprint!("{}", config.doubts.render(out::coloured()));
    }
    let path = args.config.path();
    let clock = Arc::new(Clock::real());
    let setup =
        Setup { config, reload: configured::rereads(path), clock, real: true, watcher: None, stop: Arc::default() };
    match runtime() {
        Ok(runtime) => ended(runtime.block_on(daemon::run(setup))),
        Err(why) => out::failed(why),
    }
}

/// Two threads: the loop on one must not keep the polling task, the post or the page on the other waiting.
pub fn runtime() -> std::io::Result<tokio::runtime::Runtime> {
    tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build()
}

pub fn ended(outcome: Result<(), daemon::Error>) -> Exit {
    match outcome {
        Ok(()) => Exit::Done,
        Err(why @ daemon::Error::Config(_)) => {
            out::note(why);
            Exit::Config
        }
        Err(why) => out::failed(why),
    }
}
