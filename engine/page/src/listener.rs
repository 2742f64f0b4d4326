//! Takes connections and answers requests on them, and lets nobody keep others out.

mod places;
mod stream;

use crate::study;
use axum::Router;
use axum::body::{Body, to_bytes};
use axum::extract::ConnectInfo;
use axum::http::{HeaderValue, Request, StatusCode, header};
use axum::response::{IntoResponse, Response};
use hyper::body::{Body as _, Frame, Incoming, SizeHint};
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use places::{Busy, Places};
pub(crate) use places::{NoPlace, Ticket};
use std::convert::Infallible;
use std::future::Future;
use std::io;
use std::net::SocketAddr;
use std::pin::{Pin, pin};
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;
use stream::Stream;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::task::{JoinSet, yield_now};
use tokio::time::{sleep, timeout};

/// Connections at a time, pages not among them.
const MOST_CONNECTIONS: usize = 192;
/// Bytes of a request's body; only sounds to be studied are larger.
const MOST_BODY: usize = 4096;
/// Bytes of a request's line and headers.
const MOST_HEADERS: usize = 16 * 1024;
/// How long a request's headers may take, and then its body.
const PATIENCE: Duration = Duration::from_secs(5);
/// How long to wait when the system gives no connection, lest the loop spin.
const PAUSE: Duration = Duration::from_millis(100);
/// At the end: how long requests and sockets may take to end by themselves, and then to notice that they are cut off.
const GRACE: Duration = Duration::from_millis(500);
const CUT: Duration = Duration::from_millis(300);

/// Where connections come from.
trait Accept {
    fn accept(&mut self) -> impl Future<Output = io::Result<(TcpStream, SocketAddr)>> + Send;
}

impl Accept for TcpListener {
    async fn accept(&mut self) -> io::Result<(TcpStream, SocketAddr)> {
        TcpListener::accept(self).await
    }
}

/// Answers requests by `router`, which finds the other's address as `ConnectInfo<SocketAddr>` and the connection's place
/// as `Arc<Ticket>` in the extensions, until `stop` is ready; then every connection ends within 1 s.
///
/// There are at most 192 connections that are no pages. When these are taken, the network that has most of them makes
/// room for a new one: by the one that has waited longest for a whole request, or if none waits by the one that is being
/// answered longest, though not as desk or player. Pages have places of their own, 64 for each role, and none of watchers
/// takes one of the others.
///
/// A request's headers and its body may take 5 s each, and the body has at most 4096 bytes (413 beyond); the router sees
/// only whole requests. One route has larger bodies and reads them itself, when it has seen who sends them. Who takes
/// nothing of an answer for 10 s is cut off, and so is a page that sends far more than a page has to say for 2 s.
pub async fn serve(listener: TcpListener, router: Router, stop: impl Future<Output = ()>) {
    accept(listener, Places::new(MOST_CONNECTIONS), router, stop).await;
}

async fn accept(mut from: impl Accept, places: Arc<Places>, router: Router, stop: impl Future<Output = ()>) {
    let (ending, ended) = watch::channel(());
    let mut tasks = JoinSet::new();
    let mut stop = pin!(stop);
    loop {
        let accepted = tokio::select! {
            biased;
            () = &mut stop => break,
            Some(_) = tasks.join_next() => continue,
            accepted = from.accept() => accepted,
        };
        match accepted {
            Ok((stream, peer)) => {
                // Meters are small and often: each goes at once.
                let _ = stream.set_nodelay(true);
                let stream = Arc::new(stream);
                // If all are being answered, the new one is closed.
                let Some(ticket) = places.take(&stream, peer.ip()) else { continue };
                tasks.spawn(converse(stream, peer, ticket, router.clone(), ended.clone()));
                // However many come, the others have their turn before the next.
                yield_now().await;
            }
            // Its end came before we had it: the next may be there already.
            Err(why) if matches!(why.kind(), io::ErrorKind::ConnectionAborted | io::ErrorKind::ConnectionReset) => {}
            // Most likely there are too many open files: one that waits gives its own back.
            Err(_) => {
                places.make_room();
                sleep(PAUSE).await;
            }
        }
    }
    drop(from);
    let _ = ending.send(());
    gone(&places, &mut tasks, GRACE).await;
    places.close_all();
    gone(&places, &mut tasks, CUT).await;
    tasks.abort_all();
}

