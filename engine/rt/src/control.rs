//! x
use crate::{Engine, Reading};
use tenterhook_plan::{Applied, Event, Plan, SceneId};

/// The other half.
pub struct Control {}

/// The ring towards the engine is full: nothing was sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Full;

/// Makes both halves of an engine for a piece.
pub fn engine(plan: &Plan, rate: u32, first: SceneId) -> (Engine, Control) {
    let _ = (plan, rate, first);
    (Engine {}, Control {})
}

impl Control {
    /// Sends an event, which acts at the first sample of the next block.
    ///
    /// # Errors
    /// [`Full`] when the engine has not taken events for a while.
    pub fn send(&mut self, event: Event) -> Result<(), Full> {
        let _ = event;
        Ok(())
    }

    /// Puts a changed piece in the place of the present one.
    ///
    /// # Errors
    /// [`Full`] when the engine has not taken events for a while.
    pub fn replace(&mut self, plan: &Plan) -> Result<(), Full> {
        let _ = plan;
        Ok(())
    }

    /// The next gesture that was applied, in order.
    pub fn applied(&mut self) -> Option<Applied> {
        None
    }

    /// How many applied gestures were lost because nobody took them in time.
    pub fn lost(&self) -> u64 {
        0
    }

    /// The next reading.
    pub fn reading(&mut self) -> Option<Reading> {
        None
    }

    /// The parts of port names that the piece's controllers ask for: bit n of [`tenterhook_plan::Midi::ports`] is set
    /// for a message from a port whose name holds the n-th.
    pub fn ports(&self) -> &[String] {
        &[]
    }
}
