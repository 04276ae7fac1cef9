//! Which configuration a command means, and its faults told when it has some.

use super::{Exit, out};
use crate::config::tied::Tie;
use crate::config::{self, Config};
use crate::daemon::Reread;
use clap::Args;
use std::path::{Path, PathBuf};

/// Where it is looked for when the command line names none.
const USUAL: [&str; 2] = ["warmside.toml", "/etc/warmside/warmside.toml"];

#[derive(Clone, Debug, Args)]
pub struct Configured {
    /// The keeper's file; left out: ./warmside.toml, or else /etc/warmside/warmside.toml
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
}

impl Configured {
    pub fn path(&self) -> PathBuf {
        let usual = || USUAL.iter().map(Path::new).find(|path| path.exists()).unwrap_or(Path::new(USUAL[0]));
        self.config.clone().unwrap_or_else(|| usual().to_owned())
    }

    /// The whole configuration, with passwords and certificates.
    pub fn load(&self) -> Result<Config, Exit> {
        told(config::load(&self.path()))
    }

    /// The same for a command that only needs to know the house: secrets may be unreadable to whoever asks.
    pub fn load_without_secrets(&self) -> Result<Config, Exit> {
        told(config::load_without_secrets(&self.path()))
    }

    /// The same, or that of [`Configured::load_without_secrets`], for a house whose links are still to be drafted.
    pub fn load_unlinked(&self, secrets: bool) -> Result<Config, Exit> {
        told(config::load_unlinked(&self.path(), secrets))
    }

    /// The same for a house whose ties are about to come back with a copy of its store.
    pub fn load_restored(&self, ties: Vec<Tie>) -> Result<Config, Exit> {
        told(config::load_restored(&self.path(), ties))
    }
}

/// Reads a configuration again, for a daemon that runs.
pub fn rereads(path: PathBuf) -> Reread {
    Box::new(move |ties| {
        let read = match ties {
            Some(ties) => config::load_tied(&path, ties),
            None => config::load(&path),
        };
        read.map_err(|report| report.render(false))
    })
}

fn told(loaded: Result<Config, config::fault::Report>) -> Result<Config, Exit> {
    loaded.map_err(|report| {
        eprint!("{}", report.render(out::coloured()));
        Exit::Config
    })
}
