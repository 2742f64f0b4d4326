//! The whole live path on a real server: every scene of the bundled pieces, every controller by MIDI and by gestures, a
//! changed piece that takes over, the log, the mics' last seconds. Built with RealtimeSanitizer (the root package's
//! `tests/sanitizer.rs`) it ends the program where the server's callback might wait.
#![cfg_attr(rtsan, feature(sanitize))]

mod server;

use jack::{AudioOut, Client, Control, MidiOut, Port, ProcessScope, RawMidi};
use server::{Server, client, within_a_minute};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::time::Duration;
use tenterhook_config::{Files, Text, check_with};
use tenterhook_io::{
    DeviceSupervisor, Ended, Hub, JackSource, Log, LogSettings, Player, PlayerSlot, Recent, Source, SourceState,
    TakeSettings, Wiring, Wish, decode_sound,
};
use tenterhook_plan::{ControllerId, Gesture, MicId, OutputId, Plan, Recording, SceneId, Who};

/// Set in the process that runs the test itself, with the server chosen.
const INSIDE: &str = "TENTERHOOK_TEST_LIVE";

fn scenes() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../scenes")
}

/// What the bundled pieces name lies beside them.
struct Beside;

impl Files for Beside {
    fn sound(&self, path: &str) -> Result<Recording, String> {
        let bytes = std::fs::read(scenes().join(path)).map_err(|why| why.to_string())?;
        let sound = decode_sound(path, bytes, 60.0).map_err(|why| why.to_string())?;
        Ok(Recording { path: path.to_owned(), rate: sound.rate, tuned: 1.0, samples: sound.mono() })
    }

    fn text(&self, path: &str) -> Result<String, String> {
        std::fs::read_to_string(scenes().join(path)).map_err(|why| why.to_string())
    }
}

/// The bundled pieces.
fn pieces() -> Vec<Plan> {
    let files = std::fs::read_dir(scenes()).unwrap().map(|entry| entry.unwrap().path());
    let mut files: Vec<_> = files.filter(|path| path.extension().is_some_and(|kind| kind == "toml")).collect();
    files.sort();
    let plan = |path: PathBuf| {
        let text = Text::new("piece.toml", std::fs::read_to_string(&path).unwrap());
        check_with(&text, None, &Beside).unwrap_or_else(|report| panic!("{}", report.render(false))).plan
    };
    files.into_iter().map(plan).collect()
}

/// A client that sends a tone and, in turn, every control change and every note.
struct Feeder {
    tone: Port<AudioOut>,
    pedals: Port<MidiOut>,
    at: u64,
}

impl jack::ProcessHandler for Feeder {
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        for (n, sample) in (self.at..).zip(self.tone.as_mut_slice(scope)) {
            *sample = 0.3 * (n as f32 % 48_000.0 * 0.03).sin();
        }
        let turn = self.at / u64::from(scope.n_frames());
        let number = (turn % 128) as u8;
        let value = [127, 0, 64, 1][(turn / 128 % 4) as usize];
        let mut writer = self.pedals.writer(scope);
        for (time, bytes) in [(3, [0xB0, number, value]), (70, [0x90, number, value])] {
            // A period without room for two messages is none of this server's.
            let _ = writer.write(&RawMidi { time, bytes: &bytes });
        }
        self.at += u64::from(scope.n_frames());
        Control::Continue
    }
}

/// Every controller to its ends, by gestures.
fn move_all(hub: &Hub, plan: &Arc<Plan>) {
    let events = hub.events().of(plan);
    for value in [0.3, 1.0, 0.6, 0.0] {
        for id in (0..plan.controllers.len()).map(ControllerId::new) {
            events.gesture(Gesture::Controller { id, value }, Who::PageDesk);
        }
        std::thread::sleep(Duration::from_millis(60));
    }
}

