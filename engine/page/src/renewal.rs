//! Keys while a piece plays: the desk shows others in, and renews a key that came into wrong hands.
//!
//! The desk asks `GET /keys/player` or `GET /keys/watch` for an invitation, and `POST /keys/ROLE` for a new key of any
//! role: whoever came in by the old one is out at once, and all others stay. Both answer:
//!
//! ```json
//! {"role": "player", "address": "http://192.0.2.7:4150/#key=…", "code": "<svg …>"}
//! ```
//! `code` is the address as a QR code. For the desk both are null: whoever asked has the new key as a cookie.
//! The keys are those of a file, and a file that changes changes them too.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use axum::extract::State;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use axum::{Json, Router, extract};
use serde_json::json;

use crate::access::{Role, RoleKeys};
use crate::auth::{Auth, Refusal};
use crate::cookie;
use crate::invite::{Invite, Reached};

/// How often the file is looked at.
const LOOK: Duration = Duration::from_millis(250);

#[derive(Clone)]
struct Renewal {
    doors: Arc<Auth>,
    /// `None`: the keys, if there are any, are in no file.
    file: Option<Arc<Path>>,
    /// Where the page is served.
    at: SocketAddr,
}

/// `GET` and `POST /keys/ROLE`, for the desk.
pub(crate) fn routes(doors: Arc<Auth>, file: Option<Arc<Path>>, at: SocketAddr) -> Router {
    Router::new().route("/keys/{role}", get(show).post(renew)).with_state(Renewal { doors, file, at })
}

async fn show(State(renewal): State<Renewal>, extract::Path(role): extract::Path<Role>) -> Result<Response, Refusal> {
    if role == Role::Desk {
        let words = "the desk's key is shown by `tenterhook invite desk` alone";
        return Err(Refusal::new(StatusCode::NOT_FOUND, words));
    }
    let keys = renewal.doors.keys().ok_or_else(none)?;
    Ok(invitation(&keys, role, renewal.at))
}

async fn renew(State(renewal): State<Renewal>, extract::Path(role): extract::Path<Role>) -> Result<Response, Refusal> {
    let file = renewal.file.clone().ok_or_else(none)?;
    let renewed = tokio::task::spawn_blocking(move || RoleKeys::renewed_for(&file, role)).await;
    let failed = |why: String| Refusal::new(StatusCode::INTERNAL_SERVER_ERROR, why);
    let keys = renewed.map_err(|_| failed("it broke off: try again".to_owned()))?;
    let keys = keys.map_err(|why| failed(why.to_string()))?;
    renewal.doors.change(&keys);
    Ok(invitation(&keys, role, renewal.at))
}

fn none() -> Refusal {
    Refusal::new(StatusCode::NOT_FOUND, "without --share there are no keys")
}

fn invitation(keys: &RoleKeys, role: Role, at: SocketAddr) -> Response {
    if role == Role::Desk {
        let told = Json(json!({ "role": role, "address": null, "code": null }));
        return match HeaderValue::from_str(&cookie::set(keys, role)) {
            Ok(cookie) => ([(header::SET_COOKIE, cookie)], told).into_response(),
            Err(_) => told.into_response(),
        };
    }
    let at = Reached::at(at).map_or(at, |reached| reached.likeliest);
    let invite = Invite::new(keys, role, at);
    Json(json!({ "role": role, "address": invite.address(), "code": invite.svg() })).into_response()
}

/// Takes over what changes in the file, for ever. One that cannot be read changes nothing.
pub(crate) async fn follow(doors: Arc<Auth>, file: PathBuf) {
    let mut seen: Option<SystemTime> = None;
    loop {
        let path = file.clone();
        let before = seen;
        let looked = tokio::task::spawn_blocking(move || {
            let modified = std::fs::metadata(&path).and_then(|about| about.modified()).ok();
            if modified == before { (modified, None) } else { (modified, RoleKeys::there(&path)) }
        });
        if let Ok((modified, keys)) = looked.await {
            seen = modified;
            if let Some(keys) = keys {
                doors.change(&keys);
            }
        }
        tokio::time::sleep(LOOK).await;
    }
}
