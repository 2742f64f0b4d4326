//! A live run: the engine on a source of blocks, and everything that reaches it and listens to it.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use serde_json::json;
use signal_hook::consts;
use tenterhook_config::Host;
use tenterhook_io::{
    DeviceSupervisor, Ears, Ended, Events, Facts, GonePort, Hub, Load, Log, LogSettings, MidiPorts, Osc, OscCounts,
    Player, Recent, Refused, Relay, RelayCounts, Sound, Standing, Stats, TakeSettings, Window, Wiring, Wish,
};
use tenterhook_plan::{EngineState, Event, Gesture, Meters, Plan, RunState, SceneId, Who};

use crate::cli::OscOptions;
use crate::failure::Failure;
use crate::live::change::{Change, Takeover};
use crate::live::desk::{self, Desk};
use crate::live::relay;
use crate::live::room::Room;
use crate::loading::Loaded;
use crate::say::{Owed, count, say};

/// Makes, at a rate, the sound that takes the place of the mics, and says how many channels it has.
pub type Players = dyn Fn(u32) -> Result<(usize, Sound), Failure>;

/// What a live run is asked to be.
pub struct Asked<'a> {
    pub plan: &'a Plan,
    pub wish: Wish,
    pub from: SceneId,
    /// Who chose that scene.
    pub begun_by: Who,
    /// What acts at the very first sample, as a journal says it.
    pub first: &'a [Gesture],
    /// Who plays instead of the mics.
    pub players: Option<&'a Players>,
    pub log: Option<&'a Path>,
    /// Whether a run that broke off is taken up: then it begins also where its log cannot.
    pub comes_back: bool,
    /// Texts that the log keeps: names and what they hold.
    pub texts: &'a [(&'a str, &'a str)],
    /// Files that the log keeps: names and where they lie.
    pub files: &'a [(String, PathBuf)],
    pub osc: &'a OscOptions,
    pub page: desk::Asked<'a>,
}

/// A live run.
pub struct Stage {
    keeper: DeviceSupervisor,
    hub: Option<Hub>,
    window: Window,
    stats: Arc<Stats>,
    log: Option<Log>,
    /// Why there is no log, though one was asked for.
    no_log: Option<String>,
    desk: Option<Desk>,
    takeover: Takeover,
    relay: Option<Relay>,
    rehearsal: bool,
    owed: Owed,
    // Held for its thread, which ends when this goes.
    _recent: Option<Recent>,
}

/// How a live run went.
struct Ending {
    load: Load,
    engine: Arc<EngineState>,
    /// Frames that the log lost, if one was kept.
    log_lost: Option<u64>,
    /// Why the log is not whole.
    log_trouble: Option<String>,
    /// Why the engine did not go on.
    died: Option<String>,
    /// How telling others by OSC went.
    told: Option<RelayCounts>,
    /// What came by OSC and did not act.
    refused: Option<OscCounts>,
}

