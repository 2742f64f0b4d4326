//! MIDI ports that come, go and return, by the ports of a JACK server, for no other can be made without the kernel's help:
//! `cargo test -p tenterhook-io --features midi-over-jack --test midi_ports`.
#![cfg(feature = "midi-over-jack")]

mod server;

use jack::{AsyncClient, Client, Control, MidiOut, Port, ProcessHandler, ProcessScope, RawMidi};
use ringbuf::HeapRb;
use ringbuf::traits::{Consumer, Producer, Split};
use server::{Server, within_a_minute};
use tenterhook_config::{Text, check};
use tenterhook_io::{Hub, MidiPorts, MidiState};
use tenterhook_plan::SceneId;

const INSIDE: &str = "TENTERHOOK_TEST_INSIDE";

const PIECE: &str = "
mics = { voice = 1 }
outputs = { left = 1 }
controllers.pedal = { cc = 64, port = \"reed\" }
controllers.wheel = { cc = 1 }
[[scene]]
mark = \"A\"
mic.voice.a = { effect = \"direct\", by = \"pedal\" }
mic.voice.b = { effect = \"direct\", by = \"wheel\" }
";

/// A device with one port.
struct Device {
    _client: AsyncClient<(), Sending>,
    messages: <HeapRb<[u8; 3]> as Split>::Prod,
}

struct Sending(Port<MidiOut>, <HeapRb<[u8; 3]> as Split>::Cons);

impl ProcessHandler for Sending {
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        let mut writer = self.0.writer(scope);
        while let Some(bytes) = self.1.try_pop() {
            if writer.write(&RawMidi { time: 0, bytes: &bytes }).is_err() {
                return Control::Quit;
            }
        }
        Control::Continue
    }
}

impl Device {
    fn plug_in(name: &str) -> Self {
        let client = server::client(name);
        let port = client.register_port("out", MidiOut::default()).unwrap();
        let (messages, to_send) = HeapRb::new(16).split();
        Self { _client: client.activate_async((), Sending(port, to_send)).unwrap(), messages }
    }

    fn send(&mut self, bytes: [u8; 3]) {
        self.messages.try_push(bytes).unwrap();
    }
}

#[test]
fn a_port_that_goes_leaves_its_controllers_where_they_were_and_works_them_when_it_returns() {
    if std::env::var_os(INSIDE).is_none() {
        let name = "a_port_that_goes_leaves_its_controllers_where_they_were_and_works_them_when_it_returns";
        return Server::start().run(name, INSIDE, &[]);
    }
    let plan = check(&Text::new("piece.toml", PIECE), None).unwrap().plan;
    let (mut engine, control) = tenterhook_rt::engine(&plan, 48_000, SceneId(0));
    let mut parts = control.ports().to_vec();
    let mut reed = Device::plug_in("reed");
    let hub = Hub::start(control, Vec::new()).unwrap();
    let midi = MidiPorts::listen(parts.clone(), hub.events()).unwrap();
    let listens = |name: &str| match midi.state() {
        MidiState::Listening(names) => names.iter().any(|one| one.contains(name)),
        MidiState::Absent => false,
    };
    let mut stands = |index: usize, value: f32| {
        within_a_minute("the controller stands there", || {
            engine.process(&[&[0.0; 64]], &mut [&mut [0.0; 64]], &[]);
            hub.state().controllers[index] == value
        });
    };
    // Several at once, and one that comes later.
    let mut wheels = Device::plug_in("wheels");
    within_a_minute("both are listened to", || listens("reed") && listens("wheels"));
    reed.send([0xB0, 64, 127]);
    wheels.send([0xB0, 1, 127]);
    stands(0, 1.0);
    stands(1, 1.0);

    drop(reed);
    within_a_minute("it is missed", || midi.gone().iter().any(|gone| gone.name.contains("reed")));
    let gone = midi.gone();
    let worked: Vec<_> =
        plan.controllers.iter().filter(|one| gone[0].worked(one)).map(|one| one.name.as_str()).collect();
    assert_eq!((gone.len(), worked), (1, vec!["pedal"]));
    // One look tells first what is gone, then what is still there.
    within_a_minute("only the other is listened to", || !listens("reed") && listens("wheels"));
    assert_eq!(hub.state().controllers[0], 1.0, "it keeps its value");

    let mut reed = Device::plug_in("reed");
    within_a_minute("it is back", || listens("reed") && midi.gone().is_empty());
    reed.send([0xB0, 64, 0]);
    stands(0, 0.0);

    // What a changed piece asks for by name is known at once of ports that are open already.
    parts.push("wheels".to_owned());
    midi.change(parts);
    within_a_minute("it is opened anew", || {
        std::thread::sleep(std::time::Duration::from_millis(200));
        wheels.send([0xB0, 1, 0]);
        listens("wheels")
    });
    stands(1, 0.0);
    assert!(midi.gone().is_empty());
}
