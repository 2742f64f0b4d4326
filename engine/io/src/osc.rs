//! Open Sound Control over UDP.

use crate::{Error, Events, Heard};
use crossbeam_channel::Sender;
use rosc::address::{Matcher, OscAddress};
use rosc::{OscMessage, OscPacket, OscType, decoder};
use std::io::ErrorKind;
use std::net::{SocketAddr, UdpSocket};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;
use tenterhook_plan::{Address, Controller, ControllerId, Gesture, Plan};

/// How often the thread looks whether it is to end.
const PAUSE: Duration = Duration::from_millis(100);
/// The largest packet that UDP carries.
pub(crate) const MOST_BYTES: usize = 65_536;
/// A packet holds no more bundles than this: the decoder calls itself for each that is nested in another.
const MOST_BUNDLES: usize = 256;

/// Which OSC address works which controller.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct OscMap {
    addresses: Vec<(String, ControllerId, Controller)>,
}

impl OscMap {
    /// The addresses of a piece.
    pub fn of(plan: &Plan) -> Self {
        let with_path = |(index, controller): (usize, &Controller)| match &controller.address {
            Address::Osc { path, .. } => Some((path.clone(), ControllerId::new(index), controller.clone())),
            _ => None,
        };
        Self { addresses: plan.controllers.iter().enumerate().filter_map(with_path).collect() }
    }

    /// Whether the piece has none.
    pub fn is_empty(&self) -> bool {
        self.addresses.is_empty()
    }

    /// Calls `act` for every gesture in a packet, in order. A bundle acts at once, whatever its time. Returns how many
    /// messages of it make no sense: the packet itself, or a message to a controller without a number in it.
    pub fn gestures(&self, packet: &[u8], act: &mut impl FnMut(Gesture)) -> u64 {
        if bundles(packet) > MOST_BUNDLES {
            return 1;
        }
        match decoder::decode_udp(packet) {
            Ok((_, packet)) => self.packet(&packet, act),
            Err(_) => 1,
        }
    }

    fn packet(&self, packet: &OscPacket, act: &mut impl FnMut(Gesture)) -> u64 {
        match packet {
            OscPacket::Message(message) => self.message(message, act),
            OscPacket::Bundle(bundle) => bundle.content.iter().map(|inner| self.packet(inner, act)).sum(),
        }
    }

    fn message(&self, message: &OscMessage, act: &mut impl FnMut(Gesture)) -> u64 {
        // OSC 1.0: what is sent may be a pattern.
        let Ok(matcher) = Matcher::new(&message.addr) else { return 1 };
        let mut senseless = 0;
        for (path, id, controller) in &self.addresses {
            if !OscAddress::new(path.clone()).is_ok_and(|path| matcher.match_address(&path)) {
                continue;
            }
            match message.args.iter().find_map(number) {
                Some(number) => act(gesture(*id, controller, number)),
                None => senseless += 1,
            }
        }
        senseless
    }
}

/// Calls `hear` for the address of every message in a packet, with its first number.
pub(crate) fn numbers(packet: &[u8], hear: &mut impl FnMut(&str, f64)) {
    fn within(packet: &OscPacket, hear: &mut impl FnMut(&str, f64)) {
        match packet {
            OscPacket::Message(message) => {
                if let Some(number) = message.args.iter().find_map(number) {
                    hear(&message.addr, number);
                }
            }
            OscPacket::Bundle(bundle) => bundle.content.iter().for_each(|inner| within(inner, hear)),
        }
    }
    if bundles(packet) <= MOST_BUNDLES
        && let Ok((_, packet)) = decoder::decode_udp(packet)
    {
        within(&packet, hear);
    }
}

fn gesture(id: ControllerId, controller: &Controller, number: f64) -> Gesture {
    let scaled = match controller.address {
        Address::Osc { from, to, .. } => ((number - from) / (to - from)) as f32,
        _ => number as f32,
    };
    if controller.latch {
        Gesture::Press { id, down: scaled >= 0.5 }
    } else {
        Gesture::Controller { id, value: controller.curve.bend(scaled) }
    }
}