impl Stage {
    /// Opens the source and starts. `applied` is told every gesture that is applied, from the first on.
    pub fn open(
        asked: &Asked<'_>,
        applied: Option<crossbeam_channel::Sender<tenterhook_io::Done>>,
    ) -> Result<Self, Failure> {
        let mut keeper = DeviceSupervisor::open(&asked.wish).map_err(Failure::asked)?;
        let Facts { host, rate, inputs, outputs, .. } = keeper.facts().clone();
        let sound = asked.players.map(|players| players(rate)).transpose()?;
        let sound_channels = sound.as_ref().map(|(channels, _)| *channels);
        let (others, told) = relay::Ready::new(asked.osc, asked.comes_back)?;
        Room::here(asked.plan, rate).refuse()?;
        let (engine, mut control) = match others.tells() {
            true => tenterhook_rt::hearing_engine(asked.plan, rate, asked.from),
            false => tenterhook_rt::engine(asked.plan, rate, asked.from),
        };
        for gesture in asked.first {
            control.send(Event::Gesture(*gesture, Who::Journal)).map_err(Failure::running)?;
        }
        let ports = control.ports().to_vec();
        let mut subscribers: Vec<_> = applied.into_iter().chain(told).collect();
        let mut player = Player::new(engine.begun_by(asked.begun_by), rate);
        let (log, no_log) = match asked.log {
            None => (None, None),
            Some(dir) => {
                let (told, heard) = Hub::subscription();
                let settings = LogSettings {
                    dir,
                    rate,
                    inputs: sound_channels.unwrap_or(inputs),
                    outputs,
                    texts: asked.texts,
                    files: asked.files,
                    take: TakeSettings {
                        program: env!("CARGO_PKG_VERSION"),
                        host: &host.to_string(),
                        device: &keeper.facts().words,
                        block: keeper.facts().block,
                        began: &jiff::ZonedDateTime::now().to_string(),
                    },
                };
                match Log::start(settings, heard) {
                    Ok((log, tap)) => {
                        if log.dir() != dir {
                            let (taken, log) = (dir.display(), log.dir().display());
                            say(format_args!(
                                "{taken} holds a run already, or something else: this one is kept in {log}."
                            ));
                        }
                        subscribers.push(told);
                        player = player.with_log(tap);
                        (Some(log), None)
                    }
                    // The hall is full, and it played a moment ago.
                    Err(why) if asked.comes_back => {
                        (None, Some(format!("{why}; this run goes on without one, the next start tries again")))
                    }
                    Err(why) => return Err(Failure::asked(why)),
                }
            }
        };
        if let Some((channels, sound)) = sound {
            player = player.with_sound(channels, sound);
        }
        // What was just played can be studied on the page.
        let recent = match asked.page.options.no_page {
            true => None,
            false => {
                let channels = sound_channels.unwrap_or(inputs);
                let (recent, tap) = Recent::start(channels, rate).map_err(Failure::running)?;
                player = player.with_recent(tap);
                Some(recent)
            }
        };
        let stats = player.stats();
        let hub = Hub::start(control, subscribers).map_err(Failure::running)?;
        // Under JACK its own MIDI ports bring each message at its frame.
        let midi = (host != Host::Jack).then(|| MidiPorts::listen(ports.clone(), hub.events())).transpose();
        let plan = Arc::new(asked.plan.clone());
        let (inbox, relay) = others.open(&plan, &hub)?;
        let listened = recent.as_ref().map(Recent::listened);
        let desk = Desk::open(
            &asked.page,
            keeper.facts(),
            &hub,
            Arc::clone(&stats),
            listened,
            log.as_ref().map(|log| log.dir().to_owned()),
            asked.comes_back,
        )?;
        // Before any block: it takes some 20 ms. Where it is not permitted, `check --doors` says so.
        let _ = tenterhook_io::stay_in_memory();
        keeper.start(player).map_err(Failure::running)?;
        let takeover = Takeover {
            opened: asked.wish.clone(),
            facts: keeper.facts().clone(),
            recorded: sound_channels,
            newest: Mutex::new(plan),
            ports: Mutex::new(ports),
            midi: midi.map_err(Failure::running)?,
            inbox,
            log: log.as_ref().map(|log| log.dir().to_owned()),
            versions: AtomicU32::new(0),
        };
        Ok(Self {
            keeper,
            window: hub.window(),
            hub: Some(hub),
            stats,
            log,
            no_log,
            desk,
            takeover,
            relay,
            rehearsal: asked.page.rehearsal,
            owed: Owed::default(),
            _recent: recent,
        })
    }

    /// What was known of the device when it was opened.
    pub fn facts(&self) -> &Facts {
        self.keeper.facts()
    }

    /// How the engine is driven.
    pub fn standing(&self) -> Standing {
        self.keeper.standing()
    }

    /// The way to send gestures.
    pub fn events(&self) -> Option<Events> {
        self.hub.as_ref().map(Hub::events)
    }

    /// What the engine last said.
    pub fn engine(&self) -> Arc<EngineState> {
        self.window.state()
    }

    /// The same, with its meters.
    pub fn metered(&self) -> (Arc<EngineState>, Meters) {
        self.window.metered()
    }

    /// How much it takes so far.
    pub fn load(&self) -> Load {
        self.stats.load()
    }

    /// Why the engine does not go on, if it does not.
    pub fn died(&self) -> Option<String> {
        self.keeper.standing().ended
    }

