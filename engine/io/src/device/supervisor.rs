//! The engine goes on when its device does not: the built-in clock drives it until the device is back.

use crate::{ClockSource, Error, Facts, Player, PlayerSlot, Source, SourceState, Wish, open};
use crossbeam_channel::{Receiver, bounded};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tenterhook_config::Host;

/// How often the device is looked at.
const TURN: Duration = Duration::from_millis(10);
/// A device that has asked for no block for so long has gone: a fifth of a second less than people may wait to be told.
const STILL: Duration = Duration::from_millis(800);
/// How long a device may take for its first block.
const FIRST: Duration = Duration::from_secs(3);
/// How long streams that stand still are left alone before they are opened anew. A JACK server is not: its clients go on
/// by themselves when it does.
const ANEW: Duration = Duration::from_secs(3);
/// How often a device that has gone is looked for.
const AGAIN: Duration = Duration::from_millis(250);
/// A device that takes longer than this to open is said not to answer.
const SILENT: Duration = Duration::from_secs(10);
/// How long the end waits for a device to let go: one that stands still may never do so.
const LETS_GO: Duration = Duration::from_secs(2);

/// How the engine is driven.
#[derive(Clone, Debug)]
pub struct Standing {
    /// The device; while it is away, as it was.
    pub device: Facts,
    /// Set while the device is away and the clock drives the engine.
    pub away: Option<Away>,
    /// How often the device has gone.
    pub losses: u64,
    /// Why the engine itself does not go on.
    pub ended: Option<String>,
    /// The JACK server's frame that is the engine's frame 0, as long as the first device is there.
    pub origin: Option<u32>,
}

/// A device that has gone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Away {
    /// Why, in words for a person.
    pub why: String,
    /// Since when.
    pub since: Instant,
    /// Why it could not be taken up again although there is one; in words for a person.
    pub refused: Option<String>,
}

/// Drives the engine by a device for as long as that works, by the built-in clock while it does not, and by the device
/// again when it is back, with its rate and block of then. All that the engine holds stays: it only hears silence
/// meanwhile, and nobody hears it.
pub struct DeviceSupervisor {
    facts: Facts,
    wish: Wish,
    opened: Option<Box<dyn Source>>,
    shared: Arc<SupervisorShared>,
    thread: Option<JoinHandle<()>>,
}

struct SupervisorShared {
    stop: AtomicBool,
    standing: Mutex<Standing>,
}

impl DeviceSupervisor {
    /// Opens the source that is wished for; it does not run yet.
    ///
    /// # Errors
    /// As from [`open`].
    pub fn open(wish: &Wish) -> Result<Self, Error> {
        let source = open(wish)?;
        let facts = source.facts().clone();
        let standing = Standing { device: facts.clone(), away: None, losses: 0, ended: None, origin: None };
        let shared = Arc::new(SupervisorShared { stop: AtomicBool::new(false), standing: Mutex::new(standing) });
        Ok(Self { facts, wish: wish.clone(), opened: Some(source), shared, thread: None })
    }

    /// What was known of the source when it was opened. Its rate is the engine's for the run.
    pub fn facts(&self) -> &Facts {
        &self.facts
    }

    /// Starts: from now on the player gets blocks.
    ///
    /// # Errors
    /// As from [`Source::start`], or [`Error::Thread`].
    pub fn start(&mut self, player: Player) -> Result<(), Error> {
        let Some(mut source) = self.opened.take() else {
            return Err(Error::Started { source_name: self.facts.words.clone() });
        };
        let wish = source.found_again(&self.wish);
        let seat = PlayerSlot::of(player);
        source.start(&seat)?;
        let mut work = SupervisorWork {
            wish,
            facts: self.facts.clone(),
            shared: Arc::clone(&self.shared),
            driver: Driver { source, seat },
            calls: 0,
            moved: Instant::now(),
            phase: SupervisorPhase::Device,
        };
        let run = move || {
            while !work.shared.stop.load(Ordering::Acquire) {
                work.turn();
                std::thread::sleep(TURN);
            }
            work.close();
        };
        let thread = std::thread::Builder::new().name("supervisor".to_owned()).spawn(run);
        self.thread = Some(thread.map_err(|why| Error::Thread { why: why.to_string() })?);
        Ok(())
    }

    /// How things are.
    pub fn standing(&self) -> Standing {
        lock(&self.shared.standing).clone()
    }

    /// Stops. When this returns no block is being processed and the player is gone, freed on another thread than audio's. A
    /// device that stands still is left behind after two seconds.
    pub fn stop(&mut self) {
        self.shared.stop.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take() {
            // Were it to panic there would be nothing left to stop.
            let _ = thread.join();
        }
    }
}

