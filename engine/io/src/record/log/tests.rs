use super::parts::Parts;
use super::*;
use crate::read_wav;
use crossbeam_channel::unbounded;
use proptest::prelude::*;
use std::fs;
use tenterhook_config::{Text, check};
use tenterhook_plan::{Applied, Gesture, Plan, SceneId, Who};

const RATE: u32 = 8000;

fn settings(dir: &Path) -> LogSettings<'_> {
    LogSettings {
        dir,
        rate: RATE,
        inputs: 2,
        outputs: 1,
        texts: &[("piece.toml", "title = \"Reed and Rain\"\n")],
        files: &[],
        take: TakeSettings::default(),
    }
}

fn plan() -> Plan {
    let piece = "mics = { voice = 1 }\noutputs = { left = 1 }\n[[scene]]\nmark = \"A\"\n[[scene]]\nmark = \"B\"\n";
    check(&Text::new("reed.toml", piece), None).expect("nothing is wrong with it").plan
}

/// Pushes frames whose samples tell where they stand: inputs n and −n, output 2n.
fn push(tap: &mut Tap, from: u64, frames: usize) {
    let n: Vec<f32> = (from..from + frames as u64).map(|n| n as f32 + 1.0).collect();
    let minus: Vec<f32> = n.iter().map(|n| -n).collect();
    let mut twice: Vec<f32> = n.iter().map(|n| 2.0 * n).collect();
    tap.block(&[&n, &minus], &[&mut twice], frames);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// However seldom the writer comes, every frame stands at its own time, or is silent, counted and marked.
    #[test]
    fn what_is_lost_is_marked_and_the_rest_keeps_its_time(
        steps in prop::collection::vec((1usize..700, any::<bool>()), 1..60),
    ) {
        let dir = tempfile::tempdir().unwrap();
        let (sender, applied) = unbounded();
        let (mut writer, mut tap) = Writer::begin(&settings(dir.path()), applied, 1000, File::sync_data).unwrap();
        let (mut at, mut waiting) = (0u64, 0usize);
        let mut kept = Vec::new();
        for (frames, drain) in steps {
            let room = waiting + frames <= 1000;
            push(&mut tap, at, frames);
            kept.extend(std::iter::repeat_n(room, frames));
            waiting += if room { frames } else { 0 };
            at += frames as u64;
            if drain {
                writer.drain();
                waiting = 0;
            }
        }
        drop((tap, sender));
        let lost = kept.iter().filter(|kept| !**kept).count() as u64;
        prop_assert_eq!(writer.finish(Ended::default()).unwrap(), LogEnd { frames: at, lost });

        let mics = read_wav(&dir.path().join("mics.wav")).unwrap();
        let outs = read_wav(&dir.path().join("outputs.wav")).unwrap();
        prop_assert_eq!((mics.rate, mics.channels.len(), outs.channels.len()), (RATE, 2, 1));
        for (n, kept) in kept.iter().enumerate() {
            let want = if *kept { n as f32 + 1.0 } else { 0.0 };
            prop_assert_eq!((mics.channels[0][n], mics.channels[1][n], outs.channels[0][n]), (want, -want, 2.0 * want));
        }

        let mut marked = vec![true; kept.len()];
        for line in fs::read_to_string(dir.path().join(LOST)).unwrap_or_default().lines().skip(1) {
            let line = line.strip_suffix(",silence").expect("it stands there as silence");
            let fields: Vec<f64> = line.split(',').map(|field| field.parse().unwrap()).collect();
            prop_assert_eq!(fields[0], fields[1] / f64::from(RATE));
            marked[fields[1] as usize..(fields[1] + fields[2]) as usize].fill(false);
        }
        prop_assert_eq!(marked, kept);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Wherever the disk takes nothing more, and wherever it does again: all that lies there has its own time.
    #[test]
    fn where_nothing_was_kept_silence_is_read_and_the_rest_keeps_its_time(
        steps in prop::collection::vec((1usize..700, 0u8..4), 1..40),
    ) {
        let dir = tempfile::tempdir().unwrap();
        let (sender, applied) = unbounded();
        let (mut writer, mut tap) = Writer::begin(&settings(dir.path()), applied, 100_000, File::sync_data).unwrap();
        let mut at = 0u64;
        let mut stops = 0;
        for (frames, turn) in steps {
            push(&mut tap, at, frames);
            at += frames as u64;
            writer.drain();
            match turn {
                0 => {
                    stops += 1;
                    writer.stop_for_a_test();
                }
                1 => writer.go_on_for_a_test(),
                2 => drop(writer.flush()),
                _ => {}
            }
        }
        let stopped = writer.flush().is_err();
        drop((tap, sender));
        prop_assert_eq!(writer.finish(Ended::default()).is_err(), stopped);

        let mut kept = vec![true; at as usize];
        for line in fs::read_to_string(dir.path().join(LOST)).unwrap_or_default().lines().skip(1) {
            let fields: Vec<&str> = line.split(',').collect();
            prop_assert_eq!(fields[3], "nothing");
            let [from, frames] = [1, 2].map(|n: usize| fields[n].parse::<usize>().unwrap());
            kept[from..from + frames].fill(false);
        }
        prop_assert!(stops > 0 || kept.iter().all(|kept| *kept));
        if let Ok(mut mics) = MicFiles::kept(dir.path()) {
            prop_assert_eq!(mics.frames(), at);
            let mut read = vec![Vec::new(); 2];
            while mics.read(100, &mut read).unwrap() > 0 {}
            for (n, kept) in kept.iter().enumerate() {
                let want = if *kept { n as f32 + 1.0 } else { 0.0 };
                prop_assert_eq!((read[0][n], read[1][n]), (want, -want), "frame {}", n);
            }
        }
        // Each file can be read by others, and inputs and outputs are as long.
        let frames = |stem: &str| -> usize {
            let files = fs::read_dir(dir.path()).unwrap().map(|entry| entry.unwrap().path());
            let own = files.filter(|path| path.file_name().unwrap().to_string_lossy().starts_with(stem));
            own.map(|path| hound::WavReader::open(path).unwrap().duration() as usize).sum()
        };
        let there = kept.iter().filter(|kept| **kept).count();
        prop_assert_eq!((frames("mics"), frames("outputs")), (there, there));
    }
}

/// A disk that takes two seconds to confirm anything.
fn slow(_: &File) -> io::Result<()> {
    std::thread::sleep(Duration::from_secs(2));
    Ok(())
}

#[test]
fn a_disk_that_takes_its_time_to_confirm_keeps_nobody_from_writing() {
    let dir = tempfile::tempdir().unwrap();
    let (log, mut tap) = Log::synced_by(slow, settings(dir.path()), unbounded().1).unwrap();
    let (began, mut at) = (Instant::now(), 0);
    // While it confirms once, more sound comes than the rings would hold.
    while began.elapsed() < Duration::from_secs(3) {
        push(&mut tap, at, RATE as usize / 10);
        at += u64::from(RATE) / 10;
        std::thread::sleep(Duration::from_millis(5));
    }
    assert!(at > 2 * (RING_SECONDS * f64::from(RATE)) as u64, "{at} frames");
    drop(tap);
    assert_eq!(log.finish(Ended::default()).unwrap(), LogEnd { frames: at, lost: 0 });
}

/// The files, by their numbers on the disk, that were brought there.
#[cfg(unix)]
static SYNCED: Mutex<std::collections::BTreeSet<u64>> = Mutex::new(std::collections::BTreeSet::new());

#[cfg(unix)]
fn noted(file: &File) -> io::Result<()> {
    use std::os::unix::fs::MetadataExt;
    SYNCED.lock().unwrap().insert(file.metadata()?.ino());
    Ok(())
}

#[cfg(unix)]
#[test]
fn whatever_a_log_writes_is_brought_to_the_disk_each_part_of_it_and_the_folder_too() {
    use std::os::unix::fs::MetadataExt;
    let dir = tempfile::tempdir().unwrap();
    let number = |path: &Path| fs::metadata(path).unwrap().ino();
    // Flushed again, all of these files are synced again, and nothing else is there.
    let all = |writer: &mut Writer, wanted: &[&str]| {
        let own: Vec<_> = names(dir.path()).into_iter().filter(|name| name != "piece.toml").collect();
        assert_eq!(own, wanted);
        let files = own.iter().map(|name| number(&dir.path().join(name)));
        let mut left: Vec<_> = files.chain([number(dir.path())]).collect();
        SYNCED.lock().unwrap().retain(|one| !left.contains(one));
        let began = Instant::now();
        while !left.is_empty() {
            assert!(began.elapsed() < Duration::from_secs(30), "{} of {own:?} are never synced", left.len());
            let _ = writer.flush();
            std::thread::sleep(Duration::from_millis(5));
            left.retain(|one| !SYNCED.lock().unwrap().contains(one));
        }
    };
    let (mut writer, mut tap) = Writer::begin(&settings(dir.path()), unbounded().1, 100_000, noted).unwrap();
    let texts = ["gestures.unfinished.csv", "take.unfinished.json", "who.unfinished.csv"];
    let [gestures, take, who] = texts;
    let [mics, outputs] = ["mics.unfinished.wav", "outputs.unfinished.wav"];
    all(&mut writer, &[gestures, mics, outputs, take, who]);
    // The next part, when one is full. What the last had was synced with it.
    writer.hold_for_a_test(8 * 100);
    for at in [0, 80] {
        push(&mut tap, at, 80);
        writer.drain();
    }
    let [mics_2, outputs_2] = ["mics-2.unfinished.wav", "outputs-2.unfinished.wav"];
    all(&mut writer, &[gestures, mics_2, mics, outputs, take, who]);
    // The next part, when the disk has room again, and the file that tells of the hole.
    writer.stop_for_a_test();
    push(&mut tap, 160, 10);
    writer.drain();
    writer.go_on_for_a_test();
    let (mics_3, lost) = ("mics-3.unfinished.wav", "lost.unfinished.csv");
    all(&mut writer, &[gestures, lost, mics_2, mics_3, mics, outputs_2, outputs, take, who]);
    drop(tap);
    writer.finish(Ended::default()).unwrap();
}

#[test]
fn a_hole_is_told_with_its_length_and_its_place() {
    let dir = tempfile::tempdir().unwrap();
    let (mut writer, mut tap) = Writer::begin(&settings(dir.path()), unbounded().1, 100_000, File::sync_data).unwrap();
    let mut play = |writer: &mut Writer, from: u64, frames: usize| {
        push(&mut tap, from, frames);
        writer.drain();
    };
    play(&mut writer, 0, 2 * RATE as usize);
    writer.stop_for_a_test();
    play(&mut writer, 2 * u64::from(RATE), RATE as usize / 2);
    writer.go_on_for_a_test();
    play(&mut writer, 5 * u64::from(RATE) / 2, RATE as usize);
    drop(tap);
    writer.finish(Ended::default()).unwrap();
    let mics = MicFiles::kept(dir.path()).unwrap();
    let [caution] = mics.cautions() else { panic!("{:?}", mics.cautions()) };
    assert!(caution.starts_with("0.50 s are missing from 2.00 s on, "), "{caution}");
}

fn unplugged(_: &File) -> io::Result<()> {
    Err(io::Error::other("it is unplugged"))
}

#[test]
fn a_disk_that_does_not_confirm_is_told_of_and_so_is_a_folder_that_is_gone_until_it_is_back() {
    let until = |log: &Log, words: Option<&str>| {
        let began = Instant::now();
        while !match (log.trouble(), words) {
            (None, None) => true,
            (Some(trouble), Some(words)) => trouble.contains(words),
            _ => false,
        } {
            assert!(began.elapsed() < Duration::from_secs(30), "{:?}", log.trouble());
            std::thread::sleep(Duration::from_millis(10));
        }
    };
    let dir = tempfile::tempdir().unwrap();
    let (log, _tap) = Log::synced_by(unplugged, settings(dir.path()), unbounded().1).unwrap();
    until(&log, Some("it is unplugged"));
    drop(log.finish(Ended::default()));

    let (run, away) = (dir.path().join("run"), dir.path().join("away"));
    let (log, mut tap) = Log::start(settings(&run), unbounded().1).unwrap();
    push(&mut tap, 0, 100);
    until(&log, None);
    fs::rename(&run, &away).unwrap();
    until(&log, Some("was removed or moved"));
    push(&mut tap, 100, 100);
    // Another folder of its name is none of ours.
    fs::create_dir(&run).unwrap();
    std::thread::sleep(2 * FLUSH);
    until(&log, Some("was removed or moved"));
    fs::remove_dir(&run).unwrap();
    fs::rename(&away, &run).unwrap();
    until(&log, None);
    drop(tap);
    assert_eq!(log.finish(Ended::default()).unwrap(), LogEnd { frames: 200, lost: 0 });
    assert_eq!(read_wav(&run.join("mics.wav")).unwrap().channels[0].len(), 200);
}

#[test]
fn a_take_tells_on_what_it_was_played_and_how_that_went() {
    let dir = tempfile::tempdir().unwrap();
    let began = "2026-11-29T19:30:00+01:00[Europe/Berlin]";
    let take = TakeSettings { program: "0.1.0", host: "JACK", device: "two rows of \"reeds\"", block: 64, began };
    let (log, mut tap) = Log::start(LogSettings { take, ..settings(dir.path()) }, unbounded().1).unwrap();
    let read = |name: &str| -> serde_json::Value {
        serde_json::from_slice(&fs::read(dir.path().join(name)).unwrap()).unwrap()
    };
    let mut wanted = serde_json::json!({
        "version": 1, "program": "0.1.0", "host": "JACK", "device": "two rows of \"reeds\"", "rate": RATE, "block": 64,
        "began": began, "ended": null,
    });
    assert_eq!(read("take.unfinished.json"), wanted);
    push(&mut tap, 0, 64);
    drop(tap);
    let load = crate::Load { late: 3, overworked: 2, xruns: 1, broken: 4, ..crate::Stats::default().load() };
    log.finish(Ended::from(&load)).unwrap();
    wanted["ended"] = serde_json::json!({ "frames": 64, "lost": 0, "late_blocks": 3, "gaps": 1 });
    assert_eq!(read("take.json"), wanted);
    assert!(!dir.path().join("take.unfinished.json").exists());
}

#[test]
fn the_files_that_a_piece_names_are_kept_under_the_names_it_gives_them() {
    let (dir, piece) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    fs::write(piece.path().join("bell.wav"), "a bell").unwrap();
    let named = |name: &str| (name.to_owned(), piece.path().join("bell.wav"));
    // What lies outside the piece's folder has no name inside the log's.
    let files = [named("sounds/bell.wav"), named("../bell.wav"), named("/bell.wav")];
    let (log, _tap) = Log::start(LogSettings { files: &files, ..settings(dir.path()) }, unbounded().1).unwrap();
    log.finish(Ended::default()).unwrap();
    assert_eq!(fs::read_to_string(dir.path().join("sounds/bell.wav")).unwrap(), "a bell");
    assert_eq!(fs::read_dir(piece.path()).unwrap().count(), 1);
    assert!(!dir.path().parent().unwrap().join("bell.wav").exists());

    // In the piece's own folder nothing is copied onto itself, and nothing else is written over.
    let own = [named("bell.wav")];
    let (log, _tap) = Log::start(LogSettings { files: &own, ..settings(piece.path()) }, unbounded().1).unwrap();
    log.finish(Ended::default()).unwrap();
    assert_eq!(fs::read_to_string(piece.path().join("bell.wav")).unwrap(), "a bell");
    for name in ["bell.wav", "piece.toml"] {
        let dir = tempfile::tempdir().unwrap();
        fs::write(dir.path().join(name), "another's").unwrap();
        let run = dir.path().join("run");
        fs::create_dir(&run).unwrap();
        fs::rename(dir.path().join(name), run.join(name)).unwrap();
        let (log, _tap) = Log::start(LogSettings { files: &own, ..settings(&run) }, unbounded().1).unwrap();
        assert_eq!(log.dir(), dir.path().join("run-2"));
        log.finish(Ended::default()).unwrap();
        assert_eq!(fs::read_to_string(run.join(name)).unwrap(), "another's");
        assert_eq!(fs::read_dir(run).unwrap().count(), 1);
    }
    for name in ["outputs.wav", "./mics-2.wav", "hall.toml"] {
        let dir = tempfile::tempdir().unwrap();
        let why =
            Log::start(LogSettings { files: &[named(name)], ..settings(dir.path()) }, unbounded().1).err().unwrap();
        assert!(matches!(why, LogError::OwnName { .. }), "{why}");
    }

    let fine = [named("hallelujah.toml"), named("mics/mics.wav")];
    let dir = tempfile::tempdir().unwrap();
    let (log, _tap) = Log::start(LogSettings { files: &fine, ..settings(dir.path()) }, unbounded().1).unwrap();
    log.finish(Ended::default()).unwrap();

    let dir = tempfile::tempdir().unwrap();
    let gone = [("gone.wav".to_owned(), dir.path().join("gone.wav"))];
    let why = Log::start(LogSettings { files: &gone, ..settings(dir.path()) }, unbounded().1).err().unwrap();
    assert!(why.to_string().contains("gone.wav"), "{why}");
}

#[test]
fn gestures_and_texts_stand_in_the_folder() {
    let dir = tempfile::tempdir().unwrap();
    let (sender, applied) = unbounded();
    let (log, mut tap) = Log::start(settings(dir.path()), applied).unwrap();
    push(&mut tap, 0, 64);
    let plan = Arc::new(plan());
    for (sample, what) in [(4000, Gesture::Fire(SceneId(1))), (8000, Gesture::Next), (12_000, Gesture::Hush(true))] {
        sender.send(Done { applied: Applied { sample, what, who: Who::Pedal }, plan: Arc::clone(&plan) }).unwrap();
    }
    drop(tap);
    assert_eq!(log.finish(Ended::default()).unwrap(), LogEnd { frames: 64, lost: 0 });
    let text = |name: &str| fs::read_to_string(dir.path().join(name)).unwrap();
    assert_eq!(text("piece.toml"), "title = \"Reed and Rain\"\n");
    assert_eq!(text("gestures.csv"), "seconds,controller,value\r\n0.500000,fire,B\r\n1.500000,hush,1\r\n");
    let mut names: Vec<_> = fs::read_dir(dir.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    names.sort();
    assert_eq!(text("who.csv"), "sample,controller,who\r\n4000,fire,pedal\r\n12000,hush,pedal\r\n");
    assert_eq!(names, ["gestures.csv", "mics.wav", "outputs.wav", "piece.toml", "take.json", "who.csv"]);
}

/// Names in a folder, sorted.
fn names(dir: &Path) -> Vec<String> {
    let mut names: Vec<_> = fs::read_dir(dir).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

#[test]
fn a_folder_that_holds_a_run_is_left_alone_and_the_next_name_that_is_free_is_taken() {
    let own =
        // Where a disk takes `Mics.wav` and `mics.wav` for one file neither may be written over.
        ["mics.wav", "mics-3.unfinished.wav", "Outputs-2.WAV", "gestures.csv", "lost.unfinished.csv", "piece.toml"];
    for name in own {
        let dir = tempfile::tempdir().unwrap();
        let run = dir.path().join("run");
        for taken in ["run", "run-2"] {
            fs::create_dir(dir.path().join(taken)).unwrap();
            fs::write(dir.path().join(taken).join(name), "dear").unwrap();
        }
        // A file, and a link that leads nowhere, are taken names as well.
        fs::write(dir.path().join("run-3"), "dear").unwrap();
        #[cfg(unix)]
        std::os::unix::fs::symlink("nowhere", dir.path().join("run-4")).unwrap();
        // Two that are asked for at once each have their own.
        let (one, _tap) = Log::start(settings(&run), unbounded().1).unwrap();
        let (other, _tap) = Log::start(settings(&run), unbounded().1).unwrap();
        let (one, other) = (
            one.finish(Ended::default()).map(|_| "run-5").unwrap(),
            other.finish(Ended::default()).map(|_| "run-6").unwrap(),
        );
        let all = ["nowhere", "run", "run-2", "run-3", "run-4", one, other];
        assert_eq!(names(dir.path()), all[1..], "{name}");
        for log in [one, other] {
            assert_eq!(
                names(&dir.path().join(log)),
                ["gestures.csv", "mics.wav", "outputs.wav", "piece.toml", "take.json", "who.csv"]
            );
        }
        for taken in ["run", "run-2"] {
            assert_eq!(names(&dir.path().join(taken)), [name]);
            assert_eq!(fs::read_to_string(dir.path().join(taken).join(name)).unwrap(), "dear");
        }
        assert_eq!(fs::read_to_string(dir.path().join("run-3")).unwrap(), "dear");
    }
}

#[test]
fn a_folder_with_other_things_in_it_is_taken_as_it_is() {
    let dir = tempfile::tempdir().unwrap();
    for name in ["notes.txt", "mics.txt", "mics-a.wav", "gestures.csv.old", "xmics.wav"] {
        fs::write(dir.path().join(name), "dear").unwrap();
    }
    let (log, _tap) = Log::start(settings(dir.path()), unbounded().1).unwrap();
    assert_eq!(log.dir(), dir.path());
    log.finish(Ended::default()).unwrap();
}

#[test]
fn the_next_name_stands_beside_the_folder_however_that_is_written() {
    let next = |dir: &str| folder::names(Path::new(dir)).nth(1).unwrap();
    assert_eq!(next("run"), Path::new("run-2"));
    assert_eq!(next("a/run/"), Path::new("a/run-2"));
    assert_eq!(next("run/."), Path::new("run-2"));
    let here = std::env::current_dir().unwrap();
    let beside = format!("{}-2", here.file_name().unwrap().to_str().unwrap());
    assert_eq!(next("."), here.with_file_name(beside));
}

#[test]
fn channels_that_a_device_has_not_are_silent() {
    let dir = tempfile::tempdir().unwrap();
    let nothing = LogSettings { inputs: 0, outputs: 0, ..settings(dir.path()) };
    let (log, mut tap) = Log::start(nothing, unbounded().1).unwrap();
    tap.block(&[], &[], 10);
    drop(tap);
    log.finish(Ended::default()).unwrap();
    assert_eq!(read_wav(&dir.path().join("mics.wav")).unwrap().channels, [[0.0; 10]]);
}

#[test]
fn what_is_too_long_for_one_file_goes_on_in_the_next() {
    let dir = tempfile::tempdir().unwrap();
    // Room for 50 frames of 2 channels of 4 bytes.
    let mut parts = Parts::begin(dir.path(), "mics", 2, RATE, 400).unwrap();
    let sound: Vec<f32> = (0..120).map(|n| n as f32).collect();
    for (block, at) in sound.chunks(20).zip((0..).step_by(20)) {
        parts.write(at, &[block, block]).unwrap();
    }
    parts.finish().unwrap();
    let part = |name: &str| read_wav(&dir.path().join(name)).unwrap().channels.swap_remove(1);
    assert_eq!([part("mics.wav"), part("mics-2.wav"), part("mics-3.wav")].concat(), sound);
    assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 3);
}

#[test]
fn a_part_that_was_ended_says_how_long_it_is_whatever_its_header_said_before() {
    use std::io::{Seek, SeekFrom, Write};
    for kept in [100, 60, 0] {
        let dir = tempfile::tempdir().unwrap();
        let mut parts = Parts::begin(dir.path(), "mics", 3, RATE, 100_000).unwrap();
        let block: Vec<f32> = (0..100).map(|n| n as f32).collect();
        parts.write(0, &[&block, &block, &block]).unwrap();
        assert_eq!(parts.close(), 100);
        // As a full disk leaves it: a header of a second ago, and a torn frame at the end.
        let path = dir.path().join("mics.unfinished.wav");
        let mut file = File::options().write(true).open(path).unwrap();
        let end = file.seek(SeekFrom::End(0)).unwrap();
        file.write_all(&[1, 2, 3, 4, 5]).unwrap();
        file.seek(SeekFrom::Start(end - 100 * 12 - 4)).unwrap();
        file.write_all(&[0; 4]).unwrap();
        parts.cut(kept).unwrap();
        parts.finish().unwrap();
        let read = hound::WavReader::open(dir.path().join("mics.wav")).unwrap();
        assert_eq!(u64::from(read.duration()), kept);
        assert_eq!(read_wav(&dir.path().join("mics.wav")).map(|read| read.channels[2].len() as u64).unwrap_or(0), kept);
    }
}
