//! The only place that asks what time it is. Everything else is told.

use crate::terms::time::{Mono, Now, Span, Wall};
use std::sync::OnceLock;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

/// The two clocks of a running house.
///
/// Real: the wall clock is the machine's, the monotonic one goes on where the stored one stopped plus the time away, so
/// that dwell times and silences survive a restart. Scaled (for the demo): both run `speed` times as fast from one start.
#[derive(Clone, Debug)]
pub struct Clock {
    /// The machine's monotonic clock when `base` was true.
    started: Instant,
    base: Now,
    /// `None`: the wall clock is the machine's.
    speed: Option<f64>,
}

/// The fastest and slowest that a scaled clock may run.
pub const SPEEDS: std::ops::RangeInclusive<f64> = 0.1..=3_600.0;

impl Clock {
    /// The machine's clocks. `stored`: both clocks when the last process last wrote them down.
    pub fn real(stored: Option<Now>) -> Clock {
        Clock { started: Instant::now(), base: resumed(stored, machine_wall()), speed: None }
    }

    /// Both clocks from `from` on, `speed` times as fast as the machine's (clamped to [`SPEEDS`]).
    pub fn scaled(from: Now, speed: f64) -> Clock {
        let speed = if speed.is_finite() { speed.clamp(*SPEEDS.start(), *SPEEDS.end()) } else { 1.0 };
        Clock { started: Instant::now(), base: from, speed: Some(speed) }
    }

    pub fn now(&self) -> Now {
        let gone = self.started.elapsed();
        match self.speed {
            None => Now { mono: self.base.mono + span_of(gone), wall: machine_wall() },
            Some(speed) => self.base + Span::from_s(gone.as_secs_f64() * speed),
        }
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

/// Both clocks at a start: a wall clock that went back while we were away must not turn monotonic time back.
fn resumed(stored: Option<Now>, wall: Wall) -> Now {
    match stored {
        None => Now { mono: Mono::from_ms(0), wall },
        Some(last) => Now { mono: last.mono + wall.since(last.wall).max(Span::ZERO), wall },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn monotonic_time_goes_on_over_a_restart_and_never_back() {
        let stored = Now { mono: Mono::from_ms(5_000), wall: Wall::from_ms(1_000_000) };
        let away = resumed(Some(stored), Wall::from_ms(1_090_000));
        assert_eq!(away.mono, Mono::from_ms(95_000));
        let set_back = resumed(Some(stored), Wall::from_ms(10));
        assert_eq!(set_back, Now { mono: Mono::from_ms(5_000), wall: Wall::from_ms(10) });
        assert_eq!(resumed(None, Wall::from_ms(7)).mono, Mono::from_ms(0));
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
