//! What is told to others by OSC: every gesture as it was applied, where everything stands, and what the meters see.

mod packets;

use super::addresses::{self, METER_MIC, METER_OUTPUT, ONSET, PITCH, message, named};
use super::pairing::{BackupPairing, PairingKind};
use crate::Error;
use crate::control::hub::{Done, Told, Window};
use crossbeam_channel::{Receiver as Channel, Sender, bounded, never, select};
use packets::bundles;
use rosc::{OscMessage, OscType};
use std::collections::BTreeMap;
use std::io::ErrorKind;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr, ToSocketAddrs, UdpSocket};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError, Weak};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tenterhook_plan::{Channel as Metered, ControllerId, Gesture, MeterReading, MicId, OutputId, Plan, TrimId};
use tenterhook_rt::Reading;

/// How often everything is told that there is to know.
const STATE: Duration = Duration::from_secs(1);
/// From one bundle of meters to the next at least: about 30 a second.
const METERS: Duration = Duration::from_millis(32);
/// For so long the meters of one moment are gathered.
const GATHER: Duration = Duration::from_millis(3);
/// A receiver counts as not reached for so long after the last refusal: that a packet was taken says nothing.
const UNREACHED: Duration = Duration::from_secs(5);
/// What silence is told as, in dBFS.
const SILENCE: f32 = -160.0;
/// How often a state is looked at again that gestures were applied to meanwhile.
const AGAIN: usize = 8;

/// How often a host is looked for that was not found.
const LOOK: Duration = Duration::from_secs(2);
/// How long the beginning waits for a host to be found: a system without a network may look for one for long.
const FIRST_LOOK: Duration = Duration::from_secs(1);

/// To whom something is told.
#[derive(Clone, Debug)]
pub struct Receiver {
    /// As it was asked for.
    name: String,
    found: Arc<Whereabouts>,
}

/// Where a receiver is, as far as is known.
#[derive(Debug, Default)]
struct Whereabouts {
    address: OnceLock<SocketAddr>,
    /// What the system said last of where it is not found.
    trouble: Mutex<String>,
}

impl Receiver {
    /// Finds a receiver by `HOST:PORT`. A host that is not found, since the network is down or the host is not up yet, is
    /// looked for on and on, by a thread of its own, until this goes.
    ///
    /// # Errors
    /// [`Error::OscTo`] if it is written otherwise.
    pub fn find(name: &str) -> Result<Self, Error> {
        let failed = |why: String| Error::OscTo { to: name.to_owned(), why };
        let (host, port) = name.rsplit_once(':').ok_or_else(|| failed("it has no port".to_owned()))?;
        port.parse::<u16>().map_err(|_| failed(format!("`{port}` is no port")))?;
        if host.is_empty() {
            return Err(failed("it has no host".to_owned()));
        }
        if let Ok(address) = name.parse::<SocketAddr>() {
            let found = Arc::new(Whereabouts { address: address.into(), trouble: Mutex::default() });
            return Ok(Self { name: name.to_owned(), found });
        }
        let found = Arc::<Whereabouts>::default();
        let (looked, first) = bounded(1);
        let (sought, weak) = (name.to_owned(), Arc::downgrade(&found));
        let look = move || {
            while let Some(found) = Weak::upgrade(&weak).filter(|found| !found.look(&sought)) {
                drop(found);
                // Only the first is waited for.
                let _ = looked.try_send(());
                std::thread::sleep(LOOK);
            }
        };
        let thread = std::thread::Builder::new().name("osc-host".to_owned()).spawn(look);
        thread.map_err(|why| Error::Thread { why: why.to_string() })?;
        // Found, not found, or not yet: it is tried on.
        let _ = first.recv_timeout(FIRST_LOOK);
        Ok(Self { name: name.to_owned(), found })
    }
}