/// The number that an argument is; NaN and infinity are none.
fn number(argument: &OscType) -> Option<f64> {
    let number = match *argument {
        OscType::Int(number) => f64::from(number),
        OscType::Long(number) => number as f64,
        OscType::Float(number) => f64::from(number),
        OscType::Double(number) => number,
        OscType::Bool(number) => f64::from(u8::from(number)),
        _ => return None,
    };
    number.is_finite().then_some(number)
}

/// How many bundles a packet holds at most, and so how deep they can be nested.
fn bundles(packet: &[u8]) -> usize {
    packet.windows(8).filter(|window| *window == b"#bundle\0").count()
}

/// What messages mean.
struct Means {
    map: OscMap,
    events: Events,
    /// Somebody who listens as well.
    tap: Option<Sender<Heard>>,
}

/// Listens for OSC on a thread of its own.
pub struct Osc {
    address: SocketAddr,
    work: Arc<Mutex<Means>>,
    malformed: Arc<AtomicU64>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Osc {
    /// Listens on `address` and sends what it means to the engine. Port 0 takes any free one; see
    /// [`address`](Osc::address).
    ///
    /// # Errors
    /// [`Error::Osc`] if the address cannot be had.
    pub fn listen(address: SocketAddr, map: OscMap, events: Events) -> Result<Self, Error> {
        let failed = |why: std::io::Error| Error::Osc { address: address.to_string(), why: why.to_string() };
        let socket = UdpSocket::bind(address).map_err(failed)?;
        socket.set_read_timeout(Some(PAUSE)).map_err(failed)?;
        let address = socket.local_addr().map_err(failed)?;
        let (malformed, stop) = (Arc::<AtomicU64>::default(), Arc::<AtomicBool>::default());
        let (count, stopped) = (Arc::clone(&malformed), Arc::clone(&stop));
        let work = Arc::new(Mutex::new(Means { map, events, tap: None }));
        let means = Arc::clone(&work);
        let run = move || {
            let mut packet = vec![0; MOST_BYTES];
            while !stopped.load(Ordering::Acquire) {
                let length = match socket.recv(&mut packet) {
                    Ok(length) => length,
                    Err(why) if matches!(why.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => continue,
                    Err(_) => {
                        // A passing trouble of the network; do not spin on it.
                        std::thread::sleep(PAUSE);
                        continue;
                    }
                };
                let means = means.lock().unwrap_or_else(PoisonError::into_inner);
                if let Some(tap) = &means.tap {
                    numbers(&packet[..length], &mut |path, number| {
                        // Whoever does not keep up, or has gone, loses it.
                        let _ = tap.try_send(Heard::Osc { path: path.to_owned(), number });
                    });
                }
                let senseless = means.map.gestures(&packet[..length], &mut |gesture| {
                    means.events.gesture(gesture);
                });
                count.fetch_add(senseless, Ordering::Release);
            }
        };
        let thread = std::thread::Builder::new().name("osc".to_owned()).spawn(run);
        let thread = Some(thread.map_err(|why| Error::Thread { why: why.to_string() })?);
        Ok(Self { address, work, malformed, stop, thread })
    }

    /// From now on messages mean what a changed piece says.
    pub fn change(&self, plan: &Arc<Plan>) {
        let mut means = self.work.lock().unwrap_or_else(PoisonError::into_inner);
        means.events = means.events.of(plan);
        means.map = OscMap::of(plan);
    }

    /// Lets somebody hear all that comes from now on.
    pub(crate) fn overhear(&self, tap: Sender<Heard>) {
        self.work.lock().unwrap_or_else(PoisonError::into_inner).tap = Some(tap);
    }

    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// How many messages made no sense.
    pub fn malformed(&self) -> u64 {
        self.malformed.load(Ordering::Acquire)
    }
}

impl Drop for Osc {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take() {
            // It has no way to panic; were there one, there would be nothing to do here.
            let _ = thread.join();
        }
    }
}

#[cfg(test)]
mod tests;
