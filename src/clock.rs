//! The only place that asks what time it is. Everything else is told.
#![expect(clippy::disallowed_methods, reason = "this is the room that may ask")]

use crate::terms::time::{Mono, Now, Span, Wall};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

/// The two clocks of a running house.
///
/// Real: the wall clock is the machine's, the monotonic one goes on where the stored one stopped plus the time away, so
/// that dwell times and silences survive a restart. Scaled (for the demo): both run `speed` times as fast from one start.
#[derive(Debug)]
pub struct Clock {
    /// The machine's monotonic clock when `base` was true.
    started: Instant,
    base: Now,
    /// What [`Clock::resume`] put the monotonic clock forward by, ms.
    forward_ms: AtomicI64,
    /// `None`: the wall clock is the machine's.
    speed: Option<f64>,
}

/// The fastest and slowest that a scaled clock may run.
pub const SPEEDS: std::ops::RangeInclusive<f64> = 0.1..=3_600.0;

impl Clock {
    /// The machine's clocks, monotonic time from zero.
    pub fn real() -> Clock {
        Clock {
            started: Instant::now(),
            base: Now { mono: Mono::from_ms(0), wall: machine_wall() },
            forward_ms: AtomicI64::new(0),
            speed: None,
        }
    }

    /// Lets monotonic time go on from where a stored one stopped, plus the time away. Once, before anything is judged.
    pub fn resume(&self, stored: Now) {
        let forward = resumed(stored, self.base.wall).since(self.base.mono);
        self.forward_ms.store(forward.as_ms(), Ordering::Relaxed);
    }

    /// Both clocks from `from` on, `speed` times as fast as the machine's (clamped to [`SPEEDS`]).
    pub fn scaled(from: Now, speed: f64) -> Clock {
        let speed = if speed.is_finite() { speed.clamp(*SPEEDS.start(), *SPEEDS.end()) } else { 1.0 };
        Clock { started: Instant::now(), base: from, forward_ms: AtomicI64::new(0), speed: Some(speed) }
    }

    /// Whether the wall clock is the machine's.
    pub fn is_real(&self) -> bool {
        self.speed.is_none()
    }

    pub fn now(&self) -> Now {
        let gone = self.started.elapsed();
        let now = match self.speed {
            None => Now { mono: self.base.mono + span_of(gone), wall: machine_wall() },
            Some(speed) => self.base + Span::from_s(gone.as_secs_f64() * speed),
        };
        Now { mono: now.mono + Span::ms(self.forward_ms.load(Ordering::Relaxed)), wall: now.wall }
    }

    /// How long the machine has to sleep until `then`; zero when it has passed.
    pub fn until(&self, then: Mono) -> Duration {
        let span = then.since(self.now().mono).as_ms().max(0) as f64 / 1_000.0;
        let s = span / self.speed.unwrap_or(1.0);
        // Beyond an hour the caller looks again anyway, and a Duration must not overflow.
        Duration::from_secs_f64(s.min(3_600.0))
    }
}

/// Real time since the first call in this process, for the edges' own time limits.
pub fn ticks() -> Duration {
    static FIRST: OnceLock<Instant> = OnceLock::new();
    FIRST.get_or_init(Instant::now).elapsed()
}

/// Time since the machine booted, suspended or not: `/proc/uptime` of Linux. `None` where there is no such file.
pub fn up() -> Option<Span> {
    let text = std::fs::read_to_string("/proc/uptime").ok()?;
    text.split_whitespace().next()?.parse().ok().map(Span::from_s)
}

/// Names this boot of the machine (Linux, `random(4)`: `/proc/sys/kernel/random/boot_id`). `None` where there is no such file.
pub fn boot() -> Option<String> {
    std::fs::read_to_string("/proc/sys/kernel/random/boot_id").ok().map(|id| id.trim().to_owned())
}

/// Whether systemd's own time client has set the wall clock since the machine booted (`systemd-timesyncd.service(8)`, Files).
/// Of others nothing is known.
pub fn is_set_by_network() -> bool {
    std::path::Path::new("/run/systemd/timesync/synchronized").exists()
}

/// The machine's wall clock, for file names and log lines; the engine is handed a [`Clock`]'s.
pub fn machine_wall() -> Wall {
    let ms = match SystemTime::now().duration_since(UNIX_EPOCH) {
        Ok(since) => i64::try_from(since.as_millis()).unwrap_or(i64::MAX),
        Err(before) => i64::try_from(before.duration().as_millis()).map_or(i64::MIN, |ms| -ms),
    };
    Wall::from_ms(ms)
}

fn span_of(duration: Duration) -> Span {
    Span::ms(i64::try_from(duration.as_millis()).unwrap_or(i64::MAX))
}

/// Monotonic time at a start: a wall clock that went back while we were away must not turn it back.
fn resumed(stored: Now, wall: Wall) -> Mono {
    stored.mono + wall.since(stored.wall).max(Span::ZERO)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn monotonic_time_goes_on_over_a_restart_and_never_back() {
        let stored = Now { mono: Mono::from_ms(5_000), wall: Wall::from_ms(1_000_000) };
        assert_eq!(resumed(stored, Wall::from_ms(1_090_000)), Mono::from_ms(95_000));
        assert_eq!(resumed(stored, Wall::from_ms(10)), Mono::from_ms(5_000), "set back while we were away");
        let clock = Clock::scaled(Now::at(1_000), 0.1);
        clock.resume(Now::at(400));
        assert!(clock.now().mono.since(Mono::from_ms(1_000)) < Span::h(1), "{:?}", clock.now());
        clock.resume(Now { mono: Mono::from_ms(7_200_000), wall: Wall::from_ms(0) });
        assert!(clock.now().mono >= Mono::from_ms(7_201_000), "{:?}", clock.now());
    }

    #[test]
    fn a_scaled_clock_tells_how_long_to_really_sleep() {
        let clock = Clock::scaled(Now::at(1_000), 60.0);
        let hour = clock.until(Mono::from_ms(1_000) + Span::h(1));
        assert!(hour <= Duration::from_secs(60) && hour > Duration::from_secs(30), "{hour:?}");
        assert_eq!(clock.until(Mono::MIN), Duration::ZERO);
        assert_eq!(clock.until(Mono::MAX), Duration::from_secs(3_600));
        assert_eq!(Clock::scaled(Now::at(0), f64::NAN).speed, Some(1.0));
    }
}
