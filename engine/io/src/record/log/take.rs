//! `take.json`: on what a run was played, and how that went. For people and for those who stage the piece again; no replay
//! needs it.
//!
//! ```json
//! {
//!   "version": 1, "program": "0.1.0", "host": "JACK", "device": "JACK server `default`", "rate": 48000, "block": 64,
//!   "began": "2026-11-29T19:30:00+01:00[Europe/Berlin]",
//!   "ended": {"frames": 172800000, "lost": 0, "late_blocks": 2, "gaps": 0}
//! }
//! ```
//! `began` is date, time and zone as RFC 9557 writes them. `ended` is null in the file of a run that was never ended, whose
//! name is `take.unfinished.json`. A later version may have more keys.

use super::text::{LogText, unfinished};
use super::{LogEnd, LogError, TAKE};
use crate::Load;
use crate::files::place::{self, Over};
use serde_json::json;
use std::fs::{self, File};
use std::io::Write;
use std::path::Path;

/// The version of the file.
const VERSION: u32 = 1;

/// On what a run is played.
#[derive(Clone, Copy, Debug, Default)]
pub struct TakeSettings<'a> {
    /// The program's version.
    pub program: &'a str,
    /// What the device belongs to.
    pub host: &'a str,
    /// The device, in words for a person.
    pub device: &'a str,
    /// Frames of a block.
    pub block: u32,
    /// Date, time and zone, as RFC 9557 writes them.
    pub began: &'a str,
}

/// How it went.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Ended {
    /// Blocks that were late.
    pub late_blocks: u64,
    /// Gaps that the device reported.
    pub gaps: u64,
}

impl From<&Load> for Ended {
    fn from(load: &Load) -> Self {
        Self { late_blocks: load.late, gaps: load.xruns }
    }
}

pub(super) struct Take(serde_json::Map<String, serde_json::Value>);

impl Take {
    /// What is known of a run when it begins.
    pub fn of(TakeSettings { program, host, device, block, began }: TakeSettings<'_>, rate: u32) -> Self {
        let told = json!({
            "version": VERSION, "program": program, "host": host, "device": device, "rate": rate, "block": block,
            "began": began, "ended": null,
        });
        Self(told.as_object().cloned().unwrap_or_default())
    }

    /// The text of `take.json`, with how the run ended if it has.
    pub fn json(&self, ended: Option<(Ended, LogEnd)>) -> String {
        let mut told = self.0.clone();
        if let Some((Ended { late_blocks, gaps }, LogEnd { frames, lost })) = ended {
            let ended = json!({ "frames": frames, "lost": lost, "late_blocks": late_blocks, "gaps": gaps });
            told.insert("ended".to_owned(), ended);
        }
        format!("{:#}\n", serde_json::Value::Object(told))
    }

    /// Puts the whole file in the place of the unfinished one.
    pub fn finish(self, dir: &Path, begun: LogText, ended: Ended, end: LogEnd) -> Result<(), LogError> {
        let path = dir.join(TAKE);
        let text = self.json(Some((ended, end)));
        drop(begun);
        let put = || {
            let made = path.with_extension("unfinished-2.json");
            let mut file = File::options().write(true).create_new(true).open(&made)?;
            file.write_all(text.as_bytes())?;
            file.sync_all()?;
            place::take(&made, &path, Over::Nothing)?;
            fs::remove_file(unfinished(&path))
        };
        put().map_err(|why| LogError::Write { path: path.clone(), why })
    }
}
