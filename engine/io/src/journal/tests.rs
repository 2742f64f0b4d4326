use super::*;
use crate::Hub;
use proptest::prelude::*;
use tempfile::TempDir;
use tenterhook_config::{Text, check};
use tenterhook_plan::{Applied, Gesture, MicId, OutputId, Who};

const PIECE: &str = "/pieces/reed.toml";

fn plan(marks: &[&str]) -> Arc<Plan> {
    let scenes: String = marks.iter().map(|mark| format!("[[scene]]\nmark = \"{mark}\"\n")).collect();
    let text = format!("mics = {{ voice = 1, viol = 2 }}\noutputs = {{ left = 1, right = 2 }}\n{scenes}");
    Arc::new(check(&Text::new("reed.toml", text), None).expect("nothing is wrong with it").plan)
}

fn fire(scene: u16) -> Gesture {
    Gesture::Fire(SceneId(scene))
}

/// What one does in a run, and how it stands after each.
fn evening() -> Vec<(Gesture, Interrupted)> {
    let mut now = Interrupted {
        mark: "A".to_owned(),
        marks: ["A", "B", "C"].map(str::to_owned).to_vec(),
        crc: 7,
        hushed: false,
        muted: Vec::new(),
        level_db: 0.0,
        levels_db: BTreeMap::new(),
    };
    let mut stands = Vec::new();
    let mut then = |gesture, change: fn(&mut Interrupted)| {
        change(&mut now);
        stands.push((gesture, now.clone()));
    };
    then(fire(0), |_| {});
    then(fire(1), |now| now.mark = "B".to_owned());
    then(Gesture::Mute { mic: MicId(1), muted: true }, |now| now.muted = vec!["viol".to_owned()]);
    then(Gesture::Level { output: None, db: -2.5 }, |now| now.level_db = -2.5);
    then(Gesture::Level { output: Some(OutputId(0)), db: -6.0 }, |now| {
        now.levels_db = BTreeMap::from([("left".to_owned(), -6.0)])
    });
    then(Gesture::Hush(true), |now| now.hushed = true);
    stands
}

/// A run of which a journal is kept, without an engine.
struct Run {
    keeping: Keeping,
    plan: Arc<Plan>,
    told: crossbeam_channel::Sender<Done>,
}

impl Run {
    fn begin(path: &Path, marks: &[&str]) -> Self {
        let (journal, found) = Journal::open(path, PIECE).unwrap();
        let (plan, (told, heard)) = (plan(marks), Hub::subscription());
        let keeping = journal.begin(&plan, 7, found.interrupted.is_none(), heard).unwrap();
        Self { keeping, plan, told }
    }

    fn does(&self, what: Gesture) {
        self.told
            .send(Done { applied: Applied { sample: 5, what, who: Who::Pedal }, plan: Arc::clone(&self.plan) })
            .unwrap();
    }
}

fn until(what: &str, mut done: impl FnMut() -> bool) {
    let limit = Instant::now() + Duration::from_secs(60);
    while !done() {
        assert!(Instant::now() < limit, "not within a minute: {what}");
        std::thread::sleep(Duration::from_millis(5));
    }
}

fn found(path: &Path) -> Found {
    read(&fs::read(path).unwrap(), false, PIECE)
}

/// A journal with a line for each step of the evening, and its file.
fn written() -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("new").join("reed.journal");
    let run = Run::begin(&path, &["A", "B", "C"]);
    for (gesture, stands) in evening() {
        run.does(gesture);
        until("it is written", || found(&path).interrupted.as_ref() == Some(&stands));
    }
    drop(run);
    (folder, path)
}

#[test]
fn the_checksum_is_that_of_the_standard() {
    // CRC-32/ISO-HDLC, the checksum of "123456789", as catalogues of CRCs give it (from memory).
    assert_eq!(checksum(b"123456789"), 0xCBF4_3926);
}

