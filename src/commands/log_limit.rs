//! How much one place in the code may say: what a stranger can have repeated at will must not fill a disk.
//!
//! Each place that logs has a purse of lines that fills slowly. A line that finds it empty is left out; the last one before says
//! so, and the next one that passes says how many are missing. It sits under every line, ours and those of libraries, so that no
//! place has to think of it.

use crate::clock::ticks;
use std::collections::HashMap;
use std::io::{self, Write};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;
use tracing::Metadata;
use tracing::callsite::Identifier;
use tracing_subscriber::fmt::MakeWriter;

/// Lines at once of one place. A house that starts, or loses all its mails, says fewer.
const AT_ONCE: u32 = 60;
/// Then so often.
const EVERY: Duration = Duration::from_secs(60);
/// Bytes of an entry; what is longer is cut.
const LONGEST_ENTRY: usize = 4_096;

/// What a line may do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Verdict {
    /// It passes; so many before it did not, and whether it is the last for now.
    Passes {
        left_out: u64,
        last: bool,
    },
    LeftOut,
}

/// The lines that one place may still say.
#[derive(Debug)]
struct Purse {
    lines: u32,
    filled: Duration,
    left_out: u64,
}

impl Purse {
    fn take(&mut self, now: Duration) -> Verdict {
        let turns = now.saturating_sub(self.filled).as_nanos() / EVERY.as_nanos();
        let turns = u32::try_from(turns).unwrap_or(u32::MAX);
        self.lines = self.lines.saturating_add(turns).min(AT_ONCE);
        self.filled = if self.lines == AT_ONCE { now } else { self.filled + EVERY * turns };
        if self.lines == 0 {
            self.left_out += 1;
            return Verdict::LeftOut;
        }
        self.lines -= 1;
        Verdict::Passes { left_out: std::mem::take(&mut self.left_out), last: self.lines == 0 }
    }
}

/// Makes writers to `W` that keep to the limit.
#[derive(Debug)]
pub struct Limited<M> {
    under: M,
    now: fn() -> Duration,
    purses: Mutex<HashMap<Identifier, Purse>>,
}

impl<M> Limited<M> {
    pub fn new(under: M) -> Limited<M> {
        Limited { under, now: ticks, purses: Mutex::default() }
    }

    fn judge(&self, place: Identifier) -> Verdict {
        let now = (self.now)();
        // Bounded by the places in the code.
        let mut purses = self.purses.lock().unwrap_or_else(PoisonError::into_inner);
        purses.entry(place).or_insert(Purse { lines: AT_ONCE, filled: now, left_out: 0 }).take(now)
    }
}

impl<'a, M: MakeWriter<'a>> MakeWriter<'a> for Limited<M> {
    type Writer = Entry<M::Writer>;

    fn make_writer(&'a self) -> Self::Writer {
        Entry { to: Some(self.under.make_writer()), left_out: 0, last: false }
    }

    fn make_writer_for(&'a self, meta: &Metadata<'_>) -> Self::Writer {
        match self.judge(meta.callsite()) {
            Verdict::LeftOut => Entry { to: None, left_out: 0, last: false },
            Verdict::Passes { left_out, last } => Entry { to: Some(self.under.make_writer_for(meta)), left_out, last },
        }
    }
}

/// One entry of the log on its way; `to`: nowhere when it is left out.
pub struct Entry<W> {
    to: Option<W>,
    left_out: u64,
    last: bool,
}

