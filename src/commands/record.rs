//! `warmside record`: what the broker says, as a recording that `replay` reads.

use super::configured::Configured;
use super::recorder::{Limits, Recorder};
use super::{Exit, out, words};
use crate::clock::{machine_wall, ticks};
use crate::config::Config;
use crate::mqtt::link::{Link, Pace, Wish};
use crate::mqtt::{Inbox, Incoming, filter};
use crate::recording::{Line, What};
use crate::terms::time::Span;
use std::borrow::Cow;
use std::path::PathBuf;
use std::time::Duration;
use tokio::time::{MissedTickBehavior, interval, sleep};

/// Writes what the broker says into a recording that `replay` reads
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  warmside record --config warmside.toml house.jsonl.gz\n  \
    warmside record --for 30min --also \"#\" everything.jsonl\n\n\
    A file that is full, or was there before, gets the time of its first line into its name: \
    replay house.*.jsonl.gz house.jsonl.gz reads them in order.")]
pub struct Args {
    /// The file to write; a name that ends in .gz is compressed
    out: PathBuf,
    /// Stop after this long: 30min, 12h, 7d; left out: with Ctrl-C
    #[arg(long = "for", id = "length", value_name = "LENGTH", value_parser = words::span)]
    length: Option<Span>,
    /// Topic filters beside those of the links
    #[arg(long, value_name = "FILTER")]
    also: Vec<String>,
    /// Size at which a file is full, MiB
    #[arg(long, default_value_t = 64, value_parser = clap::value_parser!(u64).range(1..=65_536))]
    each: u64,
    /// Size of all files together, MiB; the oldest go first
    #[arg(long, default_value_t = 4_096, value_parser = clap::value_parser!(u64).range(1..=1_048_576))]
    total: u64,
    #[command(flatten)]
    config: Configured,
}

pub fn run(args: &Args) -> Exit {
    // With filters of its own it may run before anything is linked.
    let config = match if args.also.is_empty() { args.config.load() } else { args.config.load_unlinked(true) } {
        Ok(config) => config,
        Err(exit) => return exit,
    };
    let limits = Limits { each: args.each << 20, total: args.total << 20 };
    let recorder = match Recorder::open(&args.out, limits) {
        Ok(recorder) => recorder,
        Err(why) => return out::failed(format_args!("{}: {why}", args.out.display())),
    };
    let runtime = match tokio::runtime::Builder::new_current_thread().enable_all().build() {
        Ok(runtime) => runtime,
        Err(why) => return out::failed(why),
    };
    match runtime.block_on(record(args, &config, recorder)) {
        Ok(words) => {
            out::note(words);
            Exit::Done
        }
        Err(why) => out::failed(why),
    }
}

async fn record(args: &Args, config: &Config, mut recorder: Recorder) -> Result<String, String> {
    let broker = match (&config.broker, &config.builtin_broker) {
        (Some(broker), _) => broker.clone(),
        (None, Some(builtin)) => builtin.as_client(builtin.listen),
        (None, None) => return Err("the configuration names no broker".into()),
    };
    let settings = &config.settings;
    let topics = settings.links.iter().flat_map(|link| link.topics()).chain(settings.commands_topic.clone());
    let wish = Wish {
        // Not that of `watch`, which may be running beside it.
        client_id: format!("warmside-record-{:08x}", std::process::id() ^ ticks().subsec_nanos()),
        filters: filter::covering(topics.chain(args.also.iter().cloned())),
        presence: None,
    };
    let (filters, file) = (wish.filters.join(", "), args.out.display());
    out::note(format_args!("recording {filters} on {}:{} into {file}", broker.host, broker.port));
    let (link, mut inbox) = Link::start(&broker, wish, Pace::default(), ticks).map_err(|why| why.to_string())?;
    let length = args.length.map(|length| Duration::from_millis(length.as_ms().unsigned_abs()));
    let heard = listen(&mut inbox, &mut recorder, length).await;
    link.stop(Duration::from_secs(2)).await;
    let dropped = inbox.dropped();
    let closed = recorder.close();
    let lines =
        heard.and_then(|lines| closed.map(|()| lines)).map_err(|why| format!("{}: {why}", args.out.display()))?;
    Ok(match dropped {
        0 => format!("{lines} lines recorded"),
        dropped => format!("{lines} lines recorded; {dropped} messages came faster than they could be written"),
    })
}

/// Writes what comes until it is told to stop. Gives the number of lines.
async fn listen(inbox: &mut Inbox, recorder: &mut Recorder, length: Option<Duration>) -> std::io::Result<u64> {
    let mut lines = 0;
    let mut settle = interval(Duration::from_secs(5));
    settle.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut stop = std::pin::pin!(async move {
        match length {
            Some(length) => tokio::select! { () = sleep(length) => {}, () = told_to_stop() => {} },
            None => told_to_stop().await,
        }
    });
    loop {
        let news = tokio::select! {
            news = inbox.next() => news,
            _ = settle.tick() => { recorder.settle()?; continue }
            () = &mut stop => return Ok(lines),
        };
        let what = match news {
            Some(Incoming::Message(message)) => What::Message {
                topic: Cow::Owned(message.topic),
                payload: Cow::Owned(message.payload),
                retained: message.retained,
            },
            Some(Incoming::Up) => What::LinkUp,
            Some(Incoming::Lost(why)) => {
                out::note(why);
                What::LinkLost
            }
            Some(Incoming::Trouble(why)) => {
                out::note(why);
                continue;
            }
            None => return Ok(lines),
        };
        recorder.write(&Line { at: machine_wall(), what })?;
        lines += 1;
    }
}

/// SIGINT or SIGTERM.
pub async fn told_to_stop() {
    use tokio::signal::unix::{SignalKind, signal};
    let terminated = async {
        match signal(SignalKind::terminate()) {
            Ok(mut signal) => {
                signal.recv().await;
            }
            Err(_) => std::future::pending().await,
        }
    };
    tokio::select! { _ = tokio::signal::ctrl_c() => {}, () = terminated => {} }
}
