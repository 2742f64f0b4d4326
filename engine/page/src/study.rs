//! The study of a sound: the desk hands in a sound, chooses a moment and takes along what is made of it.
//!
//! | request | answer |
//! | --- | --- |
//! | `POST /study?name=word.wav`, the file as body | the study |
//! | `POST /study/mic` with `{"mic": "voice", "seconds": 8}` | the study |
//! | `GET /study/3/moment?from=1.2&to=1.6` (seconds) | what sounds then |
//! | `GET /study/3/notes.mid?from=1.2&to=1.6&for=violin,viola&step=quarter-tone` | one of [`FILES`] |
//!
//! Whatever is refused is answered by `{"error": words}`: 409 busy or not to be had, 413 too large, 422 makes no sense.
//!
//! ```json
//! {"id": 3, "name": "word", "seconds": 2.13, "tuning_hz": 415.0, "temperament": "equal",
//!  "moment": {"from": 0.8, "to": 1.3}, "steady": [[0.8, 1.3]], "players": ["violin", "viola"], "steps": ["semitone", "quarter-tone"],
//!  "picture": {"width": 1123, "height": 794, "left": 80, "right": 1100, "top": 40, "bottom": 700}}
//! {"from": 0.8, "to": 1.3, "fundamental_hz": 220.1, "harmonicity": 0.97, "noise": 0.03,
//!  "formants": [{"hz": 640.0, "bandwidth_hz": 90.0}],
//!  "partials": [{"hz": 220.1, "db": -12.3, "note": "A3", "cents": 3.1, "confidence": 0.98}]}
//! ```
//! The picture's time axis goes from `left` (0 s) to `right` (`seconds`), in the picture's own units; what is drawn
//! lies between `top` and `bottom`. `fundamental_hz` is null where there is none. Partials come strongest first.

use std::collections::VecDeque;
use std::io::Write;
use std::ops::Range;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use axum::extract::rejection::{JsonRejection, PathRejection, QueryRejection};
use axum::extract::{Path, Query, Request, State};
use axum::http::header::{CONNECTION, CONTENT_DISPOSITION, CONTENT_LENGTH, CONTENT_TYPE};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use futures_util::StreamExt;
use percent_encoding::{NON_ALPHANUMERIC, utf8_percent_encode};
use serde::Deserialize;
use serde_json::Value;
use tempfile::NamedTempFile;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::timeout;
use tower_http::services::ServeFile;

use crate::auth::Refusal;
use crate::headers::{PICTURE_POLICY, Policy};

/// Studies sounds for the page. It is called off the server's own thread, for one thing at a time. Errors are words for
/// a person: what is wrong and what to do.
pub trait Studio: Send + Sync {
    /// Takes a sound file in; the study, as JSON.
    ///
    /// # Errors
    /// If it cannot be read.
    fn sound(&self, name: &str, bytes: Vec<u8>) -> Result<Value, String>;

    /// Takes the last seconds of a mic in; the study, as JSON.
    ///
    /// # Errors
    /// If they are not to be had.
    fn mic(&self, mic: &str, seconds: f64) -> Result<Value, String>;

    /// What the sound is made of between two times (seconds, the first before the second), as JSON.
    ///
    /// # Errors
    /// If there is no such study, or no such moment in it.
    fn moment(&self, id: u64, span: Range<f64>) -> Result<Value, String>;

    /// Makes one of [`FILES`] from a study. The same ask must always give the same file.
    ///
    /// # Errors
    /// If there is no such study, or what is asked for makes no sense in it.
    fn file(&self, id: u64, name: &str, ask: &StudyAsk) -> Result<StudyFile, String>;
}

/// What a file is to be made of; what is not said is left to the program.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct StudyAsk {
    /// Between which times, in seconds.
    pub span: Option<Range<f64>>,
    /// Who is to play, in this order.
    pub players: Vec<String>,
    /// How fine the notes are written; empty if it was not said.
    pub step: String,
}

