//! The JACK server as a source of blocks: mics, outputs and MIDI of one cycle in one callback, no frame added.

use crate::control::midi::channel_message;
use crate::device::jack_ports::{self, Cable, Offers, PortNames, Ports};
use crate::{Bridge, Error, Facts, MOST_CHANNELS, PlayerSlot, Source, SourceState, Stats, Wish};
use jack::{
    AsyncClient, Client, ClientOptions, ClientStatus, Control, Frames, LoggerType, MidiIn, MidiIter,
    NotificationHandler, Port, PortId, ProcessHandler, ProcessScope,
};
use std::sync::atomic::{AtomicU8, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};
use tenterhook_config::Host;
use tenterhook_plan::{Event, Gesture, Timed};

/// The name of the client, unless the server has one of that name already.
const CLIENT: &str = "tenterhook";
/// MIDI messages in one block; what is beyond is lost and counted.
const MOST_EVENTS: usize = 1024;
/// MIDI ports: one per bit, and the one without.
const MOST_MIDI: usize = 65;

/// For how long a port that has come is tried.
const PATIENCE: Duration = Duration::from_secs(10);

const RUNNING: u8 = 0;
const SHUT_DOWN: u8 = 1;
const OTHER_RATE: u8 = 2;

/// No frame has come yet.
const NO_ORIGIN: u64 = u64::MAX;

/// The JACK server, which must be running: it is not started from here. `JACK_DEFAULT_SERVER` names another server than
/// the default one.
pub struct JackSource {
    facts: Facts,
    wish: Wish,
    names: PortNames,
    offers: Offers,
    /// Ports that have come and could not be connected yet, and until when that is tried.
    waiting: Vec<(String, Instant)>,
    shared: Arc<JackShared>,
    run: Run,
}

enum Run {
    Ready(Client, Ports, Option<Box<Bridge>>),
    Running(AsyncClient<Notices, Process>),
    Stopped,
}

struct JackShared {
    ended: AtomicU8,
    origin: AtomicU64,
    /// Ports that have come since somebody looked.
    came: Mutex<Vec<PortId>>,
}

/// Connects to a running server; `None`: there is none.
pub(crate) fn client(name: &str) -> Result<Client, Error> {
    // The crate would print to the terminal.
    jack::set_logger(LoggerType::None);
    match Client::new(name, ClientOptions::NO_START_SERVER) {
        Ok((client, _)) => Ok(client),
        Err(why) => Err(Error::NoServer { why: why.to_string() }),
    }
}

impl JackSource {
    /// Joins the server and makes the ports by the piece's names. Nothing is connected before it starts.
    ///
    /// # Errors
    /// [`Error::NoServer`], or [`Error::Rate`] if the server's rate is not the one that is wished for, or
    /// [`Error::Channel`] if the server has too few channels for the connections.
    pub fn open(wish: &Wish) -> Result<Self, Error> {
        let client = client(CLIENT)?;
        let rate = client.sample_rate();
        let mut words =
            format!("the JACK server at {rate} Hz, {} frames, as `{}`", client.buffer_size(), client.name());
        let engine = wish.keeps.unwrap_or(rate);
        if let Some(wanted) = wish.rate.filter(|wanted| wish.keeps.is_none() && *wanted != rate) {
            return Err(Error::Rate { device: "the JACK server".to_owned(), rate: wanted, has: Some(rate) });
        }
        let ports = jack_ports::register(&client, &wish.wiring, wish.mics)?;
        let (names, offers) = (ports.names(), jack_ports::offers(&client));
        if wish.connect {
            names.fit(&wish.wiring, &offers, "the JACK server")?;
        }
        // Ports that have no channel are as good as silence, and the channels as many as the wiring's.
        let (inputs, outputs) = (wish.wiring.inputs.len(), wish.wiring.outputs.len());
        let most = client.buffer_size() as usize;
        let bridge = (engine != rate).then(|| Bridge::new(engine, rate, inputs, outputs, most)).transpose()?;
        if let Some(bridge) = &bridge {
            words += &format!("; the engine keeps {engine} Hz, {:.1} ms later", 1000.0 * bridge.latency());
        }
        let facts = Facts {
            host: Host::Jack,
            rate: engine,
            device_rate: rate,
            block: client.buffer_size(),
            inputs,
            outputs,
            words,
        };
        let shared = Arc::new(JackShared {
            ended: AtomicU8::new(RUNNING),
            origin: AtomicU64::new(NO_ORIGIN),
            came: Mutex::default(),
        });
        Ok(Self {
            facts,
            wish: wish.clone(),
            names,
            offers,
            waiting: Vec::new(),
            shared,
            run: Run::Ready(client, ports, bridge.map(Box::new)),
        })
    }

    /// The full name of the client's ports begins with this and a colon.
    pub fn client_name(&self) -> Option<&str> {
        match &self.run {
            Run::Ready(client, ..) => Some(client.name()),
            Run::Running(client) => Some(client.as_client().name()),
            Run::Stopped => None,
        }
    }
}

