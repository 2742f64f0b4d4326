//! MIDI from the system's own ports, for sources that bring none themselves.

use crate::device::silence_alsa::quietly;
use crate::{EarHeard, Error, Events};
use crossbeam_channel::Sender;
use midir::{Ignore, MidiInput, MidiInputConnection};
use serde::Serialize;
use std::collections::BTreeSet;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;
use tenterhook_plan::{Address, Controller, Event, Message, Midi};

/// How often the ports are looked through for new and vanished ones: sooner than a plug that was pulled is back, or the
/// new port would be taken for the old one.
const RESCAN: Duration = Duration::from_millis(100);
/// How often the thread looks whether it is to end.
const PAUSE: Duration = Duration::from_millis(50);

/// The name under which the system shows this program.
const CLIENT: &str = "tenterhook";

/// Which of `parts` a port's name holds: bit n for the n-th.
pub fn port_bits(name: &str, parts: &[String]) -> u64 {
    parts
        .iter()
        .take(64)
        .enumerate()
        .filter(|(_, part)| name.contains(part.as_str()))
        .fold(0, |bits, (n, _)| bits | 1 << n)
}

/// A MIDI message with a channel, as an event; `None`: it is of another kind (system, clock, active sensing) or cut
/// off. No allocation: any thread.
pub fn channel_message(ports: u64, bytes: &[u8]) -> Option<Event> {
    // MIDI 1.0: the status byte tells the length; program change and channel pressure have one data byte.
    let length = match bytes.first()? & 0xF0 {
        0x80 | 0x90 | 0xA0 | 0xB0 | 0xE0 => 3,
        0xC0 | 0xD0 => 2,
        _ => return None,
    };
    let data = bytes.get(..length)?;
    if data[1..].iter().any(|byte| *byte > 0x7F) {
        return None;
    }
    let mut bytes = [0; 3];
    bytes[..length].copy_from_slice(data);
    Some(Event::Midi(Midi { ports, bytes }))
}

/// The names of the system's MIDI input ports; `None`: this system has no MIDI at all.
pub(crate) fn input_names() -> Option<Vec<String>> {
    let midi = quietly(|| MidiInput::new(CLIENT)).ok()?;
    Some(midi.ports().iter().filter_map(|port| midi.port_name(port).ok()).collect())
}

/// Whether there is MIDI.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub enum MidiState {
    /// This system has none; that is no error.
    Absent,
    /// These ports are being listened to.
    Listening(Vec<String>),
}

/// A port that was listened to and is gone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GonePort {
    /// Its name.
    pub name: String,
    /// What came from it: status and number of control changes and notes.
    came: BTreeSet<[u8; 2]>,
}

impl GonePort {
    /// Whether it was by this port that somebody worked a controller, which now stands where it was left.
    pub fn worked(&self, controller: &Controller) -> bool {
        let Address::Midi { message, channel, port, .. } = &controller.address else { return false };
        let carries = |[status, number]: [u8; 2]| {
            let kind = match message {
                Message::Control { .. } => status & 0xF0 == 0xB0 && message.controls().any(|one| one == number),
                Message::Note { number: note } => matches!(status & 0xF0, 0x80 | 0x90) && *note == number,
            };
            kind && channel.is_none_or(|channel| channel == status & 0x0F)
        };
        port.as_ref().is_none_or(|part| self.name.contains(part.as_str())) && self.came.iter().copied().any(carries)
    }
}

/// Somebody who listens as well.
type MidiTap = Arc<Mutex<Option<Sender<EarHeard>>>>;