/// Waits until all connections have ended, at most `most`.
async fn gone(places: &Places, tasks: &mut JoinSet<()>, most: Duration) {
    let all = async {
        while tasks.join_next().await.is_some() {}
        // WebSockets have no task of ours.
        while !places.is_empty() {
            sleep(Duration::from_millis(5)).await;
        }
    };
    // If the time is up there is nothing more to wait for.
    let _ = timeout(most, all).await;
}

async fn converse(
    stream: Arc<TcpStream>,
    peer: SocketAddr,
    ticket: Arc<Ticket>,
    router: Router,
    mut ended: watch::Receiver<()>,
) {
    let io = TokioIo::new(Stream::new(stream, Arc::clone(&ticket)));
    let service = service_fn(move |request| {
        let (router, ticket) = (router.clone(), Arc::clone(&ticket));
        async move { Ok::<_, Infallible>(answer(router, peer, ticket, request).await) }
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(PATIENCE)
        .max_buf_size(MOST_HEADERS)
        .serve_connection(io, service)
        .with_upgrades();
    let mut connection = pin!(connection);
    // A connection that breaks is nobody's business but the other's: it comes again.
    tokio::select! {
        _ = connection.as_mut() => {}
        _ = ended.changed() => {
            connection.as_mut().graceful_shutdown();
            let _ = connection.await;
        }
    }
}

async fn answer(mut router: Router, peer: SocketAddr, ticket: Arc<Ticket>, request: Request<Incoming>) -> Response {
    let (mut parts, body) = request.into_parts();
    let body = if study::reads_for_itself(&parts.method, parts.uri.path()) {
        Body::new(body)
    } else {
        match whole(body).await {
            Ok(body) => body,
            Err(status) => return refuse(status),
        }
    };
    let busy = Busy::new(Arc::clone(&ticket));
    parts.extensions.insert(ConnectInfo(peer));
    parts.extensions.insert(ticket);
    let request = Request::from_parts(parts, body);
    let Ok(answer) = tower_service::Service::call(&mut router, request).await;
    answer.map(|body| Body::new(Answered { body, _busy: busy }))
}

async fn whole(body: Incoming) -> Result<Body, StatusCode> {
    if body.size_hint().lower() > MOST_BODY as u64 {
        return Err(StatusCode::PAYLOAD_TOO_LARGE);
    }
    match timeout(PATIENCE, to_bytes(Body::new(body), MOST_BODY)).await {
        Ok(Ok(body)) => Ok(Body::from(body)),
        Ok(Err(_)) => Err(StatusCode::PAYLOAD_TOO_LARGE),
        Err(_) => Err(StatusCode::REQUEST_TIMEOUT),
    }
}

/// Refuses a request whose body was not read to its end: what follows on the connection makes no sense.
fn refuse(status: StatusCode) -> Response {
    let mut answer = status.into_response();
    answer.headers_mut().insert(header::CONNECTION, HeaderValue::from_static("close"));
    answer
}

/// An answer's body; as long as it is there the connection is being answered.
struct Answered {
    body: Body,
    _busy: Busy,
}

impl hyper::body::Body for Answered {
    type Data = <Body as hyper::body::Body>::Data;
    type Error = <Body as hyper::body::Body>::Error;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Self::Data>, Self::Error>>> {
        Pin::new(&mut self.body).poll_frame(context)
    }

    fn is_end_stream(&self) -> bool {
        self.body.is_end_stream()
    }

    fn size_hint(&self) -> SizeHint {
        self.body.size_hint()
    }
}

#[cfg(test)]
mod tests;
