//! How many files and connections this process may have open, and what share of them strangers may take.
//!
//! A process without a free descriptor can send no mail. So each door that strangers knock at keeps to a part of the system's
//! limit, and what is left belongs to the watching: the store, the broker, the mail server, the outpost.

use std::fs;

/// The part of the limit that each door may take. Three doors together leave more than half.
const PART: usize = 8;
/// Where the limit is not known: what systems give at least (`getrlimit(2)` of Linux: 1,024 by common practice).
const USUAL: usize = 1_024;
/// A door that lets in fewer is none.
const LEAST: usize = 4;
/// With fewer than these an own house may run out by itself, and that is worth a word.
pub const ENOUGH: usize = 128;

/// How many this process may have open (`proc_pid_limits(5)`).
pub fn may_open() -> usize {
    fs::read_to_string("/proc/self/limits").ok().and_then(|limits| soft_limit(&limits)).unwrap_or(USUAL)
}

/// Connections that one door may hold at a time, at most `wished`.
pub fn share(wished: usize) -> usize {
    part(wished, may_open())
}

fn part(wished: usize, may_open: usize) -> usize {
    wished.min((may_open / PART).max(LEAST))
}

fn soft_limit(limits: &str) -> Option<usize> {
    let line = limits.lines().find_map(|line| line.strip_prefix("Max open files"))?;
    match line.split_whitespace().next()? {
        "unlimited" => Some(usize::MAX),
        number => number.parse().ok(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_limit_is_read_and_more_than_half_of_it_is_ours() {
        let limits = "Limit                     Soft Limit           Hard Limit           Units     \n\
                      Max processes             31519                31519                processes \n\
                      Max open files            1024                 1048576              files     \n";
        assert_eq!(soft_limit(limits), Some(1_024));
        assert_eq!(
            soft_limit("Max open files            unlimited            unlimited            files"),
            Some(usize::MAX)
        );
        assert_eq!((soft_limit(""), soft_limit("Max open files")), (None, None));
        assert!(may_open() > 0);
        for limit in [64, 128, 1_024, 4_096, usize::MAX] {
            let strangers = [512, 1_000, 32].map(|wished| part(wished, limit)).iter().sum::<usize>();
            assert!(strangers < limit / 2, "{limit}: {strangers}");
        }
        assert_eq!([part(512, 4_096), part(512, 1_024), part(512, 10)], [512, 128, LEAST]);
    }
}
