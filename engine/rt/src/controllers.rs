//! The controllers' states, and what reaches them.

use tenterhook_dsp::memory::OWN;
use tenterhook_plan::{Address, Controller, ControllerId, Curve, Plan};

use crate::in_room::{InRoom, RoomPace};
use crate::reading::Reading;

/// At or below this an incoming value is at rest: worn pedals never come back to 0.
const RESTS: f32 = 0.03;
/// Above this it has left rest.
const LEAVES: f32 = 0.05;
/// `next`, `back` and `hush` act when their controller rises through this …
const ACTS: f32 = 0.5;
/// … and are ready again when it was below this.
const RE_ARMS: f32 = 0.25;

/// Where a controller stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct ControllerState {
    pub value: f32,
    pub at_rest: bool,
    /// The switch of a latched controller is down.
    down: bool,
}

impl ControllerState {
    /// A controller that has said nothing yet.
    pub const NEW: ControllerState = ControllerState { value: 0.0, at_rest: true, down: false };

    /// Takes a value of 0…1.
    pub fn set(&mut self, value: f32) {
        self.value = value;
        if value <= RESTS {
            self.at_rest = true;
        } else if value > LEAVES {
            self.at_rest = false;
        }
    }

    /// The switch goes down or comes up: the value after it, if it turned the controller over.
    pub fn press(&mut self, down: bool) -> Option<f32> {
        let turns = down && !self.down;
        self.down = down;
        turns.then_some(if self.value > ACTS { 0.0 } else { 1.0 })
    }
}

/// A controller that fires or hushes.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Trigger {
    pub controller: Option<ControllerId>,
    armed: bool,
    not_before: u64,
}

impl Trigger {
    /// Ready to act.
    pub fn new(controller: Option<ControllerId>) -> Self {
        Self { controller, armed: true, not_before: 0 }
    }

    /// Takes over where the one of the piece before stood.
    pub fn carry(&mut self, old: &Self) {
        (self.armed, self.not_before) = (old.armed, old.not_before);
    }

    /// Takes a value at a sample: whether it acts.
    pub fn pull(&mut self, value: f32, at: u64, again: u64) -> bool {
        if value < RE_ARMS {
            self.armed = true;
        }
        if !(self.armed && value >= ACTS) {
            return false;
        }
        self.armed = false;
        let acts = at >= self.not_before;
        if acts {
            self.not_before = at + again;
        }
        acts
    }
}

/// A controller that follows a mic's loudness.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Loudness {
    pub id: ControllerId,
    pub mic: usize,
    from_db: f64,
    to_db: f64,
    curve: Curve,
    attack: f64,
    release: f64,
    /// The cell's sum of squares so far.
    sum: f64,
    /// The mean square, smoothed both ways …
    smooth: f64,
    /// … and held up while it falls.
    square: f64,
    /// What of it is the neighbours', smoothed the same way, and what they lately were.
    explained: f64,
    room: InRoom,
    pace: RoomPace,
    /// The value that was last told; `None`: none was.
    told: Option<f32>,
}

/// Seconds in which a rising and a falling loudness make up 63 % of a step: short enough for a syllable's attack, long
/// enough not to flutter with the glottal pulses. Common practice, no source; `laws/loudness.rs` says what it comes to.
const ATTACK: f64 = 0.015;
const RELEASE: f64 = 0.150;

/// A move that is worth telling: a two-hundredth of the way, less than can be seen on a page.
const TOLD_STEP: f32 = 0.005;

impl Loudness {
    /// All controllers of a plan that follow loudness.
    pub fn all(plan: &Plan, rate: u32) -> Vec<Self> {
        let pace = |seconds: f64| -(-(tenterhook_dsp::CELL as f64) / (seconds * f64::from(rate))).exp_m1();
        let one = |(index, controller): (usize, &Controller)| match controller.address {
            Address::Loudness { mic, from_db, to_db } => Some(Self {
                id: ControllerId::new(index),
                mic: mic.index(),
                from_db,
                to_db,
                curve: controller.curve,
                attack: pace(ATTACK),
                release: pace(RELEASE),
                sum: 0.0,
                smooth: 0.0,
                square: 0.0,
                explained: 0.0,
                room: InRoom::default(),
                pace: RoomPace::new(tenterhook_dsp::CELL, rate),
                told: None,
            }),
            _ => None,
        };
        plan.controllers.iter().enumerate().filter_map(one).collect()
    }

