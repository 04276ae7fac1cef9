//! The log: one line a happening on standard error, quiet about what libraries say to themselves.

use std::io::IsTerminal;
use tracing_subscriber::EnvFilter;

/// Starts it, once. `level`: of our own lines, unless the environment variable `WARMSIDE_LOG` says otherwise.
pub fn start(level: &str) {
    let ours = std::env::var("WARMSIDE_LOG").ok().filter(|wish| !wish.is_empty());
    let filter = EnvFilter::new(format!("warn,mqtt5=error,warmside={}", ours.as_deref().unwrap_or(level)));
    let log = tracing_subscriber::fmt().with_env_filter(filter).with_target(false).with_writer(std::io::stderr);
    // The journal writes the time beside each line itself.
    let journal = std::env::var_os("JOURNAL_STREAM").is_some();
    let log = log.with_ansi(!journal && super::out::coloured() && std::io::stderr().is_terminal());
    let _ = if journal { log.without_time().try_init() } else { log.try_init() };
}
