//! The page's doors: who comes in, as what, and who does not.

use crate::access::{Access, Role, RoleKeys};
use crate::attempts::Attempts;
use crate::listener::Ticket;
use crate::origin::{self, OriginError};
use crate::pace::{Pace, Purse};
use crate::{cookie, headers};
use axum::extract::rejection::JsonRejection;
use axum::extract::{ConnectInfo, DefaultBodyLimit, Extension, Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::routing::post;
use axum::{Json, Router};
use serde::Deserialize;
use std::hash::{BuildHasher, RandomState};
use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::watch;

/// Bytes of a request's body.
const MOST_BODY: usize = 1024;
/// Requests that are answered to all who do not come as desk or player. To load the page takes some 25.
const STRANGERS: Pace = Pace { a_second: 250.0, at_once: 500.0 };

/// Why somebody is not let in. As an answer: its status, and `{"error": words}`.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{words}")]
pub struct Refusal {
    /// 401 without a right key, 403 from a foreign page or place, 429 after too many wrong keys, 4xx for a request
    /// that makes no sense.
    pub status: StatusCode,
    /// What is wrong, and what to do.
    pub words: String,
    /// For 429: when to come again.
    pub wait: Option<Duration>,
}

impl Refusal {
    /// A refusal with what is told to a person.
    pub fn new(status: StatusCode, words: impl Into<String>) -> Self {
        Self { status, words: words.into(), wait: None }
    }

    fn shut(wait: Duration) -> Self {
        let words = format!("too many wrong keys: wait {} s and try again", seconds(wait));
        Self { wait: Some(wait), ..Self::new(StatusCode::TOO_MANY_REQUESTS, words) }
    }
}

impl From<OriginError> for Refusal {
    fn from(why: OriginError) -> Self {
        let status = if why == OriginError::Host { StatusCode::BAD_REQUEST } else { StatusCode::FORBIDDEN };
        Self::new(status, why.to_string())
    }
}

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        let mut answer = (self.status, Json(serde_json::json!({ "error": self.words }))).into_response();
        if let Some(wait) = self.wait {
            answer.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from(seconds(wait)));
        }
        answer
    }
}

/// Whole seconds, never too few.
fn seconds(wait: Duration) -> u64 {
    wait.as_secs() + 1
}

/// Decides who may come in. One for the whole server.
pub struct Auth {
    access: Mutex<Access>,
    /// Of each role in the order of [`Role::ALL`]: how often its key has been renewed.
    renewed: [watch::Sender<u64>; 3],
    attempts: Mutex<Attempts>,
    /// Tells shown keys apart without keeping them.
    hasher: RandomState,
    /// Where all stand in line who are neither desk nor players: each connection once, so that each has its turn.
    line: tokio::sync::Mutex<Purse>,
}

impl Auth {
    /// Doors that let in whom `access` says.
    pub fn new(access: Access) -> Self {
        Self {
            access: Mutex::new(access),
            renewed: Default::default(),
            attempts: Mutex::default(),
            hasher: RandomState::new(),
            line: tokio::sync::Mutex::new(Purse::new(STRANGERS, Instant::now())),
        }
    }

    /// From now on these are the keys. Who came in by one that is no more is out at once; the others stay. Nothing, if
    /// there are no keys.
    pub fn change(&self, keys: &RoleKeys) {
        let changed = {
            let mut access = lock(&self.access);
            let (Access::Keys(old) | Access::Kept(old, _)) = &mut *access else { return };
            let changed = Role::ALL.map(|role| !old.same(keys, role));
            *old = keys.clone();
            changed
        };
        for (_, renewed) in changed.into_iter().zip(&self.renewed).filter(|(changed, _)| *changed) {
            renewed.send_modify(|count| *count += 1);
        }
    }

    /// Changes when the key of a role is renewed. To be taken before the key is looked at.
    pub fn renewals(&self, role: Role) -> watch::Receiver<u64> {
        self.renewed[role as usize].subscribe()
    }

