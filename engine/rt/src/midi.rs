//! MIDI messages on their way to the controllers that they reach.

use tenterhook_plan::{Address, ControllerId, Gesture, Message, Plan};

use crate::controllers::ControllerState;
use crate::midi_conditioning::{Hand, SaidValue};
use crate::reading::Reading;
use crate::timings::Timings;

/// The controllers that MIDI reaches, and which message reaches which of them.
pub(crate) struct MidiMap {
    pub hands: Vec<Hand>,
    /// For each control change and each note those that listen, most often none.
    controls: Box<[Vec<MidiListener>]>,
    notes: Box<[Vec<MidiListener>]>,
}

#[derive(Clone, Copy)]
struct MidiListener {
    /// The place of its hand.
    hand: usize,
    channel: Option<u8>,
    /// The bit of its port in the message's set; all bits: any port.
    port: Option<u64>,
    /// It is the finer part that comes by this message.
    finer: bool,
}

impl MidiMap {
    /// All that MIDI reaches in a plan; `ports` are the parts of port names that a message's bits stand for.
    pub fn new(plan: &Plan, ports: &[String]) -> Self {
        let empty = || vec![Vec::new(); 128].into_boxed_slice();
        let mut midi = Self { hands: Vec::new(), controls: empty(), notes: empty() };
        for (index, controller) in plan.controllers.iter().enumerate() {
            let Address::Midi { message, channel, port, .. } = &controller.address else { continue };
            let port = port.as_ref().map(|part| {
                let place = ports.iter().position(|known| known == part).unwrap_or(64);
                1u64.checked_shl(place as u32).unwrap_or(0)
            });
            let listener = MidiListener { hand: midi.hands.len(), channel: *channel, port, finer: false };
            for number in message.controls() {
                let first = matches!(message, Message::Control { number: first, .. } if *first == number);
                if let Some(list) = midi.controls.get_mut(usize::from(number & 127)) {
                    list.push(MidiListener { finer: !first, ..listener });
                }
            }
            if let Message::Note { number } = message
                && let Some(list) = midi.notes.get_mut(usize::from(number & 127))
            {
                list.push(listener);
            }
            midi.hands.extend(Hand::new(ControllerId::new(index), controller));
        }
        midi
    }

    /// Takes the `nth` of the things that a message says, one to each controller that it reaches; `None`: there are no
    /// more. What comes of it, if anything does, is done at `at`.
    pub fn hear(
        &mut self,
        (ports, bytes): (u64, [u8; 3]),
        nth: usize,
        at: u64,
        states: &[ControllerState],
        timings: &Timings,
    ) -> Option<Option<Gesture>> {
        let [status, number, value] = bytes;
        let (list, value) = match status & 0xF0 {
            0xB0 => (&self.controls, value & 127),
            // A note-on of velocity 0 is a note-off (MIDI 1.0).
            0x90 => (&self.notes, if value > 0 { 127 } else { 0 }),
            0x80 => (&self.notes, 0),
            _ => return None,
        };
        let hears = |listener: &&MidiListener| {
            listener.channel.is_none_or(|channel| channel == status & 0x0F)
                && listener.port.is_none_or(|port| ports & port != 0)
        };
        let listener = list.get(usize::from(number & 127))?.iter().filter(hears).nth(nth)?;
        let said = if listener.finer { SaidValue::Finer(value) } else { SaidValue::Value(value) };
        let hand = self.hands.get_mut(listener.hand)?;
        hand.hear(said, at, timings);
        Some(hand.settle(at, states, timings))
    }

    /// At a grid line: what the `nth` of them has kept back and does now.
    pub fn due(&mut self, nth: usize, at: u64, states: &[ControllerState], timings: &Timings) -> Option<Gesture> {
        self.hands.get_mut(nth)?.settle(at, states, timings)
    }

    /// Says which switches seem to be wired the other way round, where that is not what was last told.
    pub fn tell(&mut self, say: &mut impl FnMut(Reading) -> bool) {
        self.hands.iter_mut().for_each(|hand| hand.tell(say));
    }

    /// Takes over where the controllers `i` of the piece before stood that are `j` now, if they are reached as before.
    pub fn carry(&mut self, old: &Self, i: usize, j: usize) {
        let before = old.hands.iter().find(|hand| hand.id().index() == i);
        let now = self.hands.iter_mut().find(|hand| hand.id().index() == j);
        if let (Some(before), Some(now)) = (before, now) {
            now.carry(before);
        }
    }
}
