//! The level of the effects of one name, on their way to the outputs.

use tenterhook_dsp::CELL;
use tenterhook_plan::Trim;

use crate::fader::Fader;
use crate::strip::CellSound;
use crate::timings::Timings;

/// The level of all effects of one name: a fader, and what it gives for the present piece of a cell.
pub(crate) struct TrimFader {
    pub level: Fader,
    gains: CellSound,
    /// All of a cell's gains are what it stands at.
    still: bool,
}

impl TrimFader {
    /// At what the hall says.
    pub fn new(trim: &Trim) -> Self {
        Self { level: Fader::trim(trim.db), gains: [1.0; CELL as usize], still: false }
    }

    /// Goes on by so many samples.
    pub fn advance(&mut self, length: usize) {
        // One that stands still costs nothing.
        let still = self.level.is_still();
        if still && self.still {
            return;
        }
        let gains = if still { &mut self.gains } else { self.gains.get_mut(..length).unwrap_or_default() };
        self.level.fill(gains);
        self.still = still;
    }

    /// The gains of the present piece.
    pub fn gains(&self) -> &[f32] {
        &self.gains
    }

    /// Goes on from that of the same name in the piece before, of which `db` stays: another one is what its hall says anew.
    pub fn carry(&mut self, old: &Self, db: f32, timings: Timings) {
        self.level = old.level;
        if db != old.level.db() {
            self.level.take(db, timings);
        }
    }
}
