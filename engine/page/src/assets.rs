//! What a browser is given: the page's files, embedded in the program.

use std::borrow::Cow;
use std::collections::HashMap;
use std::io::Write;
use std::sync::{LazyLock, OnceLock};

use axum::body::Bytes;
use axum::http::header::{ACCEPT_ENCODING, CACHE_CONTROL, CONTENT_ENCODING, CONTENT_TYPE, ETAG, IF_NONE_MATCH, VARY};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use data_encoding::HEXLOWER;
use flate2::Compression;
use flate2::write::GzEncoder;
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
    let about = [(CONTENT_TYPE, kind), (ETAG, tag), (CACHE_CONTROL, "no-cache".to_owned())];
    // A hall's wireless network is slow.
    match packed(name).filter(|_| takes_gzip(headers)) {
        Some(packed) => {
            (about, [(CONTENT_ENCODING, "gzip"), (VARY, "accept-encoding")], Bytes::from_static(packed)).into_response()
        }
        None => (about, [(VARY, "accept-encoding")], data).into_response(),
    }
}

/// Whether the other reads gzip (RFC 9110, 12.5.3).
fn takes_gzip(headers: &HeaderMap) -> bool {
    let lines = headers.get_all(ACCEPT_ENCODING).iter().filter_map(|line| line.to_str().ok());
    let mut codings = lines.flat_map(|line| line.split(',')).map(|coding| {
        let mut parts = coding.split(';').map(str::trim);
        (parts.next().unwrap_or_default(), parts.next())
    });
    let refused = |weight: &str| weight.strip_prefix("q=").and_then(|q| q.parse::<f32>().ok()) == Some(0.0);
    codings.any(|(coding, weight)| coding.eq_ignore_ascii_case("gzip") && !weight.is_some_and(refused))
}

/// A file packed. Each is packed once, when it is first asked for: else whoever asks often keeps the page busy.
fn packed(name: &str) -> Option<&'static [u8]> {
    static PACKED: LazyLock<HashMap<Cow<'static, str>, OnceLock<Vec<u8>>>> =
        LazyLock::new(|| Assets::iter().map(|name| (name, OnceLock::new())).collect());
    let place = PACKED.get(name)?;
    let pack = || {
        let data = Assets::get(name).map(|file| file.data).unwrap_or_default();
        let mut packer = GzEncoder::new(Vec::new(), Compression::default());
        // A vector takes all that is written; were it otherwise, the file would go as it is.
        packer.write_all(&data).and_then(|()| packer.finish()).unwrap_or_default()
    };
    Some(place.get_or_init(pack).as_slice()).filter(|packed| !packed.is_empty())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gzip_goes_only_to_those_who_read_it() {
        let takes =
            |accept: &'static str| takes_gzip(&HeaderMap::from_iter([(ACCEPT_ENCODING, accept.parse().unwrap())]));
        for accept in ["gzip", "gzip, deflate, br, zstd", "br, GZIP", "gzip;q=0.5, *;q=0", "deflate, gzip ; q=1.0"] {
            assert!(takes(accept), "{accept}");
        }
        for accept in ["", "br", "gzip;q=0", "gzip; q=0.0, br", "identity", "gzipped"] {
            assert!(!takes(accept), "{accept}");
        }
        assert!(!takes_gzip(&HeaderMap::new()));
    }
}
