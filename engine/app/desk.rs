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
use tenterhook_page::{Learn, Learning, Page, Settings, Stand, Topic as Kind, Word};
use tenterhook_plan::condition::{Condition, Conditions, Topic};
use tenterhook_plan::{Plan, SceneId};
use tenterhook_rt::{Channel, Reading};

use crate::cli::PageOptions;
use crate::doors;
use crate::failure::Failure;
use crate::invite;
use crate::listen::{self, Listening};
use crate::say::say;
use crate::study::Bench;
use crate::words;

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
    /// Whom to tell what is to be learned: a controller's name, or nothing any more.
    pub learn: Option<Sender<Option<String>>>,
}

/// A page that is served beside a run, until this is dropped.
pub struct Desk {
    address: SocketAddr,
    said: Arc<Mutex<Said>>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

/// What the page shows that the engine does not know.
#[derive(Clone, Default)]
pub struct Said {
    /// What one must know; `None`: nobody has looked yet.
    pub conditions: Option<Arc<Conditions>>,
    /// How learning stands.
    pub learning: Option<Learning>,
}

impl Desk {
    /// Serves the page, if it is wanted, and says where.
    pub fn open(
        asked: &Asked<'_>,
        plan: &Plan,
        facts: &Facts,
        hub: &Hub,
        stats: Arc<Stats>,
        mics: Option<Listened>,
        log: Option<PathBuf>,
    ) -> Result<Option<Self>, Failure> {
        let options = asked.options;
        if options.no_page {
            return Ok(None);
        }
        let (address, access) = invite::access(options)?;
        let listening = Listening::new().map_err(Failure::running)?;
        let events = hub.events();
        let rehearsal = asked.rehearsal;
        // The same copy as the hub's: what is the same is then seen without a look inside.
        let plan = hub.snapshot().plan.unwrap_or_else(|| Arc::new(plan.clone()));
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
            learn: asked.learn.clone().map(|learn| -> Learn {
                // A press too many is one that need not be heard.
                Box::new(move |name| drop(learn.try_send(name.map(str::to_owned))))
            }),
        };
        let page = match Page::serve(settings) {
            Ok(page) => page,
            // Somebody else may have the usual place: no reason not to play.
            Err(why @ tenterhook_page::Error::Address { .. }) if options.page.is_none() && !options.share => {
                say(format_args!("caution: {why}"));
                return Ok(None);
            }
            Err(why) => return Err(Failure::asked(why)),
        };
        let address = invite::tell(&access, page.address(), options)?;
        let (said, stop) = (Arc::<Mutex<Said>>::default(), Arc::<AtomicBool>::default());
        let mut work = Work {
            page,
            readings: hub.readings(),
            window: hub.window(),
            stats,
            bench,
            plan: None,
            said: Arc::clone(&said),
        };
        let stopped = Arc::clone(&stop);
        let run = move || {
            while !stopped.load(Ordering::Acquire) {
                work.turn();
                std::thread::sleep(TICK);
            }
        };
        let thread = std::thread::Builder::new().name("desk".to_owned()).spawn(run).map_err(Failure::running)?;
        Ok(Some(Self { address, said, stop, thread: Some(thread) }))
    }

    /// Where the page is.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Shows something else; `change` says what has become otherwise.
    pub fn say(&self, change: impl FnOnce(&mut Said)) {
        change(&mut self.said.lock().unwrap_or_else(PoisonError::into_inner));
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
    let plan = window.snapshot().plan;
    let lines = plan.and_then(|plan| doors::look(&plan, Some(rate), log, true).ok());
    doors::to_json(&lines.unwrap_or_default())
}

/// What the page puts a condition under.
fn kind(topic: &Topic) -> Kind {
    match topic {
        Topic::DeviceGone { .. } | Topic::DeviceStill { .. } | Topic::NoDevice | Topic::ClocksApart { .. } => {
            Kind::Device
        }
        Topic::LateBlocks(_) | Topic::Gaps(_) => Kind::Late,
        Topic::LogLost { .. } => Kind::Log,
        Topic::PieceBroken { .. } => Kind::Piece,
        Topic::JournalLost { .. } | Topic::TakenUp { .. } => Kind::Journal,
        Topic::PortGone { .. }
        | Topic::SwitchTurned { .. }
        | Topic::OscSenseless { .. }
        | Topic::OscUnheard { .. }
        | Topic::OscUnreached { .. } => Kind::Controller,
        Topic::NotNumbers => Kind::Bad,
        Topic::Clips => Kind::Clip,
        Topic::Howls => Kind::Howl,
        Topic::Offset { .. } => Kind::Offset,
        Topic::Limited { .. } => Kind::Limiter,
        Topic::GesturesLost { .. } => Kind::Lost,
        Topic::EffectBroke { .. }
        | Topic::ModelBroke { .. }
        | Topic::AnalysisBroke { .. }
        | Topic::EngineBroke { .. } => Kind::Broken,
    }
}

/// What the desk's thread does.
struct Work {
    page: Page,
    readings: crossbeam_channel::Receiver<Told>,
    window: Window,
    stats: Arc<Stats>,
    bench: Arc<Bench>,
    /// The piece that was shown last.
    plan: Option<Arc<Plan>>,
    said: Arc<Mutex<Said>>,
}

impl Work {
    fn turn(&mut self) {
        let (snapshot, load) = (self.window.snapshot(), self.stats.load());
        let Some(plan) = &snapshot.plan else { return };
        if self.plan.as_ref().is_none_or(|known| !Arc::ptr_eq(known, plan)) {
            self.bench.change(plan);
            self.plan = Some(Arc::clone(plan));
        }
        let Said { conditions, learning } = self.said.lock().unwrap_or_else(PoisonError::into_inner).clone();
        // Who sees the first of a run sees the whole of it.
        let Some(conditions) = conditions else { return };
        let word = |one: &Condition| Word { kind: kind(&one.topic), grave: one.grave, text: words::of(one) };
        let mut words: Vec<_> = conditions.iter().map(word).collect();
        words.sort_by_key(|word| !word.grave);
        let (scene, since) = snapshot.scene.unwrap_or((SceneId(0), 0));
        let stand = Stand {
            sample: load.frames,
            scene,
            since,
            hushed: snapshot.hushed,
            controllers: snapshot.controllers.clone(),
            effects: snapshot.effects.clone(),
            level_db: snapshot.level_db,
            levels_db: snapshot.levels_db.clone(),
            muted: snapshot.muted.clone(),
            words,
            learning,
        };
        self.page.show(plan, stand);
        while let Ok(Told { reading, plan: of }) = self.readings.try_recv() {
            let Reading::Meter { sample, channel, peak, rms, clips, reduction, .. } = reading else { continue };
            // What a piece before said has no place any more.
            if Arc::ptr_eq(&of, plan) {
                let reading = tenterhook_page::MeterReading { sample, peak, rms, clips, reduction };
                match channel {
                    Channel::Mic(mic) => self.page.mic(mic, reading),
                    Channel::Output(output) => self.page.output(output, reading),
                }
            }
        }
    }
}
