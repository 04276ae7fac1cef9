//! The world: what is true, what reaches the engine of it, and what becomes of what the engine asks for.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::{Arc, OnceLock};
use warmside::engine::Engine;
use warmside::engine::effect::Effect;
use warmside::engine::event::{Event, PostOutcome, StoreOutcome};
use warmside::engine::settings::Settings;
use warmside::incident::Row;
use warmside::notice::NoticeRow;
use warmside::terms::time::{Mono, Now, Span, Wall};

/// One message a probe each so often, and so long.
const TICK: Span = Span::s(60);
const TICKS: i64 = 14 * 60;
/// Nothing new goes wrong in the last hours: what stands must be known by then.
pub const QUIET_TICKS: i64 = 4 * 60;
/// Learned state goes to disk so often.
const SNAPSHOT_TICKS: i64 = 10;
/// A commit that the disk refuses for this long is mailed all the same: silence is worse.
const MAIL_ANYWAY_TICKS: usize = 5;
pub const ENCLOSURES: usize = 3;
const START_MS: i64 = 1_767_600_000_000;

/// Bugs that are planted beside the engine, where a daemon could make them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Bug {
    /// A commit's mails are not written to the outbox.
    SkipOutbox,
    /// Dwell is measured on the wall clock.
    SwapClocks,
    /// After a reconnect nothing is subscribed.
    ForgetSubscription,
    /// Incidents are not read back after a restart.
    ForgetIncidents,
    /// Wakes are never delivered.
    NeverWake,
    /// A mail whose outcome is unknown is sent again under a new name.
    NewNameOnRetry,
}

impl Bug {
    pub const ALL: [Bug; 6] = [
        Bug::SkipOutbox,
        Bug::SwapClocks,
        Bug::ForgetSubscription,
        Bug::ForgetIncidents,
        Bug::NeverWake,
        Bug::NewNameOnRetry,
    ];
}

/// Paths that a batch of seeds must have reached.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Mark {
    Rubbish,
    Duplicate,
    Ghost,
    LinkLost,
    ClockStepped,
    DiskFailed,
    DiskLied,
    MailDeferred,
    MailUnknown,
    Killed,
    KilledWhileHot,
    Silent,
    Hot,
}

impl Mark {
    pub const ALL: [Mark; 13] = [
        Mark::Rubbish,
        Mark::Duplicate,
        Mark::Ghost,
        Mark::LinkLost,
        Mark::ClockStepped,
        Mark::DiskFailed,
        Mark::DiskLied,
        Mark::MailDeferred,
        Mark::MailUnknown,
        Mark::Killed,
        Mark::KilledWhileHot,
        Mark::Silent,
        Mark::Hot,
    ];
}

/// A stretch in which something is true of an enclosure, in ticks.
#[derive(Clone, Copy, Debug)]
pub struct Stretch {
    pub enclosure: usize,
    pub from: i64,
    pub until: i64,
}

impl Stretch {
    fn holds(&self, tick: i64) -> bool {
        (self.from..self.until).contains(&tick)
    }
}

/// splitmix64 (Steele, Lea, Flood 2014), from memory: any generator with a seed would do.
#[derive(Clone)]
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }
    fn below(&mut self, n: i64) -> i64 {
        (self.next() % n.max(1) as u64) as i64
    }
    /// True once in `n`.
    fn once_in(&mut self, n: i64) -> bool {
        n > 0 && self.below(n) == 0
    }
}

/// What a seed lets go wrong: once in so many ticks, 0 for never.
#[derive(Clone, Debug)]
struct Mix {
    rubbish: i64,
    duplicate: i64,
    ghost: i64,
    link: i64,
    step: i64,
    disk: i64,
    lie: i64,
    defer: i64,
    unknown: i64,
    kill: i64,
}

impl Mix {
    fn draw(dice: &mut Dice) -> Mix {
        let mut often = |n: i64| if dice.once_in(2) { n } else { 0 };
        Mix {
            rubbish: often(20),
            duplicate: often(20),
            ghost: often(60),
            link: often(200),
            step: often(300),
            disk: often(150),
            lie: often(100),
            defer: often(4),
            unknown: often(4),
            kill: often(120),
        }
    }
}

