//! `warmside status`: the collection in a terminal.

use super::configured::Configured;
use super::words::Speech;
use super::{Exit, out};
use crate::control::{Request, client};
use crate::engine::view::View;

/// Shows whether everyone is alright and the watcher awake
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  warmside status\n  warmside status --config warmside.toml --json")]
pub struct Args {
    /// The whole view as one JSON object instead of words
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    config: Configured,
}

pub fn run(args: &Args) -> Exit {
    let view = match view(&args.config) {
        Ok(view) => view,
        Err(exit) => return exit,
    };
    if args.json {
        match serde_json::to_string(&view) {
            Ok(json) => out::json(json),
            Err(why) => return out::failed(why),
        }
    } else {
        out::result(Speech::of(&view).status());
    }
    Exit::Done
}

/// The view of the running daemon.
pub fn view(config: &Configured) -> Result<Box<View>, Exit> {
    let config = config.load_without_secrets()?;
    match client::ask(&config.store.folder, &Request::View) {
        Ok(reply) => reply.view.ok_or_else(|| out::failed(reply.words)),
        Err(why) => Err(out::failed(why)),
    }
}
