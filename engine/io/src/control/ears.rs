//! All that comes from outside, whatever a piece asks for: MIDI of the system and of a JACK server, and OSC.

use crate::control::midi::{MidiPorts, MidiState, channel_message};
use crate::control::osc::{MOST_BYTES, numbers};
use crate::device::jack_source;
use crate::{Error, Osc};
use crossbeam_channel::{Receiver, Sender, bounded};
use jack::{AsyncClient, Client, Control, MidiIn, Port, PortFlags, PortSpec, ProcessHandler, ProcessScope};
use ringbuf::HeapRb;
use ringbuf::traits::{Consumer, Producer, Split};
use std::net::{SocketAddr, UdpSocket};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tenterhook_plan::{Event, Midi};

/// What may wait to be looked at; a flood beyond it is lost.
const ROOM: usize = 4096;
/// How often a JACK server is asked for its ports.
const RESCAN: Duration = Duration::from_millis(500);
/// How often what came is looked at.
const PAUSE: Duration = Duration::from_millis(5);
/// How often a thread looks whether it is to end.
const PATIENCE: Duration = Duration::from_millis(100);

/// Something that came from outside.
#[derive(Clone, Debug, PartialEq)]
pub enum EarHeard {
    /// A MIDI channel message.
    Midi {
        /// The name of the port that it came from.
        port: String,
        /// Status and data bytes.
        bytes: [u8; 3],
    },
    /// An OSC message with a number.
    Osc {
        /// Its address.
        path: String,
        /// Its first number.
        number: f64,
    },
}

/// Listens to everything, until it is dropped.
pub struct Ears {
    heard: Receiver<EarHeard>,
    /// Its own, unless it overhears another's.
    midi: Option<MidiPorts>,
    jack: Option<Thread>,
    osc: Result<SocketAddr, Error>,
    ports: Arc<Mutex<Vec<String>>>,
    // Held for its thread.
    _osc: Option<Thread>,
}

/// A thread that ends with this.
struct Thread {
    stop: Arc<AtomicBool>,
    handle: Option<JoinHandle<()>>,
}

impl Thread {
    fn start(name: &str, run: impl FnOnce(&AtomicBool) + Send + 'static) -> Result<Self, Error> {
        let stop = Arc::<AtomicBool>::default();
        let stopped = Arc::clone(&stop);
        let handle = std::thread::Builder::new().name(name.to_owned()).spawn(move || run(&stopped));
        Ok(Self { stop, handle: Some(handle.map_err(|why| Error::Thread { why: why.to_string() })?) })
    }
}

impl Drop for Thread {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
        if let Some(handle) = self.handle.take() {
            // Were it to panic there would be nothing to do here.
            let _ = handle.join();
        }
    }
}

impl Ears {
    /// Listens to every MIDI port of the system and of the JACK server that runs, those that come later included, and
    /// for OSC on `osc`.
    ///
    /// # Errors
    /// [`Error::Thread`] if the system gives no thread. An OSC address that cannot be had is no error; see
    /// [`osc`](Ears::osc).
    pub fn open(osc: SocketAddr) -> Result<Self, Error> {
        let (sender, heard) = bounded(ROOM);
        let midi = MidiPorts::sending(Vec::new(), None)?;
        midi.overhear(sender.clone());
        Self::with(sender, heard, Some(midi), true, None, osc)
    }

    /// Listens beside a run to what reaches that, which hears it as before: `midi` and `osc` are its own, and are
    /// overheard. `jack`: MIDI comes from a JACK server, whose sources let several listen. `address`: where OSC would come
    /// if the run listened for any.
    ///
    /// # Errors
    /// As [`open`](Ears::open).
    pub fn beside(midi: Option<&MidiPorts>, osc: Option<&Osc>, jack: bool, address: SocketAddr) -> Result<Self, Error> {
        let (sender, heard) = bounded(ROOM);
        midi.into_iter().for_each(|midi| midi.overhear(sender.clone()));
        Self::with(sender, heard, None, jack, osc, address)
    }

    fn with(
        sender: Sender<EarHeard>,
        heard: Receiver<EarHeard>,
        midi: Option<MidiPorts>,
        jack: bool,
        osc: Option<&Osc>,
        address: SocketAddr,
    ) -> Result<Self, Error> {
        let ports = Arc::<Mutex<Vec<String>>>::default();
        let jack = match jack.then(|| jack_source::client("tenterhook-learn")) {
            Some(Ok(client)) => {
                let (sender, ports) = (sender.clone(), Arc::clone(&ports));
                Some(Thread::start("ears", move |stop| jack_ears(&client, &sender, &ports, stop))?)
            }
            Some(Err(_)) | None => None,
        };
        let (osc, thread) = match osc {
            Some(osc) => {
                osc.overhear(sender);
                (Ok(osc.address()), None)
            }
            None => match bind(address) {
                Ok((socket, address)) => {
                    (Ok(address), Some(Thread::start("osc", move |stop| osc_ears(&socket, &sender, stop))?))
                }
                Err(why) => (Err(Error::Osc { address: address.to_string(), why: why.to_string() }), None),
            },
        };
        Ok(Self { heard, midi, jack, osc, ports, _osc: thread })
    }