pub struct World {
    dice: Dice,
    mix: Mix,
    bug: Option<Bug>,
    engine: Engine,
    pub tick: i64,
    mono: Mono,
    /// How far the wall clock is off.
    stepped: Span,
    // The truth.
    pub hot: Vec<Stretch>,
    pub silent: Vec<Stretch>,
    pub deaf: Vec<(i64, i64)>,
    pub kills: Vec<i64>,
    link_until: Option<i64>,
    subscribed: bool,
    // The disk and what waits for it.
    rows: BTreeMap<String, String>,
    pending: VecDeque<(usize, Vec<Row>, Vec<NoticeRow>)>,
    outbox: VecDeque<NoticeRow>,
    disk_fails_until: i64,
    disk_complained: bool,
    /// Mails as they arrived: (tick, name, notice).
    pub arrived: Vec<(i64, String, serde_json::Value)>,
    /// Mails as the engine wrote them, whatever became of them.
    pub written: Vec<(i64, String)>,
    known: BTreeSet<String>,
    pub marks: BTreeSet<Mark>,
    /// The engine asked to be woken again and again at one moment.
    pub woken_without_end: bool,
    pub trace: Vec<String>,
    story: Vec<String>,
}

fn settings() -> Arc<Settings> {
    static SETTINGS: OnceLock<Arc<Settings>> = OnceLock::new();
    let made = SETTINGS.get_or_init(|| {
        let mut text = String::from(
            "[site]\nname = \"World\"\ntime_zone = \"UTC\"\n[[keeper]]\nid = \"ines\"\nname = \"Ines\"\nmail = \"ines@example.org\"\n\
             [letters]\ndaily = \"12:00\"\n[care.snake]\nconfirmed_by = \"ines\"\nwarm_side = { wanted = [28, 33], never = [20, 38] }\n\
             cool_side = { wanted = [21, 27], never = [15, 36] }\n[[link]]\ntopic = \"rack/{enclosure}/{place}/temperature\"\n\
             quantity = \"temperature\"\nunit = \"Cel\"\n",
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
    pub fn new(seed: u64, bug: Option<Bug>) -> World {
        let mut dice = Dice(seed.wrapping_mul(0xA076_1D64_78BD_642F));
        let mix = Mix::draw(&mut dice);
        let stretch = |dice: &mut Dice, shortest: i64, longest: i64| {
            let from = 150 + dice.below(TICKS - QUIET_TICKS - 150 - longest);
            let until = from + shortest + dice.below(longest - shortest);
            Stretch { enclosure: dice.below(ENCLOSURES as i64) as usize, from, until }
        };
        let hot = if dice.once_in(4) { vec![] } else { vec![stretch(&mut dice, 30, 90)] };
        let silent = if dice.once_in(2) { vec![] } else { vec![stretch(&mut dice, 100, 200)] };
        let now = Now::at(START_MS);
        World {
            dice,
            mix,
            bug,
            engine: Engine::new(settings(), now),
            tick: 0,
            mono: now.mono,
            stepped: Span::ZERO,
            hot,
            silent,
            deaf: Vec::new(),
            kills: Vec::new(),
            link_until: None,
            subscribed: true,
            rows: BTreeMap::new(),
            pending: VecDeque::new(),
            outbox: VecDeque::new(),
            disk_fails_until: 0,
            disk_complained: false,
            arrived: Vec::new(),
            written: Vec::new(),
            known: BTreeSet::new(),
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
            self.let_something_go_wrong();
            self.sensors_speak();
            self.disk_turns();
            self.mail_goes_out();
        }
    }

    /// Ticks since the link came back without a subscription; 0: it has one.
    pub fn unsubscribed_for(&self) -> i64 {
        if self.subscribed { 0 } else { self.deaf.last().map_or(0, |(_, until)| self.tick - until) }
    }

    pub fn story(&self) -> String {
        self.story.join("\n")
    }

    fn tell(&mut self, what: String) {
        self.story.push(format!("tick {}: {what}", self.tick));
    }

    fn now_at(&self, mono: Mono) -> Now {
        let wall = Wall::from_ms(mono.as_ms()) + self.stepped;
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

    fn handle(&mut self, event: Event<'_>) {
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
                    self.written.extend(notices.iter().map(|n| (self.tick, n.json.clone())));
                    let notices = if self.bug == Some(Bug::SkipOutbox) { Vec::new() } else { notices };
                    self.pending.push_back((0, rows, notices));
                }
                Effect::Log { text, .. } => self.trace.push(text),
                Effect::Keep(_) | Effect::Publish { .. } | Effect::Answer { .. } => {}
            }
        }
    }

    fn let_something_go_wrong(&mut self) {
        if self.link_until.is_some_and(|until| self.tick >= until) {
            self.link_until = None;
            self.subscribed = self.bug != Some(Bug::ForgetSubscription);
            self.handle(Event::LinkUp);
        }
        if self.tick >= TICKS - QUIET_TICKS {
            return;
        }
        if self.link_until.is_none() && self.dice.once_in(self.mix.link) {
            let until = self.tick + 1 + self.dice.below(25);
            self.link_until = Some(until);
            self.deaf.push((self.tick, until));
            self.marks.insert(Mark::LinkLost);
            self.tell(format!("the link is lost until {until}"));
            self.handle(Event::LinkLost);
        }
        if self.dice.once_in(self.mix.step) {
            self.stepped = Span::h(self.dice.below(13) - 6);
            self.marks.insert(Mark::ClockStepped);
            self.tell(format!("the wall clock is off by {}", self.stepped));
        }
        if self.dice.once_in(self.mix.disk) {
            self.disk_fails_until = self.tick + 1 + self.dice.below(15);
            self.marks.insert(Mark::DiskFailed);
            self.tell(format!("the disk fails until {}", self.disk_fails_until));
        }
        if self.dice.once_in(self.mix.kill) {
            self.kill();
        }
    }

    /// The process dies between two steps and comes back from disk; what it had not committed is lost.
    fn kill(&mut self) {
        self.marks.insert(Mark::Killed);
        if self.hot.iter().any(|s| s.holds(self.tick)) {
            self.marks.insert(Mark::KilledWhileHot);
        }
        self.tell("killed".to_owned());
        self.kills.push(self.tick);
        self.pending.clear();
        let forget = self.bug == Some(Bug::ForgetIncidents);
        let rows: Vec<Row> = self
            .rows
            .iter()
            .filter(|(key, _)| !(forget && (key.starts_with("incident/") || *key == "desk")))
            .map(|(key, json)| Row { key: key.clone(), json: Some(json.clone()) })
            .collect();
        let now = self.now_at(self.mono);
        self.engine = Engine::new(settings(), now);
        let lost = self.engine.restore(&rows, now);
        assert!(lost.is_empty(), "what was written cannot be read back: {lost:?}");
        if self.link_until.is_none() {
            self.handle(Event::LinkUp);
        }
    }

    fn level(&mut self, enclosure: usize, warm: bool) -> f64 {
        let noise = self.dice.below(100) as f64 / 1_000.0;
        let swing = (self.tick as f64 / 9.0 + enclosure as f64).sin() * 0.4;
        let hot = self.hot.iter().find(|s| s.enclosure == enclosure && s.holds(self.tick) && warm).copied();
        let risen = hot.map_or(0.0, |s| ((self.tick - s.from) as f64 * 0.6).min(12.0));
        noise + if warm { 30.5 + swing + risen } else { 24.0 + swing / 4.0 }
    }

    fn sensors_speak(&mut self) {
        for enclosure in 0..ENCLOSURES {
            for (place, warm) in [("warm_side", true), ("cool_side", false)] {
                let level = self.level(enclosure, warm);
                let mute = warm && self.silent.iter().any(|s| s.enclosure == enclosure && s.holds(self.tick));
                if mute {
                    self.marks.insert(Mark::Silent);
                    continue;
                }
                if warm && self.hot.iter().any(|s| s.enclosure == enclosure && s.holds(self.tick)) {
                    self.marks.insert(Mark::Hot);
                }
                let topic = format!("rack/e{enclosure}/{place}/temperature");
                self.publish(&topic, format!("{level:.2}").as_bytes(), false);
                if self.dice.once_in(self.mix.duplicate) {
                    self.marks.insert(Mark::Duplicate);
                    self.publish(&topic, format!("{level:.2}").as_bytes(), false);
                }
                if self.dice.once_in(self.mix.rubbish) {
                    self.marks.insert(Mark::Rubbish);
                    let kinds: [&[u8]; 6] = [b"NaN", b"", b"\xff\xfe", b"85.0", b"-127", b"1e999"];
                    let kind = self.dice.below(kinds.len() as i64) as usize;
                    self.publish(&topic, kinds[kind], false);
                }
                if self.dice.once_in(self.mix.ghost) {
                    self.marks.insert(Mark::Ghost);
                    self.publish(&topic, b"55.0", true);
                }
            }
        }
    }

    fn publish(&mut self, topic: &str, payload: &[u8], retained: bool) {
        if self.link_until.is_none() && self.subscribed {
            self.handle(Event::Message { topic, payload, retained });
        }
    }

    fn disk_turns(&mut self) {
        let fails = self.tick < self.disk_fails_until;
        if self.tick % SNAPSHOT_TICKS == 0 && !fails {
            let rows = self.engine.snapshot();
            self.write(rows);
        }
        while let Some((tries, rows, notices)) = self.pending.pop_front() {
            if fails {
                if tries == 0 {
                    self.disk_complained = true;
                    self.handle(Event::Store(StoreOutcome::Failing("the disk does not take it".to_owned())));
                }
                // Disk full: mail anyway, once.
                let notices = if tries + 1 == MAIL_ANYWAY_TICKS { self.post(notices) } else { notices };
                self.pending.push_front((tries + 1, rows, notices));
                return;
            }
            self.write(rows.clone());
            let unsent = self.post(notices);
            if self.dice.once_in(self.mix.lie) {
                // Committed, but reported failed: it is tried again, and must do no harm.
                self.marks.insert(Mark::DiskLied);
                self.pending.push_front((tries + 1, rows, unsent));
                self.disk_complained = true;
                self.handle(Event::Store(StoreOutcome::Failing("the disk says that it did not".to_owned())));
                return;
            }
        }
        // Said once, when it turns: an engine that is asked for nothing is also not woken by it.
        if std::mem::take(&mut self.disk_complained) {
            self.handle(Event::Store(StoreOutcome::Healthy));
        }
    }

    fn write(&mut self, rows: Vec<Row>) {
        for row in rows {
            match row.json {
                Some(json) => drop(self.rows.insert(row.key, json)),
                None => drop(self.rows.remove(&row.key)),
            }
        }
    }

    /// Puts mails that are new into the outbox; by their ids, as the store does.
    fn post(&mut self, notices: Vec<NoticeRow>) -> Vec<NoticeRow> {
        for notice in notices {
            if self.known.insert(notice.id.clone()) {
                self.outbox.push_back(notice);
            }
        }
        Vec::new()
    }

    fn mail_goes_out(&mut self) {
        for _ in 0..self.outbox.len() {
            let Some(notice) = self.outbox.pop_front() else { return };
            let quiet = self.tick >= TICKS - QUIET_TICKS;
            if !quiet && self.dice.once_in(self.mix.defer) {
                self.marks.insert(Mark::MailDeferred);
                self.handle(Event::Post {
                    notice: notice.id.clone(),
                    outcome: PostOutcome::Deferred("try later".to_owned()),
                });
                self.outbox.push_back(notice);
                continue;
            }
            let json = serde_json::from_str(&notice.json).unwrap();
            let again = self.arrived.iter().filter(|(_, name, _)| name.starts_with(&notice.id)).count();
            let name = match self.bug {
                Some(Bug::NewNameOnRetry) if again > 0 => format!("{}-again", notice.id),
                _ => notice.id.clone(),
            };
            self.tell(format!("mail {name}: {}", notice.json));
            self.arrived.push((self.tick, name, json));
            if !quiet && self.dice.once_in(self.mix.unknown) {
                // It arrived, and the answer was lost: it is sent again under the same name.
                self.marks.insert(Mark::MailUnknown);
                self.outbox.push_back(notice);
                continue;
            }
            self.handle(Event::Post { notice: notice.id, outcome: PostOutcome::Accepted });
        }
    }
}