/// A file made from a study.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StudyFile {
    /// Its name for whoever takes it along.
    pub name: String,
    /// Its media type.
    pub kind: &'static str,
    /// What is in it.
    pub bytes: Vec<u8>,
}

/// The files that a study gives.
pub const FILES: [&str; 9] = [
    "picture.svg",
    "picture.png",
    "sound.wav",
    "chord.wav",
    "notes.musicxml",
    "notes.mid",
    "partials.csv",
    "spectrum.toml",
    "piece.toml",
];

/// Bytes of a sound that is handed in.
const MOST_BYTES: usize = 64 << 20;
/// How long a sound's next bytes may take, and all of it.
const PATIENCE: Duration = Duration::from_secs(10);
const WHOLE: Duration = Duration::from_secs(600);
/// Sounds to hear that are kept: a browser asks for each in several ranges.
const KEPT: usize = 8;
/// Where sounds are handed in.
const INTAKE: &str = "/study";

/// Whether a request's body is read by its route, after that has seen who sends it, and not before.
pub(crate) fn reads_for_itself(method: &Method, path: &str) -> bool {
    method == Method::POST && path == INTAKE
}

/// `POST /study`, `POST /study/mic` and what is made of studies.
pub(crate) fn routes(studio: Arc<dyn Studio>) -> Router {
    let study = PageStudy { studio, alone: Arc::default(), door: Arc::new(Semaphore::new(1)), kept: Arc::default() };
    Router::new()
        .route(INTAKE, post(sound))
        .route("/study/mic", post(mic))
        .route("/study/{id}/moment", get(moment))
        .route("/study/{id}/{file}", get(file))
        .with_state(study)
}

/// A sound that was made to be heard, and of what.
struct KeptStudies {
    of: (u64, String, StudyAsk),
    file: Arc<NamedTempFile>,
}

#[derive(Clone)]
struct PageStudy {
    studio: Arc<dyn Studio>,
    /// One thing at a time: the machine has a concert to play.
    alone: Arc<tokio::sync::Mutex<()>>,
    /// One sound comes in at a time.
    door: Arc<Semaphore>,
    kept: Arc<Mutex<VecDeque<KeptStudies>>>,
}

impl PageStudy {
    /// Does something when nothing else is being done. Once begun it is brought to its end, though nobody may wait for
    /// it any more.
    async fn work<T: Send + 'static>(
        &self,
        refused: StatusCode,
        work: impl FnOnce(&dyn Studio) -> Result<T, String> + Send + 'static,
    ) -> Result<T, Refusal> {
        let alone = Arc::clone(&self.alone).lock_owned().await;
        let studio = Arc::clone(&self.studio);
        let done = tokio::task::spawn_blocking(move || {
            let _alone = alone;
            work(&*studio)
        });
        match done.await {
            Ok(done) => done.map_err(|words| Refusal::new(refused, words)),
            Err(_) => Err(Refusal::new(StatusCode::INTERNAL_SERVER_ERROR, "the study broke off: try another sound")),
        }
    }

    fn come_in(&self) -> Result<OwnedSemaphorePermit, Refusal> {
        let words = "another sound is being taken in: wait until that is done, then try again";
        Arc::clone(&self.door).try_acquire_owned().map_err(|_| Refusal::new(StatusCode::CONFLICT, words))
    }

    fn kept(&self) -> MutexGuard<'_, VecDeque<KeptStudies>> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn find(&self, of: &(u64, String, StudyAsk)) -> Option<Arc<NamedTempFile>> {
        self.kept().iter().find(|kept| kept.of == *of).map(|kept| Arc::clone(&kept.file))
    }

    /// A sound to hear, made unless it is still there.
    async fn heard(&self, id: u64, name: String, ask: StudyAsk) -> Result<Arc<NamedTempFile>, Refusal> {
        let of = (id, name, ask);
        if let Some(file) = self.find(&of) {
            return Ok(file);
        }
        let study = self.clone();
        let make = move |studio: &dyn Studio| {
            // Another request may have had it made meanwhile.
            if let Some(file) = study.find(&of) {
                return Ok(file);
            }
            let StudyFile { bytes, .. } = studio.file(of.0, &of.1, &of.2)?;
            let write = || {
                let mut file = tempfile::Builder::new().suffix(".wav").tempfile()?;
                file.write_all(&bytes)?;
                Ok(Arc::new(file))
            };
            let file = write().map_err(|why: std::io::Error| {
                format!("the sound cannot be kept in {} ({why}): make room there", std::env::temp_dir().display())
            })?;
            let mut kept = study.kept();
            kept.push_back(KeptStudies { of, file: Arc::clone(&file) });
            if kept.len() > KEPT {
                kept.pop_front();
            }
            Ok(file)
        };
        self.work(StatusCode::CONFLICT, make).await
    }
}

