//! `warmside demo`: an invented house of twelve enclosures around the very daemon that `watch` runs.
//!
//! Some simulated days go through an engine first, so that it knows the house; then the daemon takes up what was learned
//! from the store and watches on a clock that runs faster than real time, while sensors publish to its broker over real
//! sockets. Everything is written below one folder.

pub mod house;
mod narrator;
mod past;
mod physics;
mod story;
#[cfg(test)]
mod year;

use super::watch::{ended, runtime};
use super::{Exit, configured, log, out};
use crate::clock::{Clock, SPEEDS, machine_wall};
use crate::config::{self, Config};
use crate::daemon::{self, Setup};
use crate::mqtt::sensor::Sensor;
use crate::terms::time::{Now, Span, Wall};
use house::{ENCLOSURES, House};
use narrator::Narrator;
use std::net::TcpListener;
use std::path::PathBuf;
use std::sync::Arc;
use story::STORY;
use tokio::sync::mpsc;

/// Days that the engine lives through before the demo goes live.
const PAST_DAYS: i64 = 5;
/// Local time of day at which it goes live, h.
const LIVE_AT_H: i64 = 10;

/// Shows it at work on an invented house of 12 enclosures, with faults to come and mails as files
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  warmside demo\n  warmside demo --speed 20 --folder my-demo\n\n\
    It needs no broker, no mail server and no configuration; Ctrl-C ends it. While it runs, look at it from another \
    terminal with: warmside status --config FOLDER/warmside.toml")]
pub struct Args {
    /// How many times faster than real time; 1 is real time
    #[arg(long, default_value_t = 60.0, value_parser = speed)]
    speed: f64,
    /// The folder for everything that it writes; left out: a new one for temporary files
    #[arg(long, value_name = "FOLDER")]
    folder: Option<PathBuf>,
    /// End by itself after so many minutes of the house's own time
    #[arg(long, value_name = "MINUTES", value_parser = clap::value_parser!(i64).range(1..=100_000))]
    minutes: Option<i64>,
}

pub fn run(args: &Args) -> Exit {
    log::start("error");
    match prepare(args) {
        Ok(demo) => match runtime() {
            Ok(runtime) => ended(runtime.block_on(demo.play(args))),
            Err(why) => out::failed(why),
        },
        Err(why) => out::failed(why),
    }
}

/// A house that has lived, and the daemon's configuration for it.
struct Demo {
    folder: PathBuf,
    file: PathBuf,
    config: Config,
    house: House,
}

fn prepare(args: &Args) -> Result<Demo, String> {
    let folder = folder(args).map_err(|why| format!("the demo's folder cannot be made: {why}"))?;
    let ports = [free_port(), free_port()].map(|port| port.map_err(|why| format!("no free port: {why}")));
    let [broker, page] = ports;
    let file = house::write(&folder, broker?, page?).map_err(|why| format!("{}: {why}", folder.display()))?;
    let config = config::load(&file).map_err(|report| report.render(out::coloured()))?;
    let live = live_at(&config);
    out::result(format_args!(
        "Everything that this demo writes is in {}\n\n\
         Hollow Lane: {} enclosures in three racks, invented like everybody in it. Each has a warm and a cool side, a\n\
         lamp with a light meter, and a heat source on a plug that reports its watts.\n\
         First {PAST_DAYS} days of its life go through the engine, so that it knows what is normal here …",
        folder.display(),
        ENCLOSURES.len()
    ));
    let house = past::live_through(&config, live - Span::days(PAST_DAYS), live)?;
    Ok(Demo { folder, file, config, house })
}

