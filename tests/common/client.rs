//! Two independent clients of the JACK server: who sings and works the pedals, and who records what comes out. They are
//! two because one that did both would close a ring of connections, which the server opens by a delay of a period.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use jack::{
    AsyncClient, AudioIn, AudioOut, Client, Control, MidiOut, NotificationHandler, Port, ProcessScope, RawMidi,
};
use tenterhook_ensemble::{Consonant, Ensemble, EnsembleScore, Syllable, Vowel};

use super::server;

/// The rate of the servers of these tests, in Hz.
pub const RATE: u32 = 48_000;
/// Their period, in frames.
pub const PERIOD: u32 = 128;

/// A voice that sings without a pause, after a tenth of a second.
pub fn voice(seconds: f64) -> Vec<f32> {
    let vowels = [Vowel::A, Vowel::O, Vowel::E, Vowel::U, Vowel::I];
    let syllable = |n: usize| Syllable {
        at: 0.1 + n as f64,
        lasts: 1.0,
        pitch: [62.0, 65.0, 69.0, 67.0][n % 4],
        consonant: [Consonant::M, Consonant::L][n % 2],
        vowel: vowels[n % vowels.len()],
        level: 0.0,
    };
    let syllables: Vec<_> = (0..seconds.ceil() as usize).map(syllable).collect();
    let score = EnsembleScore { seconds, voice: &syllables, recorder: &[], bowed: &[], plucked: &[] };
    Ensemble::playing(RATE, &score).expect("a usual rate").map(|[voice, ..]| voice).collect()
}

/// The sample nearest to a time in seconds.
pub fn sample(seconds: f64) -> u64 {
    (seconds * f64::from(RATE)).round() as u64
}

/// A control change on the first channel (MIDI 1.0, channel voice messages).
pub fn change(controller: u8, value: u8) -> [u8; 3] {
    [0xB0, controller, value]
}

/// What the singer does, in frames from the beginning.
pub struct Part {
    /// The sound, over and over.
    pub voice: Vec<f32>,
    /// Messages, in order of their frames.
    pub pedals: Vec<(u64, [u8; 3])>,
}

/// The client `singer`, with the ports `voice` and `pedals`.
pub struct Singer {
    client: AsyncClient<(), Singing>,
    begin: Arc<AtomicBool>,
    done: Arc<AtomicBool>,
}

struct Singing {
    voice: Port<AudioOut>,
    pedals: Port<MidiOut>,
    part: Part,
    at: u64,
    sent: Vec<Sent>,
    begin: Arc<AtomicBool>,
    done: Arc<AtomicBool>,
}

/// A message that was sent.
#[derive(Clone, Copy, Debug)]
pub struct Sent {
    /// The server's frame with which the period began.
    pub period: u32,
    /// The server's frame of the message itself.
    pub frame: u32,
    /// The message.
    pub message: [u8; 3],
}

impl Singer {
    /// Joins the server, silent until told to begin.
    pub fn ready(part: Part) -> Self {
        let client = server::client("singer");
        let voice = client.register_port("voice", AudioOut::default()).unwrap();
        let pedals = client.register_port("pedals", MidiOut::default()).unwrap();
        let (begin, done) = (Arc::<AtomicBool>::default(), Arc::<AtomicBool>::default());
        let sent = Vec::with_capacity(part.pedals.len());
        let (told, tells) = (Arc::clone(&begin), Arc::clone(&done));
        let singing = Singing { voice, pedals, part, at: 0, sent, begin: told, done: tells };
        let client = client.activate_async((), singing).unwrap();
        Self { client, begin, done }
    }

    /// Into the program: its mic `voice` and its MIDI port.
    pub fn connect(&self) {
        for (from, to) in [("singer:voice", "tenterhook:voice"), ("singer:pedals", "tenterhook:midi")] {
            self.client.as_client().connect_ports_by_name(from, to).unwrap();
        }
    }

    /// From here on it takes in what it hears.
    pub fn begin(&self) {
        self.begin.store(true, Ordering::Release);
    }

    /// Whether its pedals are connected to a client whose name begins so.
    pub fn reaches(&self, name: &str) -> bool {
        let pedals = self.client.as_client().port_by_name("singer:pedals").unwrap();
        pedals.get_connections().iter().any(|port| port.starts_with(name))
    }

    /// Whether all messages are sent.
    pub fn is_done(&self) -> bool {
        self.done.load(Ordering::Acquire)
    }

    /// Leaves the server; what was sent.
    pub fn leave(self) -> Vec<Sent> {
        let (_, (), singing) = self.client.deactivate().unwrap();
        singing.sent
    }
}

