//! A machine that does what another does, and stands in for it.

use std::net::SocketAddr;
use std::path::Path;
use std::time::{Duration, Instant};

use rosc::OscType::{Float, Int, String as Text};
use serde_json::{Value, json};
use tempfile::TempDir;

use super::common::client::{PERIOD, Part, RATE, Recorder, Singer, change, sample, voice};
use super::common::folder;
use super::common::log::gestures;
use super::common::program::Program;
use super::common::server::{Server, client, within_a_minute};
use super::common::socket::Socket;
use super::{NO_SERVER, PIECE, Surface, free, servers};

/// Set in the process that runs a test itself, with the server chosen.
const INSIDE: &str = "TENTERHOOK_TEST_MACHINES";

/// A machine on the built-in clock, with its page.
struct Machine {
    folder: TempDir,
    play: Program,
    address: String,
    page: Socket,
}

impl Machine {
    fn start(more: &str) -> Self {
        Self::again(folder(PIECE), more)
    }

    /// In the folder that another left.
    fn again(folder: TempDir, more: &str) -> Self {
        let arguments = format!("play piece.toml --host clock --json --page 127.0.0.1:0 --no-journal --log run {more}");
        let mut play = Program::start(folder.path(), &arguments, &[NO_SERVER]);
        let address = play.event("started")["page"].as_str().expect("there is a page").to_owned();
        let page = Socket::open(&address);
        Self { folder, play, address, page }
    }

    /// Waits until it stands as another does; how long that took.
    fn until_like(&mut self, now: &Value) -> Duration {
        let began = Instant::now();
        self.page.until("the other's state", |here| same(here, now));
        began.elapsed()
    }

    /// How it stands: that is the first that a page is told.
    fn now(&self) -> Value {
        Socket::open(&self.address).until("anything", |_| true)
    }

    /// Ends it; the gestures that it wrote down, without its own end.
    fn end(self) -> (TempDir, Vec<(usize, String)>) {
        let ended = self.play.terminate();
        assert_eq!(ended.status, Some(0), "{}", ended.words);
        let mut written = written(self.folder.path());
        assert_eq!(written.pop().unwrap().1, "hush,1");
        (self.folder, written)
    }

    /// Power off.
    fn kill(self) -> TempDir {
        self.play.signal("KILL");
        assert_eq!(self.play.end().status, None, "by a signal");
        std::fs::remove_dir_all(self.folder.path().join("run")).unwrap();
        self.folder
    }
}

/// Whether two machines stand alike: scene, hush, controllers, levels, mutes.
fn same(one: &Value, other: &Value) -> bool {
    ["scene", "hushed", "controllers", "level_db", "levels_db", "muted"].iter().all(|part| one[part] == other[part])
}

fn written(folder: &Path) -> Vec<(usize, String)> {
    rows(&folder.join("run/gestures.csv"))
}

fn rows(path: &Path) -> Vec<(usize, String)> {
    let rows = gestures(path);
    rows.into_iter().map(|(sample, name, value)| (sample, format!("{name},{value}"))).collect()
}

#[test]
fn two_that_point_at_each_other_do_each_thing_once() {
    let (one, other) = (free(), free());
    let here = Machine::start(&format!("--osc {one} --osc-to {other}"));
    let mut there = Machine::start(&format!("--osc {other} --osc-to {one}"));
    let surface = Surface::new();
    let moves = 200;
    // First here, then there, faster than they answer each other.
    for door in [one, other] {
        for n in 0..moves {
            surface.say(door, "/tenterhook/controller/wheel", &[Float((n % 50) as f32 / 64.0)]);
            if n % 40 == 39 {
                surface.say(door, "/tenterhook/next", &[]);
                surface.say(door, "/tenterhook/back", &[]);
            }
            std::thread::sleep(Duration::from_millis(2));
        }
        // The one hears the end of it before the other's turn.
        std::thread::sleep(Duration::from_millis(300));
        let now = here.now();
        there.until_like(&now);
    }
    // Long enough for every state to be told some times.
    std::thread::sleep(Duration::from_secs(3));
    let (_here, here) = here.end();
    let (_there, there) = there.end();
    println!("{} and {} gestures were applied of {}", here.len(), there.len(), 1 + 2 * (moves + 10));
    let what = |written: &[(usize, String)]| written.iter().map(|(_, what)| what.clone()).collect::<Vec<_>>();
    assert_eq!(here.len(), 1 + 2 * (moves + 10));
    assert_eq!(what(&here), what(&there), "and in the same order");
}