#[test]
fn a_run_that_broke_off_is_found_as_it_stood_and_one_that_was_ended_is_not() {
    let (_folder, path) = written();
    let last = evening().pop().unwrap().1;
    let again = Run::begin(&path, &["A", "B", "C"]);
    // What the one before left stays until there is something newer.
    std::thread::sleep(3 * PACE);
    assert_eq!(found(&path), Found { interrupted: Some(last), damaged: 0 });
    again.does(fire(2));
    until("it is written", || found(&path).interrupted.is_some_and(|stands| stands.mark == "C"));
    again.does(fire(1));
    again.keeping.end();
    assert_eq!(found(&path), Found::default());

    // The next one begins anew: the file does not grow from run to run.
    let third = Run::begin(&path, &["A", "B", "C"]);
    third.does(fire(0));
    drop(third);
    assert_eq!(fs::read_to_string(&path).unwrap().lines().count(), 2);
}

#[test]
fn cut_off_after_any_byte_it_tells_the_last_whole_line() {
    let (_folder, path) = written();
    let bytes = fs::read(&path).unwrap();
    let evening = evening();
    for cut in 0..=bytes.len() {
        let whole = bytes[..cut].iter().filter(|byte| **byte == b'\n').count();
        let found = read(&bytes[..cut], false, PIECE);
        // The first line is the piece's.
        let stands = whole.checked_sub(2).map(|n| evening[n].1.clone());
        assert_eq!(found.interrupted, stands, "cut at {cut}");
        let torn = cut > 0 && bytes[cut - 1] != b'\n';
        assert_eq!(found.damaged, usize::from(torn), "cut at {cut}");
    }
    // And whoever goes on from there is understood.
    for cut in [1, 9, bytes.len() / 2, bytes.len() - 1] {
        fs::write(&path, &bytes[..cut]).unwrap();
        let run = Run::begin(&path, &["A", "B", "C"]);
        run.does(fire(2));
        drop(run);
        assert_eq!(found(&path).interrupted.map(|stands| stands.mark).as_deref(), Some("C"), "cut at {cut}");
    }
}

#[test]
fn whatever_bit_is_turned_over_it_tells_no_untruth() {
    let (_folder, path) = written();
    let bytes = fs::read(&path).unwrap();
    let evening = evening();
    let last = bytes[..bytes.len() - 1].iter().rposition(|byte| *byte == b'\n').unwrap();
    for at in 0..bytes.len() {
        for bit in 0..8 {
            let mut turned = bytes.clone();
            turned[at] ^= 1 << bit;
            let found = read(&turned, false, PIECE);
            let mut stands = found.interrupted.expect("one bit spoils two lines at most");
            if stands.marks.is_empty() {
                // It was the piece's line: the mark alone must do.
                (stands.marks, stands.crc) = (evening[0].1.marks.clone(), 7);
            }
            assert!(evening.iter().any(|(_, known)| *known == stands), "bit {bit} of byte {at}: {stands:?}");
            assert!(at >= last || stands == evening[5].1, "bit {bit} of byte {at}: {stands:?}");
            // A hexadecimal digit may become a capital one, which means the same.
            assert!(found.damaged > 0 || turned[at].eq_ignore_ascii_case(&bytes[at]), "bit {bit} of byte {at}");
        }
    }
}

proptest! {
    #[test]
    fn garbage_tells_nothing(bytes in proptest::collection::vec(any::<u8>(), 0..2000), cut: bool) {
        prop_assert_eq!(read(&bytes, cut, PIECE).interrupted, None);
    }
}

#[test]
fn of_another_piece_or_a_later_version_nothing_is_taken_up() {
    let (_folder, path) = written();
    let bytes = fs::read(&path).unwrap();
    assert_eq!(read(&bytes, false, "/pieces/other.toml").interrupted, None);
    let later = Piece { version: VERSION + 1, path: PIECE.to_owned(), crc: 7, marks: vec!["A".to_owned()] };
    let later = [bytes, line(&Line::Piece(later)).unwrap().into_bytes()].concat();
    assert_eq!(read(&later, false, PIECE).interrupted, None);
}

