//! Whether a request comes from our own page, or from a foreign one that the same browser has open.

use axum::http::uri::Authority;
use axum::http::{HeaderMap, HeaderName, header};
use std::net::{IpAddr, Ipv6Addr};

const SITE: HeaderName = HeaderName::from_static("sec-fetch-site");
const MODE: HeaderName = HeaderName::from_static("sec-fetch-mode");
const DEST: HeaderName = HeaderName::from_static("sec-fetch-dest");

/// Why a request's Host or Origin is refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum OriginError {
    /// No `Host`, more than one, or not the name of a machine.
    #[error("the request does not say which machine it is for: open the page by its address")]
    Host,
    /// `Host` is not this machine's own name for itself.
    #[error("without keys the page is for this machine alone: open it as http://localhost, or share it with keys")]
    NotLoopback,
    /// No `Origin`, or more than one.
    #[error("the request does not say which page it comes from: use the page itself")]
    NoOrigin,
    /// `Origin` is another page.
    #[error("the request comes from another page: open the page by its own address and use that")]
    Foreign,
}

/// The machine and port that a request is for.
///
/// # Errors
/// [`OriginError::Host`] unless there is just one `Host` that is one.
pub fn host(headers: &HeaderMap) -> Result<Authority, OriginError> {
    let text = only(headers, header::HOST).ok_or(OriginError::Host)?;
    authority(text).ok_or(OriginError::Host)
}

/// A request to a page without keys must name this machine by a loopback name. Without this a foreign page whose name
/// is made to point here after it was loaded would be the same origin for the browser, and might do everything.
///
/// # Errors
/// If there is no proper `Host`, or another.
pub fn loopback_host(headers: &HeaderMap) -> Result<(), OriginError> {
    let authority = host(headers)?;
    let name = authority.host();
    let bare = name.strip_prefix('[').and_then(|name| name.strip_suffix(']'));
    let loopback = match bare {
        Some(six) => six.parse::<Ipv6Addr>().is_ok_and(|address| address.is_loopback()),
        None => name.eq_ignore_ascii_case("localhost") || name.parse::<IpAddr>().is_ok_and(|ip| ip.is_loopback()),
    };
    if loopback { Ok(()) } else { Err(OriginError::NotLoopback) }
}

/// A WebSocket may be opened by our own page only: browsers let any page open one anywhere, and say whose it is.
///
/// # Errors
/// If `Origin` is missing or not `http://` with just what `Host` says.
pub fn same_origin(headers: &HeaderMap) -> Result<(), OriginError> {
    let host = host(headers)?;
    let origin = only(headers, header::ORIGIN).ok_or(OriginError::NoOrigin)?;
    let origin = origin.strip_prefix("http://").and_then(authority).ok_or(OriginError::Foreign)?;
    let port = |authority: &Authority| authority.port_u16().unwrap_or(80);
    let same = host.host().eq_ignore_ascii_case(origin.host()) && port(&host) == port(&origin);
    if same { Ok(()) } else { Err(OriginError::Foreign) }
}

/// Browsers that are new enough say how whoever asks stands to us, if we are reached by a loopback name or encrypted
/// (W3C, Fetch Metadata Request Headers). Some of their requests have no `Origin`.
///
/// # Errors
/// If another page asks, be it of this machine.
pub fn same_site(headers: &HeaderMap) -> Result<(), OriginError> {
    let mut said = headers.get_all(SITE).iter();
    // "none": the user asks, by the address or a bookmark.
    if said.all(|site| site == "same-origin" || site == "none") { Ok(()) } else { Err(OriginError::Foreign) }
}

/// Whether a request opens a page in a window, as a link does, not in another page.
pub fn is_visit(headers: &HeaderMap) -> bool {
    only(headers, MODE) == Some("navigate") && only(headers, DEST) == Some("document")
}

fn only(headers: &HeaderMap, name: HeaderName) -> Option<&str> {
    let mut values = headers.get_all(name).iter();
    let value = values.next()?;
    if values.next().is_some() { None } else { value.to_str().ok() }
}

/// A name or number with or without a port, and nothing else.
fn authority(text: &str) -> Option<Authority> {
    let authority: Authority = text.parse().ok()?;
    let rest = text.strip_prefix(authority.host())?;
    let port = rest.is_empty() || rest.strip_prefix(':').is_some_and(|port| port.parse::<u16>().is_ok());
    (!authority.host().is_empty() && port).then_some(authority)
}

#[cfg(test)]
mod tests;
