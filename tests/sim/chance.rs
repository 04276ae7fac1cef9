//! What a seed lets go wrong: dice, the mix of faults of one run, the marks a batch must have met, and bugs that are planted.

/// Bugs that are planted beside the engine, where a daemon could make them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Bug {
    /// A commit's mails are not written to the outbox.
    SkipOutbox,
    /// A commit's mails are written, what the engine must remember of them is not.
    SkipRows,
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
    /// A mail that the server defers is dropped.
    DropDeferred,
    /// What was committed and reported failed is queued a second time.
    QueueTwice,
    /// A retained message is handed on as if it had just been measured.
    GhostAsLive,
    /// The engine is not told that the link is lost.
    LossUntold,
    /// While the disk refuses, mails wait for it without end.
    NoMailWithoutDisk,
    /// The engine is not told that a mail was given up.
    RefusalUntold,
}

impl Bug {
    pub const ALL: [Bug; 13] = [
        Bug::SkipOutbox,
        Bug::SkipRows,
        Bug::SwapClocks,
        Bug::ForgetSubscription,
        Bug::ForgetIncidents,
        Bug::NeverWake,
        Bug::NewNameOnRetry,
        Bug::DropDeferred,
        Bug::QueueTwice,
        Bug::GhostAsLive,
        Bug::LossUntold,
        Bug::NoMailWithoutDisk,
        Bug::RefusalUntold,
    ];
}

/// Paths that a batch of seeds must have reached.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Mark {
    Rubbish,
    Duplicate,
    Reordered,
    Ghost,
    GhostOnReturn,
    LinkLost,
    HalfOpen,
    Burst,
    ClockStepped,
    Suspended,
    DiskFailed,
    DiskFailedLong,
    DiskSlow,
    DiskLied,
    MailDeferred,
    MailUnknown,
    MailRefused,
    Killed,
    KilledInside,
    KilledWhileHot,
    KilledAfterSending,
    Silent,
    Stuck,
    Hot,
    Cold,
}

impl Mark {
    pub const ALL: [Mark; 25] = [
        Mark::Rubbish,
        Mark::Duplicate,
        Mark::Reordered,
        Mark::Ghost,
        Mark::GhostOnReturn,
        Mark::LinkLost,
        Mark::HalfOpen,
        Mark::Burst,
        Mark::ClockStepped,
        Mark::Suspended,
        Mark::DiskFailed,
        Mark::DiskFailedLong,
        Mark::DiskSlow,
        Mark::DiskLied,
        Mark::MailDeferred,
        Mark::MailUnknown,
        Mark::MailRefused,
        Mark::Killed,
        Mark::KilledInside,
        Mark::KilledWhileHot,
        Mark::KilledAfterSending,
        Mark::Silent,
        Mark::Stuck,
        Mark::Hot,
        Mark::Cold,
    ];
}

/// splitmix64 (Steele, Lea, Flood 2014), from memory: any generator with a seed would do.
#[derive(Clone)]
pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Dice {
        Dice(seed.wrapping_mul(0xA076_1D64_78BD_642F))
    }
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }
    pub fn below(&mut self, n: i64) -> i64 {
        (self.next() % n.max(1) as u64) as i64
    }
    /// True once in `n`; never for 0.
    pub fn once_in(&mut self, n: i64) -> bool {
        n > 0 && self.below(n) == 0
    }
}

/// What a seed lets go wrong: once in so many ticks (messages, mails), 0 for never.
#[derive(Clone, Debug)]
pub struct Mix {
    pub rubbish: i64,
    pub duplicate: i64,
    pub reorder: i64,
    pub ghost: i64,
    pub link: i64,
    /// One of so many lost links is a half-open one; of so many, a broker keeps what was missed.
    pub half_open: i64,
    pub burst: i64,
    pub step: i64,
    pub suspend: i64,
    pub disk: i64,
    pub slow: i64,
    pub lie: i64,
    pub defer: i64,
    pub unknown: i64,
    pub refuse: i64,
}

impl Mix {
    pub fn draw(dice: &mut Dice) -> Mix {
        let mut often = |n: i64| if dice.once_in(2) { n } else { 0 };
        Mix {
            rubbish: often(20),
            duplicate: often(20),
            reorder: often(30),
            ghost: often(60),
            link: often(200),
            half_open: often(3),
            burst: often(2),
            step: often(300),
            suspend: often(400),
            disk: often(150),
            slow: often(150),
            lie: often(100),
            defer: often(4),
            unknown: often(4),
            refuse: often(12),
        }
    }
}

/// How often the process dies; dice of its own, so that the same world can be run without.
pub struct Deaths {
    dice: Dice,
    /// Once in so many steps; 0 for never.
    steps: i64,
}

impl Deaths {
    pub fn draw(seed: u64) -> Deaths {
        let mut dice = Dice::new(seed ^ 0x5EED_DEAD);
        // A tick has six messages and a few steps of disk and mail.
        let steps = if dice.once_in(2) { 900 } else { 0 };
        Deaths { dice, steps }
    }
    pub fn none() -> Deaths {
        Deaths { dice: Dice::new(0), steps: 0 }
    }
    pub fn now(&mut self) -> bool {
        self.dice.once_in(self.steps)
    }
}