#[test]
fn a_backup_that_comes_late_or_again_catches_up_and_a_main_that_comes_again_as_well() {
    let (main_door, backup_door) = (free(), free());
    let surface = Surface::new();
    let main_asks = format!("--osc {main_door} --osc-to {backup_door}");
    let backup_asks = format!("--osc {backup_door} --osc-to {main_door}");
    let mut main = Machine::start(&main_asks);
    for (address, argument) in [
        ("/tenterhook/fire", Text("B".into())),
        ("/tenterhook/controller/pedal", Float(0.7)),
        ("/tenterhook/level/right", Float(-4.5)),
        ("/tenterhook/mute/voice", Int(1)),
    ] {
        surface.say(main_door, address, &[argument]);
    }
    let now = main.page.until("all of that", |now| now["scene"] == 1 && now["muted"][0] == true);
    // Late.
    let mut backup = Machine::start(&backup_asks);
    println!("a late backup stands like the main after {:?}", backup.until_like(&now));
    // Hush goes over like anything; then the power goes.
    surface.say(main_door, "/tenterhook/hush", &[Int(1)]);
    backup.page.until("the hush", |now| now["hushed"] == true);
    let left = backup.kill();
    for (address, argument) in [("/tenterhook/hush", Int(0)), ("/tenterhook/fire", Text("C".into()))] {
        surface.say(main_door, address, &[argument]);
    }
    let now = main.page.until("the last scene", |now| now["scene"] == 2 && now["hushed"] == false);
    let mut backup = Machine::again(left, &backup_asks);
    println!("a backup that comes again stands like the main after {:?}", backup.until_like(&now));
    // States are told on and on, and fire nothing.
    std::thread::sleep(Duration::from_millis(2500));

    // The main is killed; nobody has touched the backup, which stays as it is, and brings the main back to that.
    let left = main.kill();
    std::thread::sleep(Duration::from_millis(500));
    assert!(same(&backup.now(), &now), "it stands as the main stood");
    let mut main = Machine::again(left, &main_asks);
    println!("a main that comes again stands like the backup after {:?}", main.until_like(&now));
    // And then it is the main again: what is done there acts at the other.
    surface.say(main_door, "/tenterhook/back", &[]);
    backup.page.until("the scene before", |now| now["scene"] == 1);
    let (_main, _) = main.end();
    let (_backup, written) = backup.end();
    let fired: Vec<_> = written.iter().map(|(_, what)| what.as_str()).filter(|what| what.starts_with("fire")).collect();
    assert_eq!(fired, ["fire,A", "fire,C", "fire,B"], "each scene once");
}

const PEDAL: u8 = 64;
const WHEEL: u8 = 1;
const STEP: u8 = 66;

/// `tenterhook` and `tenterhook-01` hear the same mic; only the first one's foot has pedals.
fn connect(singer: &Singer, recorder: &Recorder) {
    singer.connect();
    recorder.connect(&["left"]);
    let patch = client("patch");
    for (from, to) in [("singer:voice", "tenterhook-01:voice"), ("tenterhook-01:left", "recorder:heard_2")] {
        patch.connect_ports_by_name(from, to).unwrap();
    }
}