impl<W: Write> Write for Entry<W> {
    /// Takes an entry whole, as the subscriber hands it over.
    fn write(&mut self, entry: &[u8]) -> io::Result<usize> {
        let Some(to) = &mut self.to else { return Ok(entry.len()) };
        let text = entry.strip_suffix(b"\n").unwrap_or(entry);
        let text = if text.len() > LONGEST_ENTRY { cut(text) } else { text };
        let mut line = text.to_vec();
        if text.len() < entry.len().saturating_sub(1) {
            line.extend_from_slice(" [cut]".as_bytes());
        }
        if self.left_out > 0 {
            line.extend_from_slice(format!(" [{} more of these were left out before]", self.left_out).as_bytes());
        }
        if self.last {
            line.extend_from_slice(b" [of more of these, one a minute is shown]");
        }
        line.push(b'\n');
        to.write_all(&line).map(|()| entry.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.to.as_mut().map_or(Ok(()), Write::flush)
    }
}

/// The beginning of an entry, no letter of it torn.
fn cut(text: &[u8]) -> &[u8] {
    let is_inside = |byte: &u8| byte & 0xc0 == 0x80;
    let end = (0..=LONGEST_ENTRY).rev().find(|end| !text.get(*end).is_some_and(is_inside)).unwrap_or(0);
    text.get(..end).unwrap_or(text)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::cell::Cell;
    use std::sync::Arc;
    use tracing_subscriber::fmt::MakeWriter;

    thread_local!(static NOW: Cell<Duration> = const { Cell::new(Duration::ZERO) });

    #[derive(Clone, Default)]
    struct Paper(Arc<Mutex<Vec<u8>>>);

    impl Write for Paper {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            self.0.lock().unwrap().write(bytes)
        }
        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    impl MakeWriter<'_> for Paper {
        type Writer = Paper;
        fn make_writer(&self) -> Paper {
            self.clone()
        }
    }

    impl Paper {
        fn lines(&self) -> Vec<String> {
            String::from_utf8(self.0.lock().unwrap().clone()).unwrap().lines().map(str::to_owned).collect()
        }
    }

    fn logging(paper: &Paper, happens: impl FnOnce()) {
        let limited = Limited { now: || NOW.get(), ..Limited::new(paper.clone()) };
        let log = tracing_subscriber::fmt().with_ansi(false).without_time().with_target(false).with_writer(limited);
        tracing::subscriber::with_default(log.finish(), happens);
    }

    #[test]
    fn a_day_of_a_flood_is_bounded_and_says_what_is_missing() {
        let (paper, day) = (Paper::default(), 86_400);
        logging(&paper, || {
            for s in 0..day {
                NOW.set(Duration::from_secs(s));
                for n in 0..5 {
                    tracing::warn!("rubbish {s}.{n}");
                }
                if s % 3_600 == 0 {
                    tracing::warn!("something else");
                }
            }
        });
        let lines = paper.lines();
        let of = |words: &str| lines.iter().filter(|line| line.contains(words)).count();
        // Sixty at once, one for each minute after: and the other place says all that it has to say.
        assert_eq!((of("rubbish"), of("something else")), (60 + 1_439, 24));
        assert!(lines[60].contains("[of more of these, one a minute is shown]"), "{}", lines[60]);
        assert!(lines[61].contains("[240 more of these were left out before]"), "{}", lines[61]);
        assert!(lines.iter().map(String::len).sum::<usize>() < 200_000);
    }

    #[test]
    fn a_place_that_was_quiet_may_speak_freely_again() {
        let paper = Paper::default();
        logging(&paper, || {
            for hour in [0, 1, 2] {
                NOW.set(Duration::from_secs(hour * 3_600));
                (0..60).for_each(|n| tracing::info!("{hour}.{n}"));
            }
        });
        assert_eq!(paper.lines().len(), 180);
        assert!(paper.lines().iter().all(|line| !line.contains("left out")));
    }

    #[test]
    fn an_entry_is_of_bounded_length() {
        let paper = Paper::default();
        logging(&paper, || tracing::warn!("{}", "\u{1f98e}".repeat(100_000)));
        let lines = paper.lines();
        assert!(lines.len() == 1 && lines[0].len() < LONGEST_ENTRY + 60 && lines[0].ends_with("[cut]"), "{lines:?}");
    }
}
