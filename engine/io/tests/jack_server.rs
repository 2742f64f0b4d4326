//! The JACK source on a real server that this test starts, with an independent client for what goes in.
//!
//! All of it is one test: the server is chosen by the environment, which belongs to the whole process and is set before
//! any thread of the test starts.

mod server;

use crossbeam_channel::Receiver;
use jack::{Client, Control, MidiOut, ProcessScope, RawMidi};
use server::{Freewheel, Server, client, within_a_minute};
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use tenterhook_config::{Host, Text, check};
use tenterhook_io::{
    Done, Error, Hub, JackSource, Player, PlayerSlot, Source, SourceState, Wiring, Wish, devices, open,
};
use tenterhook_plan::{ControllerId, Gesture, Plan, SceneId};

/// Set in the process that runs the test itself, with the server chosen.
const INSIDE: &str = "TENTERHOOK_TEST_JACK";

const PIECE: &str = r#"
mics = { voice = 1, viol = 3 }
outputs = { left = 1, voice = 4 }
[controllers]
any = { cc = 20 }
foot = { cc = 21, port = "Foot" }
other = { cc = 22, port = "Wheel" }
[[scene]]
mark = "A"
mic.voice.direct = { by = "any" }
mic.viol.direct = { by = "foot" }
mic.viol.freeze = { by = "other" }
"#;

fn plan() -> Plan {
    check(&Text::new("reed.toml", PIECE), None).expect("nothing is wrong with it").plan
}

/// The test starts a server, and itself once more with that server in its environment.
#[test]
fn the_jack_server_drives_the_engine() {
    if std::env::var_os(INSIDE).is_some() {
        return inside();
    }
    // Without a server: a plain error, with the remedy.
    let lonely = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "without_a_server_there_is_one_clear_error", "--ignored"])
        .env("JACK_DEFAULT_SERVER", "tenterhook-test-none")
        .output()
        .unwrap();
    assert!(lonely.status.success(), "{}", String::from_utf8_lossy(&lonely.stdout));

    Server::start().run("the_jack_server_drives_the_engine", INSIDE, &[]);
}

#[test]
#[ignore = "needs an environment of its own: the_jack_server_drives_the_engine runs it"]
fn without_a_server_there_is_one_clear_error() {
    let wish = Wish::any(Wiring::of(&plan()).unwrap());
    let refused = JackSource::open(&wish).err().unwrap();
    assert!(matches!(refused, Error::NoServer { .. }) && refused.to_string().contains("--host"), "{refused}");
    assert_eq!(devices().jack, None);
    // With nothing wished for, something is found all the same: here the clock, which says so.
    let found = open(&wish).unwrap();
    assert!(found.facts().host != Host::Jack);
    assert!(found.facts().host != Host::Clock || found.facts().words.contains("no JACK server"));
}

fn inside() {
    let client = client("player");
    the_server_is_listed();
    what_the_server_has_not_is_refused();
    ports_midi_and_end(client);
}

fn the_server_is_listed() {
    let listed = devices();
    let jack = listed.jack.as_ref().expect("it runs");
    assert_eq!((jack.rate, jack.block, jack.captures.len(), jack.playbacks.len()), (48_000, 128, 8, 8));
    assert!(listed.to_string().contains("in 8: system:capture_8"), "{listed}");
    assert!(serde_json::to_string(&listed).unwrap().contains("\"system:playback_1\""));
}

fn what_the_server_has_not_is_refused() {
    let mut far = plan();
    far.mics[1].input = Some(8);
    let refused = JackSource::open(&Wish::any(Wiring::of(&far).unwrap())).err().unwrap();
    assert!(matches!(&refused, Error::Channel { name, channel: 9, has: 8, .. } if name == "viol"), "{refused}");
    let mut wish = Wish::any(Wiring::of(&plan()).unwrap());
    wish.rate = Some(44_100);
    let refused = JackSource::open(&wish).err().unwrap();
    assert!(matches!(refused, Error::Rate { rate: 44_100, has: Some(48_000), .. }), "{refused}");
}

/// Sends a control change on each of three ports whenever told to, at an offset that changes, and says at which frame.
struct Pedals {
    ports: [jack::Port<MidiOut>; 3],
    running: Arc<AtomicBool>,
    count: u32,
    sent: crossbeam_channel::Sender<(u32, u8)>,
}

/// Values of which each is far from the one before: one step back would be taken for flickering.
fn value(count: u32) -> u8 {
    (count * 37 % 128) as u8
}

/// More than the messages asked for: none is sent after.
const MESSAGES: u32 = 400;

