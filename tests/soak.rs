//! A long evening: eight mics under every effect of the table on a JACK server with real-time scheduling, pedals and OSC
//! at random, scenes, hush, with page, log and journal open. The long form is `.ci/soak`: `TENTERHOOK_SOAK_SECONDS` says how
//! long. With `TENTERHOOK_SOAK_FREEWHEEL=1` the server goes as fast as it can, and no log is kept: a day of sound would fill
//! the disk.
//! What a machine that is shared cannot promise is printed; what must hold anywhere is asserted.

mod common;

use std::fs;
use std::net::UdpSocket;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use common::client::{PERIOD, RATE, change, sample, voice};
use common::company::{Company, Pedals};
use common::folder;
use common::log::gestures;
use common::program::Program;
use common::server::{Freewheel, Server, client, within_a_minute};
use common::socket::Socket;
use jack::{AsyncClient, AudioIn, Client, Control, Port, ProcessScope};
use rosc::{OscMessage, OscPacket, OscType};
use serde_json::{Value, json};
use tenterhook_dsp::effects::EFFECTS;
use tenterhook_plan::declare::Kind;
use tenterhook_plan::gain;

/// Set in the process that runs the test itself, with the server chosen.
const INSIDE: &str = "TENTERHOOK_TEST_SOAK";
const MICS: usize = 8;
/// Controllers that fire and hush, by their numbers.
const NEXT: u8 = 66;
const BACK: u8 = 67;
const HUSH: u8 = 68;
/// The foot of the first mic; the others follow.
const FOOT: u8 = 10;
/// From then on nothing is new: until then the page's last 20 s of all mics fill up, and every effect has its first turn.
const WARM: f64 = 25.0;
/// What the memory may grow by from then on, in kB.
const MOST_GROWTH: u64 = 16_384;

/// As many scenes as there are effects: in each every mic has another one, and beside it the mic itself by OSC.
fn piece() -> String {
    let numbers = || 1..=MICS;
    let list = |one: &dyn Fn(usize) -> String| numbers().map(one).collect::<Vec<_>>().join(", ");
    let mut text = format!(
        "title = \"The Long Evening\"\nnext = \"next\"\nback = \"back\"\nhush = \"stop\"\nmics = {{ {} }}\noutputs = {{ {} }}\n\
         [controllers]\nnext = {{ cc = {NEXT} }}\nback = {{ cc = {BACK} }}\nstop = {{ cc = {HUSH} }}\n",
        list(&|n| format!("m{n} = {n}")),
        list(&|n| format!("o{n} = {n}")),
    );
    for n in numbers() {
        let foot = usize::from(FOOT) + n - 1;
        text += &format!("foot{n} = {{ cc = {foot} }}\nknee{n} = {{ osc = \"/knee/{n}\" }}\n");
    }
    for scene in 0..EFFECTS.len() {
        text += &format!("[[scene]]\nmark = \"S{scene}\"\nfade = \"100 ms\"\n");
        for n in numbers() {
            let declaration = &EFFECTS[(scene + n) % EFFECTS.len()].declaration;
            let must = declaration.settings.iter().filter(|setting| setting.kind.default().is_none());
            let settings = must.map(|setting| match setting.kind {
                Kind::Sound => format!(", {} = \"letter.wav\"", setting.name),
                Kind::Tuning => format!(", {} = \"D3 A3 F#4\"", setting.name),
                _ => panic!("`{}` must be said: say it here", setting.name),
            });
            let (name, settings) = (declaration.name, settings.collect::<String>());
            text += &format!("mic.m{n}.{name} = {{ by = \"foot{n}\", to = [\"o{n}\"]{settings} }}\n");
            if name != "direct" {
                text += &format!("mic.m{n}.direct = {{ by = \"knee{n}\", to = [\"o{n}\"], level = \"-12 dB\" }}\n");
            }
        }
    }
    text
}

/// Random numbers (xorshift, G. Marsaglia, "Xorshift RNGs", Journal of Statistical Software 8, 2003).
struct Random(u64);

impl Random {
    fn below(&mut self, most: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % most
    }
}

