//! A connection's stream, which can be closed from elsewhere and does not wait for ever for who takes nothing.

use super::places::Ticket;
use socket2::SockRef;
use std::future::Future;
use std::io;
use std::net::Shutdown;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll, ready};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio::time::{Sleep, sleep};

/// How long the other may take nothing while there is something for it.
const STALL: Duration = Duration::from_secs(10);

pub(super) struct Stream {
    stream: Arc<TcpStream>,
    stalled: Option<Pin<Box<Sleep>>>,
    /// Goes with the stream, wherever an upgrade takes it.
    _ticket: Arc<Ticket>,
}

impl Stream {
    pub(super) fn new(stream: Arc<TcpStream>, ticket: Arc<Ticket>) -> Self {
        Self { stream, stalled: None, _ticket: ticket }
    }
}

impl AsyncRead for Stream {
    fn poll_read(self: Pin<&mut Self>, context: &mut Context<'_>, into: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        loop {
            ready!(self.stream.poll_read_ready(context))?;
            match self.stream.try_read(into.initialize_unfilled()) {
                Ok(count) => {
                    into.advance(count);
                    return Poll::Ready(Ok(()));
                }
                Err(why) if why.kind() == io::ErrorKind::WouldBlock => {}
                Err(why) => return Poll::Ready(Err(why)),
            }
        }
    }
}

impl AsyncWrite for Stream {
    fn poll_write(mut self: Pin<&mut Self>, context: &mut Context<'_>, from: &[u8]) -> Poll<io::Result<usize>> {
        loop {
            let Poll::Ready(ready) = self.stream.poll_write_ready(context) else {
                let stalled = self.stalled.get_or_insert_with(|| Box::pin(sleep(STALL)));
                ready!(stalled.as_mut().poll(context));
                return Poll::Ready(Err(io::ErrorKind::TimedOut.into()));
            };
            ready?;
            match self.stream.try_write(from) {
                Err(why) if why.kind() == io::ErrorKind::WouldBlock => {}
                written => {
                    self.stalled = None;
                    return Poll::Ready(written);
                }
            }
        }
    }

    fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(Ok(()))
    }

    fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
        Poll::Ready(SockRef::from(&*self.stream).shutdown(Shutdown::Write))
    }
}
