use super::*;
use crate::read_wav;
use crossbeam_channel::unbounded;
use proptest::prelude::*;
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
        let why = Log::start(LogSettings { files: &own, ..settings(dir.path()) }, unbounded().1).err().unwrap();
        assert!(why.to_string().contains(name), "{why}");
        assert_eq!(fs::read_to_string(dir.path().join(name)).unwrap(), "another's");
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
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

#[test]
fn a_folder_that_holds_a_run_is_refused_and_left_alone() {
    for name in ["mics.wav", "mics.unfinished.wav", "gestures.csv", "lost.unfinished.csv"] {
        let dir = tempfile::tempdir().unwrap();
        fs::write(dir.path().join(name), "dear").unwrap();
        let refused = Log::start(settings(dir.path()), unbounded().1).err().unwrap();
        assert!(matches!(&refused, LogError::AlreadyThere { found, .. } if found == name), "{refused}");
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
        assert_eq!(fs::read_to_string(dir.path().join(name)).unwrap(), "dear");
    }
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
