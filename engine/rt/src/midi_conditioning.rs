//! What a pedal or a wheel sends over MIDI, made steady: contacts bounce, worn sensors flicker, a value of 14 bits comes
//! in two messages. Everything is decided at a message's own sample or at grid lines.
//!
//! - A switch acts at once. What follows within 25 ms is its bouncing: it waits, and if the switch then stands
//!   otherwise, that acts. Notes come from keyboards and pads, which see to that themselves: they always act at once.
//! - Anything else acts at most once in a cell; what comes on top waits for the next line, where the last value acts. One
//!   step back is flickering and does nothing; its ends, and what goes on in the same direction, always act.
//! - The greater part of a fine value waits 5 ms for the finer, so that no coarse step is heard between both. If none
//!   comes it is 0.

use tenterhook_dsp::CELL;
use tenterhook_plan::{Address, Controller, ControllerId, Curve, Gesture, Message, Reads};

use crate::controllers::ControllerState;
use crate::reading::Reading;
use crate::timings::Timings;

/// One thing that a message says.
#[derive(Clone, Copy, Debug)]
pub(crate) enum SaidValue {
    /// A value, 0…127; of a fine controller its greater part.
    Value(u8),
    /// The finer part of a value, 0…127.
    Finer(u8),
}

/// What makes two hands the same.
#[derive(Clone, Copy, Debug, PartialEq)]
enum HandKind {
    Note,
    Switch,
    Steps,
    Fine,
}

impl HandKind {
    /// Its greatest value.
    fn top(self) -> u16 {
        match self {
            HandKind::Note | HandKind::Switch => 1,
            HandKind::Steps => 127,
            HandKind::Fine => 16_383,
        }
    }

    /// A move back by so much is flickering: one step; of a fine value, which has 128 times as many, a sixteenth of that
    /// step. Common practice, no source.
    fn flicker(self) -> u16 {
        match self {
            HandKind::Note | HandKind::Switch => 0,
            HandKind::Steps => 1,
            HandKind::Fine => 8,
        }
    }
}

/// Which way round a switch seems to be wired.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Wired {
    /// It has said nothing.
    Unknown,
    /// It said first that it was let go, though nobody had pressed it: as if it were pressed at rest. Now it is let go …
    LetGo { since: u64 },
    /// … or pressed, after it was let go for so long.
    Pressed { since: u64, after: u64 },
    /// As it should be.
    Right,
}

/// One controller that MIDI reaches.
#[derive(Clone, Debug)]
pub(crate) struct Hand {
    id: ControllerId,
    address: Address,
    kind: HandKind,
    inverted: bool,
    latch: bool,
    curve: Curve,
    /// The parts of a fine value.
    parts: (u8, u8),
    /// What it said last, if that waits.
    waits: Option<u16>,
    /// Nothing acts before this sample: after an act …
    not_before: u64,
    /// … and while the other part of a fine value is to come.
    pair_until: u64,
    /// What acted last, and whether it was a rise.
    acted: Option<u16>,
    rose: Option<bool>,
    wired: Wired,
    told: Option<bool>,
}

impl Hand {
    /// Of a controller; `None`: MIDI does not reach it.
    pub fn new(id: ControllerId, controller: &Controller) -> Option<Self> {
        let Address::Midi { message, inverted, .. } = controller.address else { return None };
        let kind = match message {
            Message::Note { .. } => HandKind::Note,
            Message::Control { reads: Reads::Switch, .. } => HandKind::Switch,
            // A wheel that is pressed is a switch.
            Message::Control { .. } if controller.latch => HandKind::Switch,
            Message::Control { reads: Reads::Steps, .. } => HandKind::Steps,
            Message::Control { reads: Reads::Fine, .. } => HandKind::Fine,
        };
        Some(Self {
            id,
            address: controller.address.clone(),
            kind,
            inverted,
            latch: controller.latch,
            curve: controller.curve,
            parts: (0, 0),
            waits: None,
            not_before: 0,
            pair_until: 0,
            acted: None,
            rose: None,
            wired: Wired::Unknown,
            told: None,
        })
    }

    /// The controller that it works.
    pub fn id(&self) -> ControllerId {
        self.id
    }

    /// Takes over where the same controller of the piece before stood, if it is reached as before.
    pub fn carry(&mut self, old: &Self) {
        if self.address == old.address && self.latch == old.latch {
            (self.parts, self.waits, self.not_before, self.pair_until) =
                (old.parts, old.waits, old.not_before, old.pair_until);
            (self.acted, self.rose, self.wired) = (old.acted, old.rose, old.wired);
        }
    }

