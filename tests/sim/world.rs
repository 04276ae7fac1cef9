//! The world: what is true, the clocks, and the story of a run, tick by tick.

use crate::chance::{Bug, Deaths, Dice, Mark, Mix};
use crate::edges::{Disk, Mailing};
use crate::sensors::{Heard, Wire};
use std::collections::BTreeSet;
use std::sync::{Arc, OnceLock};
use warmside::engine::Engine;
use warmside::engine::effect::Effect;
use warmside::engine::event::{Command, Event, Order};
use warmside::engine::settings::Settings;
use warmside::incident::Row;
use warmside::terms::time::{Mono, Now, Span, Wall};

/// One message a probe each so often, and so long.
const TICK: Span = Span::s(60);
pub const TICKS: i64 = 14 * 60;
/// Nothing new goes wrong in the last hours: what stands must be known by then.
pub const QUIET_TICKS: i64 = 4 * 60;
pub const ENCLOSURES: usize = 3;
/// Mails an hour, the first `now` of an incident not counted.
pub const AT_MOST: usize = 6;
const START_MS: i64 = 1_767_600_000_000;

/// A stretch in which something is true of an enclosure, in ticks.
#[derive(Clone, Copy, Debug)]
pub struct Stretch {
    pub enclosure: usize,
    pub from: i64,
    pub until: i64,
}

impl Stretch {
    pub fn holds(&self, tick: i64) -> bool {
        (self.from..self.until).contains(&tick)
    }

    fn draw(dice: &mut Dice, shortest: i64, longest: i64, enclosure: usize) -> Stretch {
        let from = 150 + dice.below(TICKS - QUIET_TICKS - 150 - longest);
        let until = from + shortest + dice.below(longest - shortest);
        Stretch { enclosure, from, until }
    }
}

/// What is true of the enclosures, whatever anybody hears of it.
#[derive(Debug, Default)]
pub struct Truth {
    pub hot: Vec<Stretch>,
    pub cold: Vec<Stretch>,
    /// The warm side's probe says nothing.
    pub silent: Vec<Stretch>,
    /// The warm side's probe repeats itself.
    pub stuck: Vec<Stretch>,
}

impl Truth {
    fn draw(dice: &mut Dice) -> Truth {
        let mut truth = Truth::default();
        let one = dice.below(ENCLOSURES as i64) as usize;
        if !dice.once_in(4) {
            truth.hot.push(Stretch::draw(dice, 30, 90, one));
        }
        if dice.once_in(2) {
            truth.cold.push(Stretch::draw(dice, 150, 260, (one + 1) % ENCLOSURES));
        }
        if dice.once_in(2) {
            let any = dice.below(ENCLOSURES as i64) as usize;
            truth.silent.push(Stretch::draw(dice, 100, 260, any));
        }
        if dice.once_in(3) {
            truth.stuck.push(Stretch::draw(dice, 150, 260, (one + 2) % ENCLOSURES));
        }
        truth
    }

    pub fn any(stretches: &[Stretch], enclosure: usize, tick: i64) -> bool {
        stretches.iter().any(|s| s.enclosure == enclosure && s.holds(tick))
    }
}

pub struct World {
    pub mix: Mix,
    pub bug: Option<Bug>,
    pub engine: Engine,
    pub tick: i64,
    mono: Mono,
    /// How far the wall clock is off, and how much of the world's time the machine slept through.
    stepped: Span,
    slept: Span,
    pub truth: Truth,
    /// Spells in which nothing reaches the engine, the machine's own sleep among them.
    pub deaf: Vec<(i64, i64)>,
    /// Those of them of which the engine was not told.
    pub untold: Vec<(i64, i64)>,
    /// Those of them in which the machine itself slept.
    pub asleep: Vec<(i64, i64)>,
    pub kills: Vec<i64>,
    pub(crate) deaths: Deaths,
    /// One set of dice a part, so that the sensors are the same whatever becomes of a mail.
    weather: Dice,
    pub(crate) sensor_dice: Dice,
    pub(crate) mail_dice: Dice,
    keeper_dice: Dice,
    pub(crate) wire: Wire,
    pub(crate) disk: Disk,
    pub(crate) mailing: Mailing,
    /// Plausible live readings as the engine was handed them.
    pub heard: Vec<Heard>,
    /// Mails as they arrived: (tick, name, notice).
    pub arrived: Vec<(i64, String, serde_json::Value)>,
    /// Mails as the engine wrote them, whatever became of them.
    pub written: Vec<(i64, serde_json::Value)>,
    /// Incidents that a keeper will answer, and when.
    answers: Vec<(i64, String)>,
    pub marks: BTreeSet<Mark>,
    /// The engine asked to be woken again and again at one moment.
    pub woken_without_end: bool,
    pub trace: Vec<String>,
    story: Vec<String>,
}

