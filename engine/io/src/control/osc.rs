//! Open Sound Control 1.0 over UDP: what comes in, and what is told to others.

mod addresses;
mod due;
mod map;
mod pairing;
mod refused;
mod relay;
mod time;

pub use map::OscMap;
pub(crate) use map::numbers;
pub use pairing::BackupPairing;
pub use refused::Refused;
pub use relay::{Receiver, Relay, RelayCounts};

use crate::control::hub::Window;
use crate::{EarHeard, Error, Events};
use crossbeam_channel::Sender;
use due::Due;
use pairing::{PairingKind, PairingTold};
use refused::Refusals;
use std::io::ErrorKind;
use std::net::{SocketAddr, UdpSocket};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tenterhook_plan::{Gesture, Plan, Who};

/// How often the thread looks whether it is to end.
const PAUSE: Duration = Duration::from_millis(100);
/// The largest packet that UDP carries.
pub(crate) const MOST_BYTES: usize = 65_536;

/// What messages mean.
struct Means {
    map: OscMap,
    events: Events,
    /// Where other machines may be followed: by whom, and how everything stands here.
    machines: Option<(Arc<BackupPairing>, Window)>,
    /// Somebody who listens as well.
    tap: Option<Sender<EarHeard>>,
}

/// What came in and did not act.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct OscCounts {
    /// Messages that made no sense.
    pub senseless: u64,
    /// Bundles whose time was more than a minute ahead.
    pub far: u64,
    /// Gestures for later that found no room, because more than a thousand waited.
    pub crowded: u64,
}

#[derive(Default)]
struct Counts {
    senseless: AtomicU64,
    far: AtomicU64,
    crowded: AtomicU64,
    refusals: Mutex<Refusals>,
}

/// Listens for OSC on a thread of its own.
pub struct Osc {
    address: SocketAddr,
    everything: bool,
    work: Arc<Mutex<Means>>,
    counts: Arc<Counts>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Osc {
    /// Listens on `address` and sends what it means to the engine; a bundle for later acts at its time. Port 0 takes any
    /// free one; see [`address`](Osc::address).
    ///
    /// # Errors
    /// [`Error::Osc`] if the address cannot be had.
    pub fn listen(address: SocketAddr, map: OscMap, events: Events) -> Result<Self, Error> {
        Self::open(address, Means { map, events, machines: None, tap: None }, false)
    }

    /// The same for everything of a piece, by the fixed addresses as well; and other machines may be followed.
    ///
    /// # Errors
    /// [`Error::Osc`] if the address cannot be had.
    pub fn listen_to_everything(
        address: SocketAddr,
        plan: &Plan,
        events: Events,
        follow: Arc<BackupPairing>,
        window: Window,
    ) -> Result<Self, Error> {
        let map = OscMap::of_everything(plan);
        Self::open(address, Means { map, events, machines: Some((follow, window)), tap: None }, true)
    }

    fn open(address: SocketAddr, means: Means, everything: bool) -> Result<Self, Error> {
        let failed = |why: std::io::Error| Error::Osc { address: address.to_string(), why: why.to_string() };
        let socket = UdpSocket::bind(address).map_err(failed)?;
        socket.set_read_timeout(Some(PAUSE)).map_err(failed)?;
        let address = socket.local_addr().map_err(failed)?;
        let due = Due::start()?;
        let (counts, stop) = (Arc::<Counts>::default(), Arc::<AtomicBool>::default());
        let (counted, stopped) = (Arc::clone(&counts), Arc::clone(&stop));
        let work = Arc::new(Mutex::new(means));
        let means = Arc::clone(&work);
        let run = move || {
            let mut packet = vec![0; MOST_BYTES];
            let mut gestures = Vec::new();
            while !stopped.load(Ordering::Acquire) {
                let (length, from) = match socket.recv_from(&mut packet) {
                    Ok(came) => came,
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
                        let _ = tap.try_send(EarHeard::Osc { path: path.to_owned(), number });
                    });
                }
                means.take(&packet[..length], from, &mut gestures, &due, &counted);
            }
        };
        let thread = std::thread::Builder::new().name("osc".to_owned()).spawn(run);
        let thread = Some(thread.map_err(|why| Error::Thread { why: why.to_string() })?);
        Ok(Self { address, everything, work, counts, stop, thread })
    }

    /// From now on messages mean what a changed piece says.
    pub fn change(&self, plan: &Arc<Plan>) {
        let map = OscMap::from(Arc::clone(plan), self.everything);
        let mut means = self.work.lock().unwrap_or_else(PoisonError::into_inner);
        means.events = means.events.of(plan);
        means.map = map;
    }

    /// Lets somebody hear all that comes from now on.
    pub(crate) fn overhear(&self, tap: Sender<EarHeard>) {
        self.work.lock().unwrap_or_else(PoisonError::into_inner).tap = Some(tap);
    }

    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// What came in and did not act.
    pub fn counts(&self) -> OscCounts {
        let Counts { senseless, far, crowded, .. } = &*self.counts;
        let [senseless, far, crowded] = [senseless, far, crowded].map(|count| count.load(Ordering::Acquire));
        OscCounts { senseless, far, crowded }
    }

    /// What came in the last seconds and made no sense.
    pub fn refused(&self) -> Vec<Refused> {
        self.counts.refusals.lock().unwrap_or_else(PoisonError::into_inner).told(Instant::now())
    }
}

impl Means {
    fn take(
        &self,
        packet: &[u8],
        from: SocketAddr,
        gestures: &mut Vec<(Duration, Gesture)>,
        due: &Due,
        counts: &Counts,
    ) {
        gestures.clear();
        let read = self.map.read(packet, time::now(), gestures);
        counts.senseless.fetch_add(read.senseless, Ordering::Release);
        counts.far.fetch_add(read.far, Ordering::Release);
        if let Some((path, why)) = &read.first {
            let mut refusals = counts.refusals.lock().unwrap_or_else(PoisonError::into_inner);
            refusals.add(path, from, *why, Instant::now());
        }
        if let Some(told) = &read.told {
            return self.follow(told, gestures);
        }
        let now = Instant::now();
        for (wait, gesture) in gestures.drain(..) {
            if wait.is_zero() {
                self.events.gesture(gesture, Who::Osc);
            } else if !due.keep(now + wait, gesture, self.events.clone()) {
                counts.crowded.fetch_add(1, Ordering::Release);
            }
        }
    }

    /// Does what a machine tells, if it is to be done here.
    fn follow(&self, told: &PairingTold, gestures: &[(Duration, Gesture)]) {
        let Some((follow, window)) = &self.machines else { return };
        if follow.is_own(told) {
            return;
        }
        let follows = follow.hear(told);
        let state = match told.kind {
            PairingKind::Made => None,
            PairingKind::State if follows => Some(window.state()),
            PairingKind::State | PairingKind::Known => return,
        };
        for &(_, gesture) in gestures {
            let Some(message) = addresses::gesture(gesture, self.map.plan()) else { continue };
            let lacks =
                state.as_ref().is_none_or(|now| !now.stands(gesture, self.map.plan()) && !follow.expects(&message));
            if lacks {
                follow.expect(message);
                self.events.gesture(gesture, Who::Osc);
            }
        }
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
