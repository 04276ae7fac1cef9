//! The log: one line a happening on standard error, quiet about what libraries say to themselves, bounded whatever happens.

use super::log_limit::Limited;
use std::io::IsTerminal;
use tracing::field::Field;
use tracing_subscriber::EnvFilter;
use tracing_subscriber::fmt::format::{Writer, debug_fn};

/// Starts it, once. `level`: of our own lines, unless the environment variable `WARMSIDE_LOG` says otherwise.
pub fn start(level: &str) {
    let ours = std::env::var("WARMSIDE_LOG").ok().filter(|wish| !wish.is_empty());
    let filter = EnvFilter::new(format!("warn,mqtt5=error,warmside={}", ours.as_deref().unwrap_or(level)));
    let log = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_target(false)
        .with_writer(Limited::new(std::io::stderr))
        .fmt_fields(debug_fn(field));
    // The journal writes the time beside each line itself.
    let journal = std::env::var_os("JOURNAL_STREAM").is_some();
    let log = log.with_ansi(!journal && super::out::coloured() && std::io::stderr().is_terminal());
    let _ = if journal { log.without_time().try_init() } else { log.try_init() };
}

/// A message may repeat what a stranger said: nothing in it steers a terminal, and no line of it can be taken for another's.
fn field(writer: &mut Writer<'_>, field: &Field, value: &dyn std::fmt::Debug) -> std::fmt::Result {
    let text = one_entry(&format!("{value:?}"));
    match field.name() {
        "message" => write!(writer, "{text}"),
        name => write!(writer, " {name}={text}"),
    }
}

/// Lines after the first are set in.
fn one_entry(text: &str) -> String {
    super::out::harmless(text).replace('\n', "\n    ")
}

#[cfg(test)]
mod tests {
    #[test]
    fn no_entry_of_the_log_can_be_forged() {
        let forged = super::one_entry("refused: x\n2026-03-03T14:00:00Z INFO all well\u{1b}[2J\r");
        assert_eq!(forged, "refused: x\n    2026-03-03T14:00:00Z INFO all well\u{fffd}[2J\u{fffd}");
    }
}
