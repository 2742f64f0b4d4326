//! Where a player waits for its blocks: whoever drives it takes it out for a block and puts it back.

use crate::{Player, Stats};
use crossbeam_utils::atomic::AtomicCell;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, AtomicU64, Ordering};
use std::time::Duration;
use tenterhook_rt::caught;

/// The place of one player. A source holds a copy and drives whoever sits there. When its device has died the player can
/// be taken out from another thread and be driven by somebody else: nothing of it goes with the device. Cheap to clone.
#[derive(Clone)]
pub struct PlayerSlot(Arc<SeatShared>);

struct SeatShared {
    /// A box is one pointer, so taking it and putting it back are one atomic exchange each.
    player: AtomicCell<Option<Box<Player>>>,
    calls: AtomicU64,
    /// Blocks in a row that broke off.
    broken: AtomicU32,
    stats: Arc<Stats>,
}

/// How long a player may be away from its place for a block, before it counts as lost: more than any block takes.
const AWAY: Duration = Duration::from_secs(5);

/// So many blocks that break off in a row are enough.
const PATIENCE: u32 = 8;

impl PlayerSlot {
    /// A place with a player in it.
    pub fn of(player: Player) -> Self {
        let seat = Self::empty(player.stats());
        seat.put(Box::new(player));
        seat
    }

    /// A place for a player that feeds these counts, without it.
    pub(crate) fn empty(stats: Arc<Stats>) -> Self {
        Self(Arc::new(SeatShared {
            player: AtomicCell::new(None),
            calls: AtomicU64::new(0),
            broken: AtomicU32::new(0),
            stats,
        }))
    }

    /// The counts that its player feeds.
    pub fn stats(&self) -> Arc<Stats> {
        Arc::clone(&self.0.stats)
    }

    /// Has whoever sits there play; false: nobody does, or it broke off and the block is to be silent. AUDIO THREAD.
    ///
    /// What can break alone the engine catches itself. This is the last net, for the rest: the player is put back, so that
    /// nothing of the run goes down with it. An engine that breaks block after block is not asked any more.
    pub(crate) fn drive(&self, play: impl FnOnce(&mut Player)) -> bool {
        self.0.calls.fetch_add(1, Ordering::AcqRel);
        let Some(mut player) = self.0.player.take() else { return false };
        let broken = &self.0.broken;
        let mut whole = broken.load(Ordering::Relaxed) < PATIENCE;
        if whole {
            let played = caught(|| play(&mut player));
            whole = played.is_ok();
            broken.store(if whole { 0 } else { broken.load(Ordering::Relaxed) + 1 }, Ordering::Relaxed);
            if let Err(spot) = played {
                self.0.stats.broke(spot);
            }
        }
        // The place is empty: who takes a player out puts none in while a source runs.
        self.0.player.store(Some(player));
        whole
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

#[cfg(test)]
mod tests {
    use super::*;
    use tenterhook_config::{Text, check};
    use tenterhook_plan::SceneId;

    /// A seat whose player's blocks break while `breaks` says so, and the value of its output after a block.
    fn seat(breaks: impl Fn(u64) -> bool + Send + 'static) -> PlayerSlot {
        let piece = "mics = { voice = 1 }\noutputs = { left = 1 }\n[[scene]]\nmark = \"A\"\nmic.voice.direct = { by = \"scene\" }\n";
        let plan = check(&Text::new("reed.toml", piece), None).expect("nothing is wrong with it").plan;
        let (engine, _) = tenterhook_rt::engine(&plan, 48_000, SceneId(0));
        let mut blocks = 0;
        let sound = move |_: u64, inputs: &mut [&mut [f32]]| {
            blocks += 1;
            assert!(!breaks(blocks), "block {blocks} breaks");
            inputs.iter_mut().for_each(|input| input.fill(0.25));
        };
        PlayerSlot::of(Player::new(engine, 48_000).with_sound(1, Box::new(sound)))
    }

    fn block(seat: &PlayerSlot) -> f32 {
        let mut out = [f32::NAN; 64];
        seat.block(&[], &mut [&mut out]);
        assert!(out.iter().all(|sample| sample.is_finite()));
        out[63]
    }

    #[test]
    fn a_block_that_breaks_off_is_silent_and_told_and_the_player_plays_on() {
        tenterhook_rt::quiet_hook();
        let seat = seat(|block| block == 40);
        let heard: Vec<f32> = (0..80).map(|_| block(&seat)).collect();
        assert_eq!(heard[39], 0.0);
        // It comes in over a scene's fade, and goes on where it stood.
        assert!(heard[38] > 0.0 && heard[40] > heard[38] && heard[79] > heard[40], "{heard:?}");
        let load = seat.stats().load();
        assert_eq!(load.broken, 1);
        assert!(load.broke_at.is_some_and(|place| place.starts_with("src/device/player_slot.rs:")));
        assert!(seat.take().is_some(), "it is there");
    }

    #[test]
    fn an_engine_that_breaks_block_after_block_is_asked_no_more_and_stays_where_it_is() {
        tenterhook_rt::quiet_hook();
        let seat = seat(|block| block > 10);
        let heard: Vec<f32> = (0..80).map(|_| block(&seat)).collect();
        assert!(heard[10..].iter().all(|&sample| sample == 0.0));
        assert_eq!(seat.stats().load().broken, u64::from(PATIENCE));
        assert_eq!(seat.calls(), 80, "the device is alive");
        assert!(seat.take().is_some());
    }
}
