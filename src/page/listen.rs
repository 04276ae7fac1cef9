//! Connections that cannot wear the daemon out: so many, so long, so large, and no slow dripping.
//!
//! The limits sit below HTTP, in the stream itself, where no header trick gets past them: a request has to be whole within
//! [`REQUEST`] and [`LARGEST_REQUEST`] bytes, a reader has to take what it is sent, and nobody idles longer than [`IDLE`].

use super::secure::Secure;
use crate::descriptors::share;
use axum::serve::Listener;
use std::future::Future;
use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::{Sleep, sleep};
use tokio_rustls::TlsAcceptor;

/// Connections at the same time, where the system lets us have as many.
pub const MOST_CONNECTIONS: usize = 512;
/// From the first byte of a request to the first byte of its answer.
pub const REQUEST: Duration = Duration::from_secs(20);
/// Nothing said by either side. Live updates speak more often than this.
pub const IDLE: Duration = Duration::from_secs(60);
/// A reader that takes nothing.
pub const STUCK: Duration = Duration::from_secs(30);
/// Line, headers and body of one request together, bytes.
pub const LARGEST_REQUEST: usize = 64 << 10;

/// The three times, so that tests need not wait for minutes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Patience {
    pub request: Duration,
    pub idle: Duration,
    pub stuck: Duration,
}

impl Default for Patience {
    fn default() -> Patience {
        Patience { request: REQUEST, idle: IDLE, stuck: STUCK }
    }
}

/// A listener whose connections keep to the limits.
pub struct Door {
    listener: TcpListener,
    seats: Arc<Semaphore>,
    patience: Patience,
    acceptor: Option<TlsAcceptor>,
}

impl Door {
    /// `acceptor`: who we are in TLS; `None`: in the clear.
    pub fn new(listener: TcpListener, patience: Patience, acceptor: Option<TlsAcceptor>) -> Door {
        Door { listener, seats: Arc::new(Semaphore::new(share(MOST_CONNECTIONS))), patience, acceptor }
    }
}

/// A connection as HTTP sees it: the limits count what comes out of TLS, and a greeting that stalls is an idler.
pub type Visitor = Guarded<Secure<TcpStream>>;

impl Listener for Door {
    type Io = Visitor;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Visitor, SocketAddr) {
        loop {
            match self.listener.accept().await {
                Ok((stream, peer)) => {
                    // With every seat taken the newcomer is closed at once: it learns so, and nothing queues unseen.
                    if let Ok(seat) = self.seats.clone().try_acquire_owned() {
                        // Answers are small and many: waiting to fill a segment would only delay live updates.
                        let _ = stream.set_nodelay(true);
                        let stream = Secure::new(stream, self.acceptor.as_ref());
                        return (Guarded::new(stream, Some(seat), self.patience), peer);
                    }
                }
                // Out of file descriptors and the like: the next moment may be better.
                Err(why) => {
                    tracing::warn!("nobody new is let in to the page: {why}");
                    sleep(Duration::from_millis(100)).await;
                }
            }
        }
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        self.listener.local_addr()
    }
}

/// What a connection is at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum At {
    Idle,
    Request,
    Stuck,
}

/// A stream that ends itself when it is slow, idle or too large.
pub struct Guarded<S> {
    stream: S,
    _seat: Option<OwnedSemaphorePermit>,
    patience: Patience,
    at: At,
    timer: Pin<Box<Sleep>>,
    /// Bytes read since the last byte was written.
    read: usize,
}

impl<S> Guarded<S> {
    fn new(stream: S, seat: Option<OwnedSemaphorePermit>, patience: Patience) -> Guarded<S> {
        Guarded { stream, _seat: seat, patience, at: At::Idle, timer: Box::pin(sleep(patience.idle)), read: 0 }
    }

    fn become_at(&mut self, at: At) {
        let length = match at {
            At::Idle => self.patience.idle,
            At::Request => self.patience.request,
            At::Stuck => self.patience.stuck,
        };
        self.at = at;
        self.timer = Box::pin(sleep(length));
    }

    fn out_of_time(&mut self, cx: &mut Context<'_>) -> bool {
        self.timer.as_mut().poll(cx).is_ready()
    }

