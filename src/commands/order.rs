//! The keeper's word to a running daemon: acknowledge, shelve, unshelve, hands in, mark, drill.

use super::configured::Configured;
use super::{Exit, out, words};
use crate::clock::machine_wall;
use crate::config::Config;
use crate::control::{Request, client};
use crate::engine::event::{Command, Order};
use crate::terms::time::Wall;
use clap::ArgGroup;

#[derive(Clone, Debug, clap::Args)]
pub struct Speaker {
    /// Who says it; left out: the keeper, where there is only one, or your login name
    #[arg(long, value_name = "KEEPER")]
    by: Option<String>,
    #[command(flatten)]
    config: Configured,
}

/// Says that somebody has seen to an incident: repeats pause, the other keepers are told
#[derive(Debug, clap::Args)]
#[command(
    group(ArgGroup::new("which").required(true).args(["incident", "enclosure"])),
    after_help = "Examples:\n  warmside acknowledge 7Q\n  warmside acknowledge --enclosure a3 --by ines"
)]
pub struct Acknowledge {
    /// The incident's id, as the mail's subject has it
    incident: Option<String>,
    /// All of this enclosure's incidents instead
    #[arg(long, value_name = "ENCLOSURE")]
    enclosure: Option<String>,
    #[command(flatten)]
    speaker: Speaker,
}

/// Sets an enclosure aside for a while: nothing is mailed about it, and it always comes back
#[derive(Debug, clap::Args)]
#[command(
    group(ArgGroup::new("when").required(true).args(["length", "until"])),
    after_help = "Examples:\n  warmside shelve a3 --for 12h\n  warmside shelve a3 --until 2026-03-06T18:00:00Z"
)]
pub struct Shelve {
    /// Its id, as your file has it
    enclosure: String,
    /// How long: 90min, 12h, 3d
    #[arg(long = "for", id = "length", value_name = "LENGTH", value_parser = words::span)]
    length: Option<crate::terms::time::Span>,
    /// The time at which it comes back, instead
    #[arg(long, value_name = "TIME", value_parser = instant)]
    until: Option<Wall>,
    #[command(flatten)]
    speaker: Speaker,
}

/// Takes a shelved enclosure back
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  warmside unshelve a3")]
pub struct Unshelve {
    /// Its id, as your file has it
    enclosure: String,
    #[command(flatten)]
    speaker: Speaker,
}

/// Says that somebody works in an enclosure: what an open door does is not alarmed meanwhile
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  warmside hands-in a3 20min")]
pub struct HandsIn {
    /// Its id, as your file has it
    enclosure: String,
    /// How long: 20min, 1h
    #[arg(value_parser = words::span, default_value = "20min")]
    length: crate::terms::time::Span,
    #[command(flatten)]
    speaker: Speaker,
}

/// Notes in the keeper's ledger what was done: setting-changed, lamp-changed and probe-moved make the watcher relearn
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  warmside mark a3 lamp-changed\n  warmside mark a3 fed")]
pub struct Mark {
    /// Its id, as your file has it
    enclosure: String,
    /// What: setting-changed, lamp-changed, probe-moved, fed, shed, or any word of your own
    what: String,
    #[command(flatten)]
    speaker: Speaker,
}

/// Sends a marked practice alarm through the true mail path, to see that it arrives and rings
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  warmside drill")]
pub struct Drill {
    #[command(flatten)]
    speaker: Speaker,
}

impl Acknowledge {
    pub fn run(&self) -> Exit {
        let order = match (&self.incident, &self.enclosure) {
            (Some(incident), _) => Order::AcknowledgeIncident { incident: incident.clone() },
            (None, Some(enclosure)) => Order::AcknowledgeEnclosure { enclosure: enclosure.clone() },
            (None, None) => return Exit::Usage,
        };
        self.speaker.say(order)
    }
}

impl Shelve {
    pub fn run(&self) -> Exit {
        let until = match (self.until, self.length) {
            (Some(until), _) => until,
            (None, Some(length)) => machine_wall() + length,
            (None, None) => return Exit::Usage,
        };
        self.speaker.say(Order::Shelve { enclosure: self.enclosure.clone(), until })
    }
}

impl Unshelve {
    pub fn run(&self) -> Exit {
        self.speaker.say(Order::Unshelve { enclosure: self.enclosure.clone() })
    }
}

impl HandsIn {
    pub fn run(&self) -> Exit {
        self.speaker.say(Order::HandsIn { enclosure: self.enclosure.clone(), length: self.length })
    }
}

impl Mark {
    pub fn run(&self) -> Exit {
        self.speaker.say(Order::Mark { enclosure: self.enclosure.clone(), what: self.what.clone() })
    }
}

impl Drill {
    pub fn run(&self) -> Exit {
        self.speaker.say(Order::Drill)
    }
}

impl Speaker {
    fn say(&self, order: Order) -> Exit {
        match self.config.load_without_secrets() {
            Ok(config) => self.say_in(&config, order),
            Err(exit) => exit,
        }
    }

    /// The same where the configuration is known already.
    pub fn say_in(&self, config: &Config, order: Order) -> Exit {
        let command = Command { by: self.by.clone().unwrap_or_else(|| whoever(config)), order };
        ask(config, &Request::Order { command })
    }

    pub fn configured(&self) -> &Configured {
        &self.config
    }
}

/// Asks the daemon and shows what it says.
pub fn tell(config: &Configured, request: &Request) -> Exit {
    match config.load_without_secrets() {
        Ok(config) => ask(&config, request),
        Err(exit) => exit,
    }
}

fn ask(config: &Config, request: &Request) -> Exit {
    match client::ask(&config.store.folder, request) {
        Ok(reply) if reply.done => {
            out::result(reply.words);
            Exit::Done
        }
        Ok(reply) => out::failed(reply.words),
        Err(why) => out::failed(why),
    }
}

fn whoever(config: &Config) -> String {
    match &config.settings.notice.keepers[..] {
        [keeper] => keeper.id.clone(),
        _ => std::env::var("USER").ok().filter(|user| !user.is_empty()).unwrap_or_else(|| "somebody".into()),
    }
}

fn instant(text: &str) -> Result<Wall, String> {
    Wall::parse_rfc3339(text).ok_or_else(|| "a time such as 2026-03-06T18:00:00Z".into())
}
