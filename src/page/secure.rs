//! A connection in the clear or by TLS, whose greeting is done as it is read: a slow greeting keeps nobody else waiting.

use std::io;
use std::pin::Pin;
use std::task::{Context, Poll, ready};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio_rustls::server::TlsStream;
use tokio_rustls::{Accept, TlsAcceptor};

/// What lies between the wire and HTTP.
pub enum Secure<S> {
    Plain(S),
    Greeting(Box<Accept<S>>),
    Tls(Box<TlsStream<S>>),
}

impl<S: AsyncRead + AsyncWrite + Unpin> Secure<S> {
    /// `acceptor`: who we are; `None`: in the clear.
    pub fn new(stream: S, acceptor: Option<&TlsAcceptor>) -> Secure<S> {
        match acceptor {
            Some(acceptor) => Secure::Greeting(Box::new(acceptor.accept(stream))),
            None => Secure::Plain(stream),
        }
    }

    /// Goes on with the greeting. An error: the other side speaks no TLS, or none that we do.
    fn greeted(&mut self, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        if let Secure::Greeting(accept) = self {
            let stream = ready!(Pin::new(accept.as_mut()).poll(cx))?;
            *self = Secure::Tls(Box::new(stream));
        }
        Poll::Ready(Ok(()))
    }
}

impl<S: AsyncRead + AsyncWrite + Unpin> AsyncRead for Secure<S> {
    fn poll_read(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        ready!(self.greeted(cx))?;
        match &mut *self {
            Secure::Plain(stream) => Pin::new(stream).poll_read(cx, buf),
            Secure::Tls(stream) => Pin::new(stream.as_mut()).poll_read(cx, buf),
            Secure::Greeting(_) => Poll::Pending,
        }
    }
}

impl<S: AsyncRead + AsyncWrite + Unpin> AsyncWrite for Secure<S> {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        ready!(self.greeted(cx))?;
        match &mut *self {
            Secure::Plain(stream) => Pin::new(stream).poll_write(cx, bytes),
            Secure::Tls(stream) => Pin::new(stream.as_mut()).poll_write(cx, bytes),
            Secure::Greeting(_) => Poll::Pending,
        }
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bytes: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        ready!(self.greeted(cx))?;
        match &mut *self {
            Secure::Plain(stream) => Pin::new(stream).poll_write_vectored(cx, bytes),
            Secure::Tls(stream) => Pin::new(stream.as_mut()).poll_write_vectored(cx, bytes),
            Secure::Greeting(_) => Poll::Pending,
        }
    }

    fn is_write_vectored(&self) -> bool {
        match self {
            Secure::Plain(stream) => stream.is_write_vectored(),
            Secure::Tls(stream) => stream.is_write_vectored(),
            Secure::Greeting(_) => true,
        }
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        match &mut *self {
            Secure::Plain(stream) => Pin::new(stream).poll_flush(cx),
            Secure::Tls(stream) => Pin::new(stream.as_mut()).poll_flush(cx),
            // Whoever never said anything has nothing to be flushed.
            Secure::Greeting(_) => Poll::Ready(Ok(())),
        }
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        match &mut *self {
            Secure::Plain(stream) => Pin::new(stream).poll_shutdown(cx),
            Secure::Tls(stream) => Pin::new(stream.as_mut()).poll_shutdown(cx),
            Secure::Greeting(_) => Poll::Ready(Ok(())),
        }
    }
}