#[derive(Deserialize)]
struct NamedSound {
    name: String,
}

/// `POST /study`.
async fn sound(
    State(study): State<PageStudy>,
    named: Result<Query<NamedSound>, QueryRejection>,
    request: Request,
) -> Result<Json<Value>, Response> {
    // Whatever is not read to its end ends the connection.
    let last = |refusal: Refusal| ([(CONNECTION, "close")], refusal).into_response();
    let Query(NamedSound { name }) =
        named.map_err(|_| last(senseless("say what the file is called: /study?name=word.wav")))?;
    if declared(request.headers()).is_some_and(|length| length > MOST_BYTES as u64) {
        return Err(last(too_large()));
    }
    let place = study.come_in().map_err(last)?;
    let slow = || Refusal::new(StatusCode::REQUEST_TIMEOUT, "the file comes too slowly: look at the connection");
    let bytes = match timeout(WHOLE, read(request)).await {
        Ok(read) => read.map_err(last)?,
        Err(_) => return Err(last(slow())),
    };
    let take = move |studio: &dyn Studio| {
        let _place = place;
        studio.sound(&name, bytes)
    };
    study.work(StatusCode::UNPROCESSABLE_ENTITY, take).await.map(Json).map_err(IntoResponse::into_response)
}

async fn read(request: Request) -> Result<Vec<u8>, Refusal> {
    let mut bytes = Vec::new();
    let mut stream = request.into_body().into_data_stream();
    loop {
        match timeout(PATIENCE, stream.next()).await {
            Ok(Some(Ok(more))) if bytes.len() + more.len() > MOST_BYTES => return Err(too_large()),
            Ok(Some(Ok(more))) => bytes.extend_from_slice(&more),
            Ok(Some(Err(_))) => return Err(senseless("the file broke off on its way: send it again")),
            Ok(None) if bytes.is_empty() => return Err(senseless("the file is empty: choose another")),
            Ok(None) => return Ok(bytes),
            Err(_) => {
                let words = "the file stopped on its way: look at the connection, then send it again";
                return Err(Refusal::new(StatusCode::REQUEST_TIMEOUT, words));
            }
        }
    }
}

fn declared(headers: &HeaderMap) -> Option<u64> {
    headers.get(CONTENT_LENGTH)?.to_str().ok()?.parse().ok()
}

fn too_large() -> Refusal {
    let words = format!("the file is too large: at most {} MB, cut it shorter", MOST_BYTES >> 20);
    Refusal::new(StatusCode::PAYLOAD_TOO_LARGE, words)
}

