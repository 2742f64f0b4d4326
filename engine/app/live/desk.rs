//! The page beside a live run: hands on to it what the engine reports, and to the engine what it asks for.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use crossbeam_channel::Sender;
use tenterhook_dsp::effects::EFFECTS;
use tenterhook_io::{Facts, Hub, Listened, Stats, Told, Window};
use tenterhook_page::score::{About, View};
use tenterhook_page::{HallWish, Page, Settings, WriteHall};
use tenterhook_plan::{Plan, RunState};
use tenterhook_rt::Reading;

use crate::cli::PageOptions;
use crate::commands::invite;
use crate::commands::preflight;
use crate::commands::study::Bench;
use crate::failure::Failure;
use crate::live::listen::{self, EtudeListening};
use crate::live::words;
use crate::say::say;

/// How often a page is shown how things are: 30 times a second.
const TICK: Duration = Duration::from_nanos(1_000_000_000 / 30);

/// What a page is asked to be.
#[derive(Clone, Debug)]
pub struct Asked<'a> {
    pub options: &'a PageOptions,
    /// Which view comes first.
    pub opens: View,
    /// Whether a recording, or an ensemble that is made up, plays in place of the mics.
    pub rehearsal: bool,
    /// Whom to tell what is to be written into the hall file.
    pub hall: Option<Sender<HallWish>>,
}

/// A page that is served beside a run, until this is dropped.
pub struct Desk {
    address: SocketAddr,
    newest: Arc<Mutex<Option<RunState>>>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Desk {
    /// Serves the page, if it is wanted, and says where.
    pub fn open(
        asked: &Asked<'_>,
        facts: &Facts,
        hub: &Hub,
        stats: Arc<Stats>,
        mics: Option<Listened>,
        log: Option<PathBuf>,
        comes_back: bool,
    ) -> Result<Option<Self>, Failure> {
        let options = asked.options;
        if options.no_page {
            return Ok(None);
        }
        let (address, access) = invite::access(options)?;
        let listening = EtudeListening::default();
        let events = hub.events();
        let rehearsal = asked.rehearsal;
        // The same copy as the hub's: what is the same is then seen without a look inside.
        let plan = Arc::clone(&hub.state().plan);
        let bench = Arc::new(Bench::new(Arc::clone(&plan), mics));
        let settings = Settings {
            address,
            access: access.clone(),
            studio: Some(bench.clone()),
            plan,
            about: About {
                rate: facts.rate,
                opens: asked.opens,
                rehearsal,
                declarations: EFFECTS.iter().map(|effect| effect.declaration).collect(),
            },
            words: words::of,
            etudes: listen::etudes(),
            hear: Arc::new(move |name| {
                if rehearsal {
                    listening.file(name)
                } else {
                    Err("not while the mics are open: `tenterhook demo` lets you hear it".to_owned())
                }
            }),
            look_over: Arc::new({
                let (window, rate) = (hub.window(), facts.rate);
                move || look_over(&window, rate, log.as_deref())
            }),
            act: Box::new(move |plan, gesture, who| events.of(plan).gesture(gesture, who)),
            hall: asked.hall.clone().map(|hall| -> WriteHall {
                // A press too many is one that need not be heard.
                Box::new(move |wish| drop(hall.try_send(wish)))
            }),
        };
        let page = match Page::serve(settings) {
            Ok(page) => page,
            // Somebody else may have the usual place: no reason not to play.
            Err(why @ tenterhook_page::Error::Address { .. })
                if comes_back || options.page.is_none() && !options.share =>
            {
                say(format_args!("caution: {why}"));
                return Ok(None);
            }
            Err(why) => return Err(Failure::asked(why)),
        };
        let address = invite::tell(&access, page.address(), options)?;
        let (newest, stop) = (Arc::<Mutex<Option<RunState>>>::default(), Arc::<AtomicBool>::default());
        let mut work = DeskWork {
            page,
            readings: hub.readings(),
            window: hub.window(),
            stats,
            bench,
            plan: None,
            newest: Arc::clone(&newest),
        };
        let stopped = Arc::clone(&stop);
        let run = move || {
            while !stopped.load(Ordering::Acquire) {
                work.turn();
                std::thread::sleep(TICK);
            }
        };
        let thread = std::thread::Builder::new().name("desk".to_owned()).spawn(run).map_err(Failure::running)?;
        Ok(Some(Self { address, newest, stop, thread: Some(thread) }))
    }

    /// Where the page is.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Shows how the run stands; of the engine the page shows what is newest whenever it looks.
    pub fn show(&self, state: &RunState) {
        *self.newest.lock().unwrap_or_else(PoisonError::into_inner) = Some(state.clone());
    }
}

impl Drop for Desk {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take() {
            // It has no way to panic; were there one, there would be nothing to do here.
            let _ = thread.join();
        }
    }
}

/// Looks the machine over, on which the piece in force plays.
fn look_over(window: &Window, rate: u32, log: Option<&Path>) -> serde_json::Value {
    let state = window.state();
    let lines = preflight::look(&preflight::Show { plan: &state.plan, device: None, rate: Some(rate), log }).ok();
    preflight::to_json(&lines.unwrap_or_default())
}

/// What the desk's thread does.
struct DeskWork {
    page: Page,
    readings: crossbeam_channel::Receiver<Told>,
    window: Window,
    stats: Arc<Stats>,
    bench: Arc<Bench>,
    /// The piece that was shown last.
    plan: Option<Arc<Plan>>,
    newest: Arc<Mutex<Option<RunState>>>,
}

impl DeskWork {
    fn turn(&mut self) {
        let engine = self.window.state();
        let plan = &engine.plan;
        if self.plan.as_ref().is_none_or(|known| !Arc::ptr_eq(known, plan)) {
            self.bench.change(plan);
            self.plan = Some(Arc::clone(plan));
        }
        // Who sees the first of a run sees the whole of it.
        let Some(state) = self.newest.lock().unwrap_or_else(PoisonError::into_inner).clone() else { return };
        let sample = self.stats.load().frames;
        self.page.show(RunState { engine: Arc::clone(&engine), sample, ..state });
        while let Ok(Told { reading, plan: of }) = self.readings.try_recv() {
            // What a piece before said has no place any more.
            if let Reading::Meter { sample, channel, meter } = reading
                && Arc::ptr_eq(&of, plan)
            {
                self.page.meter(channel, sample, meter);
            }
        }
    }
}