/// Plays a piece through all its scenes; then `changed` takes over, and is played as well.
fn played(plan: &Plan, changed: &Arc<Plan>) {
    let wish = Wish { connect: false, ..Wish::any(Wiring::of(plan).unwrap()) };
    let mut source = JackSource::open(&wish).unwrap();
    let facts = source.facts().clone();
    let folder = tempfile::tempdir().unwrap();
    let (told, heard) = Hub::subscription();
    let settings = LogSettings {
        dir: folder.path(),
        rate: facts.rate,
        inputs: facts.inputs,
        outputs: facts.outputs,
        texts: &[],
        files: &[],
        take: TakeSettings::default(),
    };
    let (log, tap) = Log::start(settings, heard).unwrap();
    let (_recent, recent_tap) = Recent::start(facts.inputs, facts.rate).unwrap();
    let (engine, control) = tenterhook_rt::engine(plan, facts.rate, SceneId(0));
    let player = Player::new(engine, facts.rate).with_log(tap).with_recent(recent_tap);
    let stats = player.stats();
    let hub = Hub::start(control, vec![told]).unwrap();
    source.start(&PlayerSlot::of(player)).unwrap();

    let feeder = client("feeder");
    let tone = feeder.register_port("tone", AudioOut::default()).unwrap();
    let pedals = feeder.register_port("pedals", MidiOut::default()).unwrap();
    let feeder = feeder.activate_async((), Feeder { tone, pedals, at: 0 }).unwrap();
    let name = source.client_name().unwrap().to_owned();
    for mic in plan.mics.iter().filter(|mic| mic.input.is_some()) {
        feeder.as_client().connect_ports_by_name("feeder:tone", &format!("{name}:{}", mic.name)).unwrap();
    }
    feeder.as_client().connect_ports_by_name("feeder:pedals", &format!("{name}:midi")).unwrap();

    let whole = Arc::new(plan.clone());
    for plan in [&whole, changed] {
        if !Arc::ptr_eq(plan, &whole) {
            assert!(hub.replace(Arc::clone(plan)));
            within_a_minute("it takes over", || *hub.state().plan == **plan);
        }
        let events = hub.events().of(plan);
        for scene in (0..plan.scenes.len()).map(SceneId::new) {
            events.gesture(Gesture::Fire(scene), Who::PageDesk);
            move_all(&hub, plan);
        }
        for mic in (0..plan.mics.len()).map(MicId::new) {
            for muted in [true, false] {
                events.gesture(Gesture::Mute { mic, muted }, Who::PageDesk);
            }
        }
        for output in (0..plan.outputs.len()).map(OutputId::new) {
            events.gesture(Gesture::Level { output: Some(output), db: -3.0 }, Who::PageDesk);
        }
        for gesture in [Gesture::Hush(true), Gesture::Hush(false), Gesture::Back, Gesture::Next] {
            events.gesture(gesture, Who::PageDesk);
        }
    }
    assert_eq!(source.state(), SourceState::Running);
    feeder.deactivate().unwrap();
    source.stop();
    hub.stop();
    let load = stats.load();
    println!("{}: {} blocks, {} of them late", plan.title, load.blocks, load.late);
    assert!(load.blocks > 100);
    assert_eq!(log.finish(Ended::default()).unwrap().frames, load.frames);
}

#[test]
fn every_bundled_piece_is_played_live_and_changed_while_it_plays() {
    if std::env::var_os(INSIDE).is_none() {
        return Server::start().run("every_bundled_piece_is_played_live_and_changed_while_it_plays", INSIDE, &[]);
    }
    drop(client("waiting"));
    let pieces = pieces();
    assert!(pieces.len() > 5);
    for (n, plan) in pieces.iter().enumerate() {
        // The next one, on this one's channels as far as they go.
        played(plan, &Arc::new(pieces[(n + 1) % pieces.len()].clone()));
    }
}

/// The player leaves the server's callback for the clock, and comes back.
#[test]
fn a_server_that_stands_still_is_left_and_taken_up_again() {
    let Ok(server) = std::env::var(INSIDE) else {
        return Server::start().run("a_server_that_stands_still_is_left_and_taken_up_again", INSIDE, &[]);
    };
    drop(client("waiting"));
    let plan = pieces().remove(0);
    let mut keeper = DeviceSupervisor::open(&Wish::any(Wiring::of(&plan).unwrap())).unwrap();
    let rate = keeper.facts().rate;
    let (engine, control) = tenterhook_rt::engine(&plan, rate, SceneId(0));
    let player = Player::new(engine, rate);
    let stats = player.stats();
    let hub = Hub::start(control, Vec::new()).unwrap();
    keeper.start(player).unwrap();
    let plan = Arc::new(plan);
    let signal = |name: &str| assert!(Command::new("kill").args(["-s", name, &server]).status().unwrap().success());
    for losses in 1..=3 {
        move_all(&hub, &plan);
        signal("STOP");
        within_a_minute("it is left", || keeper.standing().away.is_some());
        let before = stats.load().frames;
        move_all(&hub, &plan);
        within_a_minute("the clock drives it", || stats.load().frames > before + 4800);
        signal("CONT");
        within_a_minute("it is taken up again", || keeper.standing().away.is_none());
        // A busy machine may stand still by itself.
        assert!(keeper.standing().losses >= losses);
    }
    let before = stats.load().frames;
    within_a_minute("the server drives it", || stats.load().frames > before + 4800);
    keeper.stop();
    hub.stop();
}

#[test]
#[ignore = "under RealtimeSanitizer it ends the program, as it should: `.ci/sanitizers` runs it"]
fn what_the_callback_must_not_do_is_seen() {
    let plan = pieces().remove(0);
    let (engine, _control) = tenterhook_rt::engine(&plan, 48_000, SceneId(0));
    let allocates = Box::new(|_: u64, _: &mut [&mut [f32]]| drop(std::hint::black_box(vec![1.0f32; 8])));
    let mut player = Player::new(engine, 48_000).with_sound(1, allocates);
    player.block(&[], &mut [&mut [0.0; 64]], &[]);
}
