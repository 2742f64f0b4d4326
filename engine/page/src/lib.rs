//! The page: a server in the program's own binary, and what a browser shows of it.
//!
//! It names no device and no file of the piece: it shows a [`Plan`](tenterhook_plan::Plan) and a [`Stand`], and asks for
//! the same [`Gesture`](tenterhook_plan::Gesture)s as a pedal does.

mod access;
mod may;
pub mod score;
mod stand;
pub mod wire;

pub use access::Role;
pub use stand::{About, Stand, Word};