    /// The keys in force; `None`: none are needed.
    pub fn keys(&self) -> Option<RoleKeys> {
        match &*lock(&self.access) {
            Access::Anyone => None,
            Access::Keys(keys) | Access::Kept(keys, _) => Some(keys.clone()),
        }
    }

    /// As what a request comes in by its cookie.
    fn seen(&self, headers: &HeaderMap) -> Option<Role> {
        match self.keys() {
            None => Some(Role::Desk),
            Some(keys) => cookie::key(headers).and_then(|shown| keys.role(&shown)),
        }
    }

    /// Waits until a stranger's request has its turn.
    async fn turn(&self) {
        let mut purse = self.line.lock().await;
        if purse.left(Instant::now()) < 1.0 {
            // Whoever comes later waits behind this one.
            tokio::time::sleep(purse.until(1.0)).await;
            purse.left(Instant::now());
        }
        purse.take(1.0);
    }

    /// Whether a request may be looked at at all. Without keys it must come from this machine and name it by a loopback
    /// name. [`guarded`] asks this for every request.
    ///
    /// # Errors
    /// Why not.
    pub fn host(&self, headers: &HeaderMap, peer: SocketAddr) -> Result<(), Refusal> {
        match self.keys() {
            Some(_) => origin::host(headers).map(drop).map_err(Refusal::from),
            None if !peer.ip().to_canonical().is_loopback() => {
                Err(Refusal::new(StatusCode::FORBIDDEN, "without keys the page is for this machine alone"))
            }
            None => origin::loopback_host(headers).map_err(Refusal::from),
        }
    }

    /// As what whoever opens a WebSocket comes in: by `Host`, `Origin` and cookie. To be asked before the upgrade.
    ///
    /// # Errors
    /// Why not.
    pub fn role(&self, headers: &HeaderMap, peer: SocketAddr) -> Result<Role, Refusal> {
        origin::same_origin(headers)?;
        self.reader(headers, peer)
    }

    /// As what whoever asks for a file comes in: by `Host` and cookie. Browsers say no `Origin` when they fetch from
    /// their own page; a foreign page gets no cookie and cannot read the answer.
    ///
    /// # Errors
    /// Why not.
    pub fn reader(&self, headers: &HeaderMap, peer: SocketAddr) -> Result<Role, Refusal> {
        self.host(headers, peer)?;
        let Some(keys) = self.keys() else { return Ok(Role::Desk) };
        let needed = || Refusal::new(StatusCode::UNAUTHORIZED, "the page needs a key: enter the one you were given");
        let shown = cookie::key(headers).ok_or_else(needed)?;
        keys.role(&shown).ok_or_else(|| {
            let known = self.hasher.hash_one(&shown);
            match lock(&self.attempts).shown(peer.ip(), known, Instant::now()) {
                Some(wait) => Refusal::shut(wait),
                None => Refusal::new(StatusCode::UNAUTHORIZED, "the key is no longer right: enter the new one"),
            }
        })
    }

    /// Tries a key; its role and the `Set-Cookie` value to come in by from then on. `None`: none is needed.
    fn enter(&self, key: &str, peer: IpAddr, now: Instant) -> Result<Option<String>, Refusal> {
        let Some(keys) = self.keys() else { return Ok(None) };
        match keys.role(key) {
            Some(role) => Ok(Some(cookie::set(&keys, role))),
            None => Err(match lock(&self.attempts).wrong(peer, now) {
                Some(wait) => Refusal::shut(wait),
                None => Refusal::new(StatusCode::UNAUTHORIZED, "no such key: look at it again, letter by letter"),
            }),
        }
    }
}

/// No holder of these locks can leave them half changed, so a panic elsewhere does not spoil them.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// `POST /enter` and `POST /leave`.
pub fn routes(doors: Arc<Auth>) -> Router {
    Router::new()
        .route("/enter", post(enter))
        .route("/leave", post(leave))
        .layer(DefaultBodyLimit::max(MOST_BODY))
        .with_state(doors)
}

/// Puts the doors before all of `router`: whose `Host` will not do gets no further, and every answer has the strict
/// headers. Needs `ConnectInfo<SocketAddr>`, as [`serve`](crate::listener::serve) gives it.
pub fn guarded(doors: Arc<Auth>, router: Router) -> Router {
    router.layer(middleware::from_fn_with_state(doors, guard)).layer(middleware::map_response(headers::strict))
}

