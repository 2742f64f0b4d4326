//! The pair of ALSA streams. Without a sound card, ALSA's own plugin for JACK stands for one: it brings 8 channels in
//! and 8 out at the pace of a server that this test starts (packages jackd2 and libasound2-plugins).

mod server;

use jack::{AudioIn, AudioOut, Client, Control, ProcessScope};
use server::{Server, client, within_a_minute};
use std::f64::consts::TAU;
use std::fs;
use std::path::Path;
use tenterhook_config::{Host, Text, check};
use tenterhook_io::{
    Direction, Ended, Error, Facts, Load, Log, LogSettings, Player, PlayerSlot, Source, SourceState, StreamSource,
    TakeSettings, Wiring, Wish, devices, read_wav,
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
    // Without the layer that converts: this one has the server's rate and no other.
    let fixed = format!(
        "pcm.fixed_hall {{ type copy slave.pcm {{ type jack playback_ports {{ {} }} capture_ports {{ {} }} }} \
         hint {{ show on description \"fixed_hall\" }} }}\n",
        ports("playback"),
        ports("capture")
    );
    format!("</usr/share/alsa/alsa.conf>\n{}{}{fixed}", device("reed_hall"), device("rain_hall"))
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

/// Runs a test in a process that has the devices.
fn with_devices(test: &str, inside: impl FnOnce()) {
    if std::env::var_os(INSIDE).is_some() {
        return inside();
    }
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("asound.conf");
    fs::write(&path, configuration()).unwrap();
    Server::start().run(test, INSIDE, &[("ALSA_CONFIG_PATH", &path)]);
}

#[test]
fn alsa_streams_drive_the_engine() {
    with_devices("alsa_streams_drive_the_engine", inside);
}

/// Both are on one server, so their clocks do not differ; the program cannot know that.
#[test]
fn two_devices_are_drawn_together() {
    with_devices("two_devices_are_drawn_together", || {
        let two = Wish { input: Some("rain".to_owned()), ..wish() };
        let (facts, load, heard) = sung(&two, 20.0);
        assert_eq!((facts.rate, facts.device_rate), (48_000, 48_000));
        assert!(facts.words.contains("follows the output's clock"), "{}", facts.words);
        let ppm = load.drift_ppm.expect("it is known by now");
        println!("{}: {ppm:.1} ppm, missing {}, dropped {}", facts.words, load.missing, load.dropped);
        // Far more than is measured on a quiet machine: pauses of a shared one are in it.
        assert!(ppm.abs() < 300.0, "{ppm} ppm");
        is_the_sine(&heard);
    });
}

#[test]
fn one_device_by_its_name_has_one_clock() {
    with_devices("one_device_by_its_name_has_one_clock", || {
        let _up = client("player");
        let facts = StreamSource::open(Host::Alsa, &wish()).unwrap().facts().clone();
        assert!(!facts.words.contains("clock"), "{}", facts.words);
    });
}

#[test]
fn a_device_that_has_another_rate_is_bridged() {
    with_devices("a_device_that_has_another_rate_is_bridged", || {
        let _up = client("waiting");
        let name = || Some("fixed_hall".to_owned());
        let fixed = Wish { input: name(), output: name(), ..wish() };
        let refused = StreamSource::open(Host::Alsa, &Wish { rate: Some(44_100), ..fixed.clone() }).err().unwrap();
        assert!(matches!(refused, Error::Rate { rate: 44_100, has: Some(48_000), .. }), "{refused}");
        let (facts, load, heard) = sung(&Wish { keeps: Some(44_100), ..fixed }, 3.0);
        assert_eq!((facts.rate, facts.device_rate), (44_100, 48_000));
        assert!(facts.words.contains("the engine keeps 44100 Hz"), "{}", facts.words);
        println!("{}: missing {}, dropped {}", facts.words, load.missing, load.dropped);
        is_the_sine(&heard);
    });
}

const SINE: f64 = 1000.0;

/// Sings a sine and keeps what comes in.
struct Tone {
    out: jack::Port<AudioOut>,
    back: jack::Port<AudioIn>,
    sung: u64,
    heard: crossbeam_channel::Sender<f32>,
}

impl jack::ProcessHandler for Tone {
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        for sample in self.out.as_mut_slice(scope) {
            *sample = 0.1 * (TAU * SINE * self.sung as f64 / 48_000.0).sin() as f32;
            self.sung += 1;
        }
        for sample in self.back.as_slice(scope) {
            let _ = self.heard.try_send(*sample);
        }
        Control::Continue
    }
}

