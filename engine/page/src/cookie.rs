//! The cookie by which a browser shows its key again.

use crate::access::{Role, RoleKeys};
use axum::http::{HeaderMap, header::COOKIE};

const NAME: &str = "tenterhook";
/// A season of rehearsals, in seconds.
const KEPT: u32 = 30 * 24 * 60 * 60;

/// The `Set-Cookie` value that gives a browser the key of `role`.
///
/// Without `Secure`: in a hall's network the page comes over plain HTTP, and a browser would drop the cookie.
pub fn set(keys: &RoleKeys, role: Role) -> String {
    format!("{NAME}={}; HttpOnly; SameSite=Strict; Path=/; Max-Age={KEPT}", keys.spelt(role))
}

/// The `Set-Cookie` value that takes it away.
pub fn removed() -> String {
    format!("{NAME}=; HttpOnly; SameSite=Strict; Path=/; Max-Age=0")
}

/// The key in a request's cookies, right or wrong.
pub fn key(headers: &HeaderMap) -> Option<String> {
    let lines = headers.get_all(COOKIE).iter().filter_map(|line| line.to_str().ok());
    let mut cookies = lines.flat_map(cookie::Cookie::split_parse).flatten();
    cookies.find(|cookie| cookie.name() == NAME && !cookie.value().is_empty()).map(|cookie| cookie.value().to_owned())
}

#[cfg(test)]
mod tests;
