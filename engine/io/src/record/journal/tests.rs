use super::lines::{JournalLine, JournalPiece, VERSION, line, read};
use super::*;
use crate::Hub;
use proptest::prelude::*;
use std::io::Write;
use tempfile::TempDir;
use tenterhook_config::{Text, check};
use tenterhook_plan::{Applied, Gesture, MicId, OutputId, TrimId, Who};

const PIECE: &str = "/pieces/reed.toml";

fn plan(marks: &[&str]) -> Arc<Plan> {
    let scene = |mark: &&str| format!("[[scene]]\nmark = \"{mark}\"\nmic.viol.direct = {{ by = \"scene\" }}\n");
    let scenes: String = marks.iter().map(scene).collect();
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
        trims_db: BTreeMap::new(),
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
    then(Gesture::Trim { trim: TrimId(0), db: -1.5 }, |now| {
        now.trims_db = BTreeMap::from([("viol".to_owned(), BTreeMap::from([("direct".to_owned(), -1.5)]))])
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
    assert_eq!(found(&path), Found { interrupted: Some(last), ..Found::default() });
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
    let end = &evening.last().unwrap().1;
    let first = bytes.iter().position(|byte| *byte == b'\n').unwrap() + 1;
    let last = bytes[..bytes.len() - 1].iter().rposition(|byte| *byte == b'\n').unwrap();
    for at in 0..bytes.len() {
        for bit in 0..8 {
            let mut turned = bytes.clone();
            turned[at] ^= 1 << bit;
            let found = read(&turned, false, PIECE);
            let Some(stands) = found.interrupted else {
                assert!(at < first, "bit {bit} of byte {at}: only without its piece's line a state tells nothing");
                assert!(found.damaged > 0 || found.later.is_some());
                continue;
            };
            assert!(evening.iter().any(|(_, known)| *known == stands), "bit {bit} of byte {at}: {stands:?}");
            assert!(at >= last || stands == *end, "bit {bit} of byte {at}: {stands:?}");
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

/// A line with its checksum.
fn summed(json: &str) -> String {
    format!("{:08x} {json}\n", checksum(json.as_bytes()))
}

#[test]
fn of_another_piece_nothing_is_taken_up_nor_of_a_state_without_its_piece() {
    let (_folder, path) = written();
    let text = fs::read_to_string(&path).unwrap();
    assert_eq!(Found::of(text.as_bytes(), "/pieces/other.toml"), Found::default());
    let (piece, stands) = text.split_once('\n').unwrap();
    assert_eq!(Found::of(stands.as_bytes(), PIECE), Found::default());
    // What another piece has left in it is not ours, whoever comes after.
    let other = piece.split_once(' ').unwrap().1.replace("reed", "willow");
    let mixed = [summed(&other).as_str(), stands, piece, "\n"].concat();
    assert_eq!(Found::of(mixed.as_bytes(), PIECE), Found::default());
}

#[test]
fn a_later_version_is_one_and_no_damage_and_what_it_wrote_stays() {
    let (_folder, path) = written();
    let known = fs::read_to_string(&path).unwrap();
    let piece = JournalLine::Piece(JournalPiece {
        version: VERSION + 1,
        path: PIECE.to_owned(),
        crc: 7,
        marks: vec!["A".to_owned()],
    });
    for lines in [
        line(&piece).unwrap(),
        // It may say of a piece what we do not know, and other things.
        summed(r#"{"piece":{"version":2,"where":{"disk":"reed"},"marks":[{"mark":"A"}]}}"#)
            + &summed(r#"{"stands":["A",1]}"#),
        summed(r#"{"piece":{"version":2}}"#)
            + &summed(r#"{"stands":{"mark":"A","hushed":false,"muted":[],"level_db":0.0,"levels_db":{}}}"#),
    ] {
        for before in ["", &known] {
            let text = format!("{before}{lines}");
            let later = Found { later: Some(2), ..Found::default() };
            assert_eq!(Found::of(text.as_bytes(), PIECE), later, "{lines}");
            fs::write(&path, &text).unwrap();
            let run = Run::begin(&path, &["A", "B", "C"]);
            run.does(fire(1));
            drop(run);
            assert!(fs::read_to_string(&path).unwrap().starts_with(&text), "what is not ours is not dropped");
            assert_eq!(found(&path).interrupted.map(|stands| stands.mark).as_deref(), Some("B"));
        }
    }
    // A line that we do not know in our own version is whole, too.
    let text = known.clone() + &summed("{\"weather\":\"rain\"}");
    assert_eq!(Found::of(text.as_bytes(), PIECE), Found::of(known.as_bytes(), PIECE));
}

/// Names in a folder, sorted.
fn names(folder: &Path) -> Vec<String> {
    let all = fs::read_dir(folder).unwrap();
    let mut names: Vec<_> = all.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

/// Files that are no journals.
fn foreign() -> Vec<(&'static str, Vec<u8>)> {
    let piece = b"title = \"Reed and Rain\"\nmics = { voice = 1 }\n".to_vec();
    let (_folder, path) = written();
    let journal = fs::read(&path).unwrap();
    vec![
        ("a piece", piece.clone()),
        ("a recording", crate::wav_bytes(&[&[0.5; 100]], 8000).unwrap()),
        ("a journal in something else", [&piece[..], &journal].concat()),
        ("a journal behind an empty line", [b"\n", &journal[..]].concat()),
        ("a number on a line", b"12345678\n".to_vec()),
        ("words of hexadecimal digits", b"deadbeef cafe".to_vec()),
        ("another's lines", b"12345678 {\"pier\":1}\n".to_vec()),
        ("zeros", vec![0; 5000]),
        ("an empty line", b"\n".to_vec()),
    ]
}

#[test]
fn what_is_no_journal_is_refused_and_not_touched() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("file");
    for (what, bytes) in foreign() {
        fs::write(&path, &bytes).unwrap();
        let before = fs::metadata(&path).unwrap().modified().unwrap();
        let why = Journal::open(&path, PIECE).err().expect(what);
        assert!(matches!(why, JournalError::Foreign { .. }), "{what}: {why}");
        assert!(
            fs::read(&path).unwrap() == bytes && fs::metadata(&path).unwrap().modified().unwrap() == before,
            "{what}"
        );
        assert_eq!(names(folder.path()), ["file"], "{what}");
    }
}

#[cfg(unix)]
#[test]
fn of_a_link_what_it_leads_to_counts() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    let link = |target: &str| {
        let _ = fs::remove_file(path("link"));
        std::os::unix::fs::symlink(target, path("link")).unwrap();
    };
    for (what, bytes) in foreign() {
        fs::write(path("file"), &bytes).unwrap();
        link("file");
        let why = Journal::open(&path("link"), PIECE).err().expect(what);
        assert!(matches!(why, JournalError::Foreign { .. }), "{what}: {why}");
        assert!(fs::read(path("file")).unwrap() == bytes && path("link").is_symlink(), "{what}");
        // At the journal's own place the link goes, and what it leads to stays.
        let (_, found) = Journal::open_at_own_place(&path("link"), PIECE).expect(what);
        let aside = found.set_aside.expect(what);
        assert!(aside.is_symlink() && fs::read(path("file")).unwrap() == bytes && !path("link").is_symlink(), "{what}");
        fs::remove_file(aside).unwrap();
    }
    fs::write(path("file"), "").unwrap();
    for target in ["file", "new"] {
        link(target);
        let run = Run::begin(&path("link"), &["A"]);
        run.does(fire(0));
        drop(run);
        assert!(found(&path(target)).interrupted.is_some() && path("link").is_symlink());
    }
}

#[test]
fn a_journal_of_which_anything_is_left_or_nothing_begins_and_goes_on() {
    let (_folder, path) = written();
    let bytes = fs::read(&path).unwrap();
    for cut in 0..bytes.len() {
        fs::write(&path, &bytes[..cut]).unwrap();
        assert!(Journal::open(&path, PIECE).is_ok(), "cut at {cut}");
        // Who went on behind what was cut off had it on a line of its own.
        if cut > 0 && bytes[cut - 1] != b'\n' {
            fs::write(&path, [&bytes[..cut], b"\n", &bytes[..]].concat()).unwrap();
            assert_eq!(Journal::open(&path, PIECE).expect("it begins").1.interrupted, found(&path).interrupted);
        }
    }
    // Digits may be all that is left of a journal, and may be somebody's: they stay.
    fs::write(&path, "1234").unwrap();
    for _ in 0..2 {
        let run = Run::begin(&path, &["A"]);
        run.does(fire(0));
        run.keeping.end();
        let text = fs::read_to_string(&path).unwrap();
        assert!(text.starts_with("1234\n") && text.lines().count() == 4, "{text}");
    }
}

#[test]
fn at_its_own_place_what_is_no_journal_is_set_aside_over_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("reed.journal");
    let aside = |n: usize| {
        folder.path().join(if n == 1 { "reed.journal.damaged".to_owned() } else { format!("reed.journal.damaged-{n}") })
    };
    for (n, (what, bytes)) in (1..).zip(foreign()) {
        fs::write(&path, &bytes).unwrap();
        let (journal, found) = Journal::open_at_own_place(&path, PIECE).expect(what);
        assert_eq!((found.set_aside, found.damaged), (Some(aside(n)), 0), "{what}");
        assert_eq!(fs::read(aside(n)).unwrap(), bytes, "{what}");
        drop(journal);
    }
    for (n, (what, bytes)) in (1..).zip(foreign()) {
        assert_eq!(fs::read(aside(n)).unwrap(), bytes, "{what}");
    }
    // It has lost its beginning, but what is whole in it tells where it stood.
    let run = Run::begin(&path, &["A", "B"]);
    run.does(fire(0));
    drop(run);
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, format!("?{text}{text}")).unwrap();
    let (_, found) = Journal::open_at_own_place(&path, PIECE).unwrap();
    assert!(found.set_aside.is_some() && found.interrupted.is_some_and(|stands| stands.mark == "A"));
}

#[test]
fn two_programs_that_come_at_once_to_what_is_no_journal_set_it_aside_once() {
    for _ in 0..20 {
        let folder = tempfile::tempdir().unwrap();
        let path = &folder.path().join("reed.journal");
        fs::write(path, "somebody's own").unwrap();
        std::thread::scope(|scope| {
            for _ in 0..4 {
                scope.spawn(|| {
                    let (journal, _) = Journal::open_at_own_place(path, PIECE).expect("each comes after the other");
                    drop(journal);
                });
            }
        });
        assert_eq!(names(folder.path()), ["reed.journal", "reed.journal.damaged"]);
        assert_eq!(fs::read(path.with_extension("journal.damaged")).unwrap(), b"somebody's own");
    }
}

#[test]
fn a_long_run_has_its_piece_among_what_is_read() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("reed.journal");
    // Each line is long, so that there need not be many.
    let long = "B".repeat(10_000);
    let marks = ["A", &long];
    let (journal, _) = Journal::open(&path, PIECE).unwrap();
    let mut writer = writer::JournalWriter {
        path: path.clone(),
        file: journal.file,
        piece: PIECE.to_owned(),
        state: EngineState::new(plan(&marks)),
        newest: Arc::new(Mutex::new((plan(&marks), 7))),
        told_piece: None,
        told: None,
        anew: None,
        since_piece: 0,
        sync: File::sync_data,
    };
    writer.state.apply(Applied { sample: 0, what: fire(1), who: Who::Pedal });
    let mut n = 0;
    while fs::metadata(&path).unwrap().len() < 3 * MOST_BYTES / 2 {
        n += 1;
        let what = Gesture::Level { output: None, db: -(n as f32) / 100.0 };
        writer.state.apply(Applied { sample: n, what, who: Who::Pedal });
        assert!(writer.write(false).unwrap());
    }
    drop(writer);
    let (_, found) = Journal::open(&path, PIECE).unwrap();
    let stands = found.interrupted.expect("it is known which piece it was");
    assert_eq!((stands.mark.as_str(), stands.level_db, found.damaged), (long.as_str(), -(n as f32) / 100.0, 0));
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

proptest! {
    /// The nearest one before it that is left, whichever are.
    #[test]
    fn of_the_marks_before_it_the_nearest_counts(left in proptest::collection::vec(any::<bool>(), 8), at in 0usize..8) {
        let marks: Vec<String> = (0..8).map(|n| format!("M{n}")).collect();
        let kept: Vec<&str> = marks.iter().zip(&left).filter(|(_, left)| **left).map(|(mark, _)| mark.as_str()).collect();
        // The piece has them the other way round now: it is the order of then that counts.
        let now: Vec<&str> = kept.iter().rev().copied().chain(["X"]).collect();
        let stands = Interrupted { mark: marks[at].clone(), marks: marks.clone(), ..evening().remove(0).1 };
        let nearest = (0..=at).filter(|n| left[*n]).max().map(|n| marks[n].as_str());
        let meant = nearest.map_or(0, |mark| now.iter().position(|one| *one == mark).unwrap());
        prop_assert_eq!(stands.scene(&plan(&now)), SceneId::new(meant));
    }
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

/// A disk that has never taken what was written.
fn unplugged(file: &File) -> io::Result<()> {
    assert!(file.metadata()?.len() > 0, "the line is written before");
    Err(io::Error::other("it is unplugged"))
}

#[test]
fn a_line_counts_as_written_once_the_disk_has_it() {
    let dir = tempfile::tempdir().unwrap();
    let (journal, _) = Journal::open(&dir.path().join("reed.journal"), PIECE).unwrap();
    let (plan, (told, heard)) = (plan(&["A"]), Hub::subscription());
    let keeping = journal.synced_by(unplugged, &plan, 7, true, heard).unwrap();
    told.send(Done { applied: Applied { sample: 0, what: fire(0), who: Who::Start }, plan }).unwrap();
    until("it is said", || keeping.trouble().is_some_and(|words| words.contains("it is unplugged")));
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
fn who_has_a_journal_no_longer_holds_it_whoever_has_a_copy_of_the_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("reed.journal");
    let (journal, _) = Journal::open(&path, PIECE).unwrap();
    // As every program has that is being started from this one, until it runs.
    let copy = journal.file.try_clone().unwrap();
    assert!(matches!(Journal::open(&path, PIECE), Err(JournalError::Held { .. })));
    drop(journal);
    assert!(Journal::open(&path, PIECE).is_ok(), "the lock has outlived who took it");
    drop(copy);
}

#[cfg(unix)]
#[test]
fn a_file_that_was_set_aside_after_it_was_opened_is_no_longer_the_journal() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("reed.journal");
    let open = || OpenOptions::new().read(true).append(true).create(true).open(&path).unwrap();
    let old = open();
    fs::rename(&path, folder.path().join("aside")).unwrap();
    assert!(Locked::of(old.try_clone().unwrap(), &path).unwrap().is_none(), "there is none of that name");
    let new = open();
    assert!(Locked::of(old, &path).unwrap().is_none(), "another has the name");
    assert!(Locked::of(new, &path).unwrap().is_some());
}

#[test]
fn a_run_that_is_just_ending_is_waited_for() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("reed.journal");
    let (first, _) = Journal::open(&path, PIECE).unwrap();
    let ending = std::thread::spawn(move || {
        std::thread::sleep(3 * PAUSE);
        drop(first);
    });
    assert!(Journal::open(&path, PIECE).is_ok(), "it ends in time");
    ending.join().unwrap();
}

#[test]
fn what_is_no_file_is_refused_in_words() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("file");
    fs::write(&file, "").unwrap();
    let open = |path: &Path| Journal::open(path, PIECE).err().unwrap();
    let (is_folder, is_under) = (open(folder.path()), open(&file.join("under-a-file")));
    assert!(matches!(is_folder, JournalError::NoFile { .. }), "{is_folder}");
    assert!(matches!(is_under, JournalError::File { .. }), "{is_under}");
    for why in [is_folder, is_under] {
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
        const INSIDE: &str = "TENTERHOOK_TEST_SMALL_DISK";
        assert!(std::env::var_os(INSIDE).is_none(), "no disk can be mounted, in a namespace of one's own neither");
        // Who is not root is it in a namespace of one's own (unshare(1), of util-linux).
        let own = std::process::Command::new("unshare")
            .args(["--user", "--map-root-user", "--mount"])
            .arg(std::env::current_exe().unwrap())
            .args(["--exact", "journal::tests::a_full_disk_is_said_and_once_there_is_room_it_goes_on"])
            .env(INSIDE, "1")
            .output();
        let passed = own.as_ref().is_ok_and(|own| String::from_utf8_lossy(&own.stdout).contains("1 passed"));
        if !passed && std::env::var_os("TENTERHOOK_MAY_SKIP").is_some() {
            return println!("SKIPPED: nobody may mount the small disk of this test");
        }
        assert!(
            passed,
            "the small disk of this test cannot be mounted: run it as root, or let it be skipped by TENTERHOOK_MAY_SKIP=1\n{own:?}"
        );
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
