//! When to try again, and when to give up: RFC 5321, section 4.5.4.1. Pure.

use crate::terms::time::{Span, Wall};

/// RFC 5321: "the give-up time generally needs to be at least 4-5 days".
pub const GIVE_UP: Span = Span::h(4 * 24 + 12);

/// After the first, second, … attempt. The RFC's half hour is for strangers' servers; ours is the keeper's own, an alarm
/// is worth a few tries more, and greylisting commonly ends within five minutes (common practice, no source).
const WAITS: [Span; 7] =
    [Span::s(30), Span::min(1), Span::min(2), Span::min(5), Span::min(10), Span::min(15), Span::min(30)];

/// When to try again after `attempts` of them, the last one just now; `None`: give up.
pub fn next(attempts: u32, queued_at: Wall, now: Wall) -> Option<Wall> {
    let wait = WAITS.get(attempts.saturating_sub(1) as usize).copied().unwrap_or(Span::min(30));
    let next = now + wait;
    (next.since(queued_at) <= GIVE_UP).then_some(next)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_dead_server_is_tried_for_four_days_and_a_half() {
        let queued = Wall::from_ms(0);
        let (mut at, mut attempts) = (queued, 1);
        let mut in_first_hour = 0;
        while let Some(next) = next(attempts, queued, at) {
            assert!(next.since(at) >= Span::s(30) && next.since(at) <= Span::min(30));
            in_first_hour += u32::from(next.since(queued) <= Span::h(1));
            (at, attempts) = (next, attempts + 1);
            assert!(attempts < 1_000);
        }
        let gave_up = at.since(queued);
        assert!(gave_up > Span::days(4) && gave_up <= Span::days(5), "{gave_up}");
        assert!((5..=10).contains(&in_first_hour), "{in_first_hour}");
    }
}
