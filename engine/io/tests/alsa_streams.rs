//! The pair of ALSA streams. Without a sound card, ALSA's own plugin for JACK stands for one: it brings 8 channels in
//! and 8 out at the pace of a server that this test starts (packages jackd2 and libasound2-plugins).

mod server;

use jack::{AudioIn, AudioOut, Client, Control, ProcessScope};
use server::{Server, client, within_a_minute};
use std::fs;
use std::path::Path;
use tenterhook_config::{Host, Text, check};
use tenterhook_io::{
    Direction, Error, Log, LogSettings, Player, Seat, Source, State, StreamSource, Wiring, Wish, devices, read_wav,
};
use tenterhook_plan::{Plan, SceneId};

/// Set in the process that runs the test itself, with the server and the devices chosen.
const INSIDE: &str = "TENTERHOOK_TEST_ALSA";

/// Two devices of 8 channels on the server; the stock configuration of ALSA stays.
fn configuration() -> String {
    let ports = |kind: &str| (0..8).map(|n| format!("{n} system:{kind}_{} ", n + 1)).collect::<String>();
    let device = |name: &str| {
        format!(
            "pcm.{name} {{ type plug slave.pcm {{ type jack playback_ports {{ {} }} capture_ports {{ {} }} }} \
             hint {{ show on description \"{name}\" }} }}\n",
            ports("playback"),
            ports("capture")
        )
    };
    format!("</usr/share/alsa/alsa.conf>\n{}{}", device("reed_hall"), device("rain_hall"))
}

/// On as many channels as the device has: with fewer, ALSA's conversion of channels would round to 16 bits.
fn plan() -> Plan {
    let piece = "mics = { voice = 1, viol = 8 }\noutputs = { left = 8 }\n[[scene]]\nmark = \"A\"\n\
                 mic.viol.direct = { by = \"scene\" }\n";
    check(&Text::new("reed.toml", piece), None).expect("nothing is wrong with it").plan
}

fn wish() -> Wish {
    let mut wish = Wish::any(Wiring::of(&plan()).unwrap());
    wish.host = Some(Host::Alsa);
    wish.input = Some("reed".to_owned());
    wish.output = Some("REED_HALL".to_owned());
    wish
}

#[test]
fn alsa_streams_drive_the_engine() {
    if std::env::var_os(INSIDE).is_some() {
        return inside();
    }
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("asound.conf");
    fs::write(&path, configuration()).unwrap();
    Server::start().run("alsa_streams_drive_the_engine", INSIDE, &[("ALSA_CONFIG_PATH", &path)]);
}

fn inside() {
    let client = client("player");
    let listed = devices();
    let alsa = listed.hosts.iter().find(|host| host.host == Host::Alsa).expect("ALSA is there");
    let hall = alsa.devices.iter().find(|device| device.id == "reed_hall").expect("it is listed");
    assert!(hall.inputs >= 8 && hall.outputs >= 8, "{hall:?}");
    assert!(alsa.devices.iter().all(|device| device.id != "null"), "it has no clock");
    refused();
    sounds(client);
}

fn refused() {
    let mut elsewhere = wish();
    elsewhere.output = Some("rain house".to_owned());
    let error = StreamSource::open(Host::Alsa, &elsewhere).err().unwrap();
    let Error::NoDevice { direction: Direction::Output, near, .. } = &error else { panic!("{error}") };
    assert!(near[0].contains("rain_hall"), "the nearest first: {near:?}");
    let mac = StreamSource::open(Host::CoreAudio, &wish()).err().unwrap();
    assert_eq!(mac, Error::NoHost { host: "coreaudio".to_owned() });
}

/// Counts up on its one output, in steps that 24 bits hold exactly, and keeps what comes in.
struct Counter {
    out: jack::Port<AudioOut>,
    back: jack::Port<AudioIn>,
    count: u32,
    heard: crossbeam_channel::Sender<f32>,
}

/// The counter's n-th sample: quiet enough that no limiter moves.
fn counted(n: u32) -> f32 {
    (n % (1 << 20) + 1) as f32 / (1 << 22) as f32
}

