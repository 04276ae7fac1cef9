//! Live updates: what changed in the page since a viewer's last word, and beats that say that the watcher lives.
//!
//! A beat follows a fresh view and nothing else: while the engine stands still no beat goes out, and the veil falls.

use super::frame::Reader;
use super::standing::House;
use super::{Shared, enclosure, needs, wall};
use crate::engine::view::View;
use axum::body::{Body, Bytes};
use axum::http::{HeaderMap, HeaderValue, Response, header};
use futures_core::Stream;
use std::collections::BTreeMap;
use std::convert::Infallible;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::sync::{Notify, Semaphore, mpsc, watch};
use tokio::time::{sleep, timeout};

/// Viewers at the same time.
pub const MOST_VIEWERS: usize = 256;
/// A stream speaks at least this often, so that nobody in between takes it for dead.
const SPEAK: Duration = Duration::from_secs(15);
/// Changes are gathered for so long, so that a house of thousands of probes does not draw itself a thousand times a second.
const GATHER: Duration = Duration::from_secs(1);

/// The wall as it was last drawn.
#[derive(Default)]
struct Drawn {
    generation: u64,
    /// How many views came before this was drawn: a drawing without a new view is no beat.
    views: u64,
    title: String,
    /// By id: the piece, and the generation that changed it.
    pieces: BTreeMap<String, (Arc<str>, u64)>,
    /// What this drawing changed, but for [`OWN`], as one event: the same bytes for all who heard the one before.
    step: Option<Bytes>,
    view: Option<Arc<View>>,
}

/// The piece that each reader sees alone: it holds their buttons.
const OWN: &str = "needs";

/// The wall's pieces, drawn once for all viewers.
pub struct Live {
    wall: watch::Sender<Arc<Drawn>>,
    seats: Arc<Semaphore>,
    /// Somebody came to look at a wall that was not drawn while nobody looked.
    look: Notify,
}

impl Live {
    pub fn new() -> Live {
        Live {
            wall: watch::Sender::new(Arc::default()),
            seats: Arc::new(Semaphore::new(MOST_VIEWERS)),
            look: Notify::new(),
        }
    }

    /// The generation that a page drawn now has to name, so that nothing is missed between its drawing and its first word.
    pub fn generation(&self) -> u64 {
        self.wall.borrow().generation
    }
}

impl Default for Live {
    fn default() -> Live {
        Live::new()
    }
}

/// Follows the view: notes that it came, and redraws the wall while anybody looks. Ends when the engine has gone.
pub async fn follow(shared: Arc<Shared>) {
    let mut view = shared.doors.view.clone();
    let mut views = 0;
    loop {
        tokio::select! {
            changed = view.changed() => {
                if changed.is_err() {
                    return;
                }
                shared.saw();
                views += 1;
            }
            () = shared.live.look.notified() => {}
        }
        let fresh = view.borrow_and_update().clone();
        if shared.live.wall.receiver_count() > 0 {
            let old = shared.live.wall.borrow().clone();
            if let Ok(drawn) = tokio::task::spawn_blocking(move || redraw(&old, fresh, views)).await {
                shared.live.wall.send_replace(Arc::new(drawn));
            }
            sleep(GATHER).await;
        }
    }
}

fn redraw(old: &Drawn, view: Arc<View>, views: u64) -> Drawn {
    let house = House::of(&view);
    let generation = old.generation + 1;
    let fresh = wall::pieces(&house, &Reader::default());
    let pieces = fresh.into_iter().map(|(id, html)| {
        let kept = old.pieces.get(&id).filter(|(before, _)| **before == *html).cloned();
        (id, kept.unwrap_or_else(|| (html.into(), generation)))
    });
    let pieces: BTreeMap<String, (Arc<str>, u64)> = pieces.collect();
    let title = needs::title(&house);
    let step = shared_event(&title, &pieces, generation - 1);
    Drawn { generation, views, title, pieces, step, view: Some(view.clone()) }
}

/// One event of a stream.
fn event(name: &str, data: &str) -> Bytes {
    Bytes::from(format!("event: {name}\ndata: {data}\n\n"))
}

fn pieces_event<'a>(title: &str, pieces: impl Iterator<Item = (&'a str, &'a str)>) -> Bytes {
    let pieces: serde_json::Map<String, serde_json::Value> =
        pieces.map(|(id, html)| (id.to_owned(), html.into())).collect();
    event("pieces", &serde_json::json!({ "title": format!("{title} · Warmside"), "pieces": pieces }).to_string())
}

/// The stream of a body.
struct Heard(mpsc::Receiver<Bytes>);

impl Stream for Heard {
    type Item = Result<Bytes, Infallible>;
    fn poll_next(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<Option<Self::Item>> {
        self.0.poll_recv(cx).map(|item| item.map(Ok))
    }
}

/// Starts a stream. `None`: every seat is taken.
fn open(shared: &Shared) -> Option<(mpsc::Sender<Bytes>, Response<Body>, tokio::sync::OwnedSemaphorePermit)> {
    let seat = shared.live.seats.clone().try_acquire_owned().ok()?;
    let (say, heard) = mpsc::channel(2);
    let mut response = Response::new(Body::from_stream(Heard(heard)));
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("text/event-stream"));
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    // A proxy that gathers would hold beats back.
    headers.insert("x-accel-buffering", HeaderValue::from_static("no"));
    Some((say, response, seat))
}