    /// After a write was tried: what it means for the timers.
    fn wrote(&mut self, cx: &mut Context<'_>, outcome: Poll<io::Result<usize>>) -> Poll<io::Result<usize>> {
        match outcome {
            Poll::Ready(Ok(n)) if n > 0 => {
                self.read = 0;
                self.become_at(At::Idle);
                Poll::Ready(Ok(n))
            }
            Poll::Pending => {
                if self.at != At::Stuck {
                    self.become_at(At::Stuck);
                }
                if self.out_of_time(cx) { Poll::Ready(Err(io::ErrorKind::TimedOut.into())) } else { Poll::Pending }
            }
            other => other,
        }
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Guarded<S> {
    fn poll_read(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        let before = buf.filled().len();
        match Pin::new(&mut self.stream).poll_read(cx, buf) {
            Poll::Ready(Ok(())) => {
                let got = buf.filled().len() - before;
                if got > 0 && self.at == At::Idle {
                    self.become_at(At::Request);
                }
                self.read = self.read.saturating_add(got);
                if self.read > LARGEST_REQUEST || (got > 0 && self.out_of_time(cx)) {
                    // Who is told of an error must not find bytes beside it.
                    buf.set_filled(before);
                    return Poll::Ready(Err(io::ErrorKind::TimedOut.into()));
                }
                Poll::Ready(Ok(()))
            }
            Poll::Pending if self.out_of_time(cx) => Poll::Ready(Err(io::ErrorKind::TimedOut.into())),
            other => other,
        }
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Guarded<S> {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let outcome = Pin::new(&mut self.stream).poll_write(cx, bytes);
        self.wrote(cx, outcome)
    }
    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bytes: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let outcome = Pin::new(&mut self.stream).poll_write_vectored(cx, bytes);
        self.wrote(cx, outcome)
    }
    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }
    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }
    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::io::{AsyncReadExt, AsyncWriteExt, duplex};

    fn patience() -> Patience {
        Patience { request: Duration::from_secs(20), idle: Duration::from_secs(60), stuck: Duration::from_secs(30) }
    }

    fn runtime() -> tokio::runtime::Runtime {
        tokio::runtime::Builder::new_current_thread().enable_all().start_paused(true).build().unwrap()
    }

    #[test]
    fn a_request_that_drips_is_cut_off_though_it_never_pauses() {
        runtime().block_on(async {
            let (mut client, server) = duplex(1 << 16);
            let mut server = Guarded::new(server, None, patience());
            let drip = tokio::spawn(async move {
                for n in 0..1_000u32 {
                    if client.write_all(b"x").await.is_err() {
                        return n;
                    }
                    sleep(Duration::from_secs(1)).await;
                }
                1_000
            });
            let mut all = Vec::new();
            let end = server.read_to_end(&mut all).await;
            assert_eq!(end.unwrap_err().kind(), io::ErrorKind::TimedOut);
            assert!((18..=22).contains(&all.len()), "{}", all.len());
            drop(server);
            assert!(drip.await.unwrap() <= 22);
        });
    }

    #[test]
    fn idlers_go_and_those_who_are_answered_stay() {
        runtime().block_on(async {
            let (_client, server) = duplex(1 << 16);
            let mut server = Guarded::new(server, None, patience());
            let mut byte = [0; 1];
            assert_eq!(server.read(&mut byte).await.unwrap_err().kind(), io::ErrorKind::TimedOut);

            // A viewer of live updates says nothing for an hour and hears something every 15 s.
            let (client, server) = duplex(1 << 16);
            let (mut from, mut to) = tokio::io::split(Guarded::new(server, None, patience()));
            let viewer = tokio::spawn(async move {
                let mut client = client;
                let mut heard = vec![0; 240];
                client.read_exact(&mut heard).await.map(|_| client)
            });
            let reading = tokio::spawn(async move { from.read(&mut [0; 1]).await });
            for _ in 0..240 {
                to.write_all(b".").await.unwrap();
                sleep(Duration::from_secs(15)).await;
            }
            let client = viewer.await.unwrap();
            assert!(client.is_ok() && !reading.is_finished());
        });
    }

    #[test]
    fn a_request_has_a_size_and_a_reader_has_to_read() {
        runtime().block_on(async {
            let (mut client, server) = duplex(1 << 20);
            let mut server = Guarded::new(server, None, patience());
            client.write_all(&vec![b'x'; LARGEST_REQUEST + 4_096]).await.unwrap();
            let (mut read, mut part) = (0, vec![0; 4_096]);
            let end = loop {
                match server.read(&mut part).await {
                    Ok(n) => read += n,
                    Err(why) => break why,
                }
            };
            assert_eq!((end.kind(), read <= LARGEST_REQUEST), (io::ErrorKind::TimedOut, true));

            let (_client, server) = duplex(16);
            let mut server = Guarded::new(server, None, patience());
            assert_eq!(server.write_all(&[0; 64]).await.unwrap_err().kind(), io::ErrorKind::TimedOut);
        });
    }
}