/// What two feet and a page-turner do: some 20 moves a second, a scene every few seconds, hush now and then for a second.
fn feet() -> Pedals {
    let mut random = Random(0x5eed);
    let (mut due, mut hushed_until) = (0, None);
    Box::new(move |frames, send| {
        while due < frames.end {
            let at = due.max(frames.start);
            due += 480 + random.below(3840);
            let is_over = hushed_until.is_some_and(|until| at >= until);
            match random.below(100) {
                // Each is let go at once: it acts when it goes down.
                _ if is_over => {
                    hushed_until = None;
                    [127, 0].into_iter().for_each(|value| send(at, change(HUSH, value)));
                }
                0 if hushed_until.is_none() => {
                    hushed_until = Some(at + u64::from(RATE));
                    [127, 0].into_iter().for_each(|value| send(at, change(HUSH, value)));
                }
                1..=2 => [127, 0].into_iter().for_each(|value| send(at, change(NEXT, value))),
                3 => [127, 0].into_iter().for_each(|value| send(at, change(BACK, value))),
                _ => {
                    let foot = FOOT + random.below(MICS as u64) as u8;
                    let value = if random.below(4) == 0 { 0 } else { random.below(128) as u8 };
                    send(at, change(foot, value));
                }
            }
        }
    })
}

/// The client `judge`, which listens to all outputs.
struct Judge {
    client: AsyncClient<(), Judging>,
    found: Arc<Found>,
}

#[derive(Default)]
struct Found {
    /// Samples that are not finite or above the ceiling.
    wrong: AtomicU64,
    /// The greatest magnitude of each output, as bits.
    peaks: [AtomicU32; MICS],
}

struct Judging {
    ports: Vec<Port<AudioIn>>,
    found: Arc<Found>,
    ceiling: f32,
}

impl Judge {
    fn ready() -> Self {
        let client = client("judge");
        let port = |n: usize| client.register_port(&format!("heard_{}", n + 1), AudioIn::default()).unwrap();
        let found = Arc::<Found>::default();
        let judging = Judging { ports: (0..MICS).map(port).collect(), found: Arc::clone(&found), ceiling: gain(-1.0) };
        Self { client: client.activate_async((), judging).unwrap(), found }
    }

    fn connect(&self) {
        for n in 1..=MICS {
            let (from, to) = (format!("tenterhook:o{n}"), format!("judge:heard_{n}"));
            self.client.as_client().connect_ports_by_name(&from, &to).unwrap();
        }
    }
}

impl jack::ProcessHandler for Judging {
    fn process(&mut self, _: &Client, scope: &ProcessScope) -> Control {
        for (port, peak) in self.ports.iter().zip(&self.found.peaks) {
            let sound = port.as_slice(scope);
            let wrong = sound.iter().filter(|x| !x.is_finite() || x.abs() > self.ceiling).count();
            self.found.wrong.fetch_add(wrong as u64, Ordering::Relaxed);
            // Of magnitudes the bits are in the same order.
            let most = sound.iter().fold(0.0, |most: f32, x| most.max(x.abs()));
            peak.fetch_max(most.to_bits(), Ordering::Relaxed);
        }
        Control::Continue
    }
}

/// What the system tells of the program (Linux, proc(5)).
#[derive(Clone, Copy, Debug)]
struct Look {
    /// Memory in use, in kB.
    resident: u64,
    /// Of the audio thread: page faults without and with reading from a disk, and how often it has waited.
    faults: u64,
    disk_faults: u64,
    waited: u64,
    /// What the host of a virtual machine took of all processors, in hundredths of a second.
    stolen: u64,
}

/// Fields of a thread's `stat` from the third on: those before them hold its name, which could be anything.
fn stat(process: u32, thread: &str) -> Vec<u64> {
    let text = fs::read_to_string(format!("/proc/{process}/task/{thread}/stat")).unwrap_or_default();
    let fields = text.rsplit_once(") ").map_or("", |(_, fields)| fields);
    fields.split_whitespace().map(|field| field.parse().unwrap_or(0)).collect()
}

/// The field of this number, as proc(5) counts.
fn field(fields: &[u64], number: usize) -> u64 {
    fields.get(number - 3).copied().unwrap_or(0)
}

/// The thread that works most (14) of those with real-time scheduling (41: SCHED_FIFO is 1).
fn audio_thread(process: u32) -> String {
    let threads = fs::read_dir(format!("/proc/{process}/task")).unwrap();
    let threads = threads.map(|thread| thread.unwrap().file_name().into_string().unwrap());
    let real_time = threads.map(|thread| (stat(process, &thread), thread)).filter(|(fields, _)| field(fields, 41) == 1);
    real_time.max_by_key(|(fields, _)| field(fields, 14)).expect("the audio thread is real-time").1
}