/// Listens to every MIDI input port of the system, also to those that come later. Of a port that goes the controllers
/// keep their value, for a held sound that falls is heard by all, and one that does not end can be ended from the page.
pub struct MidiPorts {
    state: Arc<Mutex<MidiState>>,
    gone: Arc<Mutex<Vec<GonePort>>>,
    tap: MidiTap,
    parts: Arc<Mutex<Vec<String>>>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl MidiPorts {
    /// Starts listening. `parts` are the [parts of port names](tenterhook_rt::Control::ports) that the piece asks for.
    ///
    /// # Errors
    /// [`Error::Thread`] if the system gives no thread. A system without MIDI is no error; see
    /// [`state`](MidiPorts::state).
    pub fn listen(parts: Vec<String>, events: Events) -> Result<Self, Error> {
        Self::sending(parts, Some(events))
    }

    /// The same; without `events` it only can be [overheard](MidiPorts::overhear).
    pub(crate) fn sending(parts: Vec<String>, events: Option<Events>) -> Result<Self, Error> {
        let state = Arc::new(Mutex::new(MidiState::Absent));
        let (gone, tap) = (Arc::<Mutex<Vec<GonePort>>>::default(), MidiTap::default());
        let stop = Arc::<AtomicBool>::default();
        let parts = Arc::new(Mutex::new(parts));
        // Asked for once only: where there is none, it does not come.
        let Ok(scanner) = quietly(|| MidiInput::new(CLIENT)) else {
            return Ok(Self { state, gone, tap, parts, stop, thread: None });
        };
        let mut open = Open {
            scanner,
            parts: Arc::clone(&parts),
            gone: Arc::clone(&gone),
            tap: Arc::clone(&tap),
            events,
            connections: Vec::new(),
        };
        set(&state, open.rescan());
        let (shared, stopped) = (Arc::clone(&state), Arc::clone(&stop));
        let run = move || {
            let mut waited = Duration::ZERO;
            while !stopped.load(Ordering::Acquire) {
                std::thread::sleep(PAUSE);
                waited += PAUSE;
                if waited >= RESCAN {
                    waited = Duration::ZERO;
                    set(&shared, quietly(|| open.rescan()));
                }
            }
        };
        let thread = std::thread::Builder::new().name("midi".to_owned()).spawn(run);
        let thread = Some(thread.map_err(|why| Error::Thread { why: why.to_string() })?);
        Ok(Self { state, gone, tap, parts, stop, thread })
    }

    /// The parts of port names that a changed piece asks for: those that were known keep their places. Ports that are
    /// open already are opened anew at the next look, within a second.
    pub fn change(&self, parts: Vec<String>) {
        *self.parts.lock().unwrap_or_else(PoisonError::into_inner) = parts;
    }

    /// Lets somebody hear all that comes from now on.
    pub(crate) fn overhear(&self, tap: Sender<EarHeard>) {
        *self.tap.lock().unwrap_or_else(PoisonError::into_inner) = Some(tap);
    }

    /// Which ports were listened to and are gone, until they come back.
    pub fn gone(&self) -> Vec<GonePort> {
        self.gone.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Which ports are listened to.
    pub fn state(&self) -> MidiState {
        self.state.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

impl Drop for MidiPorts {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take() {
            // Were it to panic there would be nothing to do here.
            let _ = thread.join();
        }
    }
}

fn set(shared: &Mutex<MidiState>, state: MidiState) {
    *shared.lock().unwrap_or_else(PoisonError::into_inner) = state;
}

struct Open {
    scanner: MidiInput,
    parts: Arc<Mutex<Vec<String>>>,
    gone: Arc<Mutex<Vec<GonePort>>>,
    tap: MidiTap,
    events: Option<Events>,
    connections: Vec<Connected>,
}

/// One port that is listened to.
struct Connected {
    /// Its id and name: on ALSA an id may come back with another device behind it.
    key: (String, String),
    /// The bits that it sends.
    bits: u64,
    came: Arc<Mutex<BTreeSet<[u8; 2]>>>,
    // Held for what it does: it ends when this goes.
    _connection: MidiInputConnection<()>,
}

impl Open {
    /// Lets go of ports that vanished and takes up new ones.
    fn rescan(&mut self) -> MidiState {
        let ports: Vec<_> = self
            .scanner
            .ports()
            .into_iter()
            .filter_map(|port| Some(((port.id(), self.scanner.port_name(&port).ok()?), port)))
            .collect();
        let parts = self.parts.lock().unwrap_or_else(PoisonError::into_inner).clone();
        let mut gone = self.gone.lock().unwrap_or_else(PoisonError::into_inner);
        self.connections.retain(|Connected { key, bits, came, .. }| {
            if ports.iter().any(|(there, _)| there == key) {
                return *bits == port_bits(&key.1, &parts);
            }
            let came = came.lock().unwrap_or_else(PoisonError::into_inner).clone();
            gone.push(GonePort { name: key.1.clone(), came });
            false
        });
        gone.retain(|gone| ports.iter().all(|((_, name), _)| *name != gone.name));
        drop(gone);
        for (key, port) in ports {
            if self.connections.iter().any(|known| known.key == key) {
                continue;
            }
            let Ok(mut input) = MidiInput::new(CLIENT) else { continue };
            input.ignore(Ignore::All);
            let came = Arc::<Mutex<BTreeSet<[u8; 2]>>>::default();
            let (bits, events, seen) = (port_bits(&key.1, &parts), self.events.clone(), Arc::clone(&came));
            let (tap, name) = (Arc::clone(&self.tap), key.1.clone());
            let message = move |_, bytes: &[u8], _: &mut ()| {
                let Some(event @ Event::Midi(Midi { bytes, .. })) = channel_message(bits, bytes) else { return };
                let [status, number, _] = bytes;
                seen.lock().unwrap_or_else(PoisonError::into_inner).insert([status, number]);
                if let Some(tap) = &*tap.lock().unwrap_or_else(PoisonError::into_inner) {
                    // Whoever listens as well and does not keep up, or has gone, loses it.
                    let _ = tap.try_send(EarHeard::Midi { port: name.clone(), bytes });
                }
                if let Some(events) = &events {
                    events.send(event);
                }
            };
            // A port that is held by another program is tried again next time.
            if let Ok(connection) = input.connect(&port, &key.1, message, ()) {
                self.connections.push(Connected { key, bits, came, _connection: connection });
            }
        }
        MidiState::Listening(self.connections.iter().map(|one| one.key.1.clone()).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_sets_the_bit_of_every_part_it_holds() {
        let parts = ["Foot", "Wheel", "Foot Two"].map(str::to_owned);
        assert_eq!(port_bits("Reed Foot Two MIDI 1", &parts), 0b101);
        assert_eq!(port_bits("reed foot", &parts), 0);
    }

    #[test]
    fn only_whole_channel_messages_pass() {
        // Status bytes and lengths: MIDI 1.0 Detailed Specification, table of channel voice messages (from memory).
        for (bytes, want) in [
            (&[0xB0, 64, 127][..], Some([0xB0, 64, 127])),
            (&[0x95, 24, 1], Some([0x95, 24, 1])),
            (&[0xC3, 5], Some([0xC3, 5, 0])),
            (&[0xB0, 64], None),
            (&[0xB0, 64, 200], None),
            (&[0xF8], None),
            (&[0xF0, 1, 2, 0xF7], None),
            (&[64, 127, 0], None),
            (&[], None),
        ] {
            let midi = |bytes| Event::Midi(Midi { ports: 3, bytes });
            assert_eq!(channel_message(3, bytes), want.map(midi), "{bytes:02x?}");
        }
    }
}
