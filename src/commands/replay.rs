//! `warmside replay`: recordings through the engine, as fast as the processor allows, one notice a line.

use super::configured::Configured;
use super::{Exit, out};
use crate::engine::effect::Effect;
use crate::reading::Reading;
use crate::reading::links::Counts;
use crate::recording::reader::Lines;
use crate::recording::replay::Replay;
use crate::recording::{Fault, parse};
use crate::terms::time::Now;
use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

/// How many unreadable lines are named; the rest are only counted.
const NAMED: u64 = 20;

/// Runs recordings through the engine and prints the mails that would have been sent
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:\n  warmside replay --config warmside.toml house.jsonl.gz\n  \
    warmside replay --config warmside.toml --findings findings.jsonl monday.jsonl tuesday.jsonl\n\n\
    Prints one JSON object a line for each mail; counts go to standard error. `-` reads standard input.")]
pub struct Args {
    /// Recordings, in the order of their time; plain or gzip
    #[arg(required = true)]
    recordings: Vec<PathBuf>,
    /// Also write each accepted reading to this file, as JSON lines
    #[arg(long, value_name = "FILE")]
    readings: Option<PathBuf>,
    /// Also write each change of an incident, with the numbers behind it, to this file, as JSON lines
    #[arg(long, value_name = "FILE")]
    findings: Option<PathBuf>,
    #[command(flatten)]
    config: Configured,
}

pub fn run(args: &Args) -> Exit {
    let config = match args.config.load_without_secrets() {
        Ok(config) => config,
        Err(exit) => return exit,
    };
    let mut desk = match Desk::open(args) {
        Ok(desk) => desk,
        Err(why) => return out::failed(why),
    };
    let mut replay = Replay::new(config.settings);
    for path in &args.recordings {
        if let Err(why) = desk.file(path, &mut replay) {
            let _ = desk.results.flush();
            return out::failed(format_args!("{}: {why}", path.display()));
        }
    }
    match desk.finish(&replay) {
        // Whoever read us has gone: what is left to say is for nobody.
        Err(why) if why.kind() != io::ErrorKind::BrokenPipe => out::failed(why),
        Ok(false) => out::failed("nothing of it is a recording"),
        _ => Exit::Done,
    }
}

/// Where the lines of a replay go.
struct Desk {
    results: BufWriter<io::Stdout>,
    readings: Option<BufWriter<File>>,
    findings: Option<BufWriter<File>>,
    unreadable: u64,
}

impl Desk {
    fn open(args: &Args) -> Result<Desk, String> {
        let open = |path: &Option<PathBuf>| match path {
            None => Ok(None),
            Some(path) => match File::create(path) {
                Ok(file) => Ok(Some(BufWriter::new(file))),
                Err(why) => Err(format!("{}: {why}", path.display())),
            },
        };
        Ok(Desk {
            results: BufWriter::new(io::stdout()),
            readings: open(&args.readings)?,
            findings: open(&args.findings)?,
            unreadable: 0,
        })
    }

    fn file(&mut self, path: &Path, replay: &mut Replay) -> io::Result<()> {
        let mut lines = Lines::open(path)?;
        let mut effects = Vec::new();
        let mut failed = None;
        while let Some(raw) = lines.next_line()? {
            let line = match raw.text.map(parse) {
                Some(Ok(line)) => line,
                Some(Err(why)) => {
                    self.unreadable(path, raw.number, &why.to_string());
                    continue;
                }
                None => {
                    self.unreadable(path, raw.number, &format!("not UTF-8, or {}", Fault::TooLong));
                    continue;
                }
            };
            let mut kept: Vec<Reading> = Vec::new();
            replay.line(&line, &mut effects, &mut |now, effects| {
                for effect in effects.drain(..) {
                    match effect {
                        Effect::Keep(reading) if self.readings.is_some() => kept.push(reading),
                        Effect::Commit { rows, notices } => {
                            let told = self.commit(now, rows, notices);
                            failed = failed.take().or(told.err());
                        }
                        Effect::Log { text, .. } => out::note(format_args!("{}: {text}", now.wall.rfc3339())),
                        _ => {}
                    }
                }
            });
            for reading in kept {
                self.reading(&reading, replay)?;
            }
            if let Some(why) = failed.take() {
                return Err(why);
            }
        }
        Ok(())
    }

    fn commit(
        &mut self,
        now: Now,
        rows: Vec<crate::incident::Row>,
        notices: Vec<crate::notice::NoticeRow>,
    ) -> io::Result<()> {
        for notice in notices {
            writeln!(self.results, "{}", notice.json)?;
        }
        let Some(findings) = &mut self.findings else { return Ok(()) };
        for row in rows.into_iter().filter(|row| row.key.starts_with("incident/")) {
            let id = row.key.trim_start_matches("incident/");
            let json = row.json.as_deref().unwrap_or("null");
            writeln!(findings, "{{\"at\":\"{}\",\"incident\":\"{id}\",\"state\":{json}}}", now.wall.rfc3339())?;
        }
        Ok(())
    }

    fn reading(&mut self, reading: &Reading, replay: &Replay) -> io::Result<()> {
        let Some(file) = &mut self.readings else { return Ok(()) };
        let name = replay.engine().and_then(|engine| engine.probe_name(reading.probe)).unwrap_or_default();
        writeln!(file, "{{\"at\":\"{}\",\"probe\":\"{name}\",\"value\":{}}}", reading.at.wall.rfc3339(), reading.value)
    }

    fn unreadable(&mut self, path: &Path, number: u64, why: &str) {
        self.unreadable += 1;
        if self.unreadable <= NAMED {
            out::note(format_args!("{}: line {number} is skipped: {why}", path.display()));
        }
    }

    /// Whether any of the lines could be read, where there were any.
    fn finish(mut self, replay: &Replay) -> io::Result<bool> {
        let Counts { accepted, refused, unlinked } = replay.engine().map(|e| e.counts()).unwrap_or_default();
        if self.unreadable > 0 {
            out::note(format_args!("lines that could not be read: {}", self.unreadable));
        }
        let messages = accepted + refused + unlinked;
        out::note(format_args!(
            "{messages} messages = {accepted} accepted + {refused} refused + {unlinked} on topics that no link reads"
        ));
        for file in [&mut self.readings, &mut self.findings].into_iter().flatten() {
            file.flush()?;
        }
        self.results.flush()?;
        Ok(replay.engine().is_some() || self.unreadable == 0)
    }
}
