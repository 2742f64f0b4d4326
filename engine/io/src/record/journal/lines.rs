//! The lines of a journal: how they are written, how they are read, and what they tell.

use super::{Found, Interrupted, MOST_BYTES, checksum};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::collections::BTreeMap;
use std::io;
use tenterhook_plan::EngineState;

/// The version of the lines.
pub(super) const VERSION: u32 = 1;
/// After so many bytes at most the piece's line is written again, so that those which are read have one.
pub(super) const PIECE_AGAIN: u64 = MOST_BYTES / 4;
/// What every journal begins with after the first line's checksum, whatever its version.
const BEGINNING: &[u8] = b" {\"piece\":{\"version\":";
const CHECKSUM_DIGITS: usize = 8;

#[derive(Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(super) enum JournalLine {
    Piece(JournalPiece),
    Stands(JournalStands),
    Ended,
}

/// Which piece a run played.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct JournalPiece {
    pub version: u32,
    pub path: String,
    /// The CRC-32 of its text.
    pub crc: u32,
    /// The marks of its scenes, in order.
    pub marks: Vec<String>,
}

/// How things stood, by names.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct JournalStands {
    mark: String,
    hushed: bool,
    muted: Vec<String>,
    level_db: f32,
    levels_db: BTreeMap<String, f32>,
    /// By the mic or group, and by the key.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    trims_db: BTreeMap<String, BTreeMap<String, f32>>,
}

impl JournalStands {
    /// `None`: nothing is known of a scene yet.
    pub fn of(state: &EngineState) -> Option<Self> {
        let plan = &state.plan;
        let muted = plan.mics.iter().zip(&state.muted).filter(|(_, muted)| **muted);
        let levels = plan.outputs.iter().zip(&state.levels_db).filter(|(_, db)| **db != 0.0);
        let mut trims_db = BTreeMap::<_, BTreeMap<_, _>>::new();
        for (trim, &db) in plan.trims.iter().zip(&state.trims_db).filter(|(trim, db)| **db != trim.db) {
            trims_db.entry(plan.owner_name(trim.owner).to_owned()).or_default().insert(trim.key.clone(), db);
        }
        Some(Self {
            trims_db,
            mark: plan.scenes.get(state.scene?.0.index())?.mark.clone(),
            hushed: state.hushed,
            muted: muted.map(|(mic, _)| mic.name.clone()).collect(),
            level_db: state.level_db,
            levels_db: levels.map(|(output, db)| (output.name.clone(), *db)).collect(),
        })
    }
}

pub(super) fn line(line: &JournalLine) -> io::Result<String> {
    let json = serde_json::to_string(line).map_err(io::Error::other)?;
    Ok(format!("{:08x} {json}\n", checksum(json.as_bytes())))
}

enum Parsed {
    Line(JournalLine),
    /// It is whole, and says what this version does not know; of a piece's line the version.
    Unknown(Option<u64>),
    Damaged,
}

fn parse(line: &[u8]) -> Parsed {
    let Some(json) = line.strip_suffix(b"\n").and_then(whole) else { return Parsed::Damaged };
    let version = serde_json::from_slice(json).ok().and_then(|json: Value| json["piece"]["version"].as_u64());
    match serde_json::from_slice(json) {
        Ok(line) if version.is_none_or(|version| version == u64::from(VERSION)) => Parsed::Line(line),
        _ => Parsed::Unknown(version),
    }
}

/// Checks a line: what follows its checksum, if that is right.
fn whole(line: &[u8]) -> Option<&[u8]> {
    let (crc, json) = line.split_at_checked(CHECKSUM_DIGITS)?;
    let json = json.strip_prefix(b" ")?;
    let crc = u32::from_str_radix(std::str::from_utf8(crc).ok()?, 16).ok()?;
    (crc == checksum(json)).then_some(json)
}

/// What a journal of the piece `piece` tells; `cut`: its beginning is missing.
pub(super) fn read(bytes: &[u8], cut: bool, piece: &str) -> Found {
    let mut found = Found::default();
    // A state tells something only of the piece whose line stands before it.
    let mut played = None;
    let lines = bytes.split_inclusive(|byte| *byte == b'\n').skip(usize::from(cut));
    for line in lines.filter(|line| *line != b"\n") {
        match parse(line) {
            Parsed::Damaged => found.damaged += 1,
            Parsed::Line(JournalLine::Ended) => found.interrupted = None,
            Parsed::Line(JournalLine::Piece(said)) if said.path == piece => {
                if let Some(stands) = &mut found.interrupted {
                    (stands.marks, stands.crc) = (said.marks.clone(), said.crc);
                }
                (played, found.later) = (Some(said), None);
            }
            // Another piece's.
            Parsed::Line(JournalLine::Piece(_)) => (played, found.interrupted, found.later) = (None, None, None),
            Parsed::Unknown(None) => {}
            Parsed::Unknown(version) => (played, found.interrupted, found.later) = (None, None, version),
            Parsed::Line(JournalLine::Stands(JournalStands { mark, hushed, muted, level_db, levels_db, trims_db })) => {
                if let Some(JournalPiece { marks, crc, .. }) = &played {
                    let (marks, crc) = (marks.clone(), *crc);
                    found.interrupted =
                        Some(Interrupted { mark, marks, crc, hushed, muted, level_db, levels_db, trims_db });
                }
            }
        }
    }
    found
}

/// How a file begins that is to be a journal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Begins {
    /// As a journal does, at that byte: pieces of beginnings that were cut off may stand before it.
    AsOne(usize),
    /// As a journal does, but it is cut off before one can tell which; or there is nothing at all.
    CutOff,
    /// Otherwise.
    Otherwise,
}

impl Begins {
    /// How the file begins of which these are the first bytes, or all.
    pub fn of(bytes: &[u8]) -> Self {
        let mut at = 0;
        for line in bytes.split_inclusive(|byte| *byte == b'\n') {
            let is_last = at + line.len() == bytes.len();
            let text = line.strip_suffix(b"\n").unwrap_or(line);
            let digits = text.iter().take(CHECKSUM_DIGITS);
            let (after, hex) = (text.get(CHECKSUM_DIGITS..), digits.clone().all(u8::is_ascii_hexdigit));
            let after = after.unwrap_or_default();
            if !hex || !after.starts_with(&BEGINNING[..after.len().min(BEGINNING.len())]) {
                return Self::Otherwise;
            }
            if after.len() >= BEGINNING.len() {
                return Self::AsOne(at);
            }
            // Who came after a torn line began a new one. A lone line of digits is somebody's number.
            if text.len() < line.len() && is_last && after.is_empty() || text.is_empty() {
                return Self::Otherwise;
            }
            at += line.len();
        }
        Self::CutOff
    }
}
