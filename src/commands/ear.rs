//! What commands hear that are no daemon: a broker for a while, or recordings; each message handed on as it comes.

use super::out;
use super::record::told_to_stop;
use crate::clock::{machine_wall, ticks};
use crate::config::Config;
use crate::mqtt::Incoming;
use crate::mqtt::link::{Link, Pace, Wish};
use crate::recording::reader::Lines;
use crate::recording::{self, What};
use crate::terms::time::{Span, Wall};
use std::ops::ControlFlow;
use std::path::Path;
use std::time::Duration;
use tokio::time::sleep;

/// One message as it came.
#[derive(Clone, Copy, Debug)]
pub struct Message<'a> {
    pub topic: &'a str,
    pub payload: &'a [u8],
    pub retained: bool,
    pub at: Wall,
}

/// Hears the configured broker until the time is up, Ctrl-C, or `each` has heard enough. `who`: of which command it is.
pub fn broker(
    config: &Config,
    (who, filters, length): (&str, Vec<String>, Span),
    mut each: impl FnMut(Message<'_>) -> ControlFlow<()>,
) -> Result<(), String> {
    let broker = match (&config.broker, &config.builtin_broker) {
        (Some(broker), _) => broker.clone(),
        (None, Some(builtin)) => builtin.as_client(builtin.listen),
        (None, None) => return Err("the configuration names no broker".into()),
    };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().map_err(|why| why.to_string())?;
    runtime.block_on(async {
        let wish = Wish {
            // Not that of `watch`, which may be running beside it.
            client_id: format!("warmside-{who}-{:08x}", std::process::id() ^ ticks().subsec_nanos()),
            filters,
            presence: None,
        };
        let filters = wish.filters.join(", ");
        out::note(format_args!("hearing {filters} on {}:{} for {length}", broker.host, broker.port));
        let (link, mut inbox) = Link::start(&broker, wish, Pace::default(), ticks).map_err(|why| why.to_string())?;
        let mut long_enough = std::pin::pin!(sleep(Duration::from_millis(length.as_ms().unsigned_abs())));
        let mut stopped = std::pin::pin!(told_to_stop());
        let mut take = |news| match news {
            Incoming::Message(heard) => {
                let (topic, payload) = (heard.topic.as_str(), &heard.payload[..]);
                each(Message { topic, payload, retained: heard.retained, at: machine_wall() })
            }
            Incoming::Up => ControlFlow::Continue(()),
            Incoming::Lost(why) | Incoming::Trouble(why) => {
                out::note(why);
                ControlFlow::Continue(())
            }
        };
        loop {
            let news = tokio::select! {
                news = inbox.next() => news,
                () = &mut long_enough => break,
                () = &mut stopped => break,
            };
            if news.is_none_or(|news| take(news).is_break()) {
                break;
            }
        }
        // Ctrl-C: what was heard so far counts all the same.
        while let Some(news) = inbox.try_next() {
            if take(news).is_break() {
                break;
            }
        }
        link.stop(Duration::from_secs(2)).await;
        Ok(())
    })
}

/// Hears a recording; lines that cannot be read are named and skipped.
pub fn recording(path: &Path, mut each: impl FnMut(Message<'_>) -> ControlFlow<()>) -> Result<(), String> {
    let said = |why: std::io::Error| format!("{}: {why}", path.display());
    let mut lines = Lines::open(path).map_err(said)?;
    while let Some(raw) = lines.next_line().map_err(said)? {
        match raw.text.map(recording::parse) {
            Some(Ok(line)) => {
                if let What::Message { topic, payload, retained } = &line.what
                    && each(Message { topic, payload, retained: *retained, at: line.at }).is_break()
                {
                    return Ok(());
                }
            }
            Some(Err(why)) => out::note(format_args!("{}:{}: {why}", path.display(), raw.number)),
            None => out::note(format_args!("{}:{}: no UTF-8, or too long", path.display(), raw.number)),
        }
    }
    Ok(())
}