    /// What comes next, if something does in time.
    pub fn next(&self, wait: Duration) -> Option<EarHeard> {
        self.heard.recv_timeout(wait).ok()
    }

    /// Whether there is MIDI at all.
    pub fn has_midi(&self) -> bool {
        self.jack.is_some() || self.midi.as_ref().is_some_and(|midi| midi.state() != MidiState::Absent)
    }

    /// The MIDI ports that are listened to.
    pub fn ports(&self) -> Vec<String> {
        let mut ports = self.ports.lock().unwrap_or_else(PoisonError::into_inner).clone();
        if let Some(MidiState::Listening(names)) = self.midi.as_ref().map(MidiPorts::state) {
            ports.extend(names);
        }
        ports
    }

    /// Where OSC is listened for; or why it is not.
    pub fn osc(&self) -> &Result<SocketAddr, Error> {
        &self.osc
    }
}

fn bind(address: SocketAddr) -> std::io::Result<(UdpSocket, SocketAddr)> {
    let socket = UdpSocket::bind(address)?;
    socket.set_read_timeout(Some(PATIENCE))?;
    let address = socket.local_addr()?;
    Ok((socket, address))
}

fn osc_ears(socket: &UdpSocket, to: &Sender<EarHeard>, stop: &AtomicBool) {
    let mut packet = vec![0; MOST_BYTES];
    while !stop.load(Ordering::Acquire) {
        if let Ok(length) = socket.recv(&mut packet) {
            numbers(&packet[..length], &mut |path, number| {
                let _ = to.try_send(EarHeard::Osc { path: path.to_owned(), number });
            });
        }
    }
}

/// What listens to one MIDI source: a client of its own, so that sources can come while others are listened to.
struct JackEar {
    source: String,
    messages: <HeapRb<[u8; 3]> as Split>::Cons,
    _client: AsyncClient<(), Listening>,
}

struct Listening(Port<MidiIn>, <HeapRb<[u8; 3]> as Split>::Prod);

impl ProcessHandler for Listening {
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        for message in self.0.iter(scope) {
            if let Some(Event::Midi(Midi { bytes, .. })) = channel_message(0, message.bytes) {
                // A flood beyond the ring is lost.
                let _ = self.1.try_push(bytes);
            }
        }
        Control::Continue
    }
}

impl JackEar {
    fn open(source: &str) -> Result<Self, ()> {
        let client = jack_source::client("tenterhook-learn").map_err(drop)?;
        let port = client.register_port("midi", MidiIn::default()).map_err(drop)?;
        let own = port.name().map_err(drop)?;
        let (heard, messages) = HeapRb::new(1024).split();
        let client = client.activate_async((), Listening(port, heard)).map_err(drop)?;
        client.as_client().connect_ports_by_name(source, &own).map_err(drop)?;
        Ok(Self { source: source.to_owned(), messages, _client: client })
    }
}

fn jack_ears(client: &Client, to: &Sender<EarHeard>, names: &Mutex<Vec<String>>, stop: &AtomicBool) {
    let mut ears: Vec<JackEar> = Vec::new();
    let mut looked: Option<Instant> = None;
    while !stop.load(Ordering::Acquire) {
        if looked.is_none_or(|at| at.elapsed() >= RESCAN) {
            looked = Some(Instant::now());
            let sources = client.ports(None, Some(MidiIn::default().jack_port_type()), PortFlags::IS_OUTPUT);
            ears.retain(|ear| sources.contains(&ear.source));
            for source in &sources {
                if ears.iter().all(|ear| ear.source != *source) {
                    // What cannot be connected now is tried again at the next look.
                    ears.extend(JackEar::open(source));
                }
            }
            let listened = ears.iter().map(|ear| ear.source.clone()).collect();
            *names.lock().unwrap_or_else(PoisonError::into_inner) = listened;
        }
        for ear in &mut ears {
            while let Some(bytes) = ear.messages.try_pop() {
                let _ = to.try_send(EarHeard::Midi { port: ear.source.clone(), bytes });
            }
        }
        std::thread::sleep(PAUSE);
    }
}