impl Demo {
    async fn play(self, args: &Args) -> Result<(), daemon::Error> {
        let Demo { folder, file, config, mut house } = self;
        let clock = Arc::new(Clock::scaled(Now::at(house.at().as_ms()), args.speed));
        let (watcher, mut seen) = mpsc::unbounded_channel();
        let setup = Setup {
            config: config.clone(),
            reload: configured::rereads(file.clone()),
            clock: clock.clone(),
            real: false,
            watcher: Some(watcher),
            stop: Arc::default(),
        };
        let mut narrator = Narrator::new(&config.settings.notice.time_zone, folder.join("mail"));
        out::result(format_args!(
            "\nNow it is live, {} times as fast as real time: each sensor publishes once a minute of the house's time to\n\
             the built-in broker, and the daemon that `warmside watch` runs listens. Ctrl-C ends it.\n\
             The page: http://{}\n\
             From another terminal: warmside status --config {}",
            args.speed,
            config.page.listen,
            file.display()
        ));
        let stop = setup.stop.clone();
        let sensors = async {
            let told = live(&config, &clock, &mut house, &mut narrator, &mut seen, args.minutes).await;
            stop.notify_one();
            told?;
            // The daemon ends in good order meanwhile, and this with it.
            std::future::pending::<Result<(), daemon::Error>>().await
        };
        let ended = tokio::select! {
            ended = daemon::run(setup) => ended,
            Err(why) = sensors => Err(why),
        };
        out::result(format_args!("\nThat was the demo. Its mails are in {}", folder.join("mail").display()));
        ended
    }
}

/// Lets the house live at the clock's speed, tells its story, and shows what the watcher does.
async fn live(
    config: &Config,
    clock: &Clock,
    house: &mut House,
    narrator: &mut Narrator,
    seen: &mut mpsc::UnboundedReceiver<daemon::Seen>,
    minutes: Option<i64>,
) -> Result<(), daemon::Error> {
    let begun = house.at();
    // The daemon has its own word to say first: it must hear the house from its first message on.
    while let Some(first) = seen.recv().await {
        if matches!(first, daemon::Seen::Up) {
            break;
        }
        narrator.seen(first).await;
    }
    let Some(builtin) = &config.builtin_broker else { return Ok(()) };
    let sensor = Sensor::start(&builtin.as_client(builtin.listen), "demo-sensors")?;
    let mut story = STORY.iter().peekable();
    loop {
        let next = house.at() + house::EVERY;
        let wait = clock.until(Now::at(next.as_ms()).mono);
        tokio::select! {
            Some(seen) = seen.recv() => {
                narrator.seen(seen).await;
                continue;
            }
            () = tokio::time::sleep(wait) => {}
        }
        let gone = next.since(begun).as_min() as i64;
        while let Some(turn) = story.next_if(|turn| turn.at_min <= gone) {
            narrator.happens(next, turn.enclosure, turn.words);
            turn.happen(house);
        }
        for said in house.minute() {
            sensor.say(&said.topic, said.payload).await;
        }
        if minutes.is_some_and(|minutes| gone >= minutes) {
            return Ok(());
        }
    }
}

fn folder(args: &Args) -> std::io::Result<PathBuf> {
    let usual = || std::env::temp_dir().join(format!("warmside-demo-{}", std::process::id()));
    let folder = args.folder.clone().unwrap_or_else(usual);
    std::fs::create_dir_all(&folder)?;
    if std::fs::read_dir(&folder)?.next().is_some() {
        return Err(std::io::Error::other(format!("{} is not empty: name another", folder.display())));
    }
    std::path::absolute(folder)
}

/// A port that was free a moment ago.
fn free_port() -> std::io::Result<u16> {
    Ok(TcpListener::bind(("127.0.0.1", 0))?.local_addr()?.port())
}

/// This morning in the house's zone: lamps are on, and the day's letter has gone.
fn live_at(config: &Config) -> Wall {
    use crate::care::calendar::Calendar;
    let calendar = Calendar::new(&config.settings.notice.time_zone, None).unwrap_or_else(Calendar::utc);
    calendar.instant(calendar.civil(machine_wall()).date, Span::h(LIVE_AT_H))
}

fn speed(text: &str) -> Result<f64, String> {
    let speed = text.parse::<f64>().map_err(|_| "a number such as 60".to_owned())?;
    let fits = SPEEDS.contains(&speed);
    fits.then_some(speed).ok_or_else(|| format!("from {} to {}", SPEEDS.start(), SPEEDS.end()))
}
