//! The etudes on the page: their list, their texts, their sound.

use std::path::PathBuf;
use std::sync::Arc;

use axum::Json;
use axum::extract::{Path, Request, State};
use axum::http::StatusCode;
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use serde_json::json;
use tokio::sync::Mutex;
use tower_http::services::ServeFile;

/// A bundled piece on one idea.
#[derive(Clone, Debug, Serialize)]
pub struct Etude {
    /// Its name, as on the command line.
    pub name: String,
    /// Its title.
    pub title: String,
    /// Its idea, in one sentence.
    pub idea: String,
    /// The piece, a TOML file that explains itself.
    pub text: String,
}

/// Makes an etude heard: the path of a WAV file, or why there is none, in words. It may take seconds.
pub type Hear = dyn Fn(&str) -> Result<PathBuf, String> + Send + Sync;

/// The etudes, and how they are heard.
pub(crate) struct Etudes {
    all: Vec<Etude>,
    hear: Arc<Hear>,
    /// One is made at a time: the machine has other things to do.
    alone: Arc<Mutex<()>>,
}

impl Etudes {
    /// All études, and what renders them.
    pub fn new(all: Vec<Etude>, hear: Arc<Hear>) -> Self {
        Self { all, hear, alone: Arc::default() }
    }
}

/// `GET /etudes`.
pub(crate) async fn list(State(etudes): State<Arc<Etudes>>) -> Json<Vec<Etude>> {
    Json(etudes.all.clone())
}

/// `GET /etudes/NAME.toml` and `GET /etudes/NAME.wav`.
pub(crate) async fn one(State(etudes): State<Arc<Etudes>>, Path(file): Path<String>, request: Request) -> Response {
    let Some((name, kind)) = file.rsplit_once('.') else { return StatusCode::NOT_FOUND.into_response() };
    let Some(etude) = etudes.all.iter().find(|etude| etude.name == name) else {
        return StatusCode::NOT_FOUND.into_response();
    };
    match kind {
        "toml" => {
            let disposition = format!("attachment; filename=\"{name}.toml\"");
            let headers = [(CONTENT_TYPE, "application/toml; charset=utf-8"), (CONTENT_DISPOSITION, &disposition)];
            (headers, etude.text.clone()).into_response()
        }
        "wav" => sound(&etudes, name, request).await,
        _ => StatusCode::NOT_FOUND.into_response(),
    }
}

async fn sound(etudes: &Etudes, name: &str, request: Request) -> Response {
    // Held until it is made, even if nobody waits for it any more.
    let alone = Arc::clone(&etudes.alone).lock_owned().await;
    let (hear, name) = (Arc::clone(&etudes.hear), name.to_owned());
    let path = tokio::task::spawn_blocking(move || {
        let _alone = alone;
        hear(&name)
    })
    .await;
    let refused = |words: String| (StatusCode::CONFLICT, Json(json!({ "error": words }))).into_response();
    match path {
        // It answers to ranges, without which some browsers play nothing.
        Ok(Ok(path)) => match ServeFile::new(path).try_call(request).await {
            Ok(response) => response.into_response(),
            Err(why) => refused(format!("the sound cannot be read ({why})")),
        },
        Ok(Err(words)) => refused(words),
        Err(_) => refused("the sound could not be made".to_owned()),
    }
}
