//! The client of a whole company: several mics and pedals, for as long as it is wanted.

use std::ops::Range;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use jack::{AsyncClient, AudioOut, Client, Control, MidiOut, Port, ProcessScope, RawMidi};

use super::server;

/// What the feet do: called for each period with its frames from the beginning, and with where a message goes, each at
/// its frame, in order. On the server's thread: it must not allocate.
pub type Pedals = Box<dyn FnMut(Range<u64>, &mut dyn FnMut(u64, [u8; 3])) + Send>;

/// The client `company`, with the ports `mic_1` … and `pedals`.
pub struct Company {
    client: AsyncClient<(), Playing>,
    state: Arc<State>,
}

#[derive(Default)]
struct State {
    begun: AtomicBool,
    /// Frames played.
    played: AtomicU64,
    /// Messages sent, and those for which a period had no room.
    sent: AtomicU64,
    refused: AtomicU64,
}

struct Playing {
    mics: Vec<Port<AudioOut>>,
    pedals: Port<MidiOut>,
    sounds: Vec<Vec<f32>>,
    feet: Pedals,
    at: u64,
    state: Arc<State>,
}

impl Company {
    /// Joins the server, silent until told to begin. Each sound is played over and over.
    pub fn ready(sounds: Vec<Vec<f32>>, feet: Pedals) -> Self {
        let client = server::client("company");
        let port = |n: usize| client.register_port(&format!("mic_{}", n + 1), AudioOut::default()).unwrap();
        let mics = (0..sounds.len()).map(port).collect();
        let pedals = client.register_port("pedals", MidiOut::default()).unwrap();
        let state = Arc::<State>::default();
        let playing = Playing { mics, pedals, sounds, feet, at: 0, state: Arc::clone(&state) };
        Self { client: client.activate_async((), playing).unwrap(), state }
    }

    /// Into the program: its mics by their names, and its MIDI port.
    pub fn connect(&self, mics: &[&str]) {
        let client = self.client.as_client();
        for (n, mic) in mics.iter().enumerate() {
            client.connect_ports_by_name(&format!("company:mic_{}", n + 1), &format!("tenterhook:{mic}")).unwrap();
        }
        client.connect_ports_by_name("company:pedals", "tenterhook:midi").unwrap();
    }

    /// From here on they play.
    pub fn begin(&self) {
        self.state.begun.store(true, Ordering::Release);
    }

    /// Frames that it has played.
    pub fn played(&self) -> u64 {
        self.state.played.load(Ordering::Acquire)
    }

    /// The server's frame now.
    pub fn frame_time(&self) -> u32 {
        self.client.as_client().frame_time()
    }

    /// Leaves the server. How many messages it sent, and for how many there was no room.
    pub fn leave(self) -> (u64, u64) {
        self.client.deactivate().unwrap();
        (self.state.sent.load(Ordering::Acquire), self.state.refused.load(Ordering::Acquire))
    }
}

impl jack::ProcessHandler for Playing {
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        let mut writer = self.pedals.writer(scope);
        if !self.state.begun.load(Ordering::Acquire) {
            self.mics.iter_mut().for_each(|mic| mic.as_mut_slice(scope).fill(0.0));
            return Control::Continue;
        }
        for (mic, sound) in self.mics.iter_mut().zip(&self.sounds) {
            let length = sound.len() as u64;
            for (n, sample) in (self.at..).zip(mic.as_mut_slice(scope)) {
                *sample = sound[(n % length) as usize];
            }
        }
        let end = self.at + u64::from(scope.n_frames());
        let (first, state) = (self.at, &self.state);
        (self.feet)(first..end, &mut |frame, message| {
            let time = (frame - first) as u32;
            let sent = writer.write(&RawMidi { time, bytes: &message }).is_ok();
            let count = if sent { &state.sent } else { &state.refused };
            count.fetch_add(1, Ordering::Release);
        });
        self.at = end;
        self.state.played.store(end, Ordering::Release);
        Control::Continue
    }
}