#[test]
fn in_a_changed_piece_it_goes_on_at_the_mark_or_the_nearest_before_it() {
    let stands = evening().remove(2).1;
    assert_eq!(stands.scene(&plan(&["X", "A", "B", "C"])), SceneId(2));
    assert_eq!(stands.scene(&plan(&["X", "A", "C"])), SceneId(1), "B is gone");
    assert_eq!(stands.scene(&plan(&["X", "C"])), SceneId(0), "all before it are gone as well");
    let torn = Interrupted { marks: Vec::new(), ..stands };
    assert_eq!((torn.scene(&plan(&["A", "B"])), torn.scene(&plan(&["A"]))), (SceneId(1), SceneId(0)));
}

#[test]
fn a_version_that_takes_over_is_told_with_its_marks() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("reed.journal");
    let mut run = Run::begin(&path, &["A", "B", "C"]);
    run.does(fire(2));
    until("it is written", || found(&path).interrupted.is_some());
    run.plan = plan(&["B", "D"]);
    run.keeping.change(&run.plan, 9);
    run.does(Gesture::Hush(true));
    drop(run);
    let stands = found(&path).interrupted.unwrap();
    assert_eq!((stands.mark.as_str(), stands.crc, stands.hushed), ("B", 9, true), "C is gone: as the engine goes on");
    assert_eq!(stands.marks, ["B", "D"]);
}

#[test]
fn two_programs_do_not_keep_one_journal() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("reed.journal");
    let first = Run::begin(&path, &["A"]);
    assert!(matches!(Journal::open(&path, PIECE), Err(JournalError::Held { .. })));
    drop(first);
    assert!(Journal::open(&path, PIECE).is_ok());
}

#[test]
fn what_is_no_file_is_refused_in_words() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("file");
    fs::write(&file, "").unwrap();
    for path in [folder.path().to_owned(), file.join("under-a-file")] {
        let why = Journal::open(&path, PIECE).err().unwrap();
        assert!(matches!(why, JournalError::File { .. }), "{why}");
        assert!(why.to_string().contains("--journal"), "{why}");
    }
}

/// A disk of 16 kB, until this is dropped.
#[cfg(target_os = "linux")]
struct SmallDisk(TempDir);

#[cfg(target_os = "linux")]
impl SmallDisk {
    /// `None`: this user may not.
    fn mount() -> Option<Self> {
        let folder = tempfile::tempdir().unwrap();
        let mut mount = std::process::Command::new("mount");
        let status = mount.args(["-t", "tmpfs", "-o", "size=16k", "tmpfs"]).arg(folder.path()).status();
        status.is_ok_and(|status| status.success()).then_some(Self(folder))
    }
}

#[cfg(target_os = "linux")]
impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = std::process::Command::new("umount").arg(self.0.path()).status();
    }
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_is_said_and_once_there_is_room_it_goes_on() {
    let Some(disk) = SmallDisk::mount() else {
        println!("SKIPPED: only root may mount the small disk of this test");
        return;
    };
    let path = disk.0.path().join("reed.journal");
    let run = Run::begin(&path, &["A", "B", "C"]);
    run.does(fire(0));
    until("it is written", || found(&path).interrupted.is_some());
    let filler = disk.0.path().join("filler");
    let full = File::create(&filler).and_then(|mut file| file.write_all(&[0; 32_768]));
    assert_eq!(full.err().map(|why| why.kind()), Some(io::ErrorKind::StorageFull));
    // The file's own last page still has room: it is drawn until there is none.
    let mut n = 0;
    until("the disk is full", || {
        n += 1;
        run.does(Gesture::Level { output: None, db: -0.001 * n as f32 });
        run.keeping.trouble().is_some()
    });
    let words = run.keeping.trouble().unwrap();
    assert!(words.contains("reed.journal") && words.contains("room"), "{words}");
    fs::remove_file(&filler).unwrap();
    run.does(fire(2));
    until("it is written again", || found(&path).interrupted.is_some_and(|stands| stands.mark == "C"));
    until("the trouble is over", || run.keeping.trouble().is_none());
    drop(run);
}