fn settings() -> Arc<Settings> {
    static SETTINGS: OnceLock<Arc<Settings>> = OnceLock::new();
    let made = SETTINGS.get_or_init(|| {
        let mut text = format!(
            "[site]\nname = \"World\"\ntime_zone = \"UTC\"\n[[keeper]]\nid = \"ines\"\nname = \"Ines\"\nmail = \"ines@example.org\"\n\
             [post]\nfolder = \"mails\"\nat_most = {AT_MOST}\n[letters]\ndaily = \"12:00\"\n[care.snake]\nconfirmed_by = \"ines\"\n\
             warm_side = {{ wanted = [28, 33], never = [20, 38] }}\ncool_side = {{ wanted = [21, 27], never = [15, 36] }}\n\
             [[link]]\ntopic = \"rack/{{enclosure}}/{{place}}/temperature\"\nquantity = \"temperature\"\nunit = \"Cel\"\n",
        );
        for enclosure in 0..ENCLOSURES {
            text += &format!("[[enclosure]]\nid = \"e{enclosure}\"\ncare = \"snake\"\n");
        }
        let path = std::env::temp_dir().join(format!("warmside-sim-{}.toml", std::process::id()));
        std::fs::write(&path, text).unwrap();
        let config = warmside::config::load_without_secrets(&path).unwrap_or_else(|r| panic!("{}", r.render(false)));
        std::fs::remove_file(&path).unwrap();
        Arc::new(config.settings)
    });
    made.clone()
}

impl World {
    pub fn new(seed: u64, bug: Option<Bug>, deaths: Deaths) -> World {
        let mut dice = Dice::new(seed);
        let mix = Mix::draw(&mut dice);
        let truth = Truth::draw(&mut dice);
        let now = Now::at(START_MS);
        World {
            mix,
            bug,
            engine: Engine::new(settings(), now),
            tick: 0,
            mono: now.mono,
            stepped: Span::ZERO,
            slept: Span::ZERO,
            truth,
            deaf: Vec::new(),
            untold: Vec::new(),
            asleep: Vec::new(),
            kills: Vec::new(),
            deaths,
            weather: dice,
            sensor_dice: Dice::new(seed ^ 1 << 60),
            mail_dice: Dice::new(seed ^ 1 << 61),
            keeper_dice: Dice::new(seed ^ 1 << 62),
            wire: Wire::default(),
            disk: Disk::default(),
            mailing: Mailing::default(),
            heard: Vec::new(),
            arrived: Vec::new(),
            written: Vec::new(),
            answers: Vec::new(),
            marks: BTreeSet::new(),
            woken_without_end: false,
            trace: Vec::new(),
            story: Vec::new(),
        }
    }

    pub fn run(&mut self) {
        self.handle(Event::LinkUp);
        while self.tick < TICKS {
            self.mono = self.mono + TICK;
            self.tick += 1;
            self.wake();
            self.link_returns();
            if !self.is_quiet() {
                self.let_something_go_wrong();
            }
            self.sensors_speak();
            self.disk_turns();
            self.mail_goes_out();
            self.keeper_answers();
        }
    }

    /// Nothing new goes wrong any more.
    pub fn is_quiet(&self) -> bool {
        self.tick >= TICKS - QUIET_TICKS
    }

    pub fn story(&self) -> String {
        self.story.join("\n")
    }

    pub(crate) fn tell(&mut self, what: String) {
        self.story.push(format!("tick {}: {what}", self.tick));
    }

    fn now_at(&self, mono: Mono) -> Now {
        let wall = Wall::from_ms(mono.as_ms()) + self.stepped + self.slept;
        // The planted bug: dwell runs on the clock that people set.
        if self.bug == Some(Bug::SwapClocks) {
            Now { mono: Mono::from_ms(wall.as_ms()), wall }
        } else {
            Now { mono, wall }
        }
    }

    fn wake(&mut self) {
        if self.bug == Some(Bug::NeverWake) {
            return;
        }
        for _ in 0..1_000 {
            let Some(due) = self.engine.next_wake().filter(|due| *due <= self.mono) else { return };
            let now = self.now_at(due.max(self.mono - TICK));
            self.handle_at(Event::Wake, now);
        }
        self.woken_without_end = true;
    }

    pub(crate) fn handle(&mut self, event: Event<'_>) {
        let now = self.now_at(self.mono);
        self.handle_at(event, now);
    }

