//! Mics on one machine, the engine on another, by JACK's own network driver: two network namespaces of this machine, each
//! with a server of its own, each with a cable to a switch, which is a third.

use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use jack::PortFlags;

use super::common::client::{PERIOD, Part, RATE, Recorder, Recording, Singer, voice};
use super::common::program::Program;
use super::common::server::{client, ended, within_a_minute};
use super::common::{PLAIN, folder};
use super::servers;

/// Set in the process that runs the test itself: the process id of the one around it.
const INSIDE: &str = "TENTERHOOK_TEST_NAMESPACES";

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
    switch: String,
    /// The end of the engine's cable that is in the switch.
    plug: String,
}

impl Names {
    fn of(process: &str) -> Self {
        let [mics, engine, switch] = ["mics", "engine", "switch"].map(|name| format!("tenterhook-{name}-{process}"));
        Self { mics, engine, switch, plug: "to-engine".to_owned() }
    }
}

/// Two machines on a switch, taken apart when this is dropped.
struct Machines(Names);

impl Machines {
    /// `Err`: why there cannot be any.
    fn new() -> Result<Self, String> {
        let machines = Self(Names::of(&std::process::id().to_string()));
        let Names { mics, engine, switch, plug } = &machines.0;
        let mut words = [mics, engine, switch].map(|name| format!("ip netns add {name}")).to_vec();
        words.push(format!("ip -n {switch} link add bridge type bridge"));
        words.push(format!("ip -n {switch} link set bridge up"));
        for (machine, port, address) in [(mics, &"to-mics".to_owned(), "10.77.0.1/24"), (engine, plug, "10.77.0.2/24")]
        {
            words.extend([
                format!("ip link add cable netns {machine} type veth peer name {port} netns {switch}"),
                format!("ip -n {switch} link set {port} master bridge"),
                format!("ip -n {switch} link set {port} up"),
                format!("ip -n {machine} addr add {address} dev cable"),
                format!("ip -n {machine} link set cable up"),
                format!("ip -n {machine} link set lo up"),
                // The driver finds the other machine by multicast.
                format!("ip -n {machine} route add 224.0.0.0/4 dev cable"),
            ]);
        }
        for words in words {
            run(&words).map_err(|why| format!("{words}: {why}"))?;
        }
        Ok(machines)
    }
}

