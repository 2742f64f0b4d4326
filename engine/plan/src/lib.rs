//! The words that every part of Tenterhook shares: names as ids, the [`Plan`] of a piece in one hall, the [`Gesture`]s
//! that change its sound, the [`Keys`] that work it, what an effect [declares](declare) about itself, and text as people are
//! [`shown`] it.
//!
//! This crate has no dependencies and does nothing: it only says what there is.

#![cfg_attr(
    not(test),
    deny(
        clippy::indexing_slicing,
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        clippy::let_underscore_must_use
    )
)]

mod address;
mod broken;
pub mod condition;
pub mod declare;
mod effect_state;
mod enclosed;
mod gesture;
mod ids;
mod intonation;
mod keys;
mod level;
mod meter;
mod piece;
pub mod pitch;
pub mod places;
pub mod players;
pub mod run_state;
mod shown;
mod who;

pub use address::{Address, Controller, Curve, FINER, Message, Reads, unit};
pub use broken::{Broken, Insight, Part};
pub use effect_state::{EffectState, Lack};
pub use enclosed::{Partial, Recording, Tuning};
pub use gesture::{Applied, Event, Gesture, Midi, Timed};
pub use ids::{ControllerId, GroupId, InstanceId, MicId, OutputId, SceneId, TrimId};
pub use intonation::{Intonation, JUST, Temperament};
pub use keys::Keys;
pub use level::{Decibels, LEAST_LEVEL_DB, LEAST_TRIM_DB, MOST_LEVEL_DB, MOST_TRIM_DB, MOST_WRITTEN_LEVEL_DB, gain};
pub use meter::{Channel, MeterReading, Meters};
pub use piece::{By, Group, Identity, Instance, Mic, Output, Owner, Plan, Scene, Send, Source, Trim, Use};
pub use run_state::{EngineState, RunState};
pub use shown::{is_hidden, shown, shown_lines};
pub use who::Who;
