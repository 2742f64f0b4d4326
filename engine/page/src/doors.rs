//! The page's doors: who comes in, as what, and who does not.

use crate::access::{Access, Role};
use crate::attempts::Attempts;
use crate::origin::{self, OriginError};
use crate::{cookie, headers};
use axum::extract::rejection::JsonRejection;
use axum::extract::{ConnectInfo, DefaultBodyLimit, Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::routing::post;
use axum::{Json, Router};
use serde::Deserialize;
use std::hash::{BuildHasher, RandomState};
use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// Bytes of a request's body.
const MOST_BODY: usize = 1024;

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
pub struct Doors {
    access: Access,
    attempts: Mutex<Attempts>,
    /// Tells shown keys apart without keeping them.
    hasher: RandomState,
}

impl Doors {
    /// Doors that let in whom `access` says.
    pub fn new(access: Access) -> Self {
        Self { access, attempts: Mutex::default(), hasher: RandomState::new() }
    }

    /// Whether a request may be looked at at all. Without keys it must come from this machine and name it by a loopback
    /// name. [`guarded`] asks this for every request.
    ///
    /// # Errors
    /// Why not.
    pub fn host(&self, headers: &HeaderMap, peer: SocketAddr) -> Result<(), Refusal> {
        match self.access {
            Access::Keys(_) => origin::host(headers).map(drop).map_err(Refusal::from),
            Access::Anyone if !peer.ip().to_canonical().is_loopback() => {
                Err(Refusal::new(StatusCode::FORBIDDEN, "without keys the page is for this machine alone"))
            }
            Access::Anyone => origin::loopback_host(headers).map_err(Refusal::from),
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
        let Access::Keys(keys) = &self.access else { return Ok(Role::Desk) };
        let needed = || Refusal::new(StatusCode::UNAUTHORIZED, "the page needs a key: enter the one you were given");
        let shown = cookie::key(headers).ok_or_else(needed)?;
        let (peer, now) = (peer.ip(), Instant::now());
        let mut attempts = self.attempts();
        // Who is in already is not kept out by others who try wrong keys, be it from the same network.
        if !attempts.knows(peer)
            && let Some(wait) = attempts.shut_to(peer, now)
        {
            return Err(Refusal::shut(wait));
        }
        match keys.role(&shown) {
            Some(role) => {
                attempts.right(peer);
                Ok(role)
            }
            None => {
                attempts.shown(peer, self.hasher.hash_one(&shown), now);
                Err(Refusal::new(StatusCode::UNAUTHORIZED, "the key is no longer right: enter the new one"))
            }
        }
    }

    /// Tries a key; its role and the `Set-Cookie` value to come in by from then on. `None`: none is needed.
    fn enter(&self, key: &str, peer: IpAddr, now: Instant) -> Result<Option<String>, Refusal> {
        let Access::Keys(keys) = &self.access else { return Ok(None) };
        let mut attempts = self.attempts();
        if let Some(wait) = attempts.shut_to(peer, now).max(attempts.shut_to_all(now)) {
            return Err(Refusal::shut(wait));
        }
        let Some(role) = keys.role(key) else {
            attempts.wrong(peer, now);
            return Err(Refusal::new(StatusCode::UNAUTHORIZED, "no such key: look at it again, letter by letter"));
        };
        attempts.right(peer);
        Ok(Some(cookie::set(keys, role)))
    }

    fn attempts(&self) -> MutexGuard<'_, Attempts> {
        self.attempts.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// `POST /enter` and `POST /leave`.
pub fn routes(doors: Arc<Doors>) -> Router {
    Router::new()
        .route("/enter", post(enter))
        .route("/leave", post(leave))
        .layer(DefaultBodyLimit::max(MOST_BODY))
        .with_state(doors)
}

/// Puts the doors before all of `router`: whose `Host` will not do gets no further, and every answer has the strict
/// headers. Needs `ConnectInfo<SocketAddr>`, as [`serve`](crate::listener::serve) gives it.
pub fn guarded(doors: Arc<Doors>, router: Router) -> Router {
    router.layer(middleware::from_fn_with_state(doors, guard)).layer(middleware::map_response(headers::strict))
}

/// Gives what `router` has only to those who are in, see [`Doors::reader`].
pub fn inside(doors: Arc<Doors>, router: Router) -> Router {
    router.route_layer(middleware::from_fn_with_state(doors, known))
}

/// Gives what `router` has only to the desk, and what is posted there only to our own page.
pub fn desk(doors: Arc<Doors>, router: Router) -> Router {
    router.route_layer(middleware::from_fn_with_state(doors, at_desk))
}

async fn at_desk(
    State(doors): State<Arc<Doors>>,
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
    State(doors): State<Arc<Doors>>,
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
    State(doors): State<Arc<Doors>>,
    ConnectInfo(peer): ConnectInfo<SocketAddr>,
    request: Request,
    next: Next,
) -> Response {
    match doors.host(request.headers(), peer) {
        Ok(()) => next.run(request).await,
        Err(refusal) => refusal.into_response(),
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Enter {
    key: String,
}

async fn enter(
    State(doors): State<Arc<Doors>>,
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
