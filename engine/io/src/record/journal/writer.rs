//! What writes a journal, on a thread of its own.

use super::lines::{JournalLine, JournalPiece, JournalStands, PIECE_AGAIN, VERSION, line};
use super::{AGAIN, ENDED, GOES_ON, JournalError, Locked, PACE, PAUSE, Sync};
use crate::Done;
use crossbeam_channel::{Receiver, RecvTimeoutError};
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::PathBuf;
use std::sync::atomic::{AtomicU8, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Instant;
use tenterhook_plan::{EngineState, Plan};

pub(super) struct JournalWriter {
    pub path: PathBuf,
    pub file: Locked,
    /// The path of the piece.
    pub piece: String,
    pub state: EngineState,
    /// The newest version of the piece, with its checksum.
    pub newest: Arc<Mutex<(Arc<Plan>, u32)>>,
    pub told_piece: Option<JournalPiece>,
    pub told: Option<JournalStands>,
    /// Whether what the file holds is dropped first, from the byte at which it is a journal.
    pub anew: Option<u64>,
    /// Bytes that were written since the piece's line.
    pub since_piece: u64,
    /// Waits until the disk has what was written.
    pub sync: Sync,
}

impl JournalWriter {
    /// Writes until nobody sends any more; what went wrong lies in `trouble` for as long as it holds.
    pub fn run(&mut self, applied: &Receiver<Done>, state: &AtomicU8, trouble: &Mutex<Option<String>>) {
        // The first line waits as well, until all that the run begins with is in it.
        let (mut wrote, mut failed) = (Instant::now(), false);
        loop {
            // Read before the last look: what came before it is then surely written.
            let state = state.load(Ordering::Acquire);
            match applied.recv_timeout(PAUSE) {
                Ok(done) => [done].into_iter().chain(applied.try_iter()).for_each(|done| self.take_in(&done)),
                Err(RecvTimeoutError::Timeout) => {}
                // The hub is gone: nothing more comes, until somebody says how it ended.
                Err(RecvTimeoutError::Disconnected) => std::thread::sleep(PAUSE),
            }
            let pace = if failed { AGAIN } else { PACE };
            if state != GOES_ON || wrote.elapsed() >= pace {
                let written = self.write(state == ENDED);
                match &written {
                    Ok(false) => {}
                    Ok(true) | Err(_) => wrote = Instant::now(),
                }
                failed = written.is_err();
                let path = self.path.clone();
                let words = written.err().map(|why| JournalError::File { path, why }.to_string());
                *trouble.lock().unwrap_or_else(PoisonError::into_inner) = words;
            }
            if state != GOES_ON {
                return;
            }
        }
    }

    fn take_in(&mut self, Done { applied, plan }: &Done) {
        if !Arc::ptr_eq(&self.state.plan, plan) {
            self.state.change(plan);
        }
        self.state.apply(*applied);
    }

    /// Writes what is not written yet, and waits until the disk has it. False: there was nothing.
    pub fn write(&mut self, ended: bool) -> io::Result<bool> {
        let (plan, crc) = self.newest.lock().unwrap_or_else(PoisonError::into_inner).clone();
        let piece = JournalPiece {
            version: VERSION,
            path: self.piece.clone(),
            crc,
            marks: plan.scenes.iter().map(|scene| scene.mark.clone()).collect(),
        };
        let stands = JournalStands::of(&self.state);
        let mut text = String::new();
        let tells_piece = self.told_piece.as_ref() != Some(&piece) || self.since_piece >= PIECE_AGAIN;
        if tells_piece {
            text += &line(&JournalLine::Piece(piece.clone()))?;
        }
        // A state tells nothing without its piece, so both stand near each other, and near the end.
        if let Some(stands) = stands.clone().filter(|stands| tells_piece || self.told.as_ref() != Some(stands)) {
            text += &line(&JournalLine::Stands(stands))?;
        }
        if ended {
            text += &line(&JournalLine::Ended)?;
        }
        // Until something sounds there is nothing to take up, and what the run before left stays.
        if text.is_empty() || stands.is_none() && !ended {
            return Ok(false);
        }
        if let Some(from) = self.anew.take() {
            self.file.set_len(from)?;
        }
        if !ends_with_a_line(&mut self.file)? {
            // What was cut off shall not spoil what comes.
            text.insert(0, '\n');
        }
        self.file.write_all(text.as_bytes())?;
        (self.sync)(&self.file)?;
        self.since_piece = if tells_piece { 0 } else { self.since_piece + text.len() as u64 };
        (self.told_piece, self.told) = (Some(piece), stands);
        Ok(true)
    }
}

fn ends_with_a_line(file: &mut File) -> io::Result<bool> {
    if file.metadata()?.len() == 0 {
        return Ok(true);
    }
    let mut last = [0];
    file.seek(SeekFrom::End(-1))?;
    file.read_exact(&mut last)?;
    Ok(last == *b"\n")
}