impl Drop for Machines {
    fn drop(&mut self) {
        for name in [&self.0.mics, &self.0.engine, &self.0.switch] {
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

/// Set by whoever has no root and lets what needs it be skipped.
const MAY_SKIP: &str = "TENTERHOOK_MAY_SKIP";

#[test]
fn what_another_machines_mic_hears_comes_back_processed_with_a_constant_latency() {
    const TEST: &str = "namespaces::what_another_machines_mic_hears_comes_back_processed_with_a_constant_latency";
    if let Ok(process) = std::env::var(INSIDE) {
        return inside(&Names::of(&process));
    }
    let _alone = servers();
    let machines = match Machines::new() {
        Ok(machines) => machines,
        Err(why) if std::env::var_os(MAY_SKIP).is_some() => return println!("SKIPPED {TEST}: {why}"),
        Err(why) => panic!(
            "no network namespaces here ({why}): install iproute2 and run this as root, or let it be skipped by {MAY_SKIP}=1"
        ),
    };
    let names = &machines.0;
    let _mics = Jack::start(&names.mics, &format!("dummy -r {RATE} -p {PERIOD} -C 2 -P 2"));
    let in_mics = ["netns", "exec", names.mics.as_str(), "jack_load", "netmanager"];
    within_a_minute("the mics' server takes the manager of the network", || {
        let load = Command::new("ip")
            .args(in_mics)
            .env("JACK_DEFAULT_SERVER", &names.mics)
            .env("JACK_NO_START_SERVER", "1")
            .output()
            .unwrap();
        String::from_utf8_lossy(&load.stdout).contains("is running")
    });
    let _engine = Jack::start(&names.engine, "net -n engine -C 2 -P 2 -s");
    let status = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", TEST, "--nocapture"])
        .env("JACK_DEFAULT_SERVER", &names.mics)
        .env(INSIDE, std::process::id().to_string())
        .status()
        .unwrap();
    assert!(status.success(), "see above");
}

/// What was sung and what came back, sample beside sample: `at` frames of the mics' server from `from` on.
struct Both<'a> {
    sung: &'a Recording,
    back: &'a Recording,
}

impl Both<'_> {
    /// A period of each, the one that came back so many frames later; `None`: one of them was not recorded.
    fn period(&self, frame: u32, lag: u32) -> Option<(&[f32], &[f32])> {
        let block = PERIOD as usize;
        let whole = |of: &Recording, frame: u32| {
            let at = of.index(frame)?;
            // The server skipped nothing in between.
            (of.index(frame.wrapping_add(PERIOD - 1)) == Some(at + block - 1)).then_some(at)
        };
        let (sung, back) = (whole(self.sung, frame)?, whole(self.back, frame.wrapping_add(lag))?);
        Some((&self.sung.channels[0][sung..sung + block], self.back.channels[0].get(back..back + block)?))
    }

    /// Of the periods between two frames, how many were heard on both sides, and how many came back bit for bit.
    fn came_back(&self, from: u32, to: u32, lag: u32) -> (usize, usize) {
        let (mut all, mut same) = (0, 0);
        let mut frame = from;
        while frame.wrapping_sub(from) < to.wrapping_sub(from) {
            if let Some((sung, back)) = self.period(frame, lag).filter(|(sung, _)| sung.iter().any(|x| *x != 0.0)) {
                all += 1;
                same += usize::from(sung == back);
            }
            frame = frame.wrapping_add(PERIOD);
        }
        (all, same)
    }

    /// In how many frames what was sung a moment after a frame comes back; `None`: it does not.
    fn latency(&self, from: u32) -> Option<u32> {
        let to = from.wrapping_add(32 * PERIOD);
        let of = |lag: u32| self.came_back(from, to, lag);
        let (lag, (all, same)) = (0..2048).map(|lag| (lag, of(lag))).max_by_key(|(_, (_, same))| *same)?;
        (same > 0 && 2 * same > all).then_some(lag)
    }
}

fn ms(frames: u32) -> f64 {
    1000.0 * f64::from(frames) / f64::from(RATE)
}

fn inside(names: &Names) {
    let folder = folder(PLAIN);
    let patch = client("patch");
    // The engine's machine is a client of the mics' server; its ports come and go with the network.
    let engine = || {
        let ports = patch.ports(Some(".*:from_slave_1"), None, PortFlags::empty());
        ports.last().and_then(|port| Some(port.split_once(':')?.0.to_owned()))
    };
    let connect = |from: &str, to: &str| {
        // It may be connected already, or not be there yet.
        let _ = patch.connect_ports_by_name(from, to);
        patch.port_by_name(from).is_some_and(|port| port.is_connected_to(to).unwrap_or(false))
    };
    let plug = || {
        let Some(engine) = engine() else { return false };
        let cables = [
            ("singer:voice".to_owned(), format!("{engine}:to_slave_1")),
            (format!("{engine}:from_slave_1"), "recorder-01:heard_1".to_owned()),
        ];
        cables.iter().all(|(from, to)| connect(from, to))
    };
    within_a_minute("the engine's machine has come", || engine().is_some());
    let by = ["ip", "netns", "exec", names.engine.as_str()];
    let arguments = "play piece.toml --host jack --json --no-page --no-journal";
    let mut play = Program::start_by(&by, folder.path(), arguments, &[("JACK_DEFAULT_SERVER", &names.engine)]);
    play.event("started");
    let singer = Singer::ready(Part { voice: voice(30.0), pedals: Vec::new() });
    // What stays among the mics, and what has been at the engine's.
    let (sung, back) = (Recorder::ready(1, 120.0), Recorder::ready(1, 120.0));
    within_a_minute("all is connected", || connect("singer:voice", "recorder:heard_1") && plug());
    let began = patch.frame_time();
    singer.begin();
    std::thread::sleep(Duration::from_secs(8));

    let pulled = patch.frame_time();
    run(&format!("ip -n {} link set {} down", names.switch, names.plug)).unwrap();
    std::thread::sleep(Duration::from_secs(3));
    let returned = patch.frame_time();
    run(&format!("ip -n {} link set {} up", names.switch, names.plug)).unwrap();
    // The engine's machine may come again under another name, and then its ports are not connected.
    let limit = Instant::now() + Duration::from_secs(15);
    while !plug() && Instant::now() < limit {
        std::thread::sleep(Duration::from_millis(100));
    }
    let found = plug().then(engine).flatten();
    std::thread::sleep(Duration::from_secs(4));
    let end = patch.frame_time();
    assert_eq!(play.said("ended"), 0, "the program goes on");
    let play = play.terminate();
    assert_eq!(play.status, Some(0), "{}", play.words);
    drop(patch);
    singer.leave();
    let (sung, back) = (sung.leave(), back.leave());

    let (both, second) = (Both { sung: &sung, back: &back }, RATE);
    let first = both.latency(began.wrapping_add(second)).expect("it comes back");
    let last = both.latency(pulled.wrapping_sub(second)).expect("it still comes back");
    let (all, same) = both.came_back(began.wrapping_add(second), pulled.wrapping_sub(4 * second / 10), first);
    println!(
        "there and back in {first} frames, {:.2} ms, {} periods; {same} of {all} periods came back bit for bit",
        ms(first),
        first / PERIOD,
    );
    assert_eq!(first, last, "the latency is constant");
    assert!(all > 1000 && same * 100 >= all * 95, "{same} of {all}");

    // The cable was out for three seconds: the mics' machine goes on.
    let recorded = |of: &Recording, from: u32, to: u32| {
        let periods = to.wrapping_sub(from) / PERIOD;
        let there = (0..periods).filter(|n| of.index(from.wrapping_add(n * PERIOD)).is_some()).count();
        (there, periods as usize)
    };
    let (there, periods) = recorded(&sung, pulled, returned);
    println!("without a cable the mics' server ran {there} of {periods} periods");
    assert!(there * 100 >= periods * 90);
    let sounds = |frame: u32| {
        let period = back.index(frame).and_then(|at| back.channels[0].get(at..at + PERIOD as usize));
        period.is_some_and(|period| period.iter().any(|x| *x != 0.0))
    };
    let periods = || (0..end.wrapping_sub(returned) / PERIOD).map(|n| returned.wrapping_add(n * PERIOD));
    let again = periods().find(|frame| sounds(*frame)).map(|frame| ms(frame.wrapping_sub(returned)) / 1000.0);
    let after = both.latency(end.wrapping_sub(2 * second));
    println!("{again:.2?} s after the cable was back the sound was, from {found:?}, in {after:?} frames");
    assert_eq!(after, Some(first), "it comes back as before");
}