    /// Takes in what a message says.
    pub fn hear(&mut self, said: SaidValue, at: u64, timings: &Timings) {
        let value = match (self.kind, said) {
            (HandKind::Note | HandKind::Switch, SaidValue::Value(value) | SaidValue::Finer(value)) => {
                u16::from(value >= 64)
            }
            (HandKind::Steps, SaidValue::Value(value) | SaidValue::Finer(value)) => u16::from(value),
            (HandKind::Fine, said) => {
                match said {
                    // MIDI 1.0: a greater part that comes anew sets the finer to 0.
                    SaidValue::Value(high) => {
                        self.parts = (high, 0);
                        // One that waits already is not put off by more of them: some send no finer part at all.
                        if at >= self.pair_until || self.waits.is_none() {
                            self.pair_until = at + timings.pair;
                        }
                    }
                    SaidValue::Finer(low) => (self.parts.1, self.pair_until) = (low, 0),
                }
                u16::from(self.parts.0) << 7 | u16::from(self.parts.1)
            }
        };
        self.waits = Some(if self.inverted { self.kind.top() - value } else { value });
    }

    /// What acts at this sample, if anything does; else what was said waits for a later line.
    pub fn settle(&mut self, at: u64, states: &[ControllerState], timings: &Timings) -> Option<Gesture> {
        if at < self.not_before || at < self.pair_until {
            return None;
        }
        let value = self.waits.take()?;
        let stands = states.get(self.id.index()).map_or(0.0, |state| state.value);
        if !self.is_news(value, stands) {
            return None;
        }
        self.not_before = match self.kind {
            HandKind::Note => 0,
            HandKind::Switch if self.acted != Some(value) => at + timings.bounce,
            HandKind::Switch | HandKind::Steps | HandKind::Fine => at - at % CELL + CELL,
        };
        if self.kind == HandKind::Switch && self.acted != Some(value) {
            self.watch(value > 0, at);
        }
        self.rose = self.acted.map_or(self.rose, |acted| if value == acted { self.rose } else { Some(value > acted) });
        self.acted = Some(value);
        let id = self.id;
        Some(if self.latch {
            Gesture::Press { id, down: value > 0 }
        } else {
            Gesture::Controller { id, value: self.curve.bend(f32::from(value) / f32::from(self.kind.top())) }
        })
    }

    /// Whether a value does anything, where the controller stands at `stands`.
    fn is_news(&self, value: u16, stands: f32) -> bool {
        let Some(acted) = self.acted else { return true };
        match self.kind {
            HandKind::Note => true,
            // Said again it acts if somebody else has moved the controller meanwhile.
            HandKind::Switch => value != acted || !self.latch && f32::from(value) != stands,
            HandKind::Steps | HandKind::Fine => {
                let back = self.rose == Some(value < acted);
                let flickers = back && value.abs_diff(acted) <= self.kind.flicker();
                value != acted && (!flickers || value == 0 || value == self.kind.top())
            }
        }
    }

    /// Nobody stands on a pedal all the time: one that is let go before it was ever pressed is most likely wired the
    /// other way round, until it stays pressed for less time than it was let go.
    fn watch(&mut self, pressed: bool, at: u64) {
        self.wired = match (self.wired, pressed) {
            (Wired::Unknown, false) => Wired::LetGo { since: at },
            (Wired::LetGo { since }, true) => Wired::Pressed { since: at, after: at.saturating_sub(since) },
            (Wired::Pressed { since, after }, false) if at.saturating_sub(since) >= after => Wired::LetGo { since: at },
            (Wired::LetGo { .. }, false) | (Wired::Pressed { .. }, true) => self.wired,
            (Wired::Unknown, true) | (Wired::Pressed { .. }, false) | (Wired::Right, _) => Wired::Right,
        };
    }

    /// Whether it seems to be wired the other way round; `None`: that cannot be told, for it is no switch.
    pub fn turned(&self) -> Option<bool> {
        let turned = matches!(self.wired, Wired::LetGo { .. } | Wired::Pressed { .. });
        (self.kind == HandKind::Switch).then_some(turned)
    }

    /// Says whether it seems to be wired the other way round, where that is not what was last told.
    pub fn tell(&mut self, say: &mut impl FnMut(Reading) -> bool) {
        let Some(turned) = self.turned().filter(|turned| self.told != Some(*turned)) else { return };
        if say(Reading::Wired { id: self.id, turned }) {
            self.told = Some(turned);
        }
    }
}
