//! The command line: one file a command, results on standard output, everything else on standard error.

mod backup;
mod bundle;
mod care;
mod check;
mod configured;
#[cfg(feature = "builtin-broker")]
pub mod demo;
mod ear;
pub mod explain;
mod explained;
mod listen;
pub mod log;
mod log_limit;
mod order;
mod out;
mod outpost;
mod papers;
mod record;
mod recorder;
mod replay;
mod restore;
mod status;
mod summary;
mod tied;
mod watch;
mod words;

use clap::{CommandFactory, Parser, Subcommand};
use std::ffi::OsString;
use std::process::ExitCode;

/// How a command ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Exit {
    Done,
    Failed,
    Usage,
    /// The configuration has faults (`EX_CONFIG` of BSD's sysexits).
    Config,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> ExitCode {
        ExitCode::from(match exit {
            Exit::Done => 0,
            Exit::Failed => 1,
            Exit::Usage => 2,
            Exit::Config => 78,
        })
    }
}

/// Watches animal enclosures, and tells the keeper by mail when heat or light goes wrong.
#[derive(Debug, Parser)]
#[command(
    name = "warmside",
    version,
    after_help = "Exit status: 0 done, 1 failed, 2 usage, 78 the configuration has faults.\n\
                  It watches and never switches heat: fit an independent over-temperature cut-out to every heat source."
)]
struct Line {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    #[cfg(feature = "builtin-broker")]
    Demo(demo::Args),
    Watch(watch::Args),
    Check(check::Args),
    Record(record::Args),
    Listen(listen::Args),
    Bundle(bundle::Args),
    Replay(replay::Args),
    Status(status::Args),
    Explain(explain::Args),
    Acknowledge(order::Acknowledge),
    Shelve(order::Shelve),
    Unshelve(order::Unshelve),
    HandsIn(order::HandsIn),
    Mark(order::Mark),
    Drill(order::Drill),
    Care(care::Args),
    Backup(backup::Args),
    Restore(restore::Args),
    Outpost(outpost::Args),
    #[command(hide = true)]
    Papers(papers::Args),
}

/// Runs a command line, the program's name first.
pub fn run(line: impl IntoIterator<Item = OsString>) -> Exit {
    let line = match Line::try_parse_from(line) {
        Ok(line) => line,
        Err(said) => {
            // Help and version are results; usage errors are not.
            let _ = said.print();
            return if said.use_stderr() { Exit::Usage } else { Exit::Done };
        }
    };
    match line.command {
        #[cfg(feature = "builtin-broker")]
        Command::Demo(args) => demo::run(&args),
        Command::Check(args) => check::run(&args),
        Command::Watch(args) => watch::run(&args),
        Command::Record(args) => record::run(&args),
        Command::Listen(args) => listen::run(&args),
        Command::Bundle(args) => bundle::run(&args),
        Command::Replay(args) => replay::run(&args),
        Command::Status(args) => status::run(&args),
        Command::Explain(args) => explain::run(&args),
        Command::Acknowledge(args) => args.run(),
        Command::Shelve(args) => args.run(),
        Command::Unshelve(args) => args.run(),
        Command::HandsIn(args) => args.run(),
        Command::Mark(args) => args.run(),
        Command::Drill(args) => args.run(),
        Command::Care(args) => care::run(&args),
        Command::Backup(args) => backup::run(&args),
        Command::Restore(args) => restore::run(&args),
        Command::Outpost(args) => outpost::run(&args),
        Command::Papers(args) => papers::run(&args, Line::command()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_command_has_an_example_that_parses() {
        Line::command().debug_assert();
        for command in Line::command().get_subcommands() {
            let name = command.get_name();
            let help = command.get_after_help().map(|help| help.to_string()).unwrap_or_default();
            let examples: Vec<&str> = help.lines().filter_map(|line| line.trim().strip_prefix("warmside ")).collect();
            assert!(!examples.is_empty(), "{name} has no example");
            for example in examples {
                // A remark, and where the shell sends the result, are no words of ours.
                let words = example.split("  #").next().and_then(|words| words.split(" > ").next()).unwrap_or_default();
                // Quotes are the shell's: a quoted word has no blank in our examples' values but the last one.
                let words = std::iter::once("warmside".into()).chain(shell(words));
                let parsed = Line::try_parse_from(words);
                assert!(
                    parsed.is_ok(),
                    "{name}: {example}: {}",
                    parsed.err().map(|e| e.to_string()).unwrap_or_default()
                );
            }
        }
    }

    /// Splits at blanks outside double quotes.
    fn shell(text: &str) -> Vec<String> {
        let (mut words, mut word, mut quoted) = (Vec::new(), String::new(), false);
        for c in text.chars() {
            match c {
                '"' => quoted = !quoted,
                ' ' if !quoted => {
                    if !word.is_empty() {
                        words.push(std::mem::take(&mut word));
                    }
                }
                c => word.push(c),
            }
        }
        if !word.is_empty() {
            words.push(word);
        }
        words
    }

    #[test]
    fn exit_statuses_are_those_of_the_formats() {
        let run = |line: &[&str]| super::run(line.iter().map(OsString::from));
        assert_eq!(run(&["warmside", "--version"]), Exit::Done);
        assert_eq!(run(&["warmside", "no-such-command"]), Exit::Usage);
        assert_eq!(run(&["warmside", "status", "--config", "/nowhere/warmside.toml"]), Exit::Config);
    }
}
