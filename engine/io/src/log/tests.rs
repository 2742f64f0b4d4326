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
        let (mut writer, mut tap) = Writer::begin(settings(dir.path()), applied, 1000).unwrap();
        let (mut at, mut waiting) = (0u64, 0usize);
        let mut kept = Vec::new();
        for (frames, drain) in steps {
            let room = waiting + frames <= 1000;
            push(&mut tap, at, frames);
            kept.extend(std::iter::repeat_n(room, frames));
            waiting += if room { frames } else { 0 };
            at += frames as u64;
            if drain {
                writer.drain().unwrap();
                waiting = 0;
            }
        }
        drop((tap, sender));
        let lost = kept.iter().filter(|kept| !**kept).count() as u64;
        prop_assert_eq!(writer.finish().unwrap(), LogEnd { frames: at, lost });

        let mics = read_wav(&dir.path().join("mics.wav")).unwrap();
        let outs = read_wav(&dir.path().join("outputs.wav")).unwrap();
        prop_assert_eq!((mics.rate, mics.channels.len(), outs.channels.len()), (RATE, 2, 1));
        for (n, kept) in kept.iter().enumerate() {
            let want = if *kept { n as f32 + 1.0 } else { 0.0 };
            prop_assert_eq!((mics.channels[0][n], mics.channels[1][n], outs.channels[0][n]), (want, -want, 2.0 * want));
        }

        let mut marked = vec![true; kept.len()];
        for line in fs::read_to_string(dir.path().join(LOST)).unwrap_or_default().lines().skip(1) {
            let fields: Vec<f64> = line.split(',').map(|field| field.parse().unwrap()).collect();
            prop_assert_eq!(fields[0], fields[1] / f64::from(RATE));
            marked[fields[1] as usize..(fields[1] + fields[2]) as usize].fill(false);
        }
        prop_assert_eq!(marked, kept);
    }
}

#[test]
fn the_files_that_a_piece_names_are_kept_under_the_names_it_gives_them() {
    let (dir, piece) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    fs::write(piece.path().join("bell.wav"), "a bell").unwrap();
    let named = |name: &str| (name.to_owned(), piece.path().join("bell.wav"));
    // What lies outside the piece's folder has no name inside the log's.
    let files = [named("sounds/bell.wav"), named("../bell.wav"), named("/bell.wav")];
    let (log, _tap) = Log::start(LogSettings { files: &files, ..settings(dir.path()) }, unbounded().1).unwrap();
    log.finish().unwrap();
    assert_eq!(fs::read_to_string(dir.path().join("sounds/bell.wav")).unwrap(), "a bell");
    assert_eq!(fs::read_dir(piece.path()).unwrap().count(), 1);
    assert!(!dir.path().parent().unwrap().join("bell.wav").exists());

    // In the piece's own folder nothing is copied onto itself, and nothing else is written over.
    let own = [named("bell.wav")];
    let (log, _tap) = Log::start(LogSettings { files: &own, ..settings(piece.path()) }, unbounded().1).unwrap();
    log.finish().unwrap();
    assert_eq!(fs::read_to_string(piece.path().join("bell.wav")).unwrap(), "a bell");
    for name in ["bell.wav", "piece.toml"] {
        let dir = tempfile::tempdir().unwrap();
        fs::write(dir.path().join(name), "another's").unwrap();
        let run = dir.path().join("run");
        fs::create_dir(&run).unwrap();
        fs::rename(dir.path().join(name), run.join(name)).unwrap();
        let (log, _tap) = Log::start(LogSettings { files: &own, ..settings(&run) }, unbounded().1).unwrap();
        assert_eq!(log.dir(), dir.path().join("run-2"));
        log.finish().unwrap();
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
    log.finish().unwrap();

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
    assert_eq!(log.finish().unwrap(), LogEnd { frames: 64, lost: 0 });
    let text = |name: &str| fs::read_to_string(dir.path().join(name)).unwrap();
    assert_eq!(text("piece.toml"), "title = \"Reed and Rain\"\n");
    assert_eq!(text("gestures.csv"), "seconds,controller,value\r\n0.500000,fire,B\r\n1.500000,hush,1\r\n");
    let mut names: Vec<_> = fs::read_dir(dir.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    names.sort();
    assert_eq!(text("who.csv"), "sample,controller,who\r\n4000,fire,pedal\r\n12000,hush,pedal\r\n");
    assert_eq!(names, ["gestures.csv", "mics.wav", "outputs.wav", "piece.toml", "who.csv"]);
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
        ["mics.wav", "mics-3.unfinished.wav", "outputs-2.wav", "gestures.csv", "lost.unfinished.csv", "piece.toml"];
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
        let (one, other) = (one.finish().map(|_| "run-5").unwrap(), other.finish().map(|_| "run-6").unwrap());
        let all = ["nowhere", "run", "run-2", "run-3", "run-4", one, other];
        assert_eq!(names(dir.path()), all[1..], "{name}");
        for log in [one, other] {
            assert_eq!(
                names(&dir.path().join(log)),
                ["gestures.csv", "mics.wav", "outputs.wav", "piece.toml", "who.csv"]
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
    log.finish().unwrap();
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
    log.finish().unwrap();
    assert_eq!(read_wav(&dir.path().join("mics.wav")).unwrap().channels, [[0.0; 10]]);
}

#[test]
fn what_is_too_long_for_one_file_goes_on_in_the_next() {
    let dir = tempfile::tempdir().unwrap();
    // Room for 50 frames of 2 channels of 4 bytes.
    let mut parts = Parts::begin(dir.path(), "mics", 2, RATE, 400).unwrap();
    let sound: Vec<f32> = (0..120).map(|n| n as f32).collect();
    for block in sound.chunks(20) {
        parts.write(&[block, block]).unwrap();
    }
    parts.finish().unwrap();
    let part = |name: &str| read_wav(&dir.path().join(name)).unwrap().channels.swap_remove(1);
    assert_eq!([part("mics.wav"), part("mics-2.wav"), part("mics-3.wav")].concat(), sound);
    assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 3);
}