impl jack::ProcessHandler for Counter {
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        for sample in self.out.as_mut_slice(scope) {
            *sample = counted(self.count);
            self.count += 1;
        }
        for sample in self.back.as_slice(scope) {
            let _ = self.heard.try_send(*sample);
        }
        Control::Continue
    }
}

/// Frames in a row that must be right; a machine that stops now and then spoils some.
const ENOUGH: usize = 4000;

fn sounds(client: Client) {
    let plan = plan();
    let mut source = StreamSource::open(Host::Alsa, &wish()).unwrap();
    let facts = source.facts().clone();
    assert_eq!((facts.host, facts.rate, facts.inputs, facts.outputs), (Host::Alsa, 48_000, 8, 8));

    let dir = tempfile::tempdir().unwrap();
    let settings = LogSettings { dir: dir.path(), rate: facts.rate, inputs: 8, outputs: 8, texts: &[], files: &[] };
    let (log, tap) = Log::start(settings, crossbeam_channel::never()).unwrap();
    let (engine, _control) = tenterhook_rt::engine(&plan, facts.rate, SceneId(0));
    let player = Player::new(engine, facts.rate).with_log(tap);
    let stats = player.stats();
    source.start(&Seat::of(player)).unwrap();
    assert_eq!(source.state(), State::Running);
    within_a_minute("blocks come", || stats.load().blocks > 10);

    // The plugin's ports, by the order of their names: the last one each way is channel 8.
    let theirs = |flags| -> Vec<String> {
        let ports = client.ports(None, Some("32 bit float mono audio"), flags);
        ports.into_iter().filter(|port| !port.starts_with("system:") && !port.starts_with("player:")).collect()
    };
    let (ins, outs) = (theirs(jack::PortFlags::IS_INPUT), theirs(jack::PortFlags::IS_OUTPUT));
    let (last_in, last_out) = (ins.last().expect("it captures").clone(), outs.last().expect("it plays").clone());
    let (heard, recorded) = crossbeam_channel::bounded(1 << 20);
    let out = client.register_port("out", AudioOut::default()).unwrap();
    let back = client.register_port("back", AudioIn::default()).unwrap();
    let counter = client.activate_async((), Counter { out, back, count: 0, heard }).unwrap();
    counter.as_client().connect_ports_by_name("player:out", &last_in).unwrap();
    counter.as_client().connect_ports_by_name(&last_out, "player:back").unwrap();
    let mut all: Vec<f32> = Vec::new();
    within_a_minute("a second is recorded", || {
        all.extend(recorded.try_iter());
        all.len() > 96_000
    });
    drop(counter);
    source.stop();
    assert_eq!(source.state(), State::Stopped);
    let end = log.finish().unwrap();
    assert_eq!(end.lost, 0);
    println!("load {:?}", tenterhook_io::Load { histogram: Vec::new(), ..stats.load() });

    came_in(dir.path());
    went_out(dir.path(), &all);
}

/// The eighth input holds the counter, frame by frame, where the machine kept pace.
fn came_in(dir: &Path) {
    let mics = read_wav(&dir.join("mics.wav")).unwrap().channels;
    assert_eq!(mics.len(), 8);
    let runs = mics[7].chunk_by(|a, b| *a != 0.0 && *b == a + 1.0 / (1 << 22) as f32);
    let longest = runs.map(<[f32]>::len).max().unwrap();
    assert!(longest > ENOUGH, "at most {longest} frames in a row came in");
    assert!(mics[..7].iter().flatten().all(|x| *x == 0.0), "the others are silent");
}

/// What the eighth output sent is what the server got, frame by frame.
fn went_out(dir: &Path, got: &[f32]) {
    let sent = read_wav(&dir.join("outputs.wav")).unwrap().channels;
    assert!(sent[..7].iter().flatten().all(|x| *x == 0.0), "no output is on the others");
    // Every long stretch of what was sent is tried, since one of them may have met a pause of the machine.
    let found = sent[7].chunks_exact(ENOUGH).filter(|piece| piece.iter().all(|x| *x != 0.0)).any(|piece| {
        let starts = got.iter().enumerate().filter(|(_, x)| **x == piece[0]);
        starts.map(|(n, _)| n).any(|n| got.get(n..n + ENOUGH) == Some(piece))
    });
    assert!(found, "no {ENOUGH} frames in a row went out as they were");
}