fn connect(client: &Client, cable: &Cable) -> Result<(), Error> {
    match client.connect_ports_by_name(&cable.from, &cable.to) {
        Ok(()) | Err(jack::Error::PortAlreadyConnected(..)) => Ok(()),
        Err(why) => Err(refused(&format!("connecting {} to {}", cable.from, cable.to), why)),
    }
}

fn refused(what: &str, why: jack::Error) -> Error {
    Error::Jack { what: what.to_owned(), why: why.to_string() }
}

impl Source for JackSource {
    fn facts(&self) -> &Facts {
        &self.facts
    }

    fn start(&mut self, seat: &PlayerSlot) -> Result<(), Error> {
        let (client, ports, bridge) = match std::mem::replace(&mut self.run, Run::Stopped) {
            Run::Ready(client, ports, bridge) => (client, ports, bridge),
            other => {
                self.run = other;
                return Err(Error::Started { source_name: self.facts.words.clone() });
            }
        };
        let stats = seat.stats();
        let notices =
            Notices { shared: Arc::clone(&self.shared), stats: Arc::clone(&stats), rate: self.facts.device_rate };
        let process = Process::new(ports, bridge, seat.clone(), Arc::clone(&self.shared), stats, client.buffer_size());
        let active = client.activate_async(notices, process).map_err(|why| refused("starting", why))?;
        if self.wish.connect {
            for cable in self.names.cables(&self.wish.wiring, &self.offers) {
                connect(active.as_client(), &cable)?;
            }
        }
        self.run = Run::Running(active);
        Ok(())
    }

    fn tend(&mut self) {
        let Run::Running(active) = &self.run else { return };
        let client = active.as_client();
        let came = std::mem::take(&mut *self.shared.came.lock().unwrap_or_else(PoisonError::into_inner));
        if !self.wish.connect || came.is_empty() && self.waiting.is_empty() {
            return;
        }
        let names = came.into_iter().filter_map(|id| client.port_by_id(id)?.name().ok());
        let until = Instant::now() + PATIENCE;
        self.waiting.extend(names.map(|name| (name, until)));
        let cables = self.names.cables(&self.wish.wiring, &jack_ports::offers(client));
        // Only these: what somebody took out of its port by hand stays out. A program makes its ports before it runs, and
        // until then nothing can be connected to them; one that is gone again comes back here when it returns.
        self.waiting.retain(|(name, until)| {
            let own = cables.iter().filter(|cable| cable.from == *name || cable.to == *name);
            let waits = own.filter(|cable| connect(client, cable).is_err()).count() > 0;
            waits && Instant::now() < *until
        });
    }

    fn stop(&mut self) {
        // Dropping either deactivates and closes the client. An error means that the server is gone: just as well.
        if let Run::Running(active) = std::mem::replace(&mut self.run, Run::Stopped) {
            drop(active.deactivate());
        }
    }

    fn state(&self) -> SourceState {
        let why = match self.shared.ended.load(Ordering::Acquire) {
            SHUT_DOWN => Some("the JACK server ended".to_owned()),
            OTHER_RATE => Some(format!("the JACK server left its rate of {} Hz", self.facts.device_rate)),
            _ => None,
        };
        match (why, &self.run) {
            (Some(why), _) => SourceState::Dead { why },
            (None, Run::Ready(..)) => SourceState::Ready,
            (None, Run::Running(_)) => SourceState::Running,
            (None, Run::Stopped) => SourceState::Stopped,
        }
    }

    fn origin(&self) -> Option<u32> {
        u32::try_from(self.shared.origin.load(Ordering::Acquire)).ok()
    }
}

impl Drop for JackSource {
    fn drop(&mut self) {
        self.stop();
    }
}

struct Notices {
    shared: Arc<JackShared>,
    stats: Arc<Stats>,
    rate: u32,
}

impl NotificationHandler for Notices {
    // SAFETY: the trait's fn is unsafe because it is called as a signal handler would be: a store to an atomic is allowed
    // there.
    #[allow(unsafe_code, reason = "the trait asks for an unsafe fn; its body is safe")]
    unsafe fn shutdown(&mut self, _: ClientStatus, _: &str) {
        self.shared.ended.store(SHUT_DOWN, Ordering::Release);
    }

    fn sample_rate(&mut self, _: &Client, rate: Frames) -> Control {
        if rate != self.rate {
            self.shared.ended.store(OTHER_RATE, Ordering::Release);
        }
        Control::Continue
    }

    fn port_registration(&mut self, _: &Client, id: PortId, is_there: bool) {
        // Not the audio thread.
        let mut came = self.shared.came.lock().unwrap_or_else(PoisonError::into_inner);
        came.retain(|known| *known != id);
        if is_there {
            came.push(id);
        }
    }

    fn xrun(&mut self, _: &Client) -> Control {
        self.stats.xrun();
        Control::Continue
    }
}

