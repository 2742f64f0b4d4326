//! The machine before a show: the desk has it looked over.
//!
//! `GET /machine` answers a list of what was looked at:
//!
//! ```json
//! [{"what": "power", "state": "good", "found": "on the mains", "to_do": null},
//!  {"what": "sleep", "state": "look", "found": "after 20 min", "to_do": "switch it off"}]
//! ```
//! `state` is `good`, `look` or `cannot be seen`; `to_do` is null where nothing is.

use std::sync::Arc;

use axum::extract::State;
use axum::http::StatusCode;
use axum::routing::get;
use axum::{Json, Router};
use serde_json::Value;
use tokio::sync::Mutex;

use crate::auth::Refusal;

/// Looks the machine over; may take a second. The answer is as in `GET /machine`.
pub type LookOver = dyn Fn() -> Value + Send + Sync;

#[derive(Clone)]
struct Machine {
    look: Arc<LookOver>,
    /// One at a time.
    alone: Arc<Mutex<()>>,
}

/// `GET /machine`.
pub(crate) fn routes(look: Arc<LookOver>) -> Router {
    Router::new().route("/machine", get(machine)).with_state(Machine { look, alone: Arc::default() })
}

async fn machine(State(Machine { look, alone }): State<Machine>) -> Result<Json<Value>, Refusal> {
    let alone = alone.lock_owned().await;
    let looked = tokio::task::spawn_blocking(move || {
        let _alone = alone;
        look()
    });
    let broke_off = |_| Refusal::new(StatusCode::INTERNAL_SERVER_ERROR, "it broke off: look again");
    looked.await.map(Json).map_err(broke_off)
}