fn senseless(words: &str) -> Refusal {
    Refusal::new(StatusCode::UNPROCESSABLE_ENTITY, words)
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct StudiedMic {
    mic: String,
    seconds: f64,
}

/// `POST /study/mic`.
async fn mic(
    State(study): State<PageStudy>,
    body: Result<Json<StudiedMic>, JsonRejection>,
) -> Result<Json<Value>, Refusal> {
    let sense = r#"the request makes no sense: send {"mic": "voice", "seconds": 8} as application/json"#;
    let Json(StudiedMic { mic, seconds }) = body.map_err(|_| senseless(sense))?;
    if seconds <= 0.0 {
        return Err(senseless("say how many seconds of the mic: more than 0"));
    }
    let place = study.come_in()?;
    let take = move |studio: &dyn Studio| {
        let _place = place;
        studio.mic(&mic, seconds)
    };
    study.work(StatusCode::CONFLICT, take).await.map(Json)
}

#[derive(Deserialize)]
struct AskedOfStudy {
    from: Option<f64>,
    to: Option<f64>,
    #[serde(rename = "for", default)]
    players: String,
    #[serde(default)]
    step: String,
}

impl AskedOfStudy {
    fn ask(self) -> Result<StudyAsk, Refusal> {
        let span = match (self.from, self.to) {
            (None, None) => None,
            (Some(from), Some(to)) if 0.0 <= from && from < to && to.is_finite() => Some(from..to),
            _ => return Err(senseless("a moment begins at 0 s or later and ends after that: from=1.2&to=1.6")),
        };
        let players = self.players.split(',').map(str::trim).filter(|name| !name.is_empty()).map(str::to_owned);
        Ok(StudyAsk { span, players: players.collect(), step: self.step })
    }
}

fn asked(query: Result<Query<AskedOfStudy>, QueryRejection>) -> Result<StudyAsk, Refusal> {
    let words = "what is asked for makes no sense: from=1.2&to=1.6&for=violin,viola&step=quarter-tone";
    query.map_err(|_| senseless(words))?.0.ask()
}

fn nothing() -> Refusal {
    Refusal::new(StatusCode::NOT_FOUND, format!("a study has no such file: it has {}", FILES.join(", ")))
}

/// `GET /study/ID/moment`.
async fn moment(
    State(study): State<PageStudy>,
    id: Result<Path<u64>, PathRejection>,
    query: Result<Query<AskedOfStudy>, QueryRejection>,
) -> Result<Json<Value>, Refusal> {
    let Path(id) = id.map_err(|_| nothing())?;
    let span = asked(query)?.span.ok_or_else(|| senseless("say which moment, in seconds: from=1.2&to=1.6"))?;
    study.work(StatusCode::CONFLICT, move |studio| studio.moment(id, span)).await.map(Json)
}

/// `GET /study/ID/FILE`.
async fn file(
    State(study): State<PageStudy>,
    path: Result<Path<(u64, String)>, PathRejection>,
    query: Result<Query<AskedOfStudy>, QueryRejection>,
    request: Request,
) -> Result<Response, Refusal> {
    let Path((id, name)) = path.map_err(|_| nothing())?;
    if !FILES.contains(&name.as_str()) {
        return Err(nothing());
    }
    let ask = asked(query)?;
    if name.ends_with(".wav") {
        let file = study.heard(id, name, ask).await?;
        // It answers to ranges, without which some browsers play nothing.
        let answer = ServeFile::new(file.path()).try_call(request).await;
        let unread = |why| Refusal::new(StatusCode::CONFLICT, format!("the sound cannot be read ({why}): try again"));
        return answer.map(IntoResponse::into_response).map_err(unread);
    }
    let seen = name == "picture.svg";
    let StudyFile { name, kind, bytes } =
        study.work(StatusCode::CONFLICT, move |studio| studio.file(id, &name, &ask)).await?;
    let mut answer = ([(CONTENT_TYPE, kind)], bytes).into_response();
    answer.headers_mut().insert(CONTENT_DISPOSITION, disposition(if seen { "inline" } else { "attachment" }, &name));
    if seen {
        answer.extensions_mut().insert(Policy(PICTURE_POLICY));
    }
    Ok(answer)
}

/// How a file is to be taken along, by RFC 6266: its name for all, and spelt out for those who know RFC 8187.
fn disposition(how: &str, name: &str) -> HeaderValue {
    let plain: String =
        name.chars().map(|c| if c.is_ascii_alphanumeric() || "-_. ".contains(c) { c } else { '_' }).collect();
    let whole = utf8_percent_encode(name, NON_ALPHANUMERIC);
    let value = format!("{how}; filename=\"{plain}\"; filename*=UTF-8''{whole}");
    HeaderValue::from_str(&value).expect("printable ASCII")
}
