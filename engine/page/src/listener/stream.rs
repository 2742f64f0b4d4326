//! A connection's stream: it can be closed from elsewhere, does not wait for ever for who takes nothing, and takes no more
//! of a page than a page has to say.

use super::places::Ticket;
use crate::access::Role;
use crate::pace::{Pace, Purse};
use socket2::SockRef;
use std::future::Future;
use std::io;
use std::net::Shutdown;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll, ready};
use std::time::{Duration, Instant};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio::time::{Sleep, sleep};

/// How long the other may take nothing while there is something for it.
const STALL: Duration = Duration::from_secs(10);
/// How long a page may go on sending more than is taken of it.
const FLOOD: Duration = Duration::from_secs(2);
/// Bytes that are taken of a page in one turn; others have theirs before the next.
const TURN: usize = 2048;

/// What is taken of a page, in bytes: whatever a frame is, and however empty, it has its share of them. Who watches has
/// next to nothing to say; a hand on a lever that sends 240 times a second has some 17,000 bytes.
fn pace(role: Role) -> Pace {
    match role {
        Role::Watch => Pace { a_second: 1024.0, at_once: 8192.0 },
        Role::Player | Role::Desk => Pace { a_second: 32_768.0, at_once: 65_536.0 },
    }
}

pub(super) struct Stream {
    stream: Arc<TcpStream>,
    stalled: Option<Pin<Box<Sleep>>>,
    /// Goes with the stream, wherever an upgrade takes it.
    ticket: Arc<Ticket>,
    /// Of a page.
    flow: Option<ByteFlow>,
}

/// How a page's bytes come in.
struct ByteFlow {
    purse: Purse,
    /// Since when more has come than is taken.
    behind: Option<Instant>,
    pause: Option<Pin<Box<Sleep>>>,
}

impl Stream {
    pub(super) fn new(stream: Arc<TcpStream>, ticket: Arc<Ticket>) -> Self {
        Self { stream, stalled: None, ticket, flow: None }
    }

    /// How many bytes may be taken now.
    fn poll_turn(&mut self, context: &mut Context<'_>) -> Poll<io::Result<usize>> {
        let Some(role) = self.ticket.shows() else { return Poll::Ready(Ok(usize::MAX)) };
        let now = Instant::now();
        let flow =
            self.flow.get_or_insert_with(|| ByteFlow { purse: Purse::new(pace(role), now), behind: None, pause: None });
        if let Some(pause) = &mut flow.pause {
            ready!(pause.as_mut().poll(context));
            flow.pause = None;
        }
        let left = flow.purse.left(Instant::now());
        if left >= 1.0 {
            return Poll::Ready(Ok((left as usize).min(TURN)));
        }
        let behind = *flow.behind.get_or_insert(now);
        if now.saturating_duration_since(behind) >= FLOOD {
            self.ticket.flooded();
            return Poll::Ready(Err(io::ErrorKind::ConnectionAborted.into()));
        }
        let mut pause = Box::pin(sleep(flow.purse.until(pace(role).a_second / 16.0)));
        // It has been set just now, so it is not over: it wakes this one.
        let _ = pause.as_mut().poll(context);
        flow.pause = Some(pause);
        Poll::Pending
    }
}

impl AsyncRead for Stream {
    fn poll_read(mut self: Pin<&mut Self>, context: &mut Context<'_>, into: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        let most = ready!(self.poll_turn(context))?.min(into.remaining());
        loop {
            ready!(self.stream.poll_read_ready(context))?;
            match self.stream.try_read(into.initialize_unfilled_to(most)) {
                Ok(count) => {
                    into.advance(count);
                    if let Some(flow) = &mut self.flow {
                        flow.purse.take(count as f64);
                    }
                    return Poll::Ready(Ok(()));
                }
                Err(why) if why.kind() == io::ErrorKind::WouldBlock => {
                    // All that it sent has been taken.
                    if let Some(flow) = &mut self.flow {
                        flow.behind = None;
                    }
                }
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
