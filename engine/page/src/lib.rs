//! The page: a server in the program's own binary, and what a browser shows of it.
//!
//! It names no device and no file of the piece: it shows a [`RunState`](tenterhook_plan::RunState), and asks for
//! the same [`Gesture`](tenterhook_plan::Gesture)s as a pedal does. A [`Page`] has a thread of its own; whoever feeds it
//! never waits for a browser.
//!
//! ```no_run
//! use std::sync::Arc;
//! use tenterhook_page::{Access, Page, Settings, score};
//! use tenterhook_plan::{EngineState, Plan, RunState};
//!
//! fn serve(plan: Arc<Plan>) -> Result<Page, tenterhook_page::Error> {
//!     let about = score::About { rate: 48_000, opens: score::View::Score, rehearsal: true, declarations: Vec::new() };
//!     let page = Page::serve(Settings {
//!         address: ([127, 0, 0, 1], 0).into(),
//!         access: Access::Anyone,
//!         plan: Arc::clone(&plan),
//!         about,
//!         words: |condition| condition.topic.name().to_owned(),
//!         etudes: Vec::new(),
//!         hear: Arc::new(|_| Err("there are none".to_owned())),
//!         studio: None,
//!         look_over: Arc::new(|| Vec::<String>::new().into()),
//!         act: Box::new(|_plan, gesture, who| {
//!             println!("{who:?} asks for {gesture:?}");
//!             true
//!         }),
//!         hall: None,
//!     })?;
//!     page.show(RunState::new(EngineState::new(plan)));
//!     Ok(page)
//! }
//! ```

mod access;
mod assets;
mod attempts;
mod auth;
pub mod authorize;
mod cookie;
mod etudes;
pub mod frame;
mod headers;
mod invite;
mod listener;
mod machine;
mod meters;
mod origin;
mod pace;
mod renewal;
pub mod score;
mod server;
mod socket;
mod study;
pub mod wire;

pub use access::{Access, KeysError, Role, RoleKeys, default_keys_path};
pub use etudes::{Etude, Hear};
pub use invite::{Invite, Reached};
pub use machine::LookOver;
pub use server::{Error, HallWish, Page, PageAct, Settings, WriteHall};
pub use study::{FILES, Studio, StudyAsk, StudyFile};