impl jack::ProcessHandler for Pedals {
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        let send = self.running.load(Ordering::Acquire) && self.count < MESSAGES;
        let offset = self.count * 37 % scope.n_frames();
        for (n, port) in self.ports.iter_mut().enumerate() {
            let mut writer = port.writer(scope);
            if send {
                // 20 on the port of every controller, 21 on Foot's, 22 on Wheel's, where a port asks for it.
                let bytes = [0xB0, 20 + n as u8, value(self.count)];
                let _ = writer.write(&RawMidi { time: offset, bytes: &bytes });
                // The same to a port that it does not belong to: Foot's pedal on Wheel's port and the other way round.
                let stray = [0xB0, [20, 22, 21][n], 127 - bytes[2]];
                let stray_time = scope.n_frames() - 1;
                if n > 0 {
                    let _ = writer.write(&RawMidi { time: stray_time, bytes: &stray });
                }
            }
        }
        if send {
            let _ = self.sent.try_send((scope.last_frame_time() + offset, value(self.count)));
            self.count += 1;
        }
        Control::Continue
    }
}

fn ports_midi_and_end(client: Client) {
    let plan = plan();
    let mut source = open(&Wish::any(Wiring::of(&plan).unwrap())).unwrap();
    let facts = source.facts().clone();
    assert_eq!((facts.host, facts.rate, facts.block, facts.inputs, facts.outputs), (Host::Jack, 48_000, 128, 3, 4));

    let mut ours = client.ports(Some("^tenterhook:"), None, jack::PortFlags::empty());
    ours.sort();
    // A mic and an output of one name: JACK's names are the client's, so the second says which it is.
    let names =
        ["Foot", "Wheel", "left", "midi", "viol", "voice", "voice out"].map(|name| format!("tenterhook:{name}"));
    assert_eq!(ours, names);

    let (engine, control) = tenterhook_rt::engine(&plan, facts.rate, SceneId(0));
    assert_eq!(control.ports(), ["Foot", "Wheel"]);
    let (sender, applied) = Hub::subscription();
    let hub = Hub::start(control, vec![sender]).unwrap();
    let player = Player::new(engine, facts.rate);
    let stats = player.stats();
    assert_eq!((source.state(), source.origin()), (SourceState::Ready, None));
    source.start(&PlayerSlot::of(player)).unwrap();
    assert_eq!(source.state(), SourceState::Running);

    for (ours, theirs) in [
        ("voice", "system:capture_1"),
        ("viol", "system:capture_3"),
        ("left", "system:playback_1"),
        ("voice out", "system:playback_4"),
    ] {
        let port = client.port_by_name(&format!("tenterhook:{ours}")).unwrap();
        assert_eq!(port.get_connections(), [theirs], "{ours}");
    }
    within_a_minute("blocks come", || stats.load().blocks > 10);

    midi_acts_at_its_own_frame(client, source.as_ref(), &applied);

    // The server ends under the running client.
    let server = std::env::var(INSIDE).unwrap();
    assert!(Command::new("kill").arg(&server).status().unwrap().success());
    within_a_minute("the source is dead", || matches!(source.state(), SourceState::Dead { .. }));
    source.stop();
    assert_eq!(source.state(), SourceState::Dead { why: "the JACK server ended".to_owned() });
    hub.stop();
}

/// In freewheel mode the server waits for everyone, so every frame is exact.
fn midi_acts_at_its_own_frame(client: Client, source: &dyn Source, applied: &Receiver<Done>) {
    let running = Arc::new(AtomicBool::new(false));
    let (sender, sent) = crossbeam_channel::bounded(MESSAGES as usize);
    let port = |name| client.register_port(name, MidiOut::default()).unwrap();
    let ports = [port("any"), port("foot"), port("wheel")];
    let pedals = Pedals { ports, running: Arc::clone(&running), count: 0, sent: sender };
    let client = client.activate_async((), pedals).unwrap();
    for (from, to) in [("any", "midi"), ("foot", "Foot"), ("wheel", "Wheel")] {
        let (from, to) = (format!("player:{from}"), format!("tenterhook:{to}"));
        client.as_client().connect_ports_by_name(&from, &to).unwrap();
    }
    let freewheel = Freewheel::enter();
    running.store(true, Ordering::Release);
    let mut expected = Vec::new();
    within_a_minute("all messages are sent", || {
        expected.extend(sent.try_iter());
        expected.len() == MESSAGES as usize
    });
    let mut got: [Vec<(u32, f32)>; 3] = Default::default();
    let origin = source.origin().expect("blocks have come");
    within_a_minute("all messages are applied", || {
        for Done { applied, .. } in applied.try_iter() {
            if let Gesture::Controller { id: ControllerId(n), value } = applied.what {
                got[usize::from(n)].push((origin.wrapping_add(applied.sample as u32), value));
            }
        }
        got.iter().all(|got| got.len() >= MESSAGES as usize)
    });
    drop(freewheel);
    // While the server went by the clock the engine may have missed some periods; from then on it missed none.
    const PERIOD: u32 = 128;
    let missed = expected[0].0.wrapping_sub(got[0][0].0);
    assert!(missed % PERIOD == 0 && missed < 1 << 24, "{missed} frames");
    let expected: Vec<(u32, f32)> =
        expected.into_iter().map(|(at, value)| (at.wrapping_sub(missed), f32::from(value) / 127.0)).collect();
    for (n, got) in got.iter().enumerate() {
        assert_eq!(*got, expected, "controller {n}");
    }
}
