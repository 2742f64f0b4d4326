//! The page: a server in the program's own binary, and what a browser shows of it.

pub mod access;
mod attempts;
mod cookie;
pub mod doors;
pub mod headers;
pub mod invite;
pub mod listener;
mod origin;
