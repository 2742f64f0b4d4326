use super::*;
use crate::read_wav;
use crossbeam_channel::unbounded;
use proptest::prelude::*;
use tenterhook_plan::{Gesture, SceneId, Timed};

const RATE: u32 = 8000;

fn settings(dir: &Path) -> LogSettings<'_> {
    LogSettings {
        dir,
        rate: RATE,
        inputs: 2,
        outputs: 1,
        texts: &[("piece.toml", "title = \"Reed and Rain\"\n")],
        header: "seconds,controller,value\r\n".to_owned(),
        line: Box::new(|applied| match applied.what {
            Gesture::Fire(scene) => Some(format!("{},fire,{}\r\n", applied.sample, scene.0)),
            _ => None,
        }),
    }
}

/// Pushes frames whose samples tell where they stand: inputs n and −n, output 2n.
fn push(tap: &mut Tap, from: u64, frames: usize) {
    let n: Vec<f32> = (from..from + frames as u64).map(|n| n as f32 + 1.0).collect();
    let minus: Vec<f32> = n.iter().map(|n| -n).collect();
    let mut twice: Vec<f32> = n.iter().map(|n| 2.0 * n).collect();
    tap.block(&[&n, &minus], &mut [&mut twice], frames);
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
fn gestures_and_texts_stand_in_the_folder() {
    let dir = tempfile::tempdir().unwrap();
    let (sender, applied) = unbounded();
    let (log, mut tap) = Log::start(settings(dir.path()), applied).unwrap();
    push(&mut tap, 0, 64);
    sender.send(Timed { sample: 5, what: Gesture::Fire(SceneId(1)) }).unwrap();
    sender.send(Timed { sample: 6, what: Gesture::Next }).unwrap();
    sender.send(Timed { sample: 7, what: Gesture::Fire(SceneId(2)) }).unwrap();
    drop(tap);
    assert_eq!(log.finish().unwrap(), LogEnd { frames: 64, lost: 0 });
    let text = |name: &str| fs::read_to_string(dir.path().join(name)).unwrap();
    assert_eq!(text("piece.toml"), "title = \"Reed and Rain\"\n");
    assert_eq!(text("gestures.csv"), "seconds,controller,value\r\n5,fire,1\r\n7,fire,2\r\n");
    let mut names: Vec<_> = fs::read_dir(dir.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    names.sort();
    assert_eq!(names, ["gestures.csv", "mics.wav", "outputs.wav", "piece.toml"]);
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
    tap.block(&[], &mut [], 10);
    drop(tap);
    log.finish().unwrap();
    assert_eq!(read_wav(&dir.path().join("mics.wav")).unwrap().channels, [[0.0; 10]]);
}