/// What the eighth output plays while a sine comes to the eighth input for some seconds.
fn sung(wish: &Wish, seconds: f64) -> (Facts, Load, Vec<f32>) {
    let client = client("player");
    let mut source = StreamSource::open(Host::Alsa, wish).unwrap();
    let facts = source.facts().clone();
    let (engine, _control) = tenterhook_rt::engine(&plan(), facts.rate, SceneId(0));
    let player = Player::new(engine, facts.rate);
    let stats = player.stats();
    source.start(&PlayerSlot::of(player)).unwrap();
    within_a_minute("blocks come", || stats.load().blocks > 10);
    let (last_in, last_out) = theirs(&client);
    let (heard, recorded) = crossbeam_channel::bounded(1 << 22);
    let out = client.register_port("out", AudioOut::default()).unwrap();
    let back = client.register_port("back", AudioIn::default()).unwrap();
    let tone = client.activate_async((), Tone { out, back, sung: 0, heard }).unwrap();
    tone.as_client().connect_ports_by_name("player:out", &last_in).unwrap();
    tone.as_client().connect_ports_by_name(&last_out, "player:back").unwrap();
    let (mut all, mut drifts) = (Vec::<f32>::new(), Vec::new());
    within_a_minute("the sine is recorded", || {
        all.extend(recorded.try_iter());
        if all.len() as f64 > 0.5 * seconds * 48_000.0 {
            drifts.extend(stats.load().drift_ppm);
        }
        all.len() as f64 > seconds * 48_000.0
    });
    drop(tone);
    source.stop();
    // One look at it may fall into a pause of the machine.
    drifts.sort_by(f32::total_cmp);
    let load = Load { drift_ppm: drifts.get(drifts.len() / 2).copied(), ..stats.load() };
    (facts, load, all)
}

/// The last of the ports of ALSA's plugin, in and out, by the order of their names: channel 8.
fn theirs(client: &Client) -> (String, String) {
    let last = |flags| {
        let ports = client.ports(None, Some("32 bit float mono audio"), flags);
        let mut theirs = ports.into_iter().filter(|port| !port.starts_with("system:") && !port.starts_with("player:"));
        theirs.next_back().expect("it has ports")
    };
    (last(jack::PortFlags::IS_INPUT), last(jack::PortFlags::IS_OUTPUT))
}

/// A twentieth of a second of it, somewhere, is the sine as it was sung: a pause of the machine may have spoilt others.
fn is_the_sine(heard: &[f32]) {
    let rest = |piece: &[f32]| {
        // Whole periods, so that sine and cosine are perpendicular to each other.
        let turn = |n: usize| (TAU * SINE * n as f64 / 48_000.0).sin_cos();
        let (mut a, mut b, mut all) = (0.0, 0.0, 0.0);
        for (n, x) in piece.iter().enumerate() {
            let ((sin, cos), x) = (turn(n), f64::from(*x));
            (a, b, all) = (a + x * sin, b + x * cos, all + x * x);
        }
        let sine = 2.0 * (a * a + b * b) / piece.len() as f64;
        if all > 1.0 { 10.0 * ((all - sine).max(1e-12) / all).log10() } else { 0.0 }
    };
    // Not at the beginning, when nothing is steered yet.
    let later = &heard[heard.len() / 2..];
    let least = later.chunks_exact(2400).map(rest).fold(0.0, f64::min);
    println!("what is no sine is at {least:.1} dB");
    // In a twentieth of a second a phase that moves by 250 ppm, the most that steering pulls, leaves -33 dB; a cent
    // leaves -26 dB.
    assert!(least < -30.0, "{least} dB");
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
    let settings = LogSettings {
        dir: dir.path(),
        rate: facts.rate,
        inputs: 8,
        outputs: 8,
        texts: &[],
        files: &[],
        take: TakeSettings::default(),
    };
    let (log, tap) = Log::start(settings, crossbeam_channel::never()).unwrap();
    let (engine, _control) = tenterhook_rt::engine(&plan, facts.rate, SceneId(0));
    let player = Player::new(engine, facts.rate).with_log(tap);
    let stats = player.stats();
    source.start(&PlayerSlot::of(player)).unwrap();
    assert_eq!(source.state(), SourceState::Running);
    within_a_minute("blocks come", || stats.load().blocks > 10);

    let (last_in, last_out) = theirs(&client);
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
    assert_eq!(source.state(), SourceState::Stopped);
    let end = log.finish(Ended::default()).unwrap();
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