/// Gives what `router` has only to those who are in, see [`Auth::reader`].
pub fn inside(doors: Arc<Auth>, router: Router) -> Router {
    router.route_layer(middleware::from_fn_with_state(doors, known))
}

/// Gives what `router` has only to the desk, and what is posted there only to our own page.
pub fn desk(doors: Arc<Auth>, router: Router) -> Router {
    router.route_layer(middleware::from_fn_with_state(doors, at_desk))
}

async fn at_desk(
    State(doors): State<Arc<Auth>>,
    ConnectInfo(peer): ConnectInfo<SocketAddr>,
    request: Request,
    next: Next,
) -> Result<Response, Refusal> {
    if !request.method().is_safe() {
        own_page(request.headers())?;
    }
    if doors.reader(request.headers(), peer)? != Role::Desk {
        return Err(Refusal::new(StatusCode::FORBIDDEN, "this is the desk's: enter the desk's key"));
    }
    Ok(next.run(request).await)
}

async fn known(
    State(doors): State<Arc<Auth>>,
    ConnectInfo(peer): ConnectInfo<SocketAddr>,
    request: Request,
    next: Next,
) -> Response {
    match doors.reader(request.headers(), peer) {
        Ok(_) => next.run(request).await,
        Err(refusal) => refusal.into_response(),
    }
}

async fn guard(
    State(doors): State<Arc<Auth>>,
    ConnectInfo(peer): ConnectInfo<SocketAddr>,
    ticket: Option<Extension<Arc<Ticket>>>,
    request: Request,
    next: Next,
) -> Result<Response, Refusal> {
    let seen = doors.seen(request.headers());
    if let Some(Extension(ticket)) = ticket {
        ticket.comes_as(seen);
    }
    if !matches!(seen, Some(Role::Desk | Role::Player)) {
        doors.turn().await;
    }
    doors.host(request.headers(), peer)?;
    // A link may lead here; but nothing is fetched or sent by a foreign page.
    if !(request.method() == Method::GET && origin::is_visit(request.headers())) {
        origin::same_site(request.headers())?;
    }
    Ok(next.run(request).await)
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Enter {
    key: String,
}

async fn enter(
    State(doors): State<Arc<Auth>>,
    ConnectInfo(peer): ConnectInfo<SocketAddr>,
    headers: HeaderMap,
    body: Result<Json<Enter>, JsonRejection>,
) -> Result<Response, Refusal> {
    own_page(&headers)?;
    let Json(Enter { key }) = body.map_err(senseless)?;
    let cookie = doors.enter(&key, peer.ip(), Instant::now())?;
    Ok(match cookie.and_then(|cookie| HeaderValue::from_str(&cookie).ok()) {
        Some(cookie) => (StatusCode::NO_CONTENT, [(header::SET_COOKIE, cookie)]).into_response(),
        None => StatusCode::NO_CONTENT.into_response(),
    })
}

async fn leave(headers: HeaderMap) -> Result<Response, Refusal> {
    own_page(&headers)?;
    Ok((StatusCode::NO_CONTENT, [(header::SET_COOKIE, cookie::removed())]).into_response())
}

/// A foreign page may neither let its visitor in nor put them out. Who says no `Origin` is no browser.
fn own_page(headers: &HeaderMap) -> Result<(), Refusal> {
    match origin::same_origin(headers) {
        Err(OriginError::NoOrigin) if !headers.contains_key(header::ORIGIN) => Ok(()),
        checked => checked.map_err(Refusal::from),
    }
}

fn senseless(why: JsonRejection) -> Refusal {
    let words = match why.status() {
        StatusCode::PAYLOAD_TOO_LARGE => format!("the request is too long: at most {MOST_BODY} bytes"),
        _ => r#"the request makes no sense: send {"key": "ABCD-..."} as application/json"#.to_owned(),
    };
    Refusal::new(why.status(), words)
}

#[cfg(test)]
mod tests;