#[test]
fn when_the_main_is_killed_the_backup_stands_where_it_stood_and_sounds_on() {
    const TEST: &str = "machines::when_the_main_is_killed_the_backup_stands_where_it_stood_and_sounds_on";
    if std::env::var_os(INSIDE).is_none() {
        let _alone = servers();
        return Server::start().run(TEST, INSIDE, &[]);
    }
    let (main_folder, backup_folder) = (folder(PIECE), folder(PIECE));
    // Pedals, wheels and scenes at all offsets in the period; at last the scene B, whose left output is the mic itself.
    let mut pedals = Vec::new();
    for n in 0..60u64 {
        let at = sample(1.0 + 0.05 * n as f64) + 37 * n;
        pedals.push(match n % 6 {
            0 => (at, change(PEDAL, 127)),
            2 => (at, change(PEDAL, 0)),
            5 if n % 30 == 29 => (at, change(STEP, if n == 29 { 127 } else { 0 })),
            _ => (at, change(WHEEL, (2 * n + 1) as u8)),
        });
    }
    let (singer, recorder) = (Singer::ready(Part { voice: voice(10.0), pedals }), Recorder::ready(2, 120.0));
    let door: SocketAddr = free();
    let ask = |more: &str| format!("play piece.toml --host jack --json --no-connect --no-journal {more}");
    let mut main =
        Program::start(main_folder.path(), &ask(&format!("--no-page --log run --osc {} --osc-to {door}", free())), &[]);
    let frame = |started: Value| started["server_frame"].as_u64().expect("under JACK there is one") as u32;
    let main_origin = frame(main.event("started"));
    let arguments = ask(&format!("--page 127.0.0.1:0 --log run --osc {door}"));
    let mut backup = Program::start(backup_folder.path(), &arguments, &[]);
    let started = backup.event("started");
    assert!(started["device"].as_str().unwrap().contains("`tenterhook-01`"), "{started}");
    let page = started["page"].as_str().unwrap().to_owned();
    let origin = frame(started);
    connect(&singer, &recorder);
    // The first state has been told by then, so that the scene is no news any more.
    std::thread::sleep(Duration::from_millis(1200));
    singer.begin();
    within_a_minute("all pedals have moved", || singer.is_done());
    // Its log is on the disk by then.
    std::thread::sleep(Duration::from_secs(1));
    let patch = client("watch");
    let killed = patch.frame_time();
    main.signal("KILL");
    assert_eq!(main.end().status, None, "by a signal");
    std::thread::sleep(Duration::from_secs(2));
    let now = Socket::open(&page).until("anything", |_| true);
    let ended = backup.terminate();
    assert_eq!(ended.status, Some(0), "{}", ended.words);
    let (sent, heard) = (singer.leave(), recorder.leave());
    drop(patch);
    assert_eq!(sent.len(), 60);

    // Each gesture that acted at the main acted at the backup, and how late. A client that is late may lose a message of
    // MIDI: then it has acted nowhere.
    let mut acted = rows(&main_folder.path().join("run/gestures.unfinished.csv"));
    let mut rows = written(backup_folder.path());
    assert_eq!((acted.remove(0).1.as_str(), rows.remove(0).1.as_str()), ("fire,A", "fire,A"));
    assert_eq!(rows.pop().unwrap().1, "hush,1");
    let differ = acted.iter().zip(&rows).filter(|((_, one), (_, other))| one != other).count()
        + acted.len().abs_diff(rows.len());
    // Less than nothing: in the same period as at the main, at whose first frame it acted here.
    let at = |origin: u32, frame: usize| origin.wrapping_add(frame as u32);
    let late = acted
        .iter()
        .zip(&rows)
        .map(|((one, _), (other, _))| at(origin, *other).wrapping_sub(at(main_origin, *one)) as i32);
    let mut late: Vec<_> = late.collect();
    late.sort_unstable();
    let frames = |share: f64| late[((late.len() - 1) as f64 * share) as usize];
    let ms = |frames: i32| 1000.0 * f64::from(frames) / f64::from(RATE);
    let (least, median, most) = (frames(0.0), frames(0.5), frames(1.0));
    println!(
        "{} gestures of {} messages, {differ} of them differ; at the backup {least} to {most} frames late, median {median} ({:.1} to \
         {:.1} ms, median {:.1}); {} xruns",
        acted.len(),
        sent.len(),
        ms(least),
        ms(most),
        ms(median),
        heard.xruns.len(),
    );
    assert!(differ == 0 && acted.len() > 40, "{acted:?} {rows:?}");

    // It stands where the main stood, and its mic is heard without a gap.
    assert_eq!((&now["scene"], &now["hushed"]), (&json!(1), &json!(false)));
    let last =
        |name: &str| acted.iter().rev().find_map(|(_, what)| what.strip_prefix(name)?.parse::<f32>().ok()).unwrap();
    let (pedal, wheel) = (last("pedal,"), last("wheel,"));
    let controller = |index: usize| now["controllers"][index].as_f64().unwrap() as f32;
    assert_eq!((controller(0), controller(1)), (pedal, wheel));
    let killed = heard.index_from(killed);
    let [main, backup] = [0, 1].map(|n| &heard.channels[n]);
    let sounds = |sound: &[f32]| sound.iter().any(|sample| *sample != 0.0);
    let after = killed + sample(0.5) as usize..killed + sample(1.5) as usize;
    assert!(!sounds(&main[after.clone()]), "the main is gone");
    let silent =
        backup[killed - sample(0.4) as usize..after.end].chunks(PERIOD as usize).filter(|block| !sounds(block));
    // Where the server itself had no gap, none is heard: a client that is killed may hold it up for a period or two.
    let silent = silent.count();
    println!("{silent} silent periods of the backup, {} xruns", heard.xruns.len());
    assert!(silent <= 2 * heard.xruns.len(), "no block of the backup is silent");
}
