//! A run: what drives it, what is shown of it, and what changes it while it lasts.

pub(crate) mod broke;
pub(crate) mod change;
pub(crate) mod conditions;
pub(crate) mod console;
pub(crate) mod desk;
pub(crate) mod file_watcher;
pub(crate) mod gesture_player;
pub(crate) mod listen;
pub(crate) mod relay;
pub(crate) mod resume;
pub(crate) mod room;
pub(crate) mod show;
pub(crate) mod stage;
pub(crate) mod words;