    /// The folder of the log, if one is kept.
    pub fn log(&self) -> Option<&Path> {
        self.log.as_ref().map(Log::dir)
    }

    /// Why the log is no longer kept, if it is not.
    pub fn log_trouble(&self) -> Option<String> {
        self.no_log.clone().or_else(|| self.log.as_ref().and_then(Log::trouble))
    }

    /// Whether a recording, or an ensemble that is made up, plays in place of the mics.
    pub fn is_rehearsal(&self) -> bool {
        self.rehearsal
    }

    /// What came by OSC lately and made no sense.
    pub fn senseless(&self) -> Vec<Refused> {
        self.takeover.inbox.with(|osc| osc.map(Osc::refused).unwrap_or_default())
    }

    /// Why OSC is not heard, if the piece asks for it.
    pub fn unheard(&self) -> Option<String> {
        self.hub.as_ref().and_then(|hub| self.takeover.unheard(hub))
    }

    /// Those who are to be told by OSC and are not reached, and why.
    pub fn unreached(&self) -> BTreeMap<String, String> {
        self.relay.as_ref().map(Relay::unreached).unwrap_or_default()
    }

    /// Where OSC is listened for, if it is.
    pub fn osc(&self) -> Option<String> {
        self.takeover.inbox.look().map(|(address, _)| address.to_string())
    }

    /// Shows on the page how the run stands.
    pub fn show(&self, state: &RunState) {
        if let Some(desk) = &self.desk {
            desk.show(state);
        }
    }

    /// Puts a changed piece in the place of the one that plays; an error says why that cannot be.
    pub fn change(&self, loaded: &Loaded, host: Option<Host>) -> Result<Change, Failure> {
        let wish = wish(&loaded.checked.plan, &loaded.checked.device, host)?;
        match &self.hub {
            Some(hub) => self.takeover.change(hub, loaded, &wish),
            None => Ok(Change::Same),
        }
    }

    /// The MIDI ports that were listened to and are gone.
    pub fn gone_ports(&self) -> Vec<GonePort> {
        self.takeover.midi.as_ref().map(MidiPorts::gone).unwrap_or_default()
    }

    /// Listens to all that reaches the run, as long as the answer lives; the run hears it as before.
    pub fn ears(&self, osc: SocketAddr) -> Result<Ears, Failure> {
        let jack = self.facts().host == Host::Jack;
        let ears = self.takeover.inbox.with(|own| Ears::beside(self.takeover.midi.as_ref(), own, jack, osc));
        ears.map_err(Failure::running)
    }

    /// Keeps a version that takes over beside the log, see [`Takeover::keep`].
    pub fn keep(&self, loaded: &Loaded) -> Result<Option<String>, String> {
        self.takeover.keep(loaded)
    }

    /// Where the page is, if there is one.
    pub fn page(&self) -> Option<String> {
        self.desk.as_ref().map(|desk| format!("http://{}/", desk.address()))
    }

    /// Closes, says how it went, and fails if the engine had ended by itself.
    pub fn end(self, as_json: bool) -> Result<(), Failure> {
        let (ending, owed) = self.close();
        ending.tell(owed, as_json);
        match ending.died.or(ending.log_trouble) {
            None => Ok(()),
            Some(why) => Err(Failure::Running(why)),
        }
    }

    /// Fades out, stops the device, closes the files.
    fn close(mut self) -> (Ending, Owed) {
        let died = self.died();
        // Whoever follows goes on: that this machine ends is no gesture of the piece.
        let told = self.relay.take().map(|relay| relay.counts());
        if died.is_none()
            && let Some(events) = self.events()
        {
            events.gesture(Gesture::Hush(true), Who::End);
            // Everything is silent 200 ms after hush; the device's own buffers come on top.
            std::thread::sleep(Duration::from_millis(300));
        }
        self.keeper.stop();
        self.desk = None;
        self.hub.take().and_then(Hub::stop);
        let engine = self.engine();
        // That the log is not whole keeps nobody from being told how the run went.
        let load = self.stats.load();
        let log = self.log.take().map(|log| log.finish(Ended::from(&load))).transpose();
        let (log_lost, log_trouble) = match log {
            Ok(end) => (end.map(|end| end.lost), self.no_log.take()),
            Err(why) => (None, Some(why.to_string())),
        };
        let refused = self.takeover.inbox.look().map(|(_, counts)| counts);
        let ending = Ending { load, engine, log_lost, log_trouble, died, told, refused };
        (ending, self.owed)
    }
}