/// Says something, unless the viewer has gone or its session is over.
async fn say(shared: &Shared, asked: &HeaderMap, say: &mpsc::Sender<Bytes>, bytes: Bytes) -> bool {
    shared.guard.reader(asked, shared.now()).is_ok() && say.send(bytes).await.is_ok()
}

/// The wall's stream. `since`: the generation that the page was drawn after.
pub fn wall_stream(shared: Arc<Shared>, asked: HeaderMap, reader: Reader, since: u64) -> Option<Response<Body>> {
    let (voice, response, seat) = open(&shared)?;
    // Before the answer goes out: from then on no change passes by unseen.
    let mut drawn = shared.live.wall.subscribe();
    let known = drawn.borrow_and_update().clone();
    shared.live.look.notify_one();
    tokio::spawn(async move {
        let _seat = seat;
        // A generation that never was is of another run of the daemon: then everything is said.
        let mut since = if since <= known.generation { since } else { 0 };
        let mut views = known.views;
        loop {
            let told = match timeout(SPEAK, drawn.changed()).await {
                Err(_) => say(&shared, &asked, &voice, Bytes::from_static(b": still here\n\n")).await,
                Ok(Err(_)) => return,
                Ok(Ok(())) => {
                    let now = drawn.borrow_and_update().clone();
                    let said = changed(&now, since, &reader);
                    let beat = now.views > views;
                    (since, views) = (now.generation, now.views);
                    let mut heard = true;
                    for words in said.into_iter().flatten() {
                        heard = heard && say(&shared, &asked, &voice, words).await;
                    }
                    heard && (!beat || say(&shared, &asked, &voice, event("beat", "1")).await)
                }
            };
            if !told {
                return;
            }
        }
    });
    Some(response)
}

/// The pieces that changed after a generation, but for [`OWN`]; `None`: none did.
fn shared_event(title: &str, pieces: &BTreeMap<String, (Arc<str>, u64)>, since: u64) -> Option<Bytes> {
    let fresh = pieces.iter().filter(|(id, (_, changed_in))| *changed_in > since && *id != OWN);
    let mut fresh = fresh.map(|(id, (html, _))| (id.as_str(), &**html)).peekable();
    fresh.peek()?;
    Some(pieces_event(title, fresh))
}

/// What changed after a generation: for all, and what the reader sees alone, drawn for them.
fn changed(now: &Drawn, since: u64, reader: &Reader) -> [Option<Bytes>; 2] {
    let shared = match since + 1 == now.generation {
        true => now.step.clone(),
        false => shared_event(&now.title, &now.pieces, since),
    };
    let own = now.pieces.get(OWN).filter(|(_, changed_in)| *changed_in > since).and(now.view.as_ref());
    let own = own.map(|view| needs::needs(&House::of(view), reader).into_string());
    [shared, own.map(|own| pieces_event(&now.title, std::iter::once((OWN, own.as_str()))))]
}

/// An enclosure's stream: drawn for each viewer alone, since few look at one.
pub fn enclosure_stream(shared: Arc<Shared>, asked: HeaderMap, reader: Reader, id: String) -> Option<Response<Body>> {
    let (voice, response, seat) = open(&shared)?;
    let mut view = shared.doors.view.clone();
    let first = view.borrow_and_update().clone();
    tokio::spawn(async move {
        let _seat = seat;
        let mut said = BTreeMap::new();
        // What changed between the page and its stream; no beat, since no view came.
        let mut told = match enclosure_news(&first, &id, &reader, &mut said) {
            Some(news) => say(&shared, &asked, &voice, news).await,
            None => false,
        };
        while told {
            told = match timeout(SPEAK, view.changed()).await {
                Err(_) => say(&shared, &asked, &voice, Bytes::from_static(b": still here\n\n")).await,
                Ok(Err(_)) => return,
                Ok(Ok(())) => {
                    let now = view.borrow_and_update().clone();
                    let Some(news) = enclosure_news(&now, &id, &reader, &mut said) else {
                        let _ = voice.send(event("reload", "1")).await;
                        return;
                    };
                    let heard = say(&shared, &asked, &voice, news).await
                        && say(&shared, &asked, &voice, event("beat", "1")).await;
                    sleep(GATHER).await;
                    heard
                }
            };
        }
    });
    Some(response)
}

/// What changed on an enclosure's page. `None`: there is no such enclosure any more.
fn enclosure_news(view: &View, id: &str, reader: &Reader, said: &mut BTreeMap<String, String>) -> Option<Bytes> {
    let house = House::of(view);
    let of = house.enclosure(id)?;
    let fresh: BTreeMap<String, String> = enclosure::pieces(&house, of, reader).into_iter().collect();
    let changed = fresh.iter().filter(|(id, html)| said.get(*id) != Some(*html));
    let bytes = pieces_event(&enclosure::title(&house, of), changed.map(|(id, html)| (id.as_str(), html.as_str())));
    *said = fresh;
    Some(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_event_is_one_line_whatever_it_carries() {
        let bytes = pieces_event("a\nb", [("t-a1", "<p>\r\n\ndata: forged\n</p>")].into_iter());
        let text = String::from_utf8(bytes.to_vec()).unwrap();
        assert_eq!(text.matches('\n').count(), 3);
        let data = text.strip_prefix("event: pieces\ndata: ").unwrap().trim_end();
        let said: serde_json::Value = serde_json::from_str(data).unwrap();
        assert_eq!(said["pieces"]["t-a1"], "<p>\r\n\ndata: forged\n</p>");
    }
}
