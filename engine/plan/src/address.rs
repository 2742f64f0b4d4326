//! Controllers, and the messages that reach them.

use crate::{ControllerId, MicId};

/// One named 0…1 value that a person, or a mic's own loudness, moves.
#[derive(Clone, Debug, PartialEq)]
pub struct Controller {
    /// Its name in the piece.
    pub name: String,
    /// What reaches it from outside.
    pub address: Address,
    /// The controller whose address that is: what reaches that one reaches this one too. No scene uses both.
    pub like: Option<ControllerId>,
    /// How the incoming value is bent.
    pub curve: Curve,
    /// Each press turns it over.
    pub latch: bool,
    /// Seconds that the smoothed value takes from 0 to 1.
    pub rise: f64,
    /// Seconds that the smoothed value takes from 1 to 0; `None`: the effect's own short end.
    pub fall: Option<f64>,
}

impl Controller {
    /// Whether it knows only off and on, so that a small move of it cannot be told from rest.
    pub fn is_switch(&self) -> bool {
        self.latch
            || match self.address {
                Address::Midi { message: Message::Control { reads, .. }, .. } => reads == Reads::Switch,
                Address::Midi { message: Message::Note { .. }, .. } | Address::Key(_) => true,
                Address::Osc { .. } | Address::Loudness { .. } | Address::Page => false,
            }
    }

    /// Whether it follows a mic's loudness.
    pub fn is_loudness(&self) -> bool {
        matches!(self.address, Address::Loudness { .. })
    }
}

/// What reaches a controller from outside.
#[derive(Clone, Debug, PartialEq)]
pub enum Address {
    /// A MIDI message.
    Midi {
        /// Which message.
        message: Message,
        /// Its channel, 0…15; `None`: any.
        channel: Option<u8>,
        /// Part of the name of the port it comes from; `None`: any port.
        port: Option<String>,
        /// It is turned over: what sends its greatest value at rest is at rest.
        inverted: bool,
    },
    /// A key of the terminal or the page, by the name that the W3C UI Events standard gives its value ("PageUp", "a").
    Key(String),
    /// An Open Sound Control address; its first number is the value.
    Osc {
        /// The address, with its leading slash.
        path: String,
        /// The number that stands for 0.
        from: f64,
        /// The number that stands for 1.
        to: f64,
    },
    /// The loudness of a mic.
    Loudness {
        /// Which mic.
        mic: MicId,
        /// The level, in dBFS (RMS re a full-scale amplitude), that stands for 0.
        from_db: f64,
        /// The level that stands for 1.
        to_db: f64,
    },
    /// Nothing but the page and written gestures.
    Page,
}

/// A MIDI message that carries a controller's value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Message {
    /// A control change.
    Control {
        /// Its number, 0…127; of a fine one that of its greater part, 0…31.
        number: u8,
        /// How its value is read.
        reads: Reads,
    },
    /// A note: 1 from note-on to note-off.
    Note {
        /// Its number, 0…127.
        number: u8,
    },
}

impl Message {
    /// The numbers of the control changes that carry it; a note has none.
    pub fn controls(self) -> impl Iterator<Item = u8> {
        let (first, second) = match self {
            Message::Control { number, reads } => (Some(number), (reads == Reads::Fine).then_some(number + FINER)),
            Message::Note { .. } => (None, None),
        };
        first.into_iter().chain(second)
    }
}

/// How the value of a control change is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reads {
    /// From 64 on it is 1, below it is 0.
    Switch,
    /// value/127.
    Steps,
    /// In steps of 14 bits: the control change of its number carries the greater part, that of its number and
    /// [`FINER`] the finer.
    Fine,
}

/// MIDI 1.0 Detailed Specification, controller numbers 32 to 63: what is finer of 0 to 31.
pub const FINER: u8 = 32;

/// How an incoming value v of 0…1 is bent.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Curve {
    /// v².
    Slow,
    /// v.
    #[default]
    Even,
    /// √v.
    Fast,
}

impl Curve {
    /// The bent value; anything outside 0…1 is first brought into it, and NaN becomes 0.
    pub fn bend(self, value: f32) -> f32 {
        let value = unit(value);
        match self {
            Curve::Slow => value * value,
            Curve::Even => value,
            Curve::Fast => value.sqrt(),
        }
    }
}

/// The value brought into 0…1; NaN becomes 0.
#[expect(clippy::manual_clamp, reason = "`max` turns NaN into 0, `clamp` would keep it")]
pub fn unit(value: f32) -> f32 {
    value.max(0.0).min(1.0)
}