impl Drop for DeviceSupervisor {
    fn drop(&mut self) {
        self.stop();
    }
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A source with the place from which it drives the player.
struct Driver {
    source: Box<dyn Source>,
    seat: PlayerSlot,
}

enum SupervisorPhase {
    /// The driver is the device.
    Device,
    /// The driver is the clock.
    Away {
        /// The device that stands still, and its blocks by then: it may go on by itself.
        still: Option<(Driver, u64)>,
        /// Tells when a device that stood still has let go.
        letting_go: Option<Receiver<()>>,
        /// An attempt to open it anew, on a thread of its own, since it may take its time.
        opening: Option<Receiver<Result<Box<dyn Source>, Error>>>,
        tried: Instant,
    },
    /// Nothing drives.
    Ended,
}

struct SupervisorWork {
    wish: Wish,
    facts: Facts,
    shared: Arc<SupervisorShared>,
    driver: Driver,
    /// The driver's blocks when they were last seen to grow, and when that was.
    calls: u64,
    moved: Instant,
    phase: SupervisorPhase,
}

impl SupervisorWork {
    fn turn(&mut self) {
        match std::mem::replace(&mut self.phase, SupervisorPhase::Ended) {
            SupervisorPhase::Device => self.watch(),
            SupervisorPhase::Away { still, letting_go, opening, tried } => {
                self.await_device(still, letting_go, opening, tried)
            }
            SupervisorPhase::Ended => {}
        }
    }

    /// Looks whether the device still is one.
    fn watch(&mut self) {
        let calls = self.driver.seat.calls();
        if calls != self.calls {
            (self.calls, self.moved) = (calls, Instant::now());
            // Not while it stands still: it would have this thread wait for an answer.
            self.driver.source.tend();
            let mut standing = lock(&self.shared.standing);
            if standing.losses == 0 && standing.origin.is_none() {
                standing.origin = self.driver.source.origin();
            }
        }
        let patience = if calls == 0 { FIRST } else { STILL };
        match self.driver.source.state() {
            SourceState::Dead { why } => self.leave(why, false),
            _ if self.moved.elapsed() > patience => {
                self.leave("the device asks for no sound any more".to_owned(), true);
            }
            _ => self.phase = SupervisorPhase::Device,
        }
    }

    /// The device has gone: the clock takes its place. `still`: it may go on by itself.
    fn leave(&mut self, why: String, still: bool) {
        let Some(player) = self.driver.seat.take() else {
            return self.end(format!("{why}, and the engine went down with it"));
        };
        let stats = self.driver.seat.stats();
        // At most the time since blocks were last seen, in whole turns.
        stats.away((self.moved.elapsed().as_secs_f64() * f64::from(self.facts.rate)) as u64);
        let mut device = match self.clock(player) {
            Ok(clock) => std::mem::replace(&mut self.driver, clock),
            Err(failed) => return self.end(format!("{why}, and nothing can take its place ({failed})")),
        };
        {
            let mut standing = lock(&self.shared.standing);
            standing.losses += 1;
            standing.origin = None;
            standing.away = Some(Away { why, since: Instant::now(), refused: None });
        }
        let calls = device.seat.calls();
        let still = if still {
            Some((device, calls))
        } else {
            device.source.stop();
            None
        };
        self.phase = SupervisorPhase::Away { still, letting_go: None, opening: None, tried: Instant::now() };
    }

    /// The clock with the player in its place, running.
    fn clock(&self, mut player: Box<Player>) -> Result<Driver, Error> {
        let words = "the built-in clock".to_owned();
        let mut source = ClockSource::new(Facts { host: Host::Clock, words, ..self.facts.clone() });
        player.change_device();
        let seat = PlayerSlot::empty(player.stats());
        seat.put(player);
        source.start(&seat)?;
        Ok(Driver { source: Box::new(source), seat })
    }