    /// Takes over where the same controller of the piece before stood.
    pub fn carry(&mut self, old: &Self) {
        (self.sum, self.smooth, self.square) = (old.sum, old.smooth, old.square);
        (self.explained, self.room) = (old.explained, old.room);
    }

    /// Takes in the mic's sound, in any pieces.
    pub fn feed(&mut self, samples: &[f32]) {
        for &sample in samples {
            self.sum += f64::from(sample) * f64::from(sample);
        }
    }

    /// At a grid line: the value for the cell that begins; `explained` of the power of the one before is the neighbours'.
    pub fn settle(&mut self, explained: f32) -> f32 {
        let mean = self.sum / tenterhook_dsp::CELL as f64;
        self.sum = 0.0;
        self.smooth += (mean - self.smooth) * self.attack;
        // The same way for both, or an attack of a neighbour's would be the player's own for a moment.
        self.explained += (f64::from(explained) - self.explained) * self.attack;
        let explained = self.room.step(self.explained as f32, self.pace);
        let own = if self.smooth >= f64::from(OWN * explained) { self.smooth } else { 0.0 };
        // Were the mean itself held up, a low voice would be as loud as its pulses are, up to 5 dB more than it is.
        self.square = own.max(self.square + (own - self.square) * self.release);
        if self.square < 1e-18 {
            self.square = 0.0;
        }
        if self.smooth < 1e-18 {
            self.smooth = 0.0;
        }
        if self.explained < 1e-18 {
            self.explained = 0.0;
        }
        let db = 10.0 * self.square.max(1e-18).log10();
        self.curve.bend(((db - self.from_db) / (self.to_db - self.from_db)) as f32)
    }

    /// Says its value, where that is not what was last told; `say` returns whether it was told.
    pub fn tell(&mut self, value: f32, say: impl FnOnce(Reading) -> bool) {
        let news = self.told.is_none_or(|told| (value - told).abs() > TOLD_STEP || value == 0.0 && told != 0.0);
        if news && say(Reading::Loudness { id: self.id, value }) {
            self.told = Some(value);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rest_has_two_thresholds() {
        let mut state = ControllerState::NEW;
        let mut rests = |value: f32| {
            state.set(value);
            state.at_rest
        };
        let seen: Vec<bool> = [0.04, 0.05, 0.051, 0.04, 0.031, 0.03, 0.05].map(&mut rests).to_vec();
        assert_eq!(seen, [true, true, false, false, false, true, true]);
    }

    #[test]
    fn a_trigger_acts_on_rising_once_in_its_time_and_re_arms_low() {
        let mut trigger = Trigger::new(None);
        let mut acts = |at: u64, value: f32| trigger.pull(value, at, 100);
        assert!(!acts(0, 0.49));
        assert!(acts(1, 0.5));
        assert!(!acts(200, 1.0), "it has not been low");
        assert!(!acts(201, 0.3));
        assert!(!acts(202, 1.0), "0.3 is not low enough");
        assert!(!acts(203, 0.2));
        assert!(acts(204, 1.0));
        assert!(!acts(205, 0.0));
        assert!(!acts(206, 1.0), "too soon");
        assert!(!acts(400, 1.0), "a press that came too soon does not act later");
        assert!(!acts(401, 0.0));
        assert!(acts(402, 1.0));
    }

    #[test]
    fn a_latch_turns_over_with_each_press() {
        let mut state = ControllerState::NEW;
        assert_eq!(state.press(true), Some(1.0));
        state.set(1.0);
        assert_eq!((state.press(true), state.press(false)), (None, None));
        assert_eq!(state.press(true), Some(0.0));
    }
}
