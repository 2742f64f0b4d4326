//! The voices of one effect on one source. All that a piece writes of this effect there share them, so a piece takes no more
//! memory for having more scenes.

use tenterhook_dsp::effects::{Effect, Prepared};
use tenterhook_plan::Plan;

use crate::compiled_plan::Making;
use crate::sends::Sends;
use crate::timings::Timings;
use crate::voice::{Life, Voice};

/// How many voices an effect has at a time: one that begins, one that ends, and one that is hurried out because a third
/// begins.
pub(crate) const VOICES: usize = 3;

/// What a pool must hold.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct PoolNeed {
    /// The source, by its place in the compiled plan.
    pub source: usize,
    /// The name of the effect.
    pub effect: &'static str,
    /// Voices that can be begun.
    pub voices: usize,
    /// The most [room](tenterhook_dsp::effects::Prepared::room) that settings ask for.
    pub room: f64,
    /// Places for voices with less room, which sound on over a change of the piece.
    pub guests: usize,
}

/// What the pools of a plan must hold whose instances read these sources, and for each instance the place of its pool:
/// three times the most voices that one scene names, with room for the largest settings.
pub(crate) fn pools(plan: &Plan, prepared: &[Prepared], reads: &[usize]) -> (Vec<PoolNeed>, Vec<usize>) {
    let mut needs: Vec<PoolNeed> = Vec::new();
    let mut places = Vec::new();
    for ((instance, prepared), &source) in plan.instances.iter().zip(prepared).zip(reads) {
        let effect = instance.effect;
        let place = needs.iter().position(|need| need.source == source && need.effect == effect);
        let place = place.unwrap_or_else(|| {
            needs.push(PoolNeed { source, effect, voices: VOICES, room: 0.0, guests: 0 });
            needs.len() - 1
        });
        if let Some(need) = needs.get_mut(place) {
            need.room = need.room.max(prepared.room);
        }
        places.push(place);
    }
    for scene in &plan.scenes {
        let mut named = vec![0; needs.len()];
        for used in &scene.uses {
            if let Some(count) = places.get(used.instance.index()).and_then(|&place| named.get_mut(place)) {
                *count += 1;
            }
        }
        needs.iter_mut().zip(named).for_each(|(need, named)| need.voices = need.voices.max(VOICES * named));
    }
    (needs, places)
}

/// See the module.
pub(crate) struct Pool {
    /// First those that can be begun, then the places of guests.
    voices: Vec<Voice>,
    own: usize,
}

impl Pool {
    /// Makes all voices. Not for the audio thread.
    pub fn new(need: &PoolNeed, making: Making, rate: u32, outputs: usize) -> Self {
        let Effect { make, .. } = *making.effect(need.effect);
        let own = (0..need.voices).map(|_| Voice::new(Some(make(rate, need.room)), outputs));
        let guests = (0..need.guests).map(|_| Voice::new(None, outputs));
        Self { voices: own.chain(guests).collect(), own: need.voices }
    }

    /// Bytes that one takes.
    pub fn bytes(need: &PoolNeed, making: Making, rate: u32, outputs: usize) -> usize {
        let processor = (making.effect(need.effect).bytes)(rate, need.room);
        let voice = size_of::<Voice>() + Sends::bytes(outputs);
        size_of::<Self>() + need.voices * (voice + processor) + need.guests * voice
    }

    /// The voice at a place.
    pub fn get(&self, slot: usize) -> Option<&Voice> {
        self.voices.get(slot)
    }

    /// The voice at a place.
    pub fn get_mut(&mut self, slot: usize) -> Option<&mut Voice> {
        self.voices.get_mut(slot)
    }

    /// A voice that can be begun.
    pub fn free(&self) -> Option<usize> {
        self.voices.iter().take(self.own).position(|voice| voice.life == Life::Free && !voice.spoiled)
    }

    /// How many sound.
    #[cfg(test)]
    pub fn busy(&self) -> usize {
        self.voices.iter().filter(|voice| voice.life != Life::Free).count()
    }

    /// How many have broken.
    #[cfg(test)]
    pub fn spoiled(&self) -> usize {
        self.voices.iter().filter(|voice| voice.spoiled).count()
    }

    /// Voice stealing: where all but one are busy, the one that has been ending for longest makes room. A resident effect
    /// does the same among its own, see [`Resident::moved`](crate::resident::Resident::moved).
    pub fn make_room(&mut self, timings: Timings) {
        let own = self.voices.get_mut(..self.own).unwrap_or_default();
        if own.iter().filter(|voice| voice.life == Life::Free && !voice.spoiled).count() <= 1 {
            let ending = own.iter_mut().filter(|voice| matches!(voice.life, Life::Ending | Life::Leaving));
            ending.min_by_key(|voice| voice.began).into_iter().for_each(|voice| voice.leave(timings.hurry));
        }
    }

    /// Takes over the voices of the pool before it; `outputs` pairs that one's outputs with these. Where they have room for
    /// all that may be asked of this pool's own, they become its own, else guests, who are not begun again.
    pub fn carry(&mut self, old: &mut Self, becoming: Becoming, outputs: &[(usize, usize)]) {
        for slot in 0..old.voices.len() {
            let place = self.voices.get_mut(becoming.slot(slot, old.own, self.own));
            let (Some(place), Some(voice)) = (place, old.voices.get_mut(slot)) else { continue };
            // What broke goes home with its piece, as does what has too little room and sounds no more.
            if voice.life == Life::Free && (becoming == Becoming::Guests || voice.spoiled) {
                continue;
            }
            std::mem::swap(place, voice);
            // The number of outputs may differ: the new one's sends, filled from the old one's.
            std::mem::swap(&mut place.sends, &mut voice.sends);
            place.sends.carry(&voice.sends, outputs);
        }
    }

    /// Where the voice at this place of the pool before it is in this one.
    pub fn slot(&self, old: &Self, becoming: Becoming, slot: usize) -> usize {
        becoming.slot(slot, old.own, self.own)
    }

    /// All that sounds for one of these ends at once: what is left of it has faded.
    pub fn free_all(&mut self, of: impl Fn(usize) -> bool) {
        for voice in self.voices.iter_mut().filter(|voice| voice.owner.is_some_and(&of)) {
            voice.free();
        }
    }
}

/// What the voices of a pool become in the pool after it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Becoming {
    Own,
    Guests,
}

impl Becoming {
    fn slot(self, slot: usize, old: usize, new: usize) -> usize {
        match self {
            Becoming::Own if slot < old => slot,
            Becoming::Own => new + slot - old,
            Becoming::Guests => new + slot,
        }
    }
}

impl PoolNeed {
    /// Grows to what `had`, the pool before it, holds, so that its voices can move over; and what they become.
    pub fn follow(&mut self, had: &Self) -> Becoming {
        if had.room >= self.room {
            (self.room, self.voices) = (had.room, self.voices.max(had.voices));
            self.guests = had.guests;
            Becoming::Own
        } else {
            self.guests = had.voices + had.guests;
            Becoming::Guests
        }
    }
}