struct Process {
    ports: Ports,
    /// Where the server runs at another rate than the engine.
    bridge: Option<Box<Bridge>>,
    seat: PlayerSlot,
    shared: Arc<JackShared>,
    stats: Arc<Stats>,
    events: Box<[Timed<Event>; MOST_EVENTS]>,
    silence: Vec<f32>,
    /// Where the sound of output channels without a port goes.
    unheard: Vec<Vec<f32>>,
    /// The server's frame with which the next block should begin.
    due: Option<Frames>,
}

impl Process {
    fn new(
        ports: Ports,
        bridge: Option<Box<Bridge>>,
        seat: PlayerSlot,
        shared: Arc<JackShared>,
        stats: Arc<Stats>,
        block: Frames,
    ) -> Self {
        let none = Timed { sample: 0, what: Event::written(Gesture::Next) };
        let unheard = vec![vec![0.0; block as usize]; ports.outputs.iter().filter(|port| port.is_none()).count()];
        let silence = vec![0.0; block as usize];
        let events = Box::new([none; MOST_EVENTS]);
        Self { ports, bridge, seat, shared, stats, events, silence, unheard, due: None }
    }

    /// Watches the server's clock.
    fn clock(&mut self, scope: &ProcessScope) {
        let now = scope.last_frame_time();
        match self.due {
            None => self.shared.origin.store(u64::from(now), Ordering::Release),
            Some(due) => {
                // The clock wraps around; a step back is none of our frames.
                let ahead = now.wrapping_sub(due);
                if ahead < Frames::MAX / 2 {
                    self.stats.skipped(u64::from(ahead));
                }
            }
        }
        self.due = Some(now.wrapping_add(scope.n_frames()));
    }
}

/// Puts the messages of all MIDI ports in one order: by time, then by port. `first` is the sample with which the block
/// begins. Returns how many there are; what finds no room is counted.
fn collect(
    midi: &[(u64, Port<MidiIn>)],
    scope: &ProcessScope,
    first: u64,
    events: &mut [Timed<Event>],
    stats: &Stats,
) -> usize {
    let mut iters: [Option<(u64, MidiIter)>; MOST_MIDI] = [const { None }; MOST_MIDI];
    for (iter, (bits, port)) in iters.iter_mut().zip(midi) {
        *iter = Some((*bits, port.iter(scope)));
    }
    let (mut count, mut lost) = (0, 0);
    loop {
        let waiting = iters.iter_mut().flatten().filter_map(|iter| Some((iter.1.peek()?.time, iter)));
        let Some((time, (bits, iter))) = waiting.min_by_key(|(time, _)| *time) else { break };
        let Some(event) = iter.next().and_then(|message| channel_message(*bits, message.bytes)) else { continue };
        match events.get_mut(count) {
            Some(place) => {
                *place = Timed { sample: first + u64::from(time), what: event };
                count += 1;
            }
            None => lost += 1,
        }
    }
    stats.events_lost(lost);
    count
}

impl ProcessHandler for Process {
    #[cfg_attr(rtsan, sanitize(realtime = "nonblocking"))]
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        let frames = scope.n_frames() as usize;
        // Never: the buffers are made when the size changes, before the first block of that size.
        if frames > self.silence.len() {
            return Control::Continue;
        }
        self.clock(scope);
        let (n_in, n_out) = (self.ports.inputs.len(), self.ports.outputs.len());
        let mut inputs: [&[f32]; MOST_CHANNELS] = [&[]; MOST_CHANNELS];
        for (input, port) in inputs.iter_mut().zip(&self.ports.inputs) {
            *input = port.as_ref().map_or(&self.silence[..frames], |port| port.as_slice(scope));
        }
        let mut outputs: [&mut [f32]; MOST_CHANNELS] = std::array::from_fn(|_| Default::default());
        let mut unheard = self.unheard.iter_mut();
        for (output, port) in outputs.iter_mut().zip(&mut self.ports.outputs) {
            *output = match port {
                Some(port) => port.as_mut_slice(scope),
                None => unheard.next().map(|buffer| &mut buffer[..frames]).unwrap_or_default(),
            };
        }
        let (inputs, outputs) = (&inputs[..n_in], &mut outputs[..n_out]);
        let (midi, bridge, seat) = (&self.ports.midi, &mut self.bridge, &self.seat);
        let (stats, events) = (&*self.stats, &mut self.events[..]);
        let driven = seat.drive(|player| match bridge {
            None => {
                let count = collect(midi, scope, player.sample(), events, stats);
                player.block(inputs, outputs, &events[..count]);
            }
            Some(bridge) => {
                let count = collect(midi, scope, 0, events, stats);
                let sample = player.sample();
                let lost = bridge.block(sample, inputs, outputs, &events[..count], |i, o, e| player.block(i, o, e));
                stats.events_lost(lost);
            }
        });
        if !driven {
            outputs.iter_mut().for_each(|output| output.fill(0.0));
        }
        Control::Continue
    }

    fn buffer_size(&mut self, _: &Client, size: Frames) -> Control {
        for buffer in self.unheard.iter_mut().chain([&mut self.silence]) {
            buffer.resize(size as usize, 0.0);
        }
        Control::Continue
    }
}
