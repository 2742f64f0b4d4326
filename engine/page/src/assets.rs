//! What a browser is given: the page's files, embedded in the program.

use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE, ETAG, IF_NONE_MATCH};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use data_encoding::HEXLOWER;
use rust_embed::{EmbeddedFile, RustEmbed};

#[derive(RustEmbed)]
#[folder = "assets"]
struct Assets;

/// The page itself.
pub(crate) async fn page(headers: HeaderMap) -> Response {
    give("index.html", &headers)
}

/// One of its files.
pub(crate) async fn asset(axum::extract::Path(name): axum::extract::Path<String>, headers: HeaderMap) -> Response {
    give(&name, &headers)
}

fn give(name: &str, headers: &HeaderMap) -> Response {
    let Some(EmbeddedFile { data, metadata, .. }) = Assets::get(name) else {
        return StatusCode::NOT_FOUND.into_response();
    };
    // A browser keeps its copy and asks whether it is still right: a new program is seen at once.
    let tag = format!("\"{}\"", HEXLOWER.encode(&metadata.sha256_hash()[..16]));
    if headers.get(IF_NONE_MATCH).is_some_and(|known| known.as_bytes() == tag.as_bytes()) {
        return (StatusCode::NOT_MODIFIED, [(ETAG, tag)]).into_response();
    }
    let kind = match metadata.mimetype() {
        text if text.starts_with("text/") => format!("{text}; charset=utf-8"),
        other => other.to_owned(),
    };
    ([(CONTENT_TYPE, kind), (ETAG, tag), (CACHE_CONTROL, "no-cache".to_owned())], data).into_response()
}