impl Whereabouts {
    /// Whether it is found.
    fn look(&self, name: &str) -> bool {
        let why = match name.to_socket_addrs() {
            Ok(found) => {
                let found: Vec<_> = found.collect();
                // Those who listen do so by IPv4 unless they are told otherwise.
                match found.iter().find(|address| address.is_ipv4()).or(found.first()) {
                    Some(address) => return self.address.set(*address).is_ok(),
                    None => "no such host".to_owned(),
                }
            }
            Err(why) => why.to_string(),
        };
        *lock(&self.trouble) = why;
        false
    }
}

/// How telling went.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct RelayCounts {
    /// Packets that were sent, to all receivers together.
    pub sent: u64,
    /// Packets that the network refused.
    pub refused: u64,
}

#[derive(Default)]
struct RelayShared {
    counts: RelayCounts,
    /// What the system said last of packets to a receiver, and when, by its name.
    refusals: BTreeMap<String, (String, Instant)>,
}

/// Tells others what happens, on a thread of its own, which waits for nobody; ends with this.
pub struct Relay {
    shared: Arc<Mutex<RelayShared>>,
    stop: Option<Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

impl Relay {
    /// Starts to tell `to` what comes by `applied` and `readings`. Without receivers it only takes note, for `follow`,
    /// whether somebody works on this machine.
    ///
    /// # Errors
    /// [`Error::Thread`] if the system gives no thread.
    pub fn start(
        to: &[Receiver],
        follow: Arc<BackupPairing>,
        applied: Channel<Done>,
        readings: Option<Channel<Told>>,
        window: Window,
    ) -> Result<Self, Error> {
        let shared = Arc::<Mutex<RelayShared>>::default();
        let lines = to.iter().map(|to| RelayLine { to: to.clone(), socket: None }).collect();
        let (stop, stopped) = bounded(0);
        let now = Instant::now();
        let mut work = RelayWork {
            lines,
            follow,
            window,
            shared: Arc::clone(&shared),
            scene: None,
            meters: BTreeMap::new(),
            meters_due: None,
            meters_told: now,
            state_due: now,
        };
        let readings = readings.unwrap_or_else(never);
        let run = move || work.run(&applied, &readings, &stopped);
        let thread = std::thread::Builder::new().name("osc-out".to_owned()).spawn(run);
        let thread = thread.map_err(|why| Error::Thread { why: why.to_string() })?;
        Ok(Self { shared, stop: Some(stop), thread: Some(thread) })
    }

    /// How telling went so far.
    pub fn counts(&self) -> RelayCounts {
        lock(&self.shared).counts
    }

    /// The receivers that cannot be reached, each with what the system says. They are tried on and on.
    pub fn unreached(&self) -> BTreeMap<String, String> {
        let recent = |at: &Instant| at.elapsed() < UNREACHED;
        let shared = lock(&self.shared);
        let refusals = shared.refusals.iter().filter(|(_, (_, at))| recent(at));
        refusals.map(|(name, (why, _))| (name.clone(), why.clone())).collect()
    }
}

impl Drop for Relay {
    fn drop(&mut self) {
        self.stop = None;
        if let Some(thread) = self.thread.take() {
            // It has no way to panic; were there one, there would be nothing to do here.
            let _ = thread.join();
        }
    }
}

/// No holder can leave it half changed.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// The way to one receiver.
struct RelayLine {
    to: Receiver,
    /// Once it is connected.
    socket: Option<UdpSocket>,
}

impl RelayLine {
    fn open(to: &Receiver) -> Result<UdpSocket, std::io::Error> {
        let Some(&address) = to.found.address.get() else {
            let why = lock(&to.found.trouble).clone();
            let why = if why.is_empty() { "it is being looked for".to_owned() } else { why };
            return Err(std::io::Error::other(why));
        };
        let any: IpAddr = match address {
            SocketAddr::V4(_) => Ipv4Addr::UNSPECIFIED.into(),
            SocketAddr::V6(_) => Ipv6Addr::UNSPECIFIED.into(),
        };
        let socket = UdpSocket::bind((any, 0))?;
        // One that is slow loses packets; it does not hold up the others.
        socket.set_nonblocking(true)?;
        socket.set_broadcast(true)?;
        // So that the system tells when nobody listens there. A network that is down now may be up later.
        socket.connect(address)?;
        Ok(socket)
    }

