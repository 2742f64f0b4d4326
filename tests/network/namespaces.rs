//! Mics on one machine, the engine on another, by JACK's own network driver: two network namespaces of this machine, each
//! with a server of its own, and one cable between them.

use std::process::{Child, Command, Stdio};
use std::time::Duration;

use super::common::client::{PERIOD, Part, RATE, Recorder, Recording, Singer, sample, voice};
use super::common::folder;
use super::common::program::Program;
use super::common::server::{client, ended, within_a_minute};
use super::{recorded, servers};

/// Set in the process that runs the test itself: the process id of the one around it.
const INSIDE: &str = "TENTERHOOK_TEST_NAMESPACES";

/// The mic itself, as it is.
const PIECE: &str = r#"
title = "Plain Linen"
mics = { voice = 1 }
outputs = { left = 1 }
[[scene]]
mark = "A"
mic.voice.direct = { by = "scene" }
"#;

/// More than any server or tool takes to end.
const LIMIT: Duration = Duration::from_secs(10);

fn run(words: &str) -> Result<(), String> {
    let mut words = words.split(' ');
    let output = Command::new(words.next().unwrap_or_default()).args(words.clone()).output();
    let output = output.map_err(|why| why.to_string())?;
    let said = String::from_utf8_lossy(&output.stderr).trim().to_owned();
    output.status.success().then_some(()).ok_or(said)
}

/// The names of what one run of the test makes.
struct Names {
    mics: String,
    engine: String,
    cable: [String; 2],
}

impl Names {
    fn of(process: &str) -> Self {
        let short = process.len().saturating_sub(7);
        let cable = ["m", "e"].map(|end| format!("th{end}{}", &process[short..]));
        Self { mics: format!("tenterhook-mics-{process}"), engine: format!("tenterhook-engine-{process}"), cable }
    }
}

/// Two machines and a cable, taken apart when this is dropped.
struct Machines(Names);

impl Machines {
    /// `Err`: why there cannot be any.
    fn new() -> Result<Self, String> {
        let machines = Self(Names::of(&std::process::id().to_string()));
        let Names { mics, engine, cable: [one, other] } = &machines.0;
        for words in [
            format!("ip netns add {mics}"),
            format!("ip netns add {engine}"),
            format!("ip link add {one} netns {mics} type veth peer name {other} netns {engine}"),
            format!("ip -n {mics} addr add 10.77.0.1/24 dev {one}"),
            format!("ip -n {engine} addr add 10.77.0.2/24 dev {other}"),
            format!("ip -n {mics} link set {one} up"),
            format!("ip -n {engine} link set {other} up"),
            format!("ip -n {mics} link set lo up"),
            format!("ip -n {engine} link set lo up"),
            // The driver finds the other machine by multicast.
            format!("ip -n {mics} route add 224.0.0.0/4 dev {one}"),
            format!("ip -n {engine} route add 224.0.0.0/4 dev {other}"),
        ] {
            run(&words).map_err(|why| format!("{words}: {why}"))?;
        }
        Ok(machines)
    }
}

impl Drop for Machines {
    fn drop(&mut self) {
        for name in [&self.0.mics, &self.0.engine] {
            // It may not have come so far.
            let _ = run(&format!("ip netns del {name}"));
        }
    }
}

/// A server in a namespace, under the same name.
struct Jack(Child);

impl Jack {
    fn start(name: &str, driver: &str) -> Self {
        let arguments = format!("netns exec {name} jackd -n {name} -R -P 70 -d {driver}");
        let mut jackd = Command::new("ip");
        let jackd = jackd.args(arguments.split(' ')).stdout(Stdio::null()).stderr(Stdio::null());
        Self(jackd.spawn().expect("ip was there a moment ago"))
    }
}

impl Drop for Jack {
    fn drop(&mut self) {
        let _ = run(&format!("kill {}", self.0.id()));
        let _ = ended(&mut self.0, LIMIT);
    }
}

#[test]
fn what_another_machines_mic_hears_comes_back_processed_with_a_constant_latency() {
    const TEST: &str = "namespaces::what_another_machines_mic_hears_comes_back_processed_with_a_constant_latency";
    if let Ok(process) = std::env::var(INSIDE) {
        return inside(&Names::of(&process));
    }
    let _alone = servers();
    let machines = match Machines::new() {
        Ok(machines) => machines,
        Err(why) => {
            println!("SKIPPED {TEST}: no network namespaces here ({why}); they need iproute2 and root");
            return;
        }
    };
    let names = &machines.0;
    let _mics = Jack::start(&names.mics, &format!("dummy -r {RATE} -p {PERIOD} -C 2 -P 2"));
    let in_mics = ["netns", "exec", names.mics.as_str(), "jack_load", "netmanager"];
    within_a_minute("the mics' server takes the manager of the network", || {
        let load = Command::new("ip").args(in_mics).env("JACK_DEFAULT_SERVER", &names.mics).output().unwrap();
        String::from_utf8_lossy(&load.stdout).contains("is running")
    });
    let _engine = Jack::start(&names.engine, "net -n engine -C 2 -P 2");
    let status = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", TEST, "--nocapture"])
        .env("JACK_DEFAULT_SERVER", &names.mics)
        .env(INSIDE, std::process::id().to_string())
        .status()
        .unwrap();
    assert!(status.success(), "see above");
}