impl jack::ProcessHandler for Singing {
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        let mut writer = self.pedals.writer(scope);
        let voice = self.voice.as_mut_slice(scope);
        if !self.begin.load(Ordering::Acquire) {
            voice.fill(0.0);
            return Control::Continue;
        }
        let length = self.part.voice.len() as u64;
        for (n, sample) in (self.at..).zip(voice) {
            *sample = self.part.voice[(n % length) as usize];
        }
        let (period, end) = (scope.last_frame_time(), self.at + u64::from(scope.n_frames()));
        let waiting = self.part.pedals[self.sent.len()..].iter();
        for (at, message) in waiting.take_while(|(at, _)| *at < end) {
            let time = (at - self.at) as u32;
            if writer.write(&RawMidi { time, bytes: message }).is_err() {
                return Control::Quit;
            }
            self.sent.push(Sent { period, frame: period.wrapping_add(time), message: *message });
        }
        self.done.store(self.sent.len() == self.part.pedals.len(), Ordering::Release);
        self.at = end;
        Control::Continue
    }
}

/// The client `recorder`, with the ports `heard_1` …
pub struct Recorder {
    client: AsyncClient<Xruns, Listening>,
    frames: Arc<AtomicUsize>,
}

struct Listening {
    ports: Vec<Port<AudioIn>>,
    recording: Recording,
    most: usize,
    frames: Arc<AtomicUsize>,
}

/// The server's frames at which it reported an xrun.
#[derive(Default)]
struct Xruns(Vec<u32>);

/// What came out, period after period.
pub struct Recording {
    /// Per port.
    pub channels: Vec<Vec<f32>>,
    /// The server's frame with which each period began, and where in the channels that is.
    periods: Vec<(u32, usize)>,
    /// The server's frames at which it reported an xrun.
    pub xruns: Vec<u32>,
}

impl Recorder {
    /// Joins the server and records from now on, at most so many seconds.
    pub fn ready(channels: usize, seconds: f64) -> Self {
        let client = server::client("recorder");
        let port = |n: usize| client.register_port(&format!("heard_{}", n + 1), AudioIn::default()).unwrap();
        let ports: Vec<_> = (0..channels).map(port).collect();
        let most = sample(seconds) as usize;
        let channels = ports.iter().map(|_| Vec::with_capacity(most)).collect();
        let recording = Recording { channels, periods: Vec::with_capacity(most / PERIOD as usize), xruns: Vec::new() };
        let frames = Arc::<AtomicUsize>::default();
        let listening = Listening { ports, recording, most, frames: Arc::clone(&frames) };
        Self { client: client.activate_async(Xruns::default(), listening).unwrap(), frames }
    }

    /// What the named outputs of the program send.
    pub fn connect(&self, outputs: &[&str]) {
        for (n, output) in outputs.iter().enumerate() {
            let (from, to) = (format!("tenterhook:{output}"), format!("recorder:heard_{}", n + 1));
            self.client.as_client().connect_ports_by_name(&from, &to).unwrap();
        }
    }

    /// How many frames it has recorded so far.
    pub fn frames(&self) -> usize {
        self.frames.load(Ordering::Acquire)
    }

    /// Leaves the server; what was heard.
    pub fn leave(self) -> Recording {
        let (_, Xruns(xruns), listening) = self.client.deactivate().unwrap();
        let full = listening.recording.channels.iter().any(|channel| channel.len() >= listening.most);
        assert!(!full, "the run was longer than the recorder had room for");
        Recording { xruns, ..listening.recording }
    }
}

impl jack::ProcessHandler for Listening {
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        let Recording { channels, periods, .. } = &mut self.recording;
        let at = channels.first().map_or(0, Vec::len);
        // Room was made beforehand: nothing is allocated here.
        let frames = (self.most - at).min(scope.n_frames() as usize);
        if frames > 0 {
            periods.push((scope.last_frame_time(), at));
        }
        for (channel, port) in channels.iter_mut().zip(&self.ports) {
            channel.extend_from_slice(&port.as_slice(scope)[..frames]);
        }
        self.frames.store(at + frames, Ordering::Release);
        Control::Continue
    }
}

impl NotificationHandler for Xruns {
    fn xrun(&mut self, client: &Client) -> Control {
        self.0.push(client.frame_time());
        Control::Continue
    }
}

impl Recording {
    /// Whether it holds every period from its first to its last.
    pub fn is_whole(&self) -> bool {
        let follows = |pair: &[(u32, usize)]| pair[1].0.wrapping_sub(pair[0].0) as usize == pair[1].1 - pair[0].1;
        self.periods.windows(2).all(follows)
    }

    /// Where in the channels a frame of the server's is, or the next that was recorded, within a second.
    pub fn index_from(&self, frame: u32) -> usize {
        (0..RATE).find_map(|more| self.index(frame.wrapping_add(more))).expect("it was recorded within a second")
    }

    /// Where in the channels a frame of the server's is; `None`: its period was not recorded.
    pub fn index(&self, frame: u32) -> Option<usize> {
        self.periods.iter().find_map(|&(first, at)| {
            let into = frame.wrapping_sub(first);
            (into < PERIOD).then_some(at + into as usize)
        })
    }
}