    /// Sends a packet; why that failed.
    fn send(&mut self, packet: &[u8]) -> Result<(), std::io::Error> {
        let socket = match self.socket.take() {
            Some(socket) => socket,
            None => Self::open(&self.to)?,
        };
        match self.socket.insert(socket).send(packet) {
            // That is said of the packet before; this one was not sent.
            Err(why) if why.kind() == ErrorKind::ConnectionRefused => {
                let _ = self.socket.as_ref().map(|socket| socket.send(packet));
                Err(why)
            }
            done => done.map(drop),
        }
    }
}

/// What the meter of a channel saw since it was last told: its greatest peak, its last mean.
type Seen = (f32, f32);

struct RelayWork {
    lines: Vec<RelayLine>,
    follow: Arc<BackupPairing>,
    window: Window,
    shared: Arc<Mutex<RelayShared>>,
    /// The scene that was last told.
    scene: Option<OscMessage>,
    /// By address.
    meters: BTreeMap<String, Seen>,
    meters_due: Option<Instant>,
    meters_told: Instant,
    state_due: Instant,
}

impl RelayWork {
    fn run(&mut self, applied: &Channel<Done>, readings: &Channel<Told>, stop: &Channel<()>) {
        loop {
            let due = self.meters_due.map_or(self.state_due, |due| due.min(self.state_due));
            select! {
                recv(applied) -> done => match done {
                    Ok(done) => self.gestures(done, applied),
                    // The hub has ended.
                    Err(_) => return,
                },
                recv(readings) -> told => match told {
                    Ok(Told { reading, plan }) => self.reading(reading, &plan),
                    Err(_) => return,
                },
                recv(stop) -> _ => return,
                default(due.saturating_duration_since(Instant::now())) => {}
            }
            let now = Instant::now();
            if self.meters_due.is_some_and(|due| due <= now) {
                self.tell_meters(now);
            }
            if self.state_due <= now {
                self.state_due = now + STATE;
                self.tell_state(applied);
            }
        }
    }

    /// Tells a gesture, and all that were applied by now.
    fn gestures(&mut self, first: Done, applied: &Channel<Done>) {
        let mut bundle: (PairingKind, Vec<OscMessage>) = (PairingKind::Made, Vec::new());
        for Done { applied, plan } in std::iter::once(first).chain(applied.try_iter().take(4096)) {
            let Some(message) = addresses::gesture(applied.what, &plan) else { continue };
            // What acts at the very first sample is how the run begins, and nobody's gesture.
            let known = applied.sample == 0 || self.follow.applied(&message, applied.who);
            let kind = if known { PairingKind::Known } else { PairingKind::Made };
            if bundle.0 != kind {
                let (kind, messages) = std::mem::replace(&mut bundle, (kind, Vec::new()));
                self.tell(Some(kind), &messages);
            }
            bundle.1.push(message);
            if let Gesture::Fire(scene) = applied.what {
                self.scene = addresses::scene(scene, &plan);
                bundle.1.extend(self.scene.clone());
            }
        }
        self.tell(Some(bundle.0), &bundle.1);
    }

    fn reading(&mut self, reading: Reading, plan: &Plan) {
        match reading {
            // Mostly it was told with the gesture; not if a changed piece brought it.
            Reading::Scene { scene, .. } => {
                let scene = addresses::scene(scene, plan);
                if scene.is_some() && scene != self.scene {
                    self.tell(None, scene.as_slice());
                    self.scene = scene;
                }
            }
            Reading::Meter { channel, meter: MeterReading { peak, rms, .. }, .. } => {
                let name = match channel {
                    Metered::Mic(id) => plan.mics.get(id.index()).map(|mic| named(METER_MIC, &mic.name)),
                    Metered::Output(id) => plan.outputs.get(id.index()).map(|output| named(METER_OUTPUT, &output.name)),
                };
                let Some(name) = name else { return };
                let seen = self.meters.entry(name).or_insert((0.0, 0.0));
                *seen = (seen.0.max(peak), rms);
                if self.meters_due.is_none() {
                    self.meters_due = Some((Instant::now() + GATHER).max(self.meters_told + METERS));
                }
            }
            Reading::Pitch { mic, hz, confidence, .. } => {
                if let Some(mic) = plan.mics.get(mic.index()) {
                    let values = [hz, confidence].map(OscType::Float).to_vec();
                    self.tell(None, &[message(named(PITCH, &mic.name), values)]);
                }
            }
            Reading::Onset { mic, db, .. } => {
                if let Some(mic) = plan.mics.get(mic.index()) {
                    self.tell(None, &[message(named(ONSET, &mic.name), vec![OscType::Float(db)])]);
                }
            }
            // How the program's own parts stand is for its page.
            _ => {}
        }
    }