    fn handle_at(&mut self, event: Event<'_>, now: Now) {
        let mut effects = Vec::new();
        self.engine.handle(event, now, &mut effects);
        for effect in effects {
            match effect {
                Effect::Commit { rows, notices } => {
                    self.trace.extend(notices.iter().map(|n| n.json.clone()));
                    let as_written = |n: &warmside::notice::NoticeRow| serde_json::from_str(&n.json).unwrap();
                    self.written.extend(notices.iter().map(|n| (self.tick, as_written(n))));
                    notices.iter().for_each(|n| self.tell(format!("written {}: {}", n.id, n.json)));
                    let notices = if self.bug == Some(Bug::SkipOutbox) { Vec::new() } else { notices };
                    let rows = if self.bug == Some(Bug::SkipRows) { Vec::new() } else { rows };
                    self.disk.takes(rows, notices);
                }
                Effect::Log { text, .. } => self.trace.push(text),
                Effect::Keep(_) | Effect::Publish { .. } | Effect::Answer { .. } => {}
            }
        }
    }

    fn let_something_go_wrong(&mut self) {
        let mut dice = self.weather.clone();
        if dice.once_in(self.mix.link) {
            let half_open = dice.once_in(self.mix.half_open);
            let until = self.tick + 1 + dice.below(if half_open { 60 } else { 25 });
            let kept = dice.once_in(self.mix.burst);
            self.lose_the_link(until, half_open, kept);
        }
        if dice.once_in(self.mix.step) {
            self.stepped = Span::h(dice.below(13) - 6);
            self.marks.insert(Mark::ClockStepped);
            self.tell(format!("the wall clock is off by {}", self.stepped));
        }
        if dice.once_in(self.mix.disk) {
            let long = dice.once_in(4);
            self.disk.fails_until = self.tick + 1 + if long { 60 + dice.below(60) } else { dice.below(15) };
            self.marks.insert(if long { Mark::DiskFailedLong } else { Mark::DiskFailed });
            self.tell(format!("the disk fails until {}", self.disk.fails_until));
        }
        if dice.once_in(self.mix.slow) {
            self.disk.slow_until = self.tick + 1 + dice.below(10);
            self.marks.insert(Mark::DiskSlow);
        }
        if dice.once_in(self.mix.suspend) {
            let asleep = (20 + dice.below(220)).min(TICKS - QUIET_TICKS - self.tick);
            self.sleep(asleep);
        }
        self.weather = dice;
        if self.deaths.now() {
            self.kill();
        }
    }

    /// The machine is suspended: the world goes on, its monotonic clock does not, and its connections are gone.
    fn sleep(&mut self, ticks: i64) {
        self.marks.insert(Mark::Suspended);
        self.tell(format!("the machine sleeps for {ticks}"));
        self.deaf.push((self.tick, self.tick + ticks + 1));
        self.asleep.push((self.tick, self.tick + ticks + 1));
        self.tick += ticks;
        self.slept = self.slept + Span::min(ticks);
        self.lose_the_link(self.tick + 1, false, false);
    }

    /// The process dies between two steps and comes back from disk; what it had not committed is lost.
    pub(crate) fn kill(&mut self) {
        self.marks.insert(Mark::Killed);
        if self.truth.hot.iter().any(|s| s.holds(self.tick)) {
            self.marks.insert(Mark::KilledWhileHot);
        }
        self.tell("killed".to_owned());
        self.kills.push(self.tick);
        self.disk.forget_what_waits();
        let forget = self.bug == Some(Bug::ForgetIncidents);
        let remembered = |key: &str| !(forget && (key.starts_with("incident/") || key == "desk"));
        let rows: Vec<Row> = self.disk.rows().filter(|row| remembered(&row.key)).collect();
        let now = self.now_at(self.mono);
        self.engine = Engine::new(settings(), now);
        let lost = self.engine.restore(&rows, now);
        assert!(lost.is_empty(), "what was written cannot be read back: {lost:?}");
        if !self.wire.is_down() {
            self.handle(Event::LinkUp);
        }
    }

    /// Half of what arrives is answered, a while later.
    pub(crate) fn arrives(&mut self, name: String, notice: serde_json::Value) {
        if notice["event"] == "raised" && self.keeper_dice.once_in(2) {
            let incident = notice["incident"].as_str().unwrap_or_default().to_owned();
            self.answers.push((self.tick + 5 + self.keeper_dice.below(40), incident));
        }
        self.arrived.push((self.tick, name, notice));
    }

    fn keeper_answers(&mut self) {
        let tick = self.tick;
        let due: Vec<String> = self.answers.iter().filter(|(at, _)| *at <= tick).map(|(_, id)| id.clone()).collect();
        self.answers.retain(|(at, _)| *at > tick);
        for incident in due {
            let order = Order::AcknowledgeIncident { incident };
            self.handle(Event::Command(Command { by: "ines".to_owned(), order }));
        }
    }
}