    /// Looks whether the device is back.
    fn await_device(
        &mut self,
        mut still: Option<(Driver, u64)>,
        mut letting_go: Option<Receiver<()>>,
        mut opening: Option<Receiver<Result<Box<dyn Source>, Error>>>,
        mut tried: Instant,
    ) {
        if let Some((device, calls)) = still.take() {
            let dead = matches!(device.source.state(), SourceState::Dead { .. });
            let anew = self.facts.host != Host::Jack && tried.elapsed() > ANEW;
            if !dead && device.seat.calls() != calls {
                return self.take_up(device);
            }
            if dead || anew {
                // What stands still may do so when it is asked to stop, too.
                letting_go = Some(Self::drop_elsewhere(device));
            } else {
                still = Some((device, calls));
            }
        }
        match opening.as_ref().map(Receiver::try_recv) {
            Some(Ok(Ok(source))) => {
                let seat = PlayerSlot::empty(self.driver.seat.stats());
                return self.take_up(Driver { source, seat });
            }
            Some(Ok(Err(why))) => {
                // That there is none yet is no news.
                let refused = (!is_absence(&why)).then(|| why.to_string());
                if let Some(away) = &mut lock(&self.shared.standing).away {
                    away.refused = refused;
                }
                (opening, tried) = (None, Instant::now());
            }
            Some(Err(crossbeam_channel::TryRecvError::Empty)) if tried.elapsed() > SILENT => {
                if let Some(away) = &mut lock(&self.shared.standing).away {
                    away.refused.get_or_insert_with(|| "it does not answer: see its program".to_owned());
                }
            }
            Some(Err(crossbeam_channel::TryRecvError::Empty)) => {}
            Some(Err(crossbeam_channel::TryRecvError::Disconnected)) => opening = None,
            None if still.is_none() && tried.elapsed() >= AGAIN => {
                (opening, tried) = (self.open_elsewhere(letting_go.take()), Instant::now());
            }
            None => {}
        }
        self.phase = SupervisorPhase::Away { still, letting_go, opening, tried };
    }

    /// Tries to open the device, after one that stood still has let go, if it does: streams are busy until then, and
    /// JACK's library keeps what it knows of a server as long as this program has a client there, and then takes the next
    /// server's clients for those of the last (JACK2, `JackLibGlobals`).
    fn open_elsewhere(&self, letting_go: Option<Receiver<()>>) -> Option<Receiver<Result<Box<dyn Source>, Error>>> {
        let (done, opened) = bounded(1);
        let wish = self.wish.clone();
        // If the run has ended meanwhile nobody takes it.
        let run = move || {
            // An error means that it is gone.
            let _ = letting_go.map(|gone| gone.recv_timeout(LETS_GO));
            drop(done.send(open(&wish)));
        };
        std::thread::Builder::new().name("device".to_owned()).spawn(run).ok().map(|_| opened)
    }

    /// Lets go of a device on a thread of its own; whoever waits for the answer knows when that is done.
    fn drop_elsewhere(device: Driver) -> Receiver<()> {
        let (done, dropped) = bounded(1);
        let run = move || {
            drop(device);
            // Nobody may wait for it.
            let _ = done.send(());
        };
        // Without a thread it is dropped here after all.
        drop(std::thread::Builder::new().name("device".to_owned()).spawn(run));
        dropped
    }

    /// Ends: the player goes, and the devices, as far as they let go.
    fn close(self) {
        let still = match self.phase {
            SupervisorPhase::Away { still, .. } => still.map(|(device, _)| device),
            SupervisorPhase::Device | SupervisorPhase::Ended => None,
        };
        drop(self.driver.seat.take());
        let devices: Vec<_> = [Some(self.driver), still].into_iter().flatten().map(Self::drop_elsewhere).collect();
        for dropped in devices {
            // An error means that it is gone.
            let _ = dropped.recv_timeout(LETS_GO);
        }
    }

    /// The device is back: it takes the clock's place. A device that runs already goes on, another one starts.
    fn take_up(&mut self, device: Driver) {
        let Some(mut player) = self.driver.seat.take() else {
            return self.end("the clock broke off, and the engine went down with it".to_owned());
        };
        let since = Instant::now();
        self.driver.source.stop();
        player.change_device();
        let runs = device.source.state() == SourceState::Running;
        device.seat.put(player);
        self.driver = device;
        if !runs && let Err(why) = self.driver.source.start(&self.driver.seat) {
            let Some(player) = self.driver.seat.take() else {
                return self.end(format!("{why}, and the engine went down with it"));
            };
            match self.clock(player) {
                Ok(clock) => drop(std::mem::replace(&mut self.driver, clock)),
                Err(failed) => return self.end(format!("{why}; and nothing can take its place ({failed})")),
            }
            if let Some(away) = &mut lock(&self.shared.standing).away {
                away.refused = Some(why.to_string());
            }
            self.phase = SupervisorPhase::Away { still: None, letting_go: None, opening: None, tried: Instant::now() };
            return;
        }
        self.driver.seat.stats().away((since.elapsed().as_secs_f64() * f64::from(self.facts.rate)) as u64);
        (self.calls, self.moved) = (self.driver.seat.calls(), Instant::now());
        let mut standing = lock(&self.shared.standing);
        standing.away = None;
        standing.device = self.driver.source.facts().clone();
        drop(standing);
        self.phase = SupervisorPhase::Device;
    }

    fn end(&mut self, why: String) {
        lock(&self.shared.standing).ended = Some(why);
        self.phase = SupervisorPhase::Ended;
    }
}

/// Whether a device is simply not there.
fn is_absence(why: &Error) -> bool {
    matches!(why, Error::NoServer { .. } | Error::NoDevice { .. } | Error::NoDefault { .. })
}
