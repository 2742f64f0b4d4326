//! Where a player waits for its blocks: whoever drives it takes it out for a block and puts it back.

use crate::{Player, Stats};
use crossbeam_utils::atomic::AtomicCell;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

/// The place of one player. A source holds a copy and drives whoever sits there. When its device has died the player can
/// be taken out from another thread and be driven by somebody else: nothing of it goes with the device. Cheap to clone.
#[derive(Clone)]
pub struct Seat(Arc<Shared>);

struct Shared {
    /// A box is one pointer, so taking it and putting it back are one atomic exchange each.
    player: AtomicCell<Option<Box<Player>>>,
    calls: AtomicU64,
    stats: Arc<Stats>,
}

/// How long a player may be away from its place for a block, before it counts as lost: more than any block takes.
const AWAY: Duration = Duration::from_secs(5);

impl Seat {
    /// A place with a player in it.
    pub fn of(player: Player) -> Self {
        let seat = Self::empty(player.stats());
        seat.put(Box::new(player));
        seat
    }

    /// A place for a player that feeds these counts, without it.
    pub(crate) fn empty(stats: Arc<Stats>) -> Self {
        Self(Arc::new(Shared { player: AtomicCell::new(None), calls: AtomicU64::new(0), stats }))
    }

    /// The counts that its player feeds.
    pub fn stats(&self) -> Arc<Stats> {
        Arc::clone(&self.0.stats)
    }

    /// Has whoever sits there play; false: nobody does. AUDIO THREAD.
    pub(crate) fn drive(&self, play: impl FnOnce(&mut Player)) -> bool {
        self.0.calls.fetch_add(1, Ordering::AcqRel);
        let Some(mut player) = self.0.player.take() else { return false };
        play(&mut player);
        // The place is empty: who takes a player out puts none in while a source runs.
        self.0.player.store(Some(player));
        true
    }

    /// One block in which nothing happens; silence where nobody sits. AUDIO THREAD.
    pub(crate) fn block(&self, inputs: &[&[f32]], outputs: &mut [&mut [f32]]) {
        if !self.drive(|player| player.block(inputs, outputs, &[])) {
            outputs.iter_mut().for_each(|output| output.fill(0.0));
        }
    }

    /// How many blocks were asked for, with a player or without.
    pub(crate) fn calls(&self) -> u64 {
        self.0.calls.load(Ordering::Acquire)
    }

    /// Takes the player out, waiting for the end of a block; `None`: there is none, or it went down with a thread that
    /// broke off. Never on the audio thread.
    pub(crate) fn take(&self) -> Option<Box<Player>> {
        const STEP: Duration = Duration::from_micros(200);
        let mut waited = Duration::ZERO;
        loop {
            if let Some(player) = self.0.player.take() {
                return Some(player);
            }
            if waited >= AWAY {
                return None;
            }
            std::thread::sleep(STEP);
            waited += STEP;
        }
    }

    /// Puts a player in. Never on the audio thread.
    pub(crate) fn put(&self, player: Box<Player>) {
        self.0.player.store(Some(player));
    }
}
