//! What is heard of a mic and told to others, where somebody asked for it.

mod attacks;

use attacks::Attacks;
use tenterhook_dsp::memory::{Memory, SourcePitch};
use tenterhook_plan::{MicId, Plan};

use crate::reading::Reading;

/// Listens to one mic.
pub(crate) struct Hearing {
    mic: MicId,
    attacks: Attacks,
    /// Whether the pitch that was last told was one.
    pitched: bool,
}

impl Hearing {
    /// One for each mic.
    pub fn all(plan: &Plan, rate: u32) -> Vec<Self> {
        let mics = (0..plan.mics.len()).map(MicId::new);
        mics.map(|mic| Self { mic, attacks: Attacks::new(rate), pitched: false }).collect()
    }

    /// The place of its mic.
    pub fn mic(&self) -> usize {
        self.mic.index()
    }

    /// Takes in the mic's sound, in pieces that no grid line cuts.
    pub fn feed(&mut self, sound: &[f32]) {
        self.attacks.feed(sound);
    }

    /// At a grid line: says an attack that is over its top. One that finds no room is lost.
    pub fn at_line(&mut self, line: u64, say: impl FnOnce(Reading) -> bool) {
        if let Some(attack) = self.attacks.at_line(line) {
            say(Reading::Onset { sample: attack.sample, mic: self.mic, db: attack.db });
        }
    }

    /// Says the pitch that there is, and once that there is none any more.
    pub fn tell(&mut self, sample: u64, memory: &Memory, rate: u32, say: impl FnOnce(Reading) -> bool) {
        let Some(SourcePitch { hz, confidence }) = memory.heard(sample).pitch(rate) else { return };
        let pitched = hz > 0.0;
        if (pitched || self.pitched) && say(Reading::Pitch { sample, mic: self.mic, hz, confidence }) {
            self.pitched = pitched;
        }
    }

    /// Takes over what the one of the same mic has heard in the piece before.
    pub fn carry(&mut self, old: &mut Self) {
        std::mem::swap(&mut self.attacks, &mut old.attacks);
        self.pitched = old.pitched;
    }
}