impl Ending {
    /// Says how it went: as JSON on standard output, else in words on standard error.
    fn tell(&self, owed: Owed, as_json: bool) {
        let percent = |share: f64| 100.0 * share;
        if as_json {
            owed.pay(json!({
                "event": "ended", "load": self.load, "percentile_50": self.load.percentile(0.5),
                "percentile_99": self.load.percentile(0.99), "percentile_99_9": self.load.percentile(0.999),
                "applied_lost": self.engine.applied_lost, "events_lost": self.engine.events_lost,
                "log_frames_lost": self.log_lost, "log_trouble": self.log_trouble, "died": self.died, "osc_told": self.told,
                "osc_refused": self.refused,
            }));
            return;
        }
        let own = match self.load.overworked {
            0 => String::new(),
            some => format!(" ({some} by their own work)"),
        };
        say(format_args!(
            "{} blocks, {} late{}, {} xruns; processing took {:.1} % of the time on average, {:.1} % at most.",
            self.load.blocks,
            self.load.late,
            own,
            self.load.xruns,
            percent(self.load.mean),
            percent(self.load.most),
        ));
        let lost = self.engine.applied_lost + self.engine.events_lost + self.load.events_lost;
        if lost > 0 {
            say(format_args!("caution: {lost} gestures were lost because too many came at once"));
        }
        if let Some(OscCounts { senseless, far, crowded }) =
            self.refused.filter(|counts| *counts != OscCounts::default())
        {
            say(format_args!(
                "caution: by OSC came {} that made no sense, {} for more than a minute later, and {} for later that found \
                 no room",
                count(senseless, "message"),
                count(far, "bundle"),
                count(crowded, "gesture"),
            ));
        }
        if let Some(RelayCounts { sent, refused }) = self.told.filter(|counts| counts.refused > 0) {
            say(format_args!("caution: of {} packets of OSC the network refused {refused}", sent + refused));
        }
        if let Some(frames) = self.log_lost.filter(|frames| *frames > 0) {
            say(format_args!("caution: {frames} frames were lost on the way to the log; lost.csv tells which"));
        }
    }
}

/// A flag that SIGINT, SIGTERM and SIGHUP (the terminal was closed) raise.
pub fn asked_to_end() -> Result<Arc<AtomicBool>, Failure> {
    let flag = Arc::new(AtomicBool::new(false));
    for signal in [consts::SIGINT, consts::SIGTERM, consts::SIGHUP] {
        // A second one ends the program at once, should the first not be heeded.
        signal_hook::flag::register_conditional_shutdown(signal, 1, Arc::clone(&flag)).map_err(Failure::running)?;
        signal_hook::flag::register(signal, Arc::clone(&flag)).map_err(Failure::running)?;
    }
    Ok(flag)
}

/// Whether the flag is up.
pub fn is_raised(flag: &AtomicBool) -> bool {
    flag.load(Ordering::Relaxed)
}

/// The wish of a piece's hall, for the channels of a plan.
pub fn wish(plan: &Plan, device: &tenterhook_config::DeviceWish, host: Option<Host>) -> Result<Wish, Failure> {
    let wiring = Wiring::of(plan).map_err(Failure::asked)?;
    if wiring.outputs.is_empty() {
        return Err(Failure::asked("every output is left out: give one of them a channel in the hall"));
    }
    let host = host.or(device.host);
    if let Some(host @ (Host::Jack | Host::Clock)) = host
        && (device.input.is_some() || device.output.is_some())
    {
        return Err(Failure::Asked(format!(
            "the hall's [device] names an input or output, but the host {host} has none to choose from: leave them out"
        )));
    }
    Ok(Wish {
        host,
        input: device.input.clone(),
        output: device.output.clone(),
        rate: device.rate,
        block: device.block,
        ..Wish::any(wiring)
    })
}