fn look(process: u32, thread: &str) -> Look {
    let folder = format!("/proc/{process}");
    let number = |file: &str, key: &str| -> u64 {
        let text = fs::read_to_string(file).unwrap();
        let line = text.lines().find(|line| line.starts_with(key)).unwrap_or_else(|| panic!("{key} in {file}"));
        line.split_whitespace().nth(1).unwrap().parse().unwrap()
    };
    let fields = stat(process, thread);
    Look {
        resident: number(&format!("{folder}/status"), "VmRSS:"),
        faults: field(&fields, 10),
        disk_faults: field(&fields, 12),
        waited: number(&format!("{folder}/task/{thread}/status"), "voluntary_ctxt_switches:"),
        stolen: fs::read_to_string("/proc/stat")
            .unwrap()
            .split_whitespace()
            .nth(8)
            .map_or(0, |ticks| ticks.parse().unwrap()),
    }
}

#[test]
fn a_long_evening_under_every_effect() {
    if std::env::var_os(INSIDE).is_none() {
        return Server::start().run_within("a_long_evening_under_every_effect", INSIDE, &[], limit());
    }
    let folder = folder(&piece());
    fs::copy(concat!(env!("CARGO_MANIFEST_DIR"), "/scenes/letter.wav"), folder.path().join("letter.wav")).unwrap();
    let sung = voice(10.0);
    // The same singer for all, each a little later: what costs is as much, and the memory of this test small.
    let sound = |n: usize| [&sung[n * 4001..], &sung[..n * 4001]].concat();
    let company = Company::ready((0..MICS).map(sound).collect(), feet());
    let judge = Judge::ready();
    let address = UdpSocket::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let is_free = std::env::var_os("TENTERHOOK_SOAK_FREEWHEEL").is_some();
    let log = if is_free { "" } else { " --log run" };
    let arguments = format!("play piece.toml --host jack --json --no-connect --page 127.0.0.1:0 --osc {address}{log}");
    let mut play = Program::start(folder.path(), &arguments, &[]);
    let started = play.event("started");
    let mics: Vec<String> = (1..=MICS).map(|n| format!("m{n}")).collect();
    company.connect(&mics.iter().map(String::as_str).collect::<Vec<_>>());
    judge.connect();
    let mut socket = Socket::open(started["page"].as_str().expect("there is a page"));
    socket.ask(json!({ "do": "level", "output": "o1", "db": -3.0 }));
    socket.until("it acts", |now| now["levels_db"][0] == -3.0);
    let stop = Arc::<AtomicBool>::default();
    let page = {
        let stop = Arc::clone(&stop);
        std::thread::spawn(move || socket.listen(&stop))
    };

    company.begin();
    let osc = UdpSocket::bind("127.0.0.1:0").unwrap();
    let knee = |number: u64, value: f32| {
        let message = OscMessage { addr: format!("/knee/{number}"), args: vec![OscType::Float(value)] };
        osc.send_to(&rosc::encoder::encode(&OscPacket::Message(message)).unwrap(), address).unwrap();
    };
    let (mut random, mut knees, mut warm) = (Random(0xca11), 0u64, None);
    within_a_minute("it plays", || company.played() > u64::from(RATE));
    let thread = audio_thread(play.id());
    let freewheel = is_free.then(Freewheel::enter);
    let begun = Instant::now();
    while company.played() < sample(seconds()) {
        knee(1 + random.below(MICS as u64), random.below(101) as f32 / 100.0);
        knees += 1;
        std::thread::sleep(Duration::from_millis(20 + random.below(100)));
        if warm.is_none() && company.played() > sample(WARM) {
            warm = Some((company.played(), look(play.id(), &thread)));
        }
        assert!(begun.elapsed() < limit(), "the server goes on");
    }
    let (warm_at, warm) = warm.expect("it lasts longer than it takes to warm up");
    let (end_at, end) = (company.played(), look(play.id(), &thread));
    println!("{:.0} s of sound in {:.0?}", end_at as f64 / f64::from(RATE), begun.elapsed());
    drop(freewheel);
    let played = company.played();
    let (sent, refused) = company.leave();
    // What was sent last is applied and written down.
    let unfinished = folder.path().join("run/gestures.unfinished.csv");
    within_a_minute("the last word is heard", || {
        std::thread::sleep(Duration::from_millis(200));
        knee(1, 0.123);
        is_free || fs::read_to_string(&unfinished).is_ok_and(|text| text.contains("knee1,0.123"))
    });
    let ended = play.terminate();
    stop.store(true, Ordering::Release);
    let told = page.join().unwrap();
    assert_eq!(ended.status, Some(0), "{}", ended.words);
    judge.client.deactivate().unwrap();

    let run = ended.load();
    let load = |name: &str| run["load"][name].as_f64().unwrap_or_else(|| panic!("{name} is told: {run}"));
    let lost = |name: &str| run[name].as_u64().unwrap_or_else(|| panic!("{name} is told: {run}"));
    let of_the_log = if is_free { 0 } else { lost("log_frames_lost") };
    let written = if is_free { Vec::new() } else { gestures(&folder.path().join("run/gestures.csv")) };
    let count = |what: &str| written.iter().filter(|(_, name, _)| name.starts_with(what)).count() as u64;
    let (feet, kneed, scenes) = (count("foot"), count("knee"), count("fire"));
    println!(
        "{:.0} s played, {sent} MIDI messages, {knees} OSC messages, {scenes} scenes, {} hushes, {told} messages to the page",
        played as f64 / f64::from(RATE),
        count("hush"),
    );
    println!(
        "{} blocks: {} late, {} of them by their own work; {} xruns, {} frames skipped; mean {:.3}, 99th percentile {}, \
         99.9th {}, most {:.2}",
        load("blocks"),
        load("late"),
        load("overworked"),
        load("xruns"),
        load("skipped"),
        load("mean"),
        run["percentile_99"],
        run["percentile_99_9"],
        load("most"),
    );
    // What the host takes while the audio thread is at work counts as its own work.
    println!("the host took {:.2} s of the processors", (end.stolen - warm.stolen) as f64 / 100.0);
    let blocks = (end_at - warm_at) as f64 / f64::from(PERIOD);
    println!(
        "memory: {} kB at first, {} kB at the end; the audio thread: {} page faults, {} from disk, and it waited {:.3} \
         times a block",
        warm.resident,
        end.resident,
        end.faults - warm.faults,
        end.disk_faults - warm.disk_faults,
        (end.waited - warm.waited) as f64 / blocks,
    );
    println!(
        "lost and counted: {} gestures on the way in, {} on the way out, {} MIDI messages in a block, {} frames of the log",
        lost("events_lost"),
        lost("applied_lost"),
        load("events_lost"),
        of_the_log,
    );

    assert_eq!(judge.found.wrong.load(Ordering::Relaxed), 0, "samples that are not finite or above the ceiling");
    for (n, peak) in judge.found.peaks.iter().enumerate() {
        assert!(f32::from_bits(peak.load(Ordering::Relaxed)) > 0.01, "output {} was heard", n + 1);
    }
    assert!(end.resident <= warm.resident + MOST_GROWTH, "the memory grows");
    let (faults, from_disk) = (end.faults - warm.faults, end.disk_faults - warm.disk_faults);
    assert_eq!((faults, from_disk), (0, 0), "pages that were new to the audio thread, and of these from disk");
    // A thread that waits for a lock waits more often than once a block, for the server.
    assert!((end.waited - warm.waited) as f64 <= 1.05 * blocks + 50.0, "the audio thread waits for its blocks only");
    // What waits in rings has room for seconds of this: nothing is lost, however busy the machine.
    assert_eq!((lost("events_lost"), lost("applied_lost"), run["load"]["events_lost"].as_u64()), (0, 0, Some(0)));
    assert_eq!(of_the_log, 0, "frames of the log are lost");
    assert_eq!(refused, 0);
    assert!(told > 10 && (is_free || scenes > 1));
    if !is_free {
        // By the clock a late client may lose a message of MIDI, or see one twice: those are only told.
        // By the count of the company, which is a client of its own: what the log holds is all but what xruns took.
        let reader = hound::WavReader::open(folder.path().join("run/outputs.wav")).unwrap();
        let kept = u64::from(reader.duration());
        assert!(10 * kept >= 9 * played, "the log holds {kept} frames of {played}");
        assert!(10 * feet >= 7 * sent, "{feet} moves of feet, of {sent} messages");
        println!("of {sent} MIDI messages {feet} were written down as moves; the others fire and hush");
        assert!(kneed + lost("events_lost") + lost("applied_lost") >= knees, "no OSC message is lost uncounted");
    }
    assert_eq!(run["died"], Value::Null);
}

/// More than it takes, also where the server stands still now and then.
fn limit() -> Duration {
    Duration::from_secs_f64(2.0 * seconds() + 240.0)
}

fn seconds() -> f64 {
    std::env::var("TENTERHOOK_SOAK_SECONDS").map_or(45.0, |seconds| seconds.parse().expect("a number of seconds"))
}