    fn tell_meters(&mut self, now: Instant) {
        (self.meters_due, self.meters_told) = (None, now);
        let meters = std::mem::take(&mut self.meters).into_iter();
        let messages: Vec<_> = meters
            .map(|(name, (peak, rms))| message(name, [peak, rms].map(|size| OscType::Float(dbfs(size))).to_vec()))
            .collect();
        self.tell(None, &messages);
    }

    /// Tells how everything stands.
    fn tell_state(&mut self, applied: &Channel<Done>) {
        if self.lines.is_empty() {
            return;
        }
        // Whatever is in the state must have been told before: else what is told next would be older than this.
        let mut state = self.window.state();
        for _ in 0..AGAIN {
            let Ok(done) = applied.try_recv() else { break };
            self.gestures(done, applied);
            state = self.window.state();
        }
        let Some((scene, _)) = state.scene.filter(|_| applied.is_empty()) else { return };
        let plan = &state.plan;
        let values = state.controllers.iter().zip(&plan.controllers).enumerate();
        let values = values.filter(|(index, (_, controller))| {
            let id = Some(ControllerId::new(*index));
            // What fires or hushes has no value; loudness is computed.
            !controller.is_loudness() && ![plan.next, plan.back, plan.hush].contains(&id)
        });
        let levels = state.levels_db.iter().enumerate();
        let trims = state.trims_db.iter().enumerate();
        let muted = state.muted.iter().enumerate();
        let gestures = [Gesture::Hush(state.hushed), Gesture::Fire(scene)]
            .into_iter()
            .chain([Gesture::Level { output: None, db: state.level_db }])
            .chain(levels.map(|(index, &db)| Gesture::Level { output: Some(OutputId::new(index)), db }))
            .chain(trims.map(|(index, &db)| Gesture::Trim { trim: TrimId::new(index), db }))
            .chain(muted.map(|(index, &muted)| Gesture::Mute { mic: MicId::new(index), muted }))
            .chain(values.map(|(index, (&value, _))| Gesture::Controller { id: ControllerId::new(index), value }));
        let mut messages: Vec<_> = gestures.filter_map(|gesture| addresses::gesture(gesture, plan)).collect();
        self.scene = addresses::scene(scene, plan);
        messages.extend(self.scene.clone());
        self.tell(Some(if self.follow.leads() { PairingKind::State } else { PairingKind::Known }), &messages);
    }

    /// Sends messages to all, in as many bundles as they need; those of gestures say first what they are to machines.
    fn tell(&mut self, kind: Option<PairingKind>, messages: &[OscMessage]) {
        if messages.is_empty() || self.lines.is_empty() {
            return;
        }
        let head = kind.map(|kind| self.follow.told(kind).message());
        let mut shared = lock(&self.shared);
        for packet in bundles(head.as_ref(), messages) {
            for line in &mut self.lines {
                match line.send(&packet) {
                    Ok(()) => shared.counts.sent += 1,
                    Err(why) => {
                        shared.counts.refused += 1;
                        shared.refusals.insert(line.to.name.clone(), (why.to_string(), Instant::now()));
                    }
                }
            }
        }
    }
}

/// A size in dB re full scale.
fn dbfs(size: f32) -> f32 {
    (20.0 * size.log10()).max(SILENCE)
}