/// In how many frames each sample comes back, judged in one second of sound; `None`: it does not.
fn latency(heard: &Recording, from: usize) -> Option<usize> {
    let [back, sung] = [0, 1].map(|n| &heard.channels[n]);
    let (from, to) = (from, (from + RATE as usize).min(back.len()));
    let equal = |lag: usize| (from..to).filter(|n| sung[n - lag] != 0.0 && back[*n] == sung[n - lag]).count();
    let (lag, equal) = (0..8192.min(from)).map(|lag| (lag, equal(lag))).max_by_key(|(_, equal)| *equal)?;
    (equal * 2 > to - from).then_some(lag)
}

fn inside(names: &Names) {
    let folder = folder(PIECE);
    // The client of the engine's machine, as the mics' machine sees it; its ports come and go with the network.
    let patch = client("patch");
    let connected = |from: &str, to: &str| {
        // It may be connected already, or not be there yet.
        let _ = patch.connect_ports_by_name(from, to);
        patch.port_by_name(from).is_some_and(|port| port.is_connected_to(to).unwrap_or(false))
    };
    within_a_minute("the engine's machine has come", || patch.port_by_name("engine:from_slave_1").is_some());
    let by = ["ip", "netns", "exec", names.engine.as_str()];
    let arguments = "play piece.toml --host jack --json --no-page --no-journal";
    let mut play = Program::start_by(&by, folder.path(), arguments, &[("JACK_DEFAULT_SERVER", &names.engine)]);
    play.event("started");
    let (singer, recorder) =
        (Singer::ready(Part { voice: voice(30.0), pedals: Vec::new() }), Recorder::ready(2, 120.0));
    let cables = [
        ("singer:voice", "engine:to_slave_1"),
        ("engine:from_slave_1", "recorder:heard_1"),
        ("singer:voice", "recorder:heard_2"),
    ];
    within_a_minute("all is connected", || cables.iter().all(|(from, to)| connected(from, to)));
    singer.begin();
    std::thread::sleep(Duration::from_secs(8));
    let watch = client("watch");
    let pulled = watch.frame_time();
    run(&format!("ip -n {} link set {} down", names.mics, names.cable[0])).unwrap();
    std::thread::sleep(Duration::from_secs(2));
    run(&format!("ip -n {} link set {} up", names.mics, names.cable[0])).unwrap();
    // A link that goes takes its routes with it.
    run(&format!("ip -n {} route replace 224.0.0.0/4 dev {}", names.mics, names.cable[0])).unwrap();
    let returned = watch.frame_time();
    std::thread::sleep(Duration::from_secs(1));
    within_a_minute("all is connected again", || cables.iter().all(|(from, to)| connected(from, to)));
    std::thread::sleep(Duration::from_secs(8));
    assert_eq!(play.said("ended"), 0, "the program goes on");
    let play = play.terminate();
    assert_eq!(play.status, Some(0), "{}", play.words);
    drop((watch, patch));
    singer.leave();
    let heard = recorder.leave();

    let began = heard.channels[1].iter().position(|sample| *sample != 0.0).expect("it is sung");
    let (pulled, returned) = (recorded(&heard, pulled), recorded(&heard, returned));
    let first = latency(&heard, began + sample(0.5) as usize).expect("it comes back");
    let last = latency(&heard, pulled - sample(1.0) as usize).expect("it still comes back");
    let block = PERIOD as usize;
    let [back, sung] = [0, 1].map(|n| &heard.channels[n]);
    let judged: Vec<bool> = (began + sample(0.5) as usize..pulled)
        .step_by(block)
        .map(|at| back[at..at + block] == sung[at - first..at - first + block])
        .collect();
    let lost = judged.iter().filter(|same| !**same).count();
    println!(
        "there and back in {first} frames, {:.2} ms, {} periods; {lost} of {} periods were lost in {:.1} s; {} xruns",
        1000.0 * first as f64 / f64::from(RATE),
        first / block,
        judged.len(),
        (judged.len() * block) as f64 / f64::from(RATE),
        heard.xruns.len(),
    );
    assert_eq!(first, last, "the latency is constant");
    assert!(lost * 20 <= judged.len(), "{lost} of {} periods were lost", judged.len());

    // The cable was out for two seconds.
    let whole = |at: &usize| back[*at..at + block].iter().any(|sample| *sample != 0.0);
    let silent = (pulled + sample(0.5) as usize..returned).step_by(block).filter(whole).count();
    assert_eq!(silent, 0, "without a cable nothing comes back");
    let again = (returned..back.len() - block).step_by(block).find(whole);
    let again = again.expect("with the cable the sound returns");
    let after = latency(&heard, again + sample(1.0) as usize);
    println!(
        "after a cable that was out for 2 s it comes back {:.2} s after the cable, in {after:?} frames",
        (again - returned) as f64 / f64::from(RATE),
    );
}
