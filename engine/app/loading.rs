//! Reading the composer's files.

use std::cell::RefCell;
use std::collections::{BTreeSet, HashMap};
use std::path::{Path, PathBuf};

use tenterhook_config::{Checked, Files, Gestures, Report, Severity, Text};
use tenterhook_io::reading::{most, read_bounded, read_file};
use tenterhook_plan::{Plan, Recording, SceneId};

use crate::failure::Failure;
use crate::say::{say, say_report};

/// How a log names its gestures while it is written.
const UNFINISHED_GESTURES: &str = "gestures.unfinished.csv";

/// A piece, and a hall if there is one, as they were read.
pub struct Loaded {
    pub piece: Text,
    pub hall: Option<Text>,
    pub checked: Checked,
    /// The files beside the piece that it names: how it names them, and where they lie.
    pub files: Vec<(String, PathBuf)>,
}

/// The bytes of a file, `most` at most; `-` is standard input.
fn bytes(path: &Path, most: u64) -> Result<Vec<u8>, Failure> {
    let read = match path.as_os_str() == "-" {
        true => read_bounded(std::io::stdin().lock(), Path::new("standard input"), most),
        false => read_file(path, most),
    };
    read.map_err(Failure::asked)
}

/// The beginnings of files that are no text, and what they are: WAV (RIFF, RF64), AIFF, FLAC, Ogg and MP3 by the
/// documents of these formats, Standard MIDI Files 1.0.
const KINDS: [(&[u8], &str); 8] = [
    (b"RIFF", "a sound"),
    (b"RF64", "a sound"),
    (b"FORM", "a sound"),
    (b"fLaC", "a sound"),
    (b"OggS", "a sound"),
    (b"ID3", "a sound"),
    (b"\xff\xfb", "a sound"),
    (b"MThd", "a Standard MIDI File"),
];

/// What is said of a file that should be text and begins as one of another kind.
fn other_kind(path: &Path, bytes: &[u8]) -> Option<String> {
    let (_, kind) = KINDS.iter().find(|(begins, _)| bytes.starts_with(begins))?;
    let name = name(path);
    let remedy = match *kind {
        "a sound" => format!("`tenterhook rehearse PIECE --mics {name}` plays a piece from it"),
        _ => format!("`tenterhook rehearse PIECE --mics WAV --gestures {name}` plays it"),
    };
    Some(format!("{name} is {kind}, and no piece or hall, which are text: name the piece; {remedy}"))
}

/// The name of a file in messages.
pub fn name(path: &Path) -> String {
    if path.as_os_str() == "-" { "standard input".to_owned() } else { path.display().to_string() }
}

/// The text of a file.
pub fn text(path: &Path) -> Result<Text, Failure> {
    let bytes = bytes(path, most::TEXT)?;
    if let Some(why) = other_kind(path, &bytes) {
        return Err(Failure::Asked(why));
    }
    match String::from_utf8(bytes) {
        Ok(text) => Ok(Text::new(name(path), text)),
        Err(why) => Err(Failure::Asked(format!(
            "{} is not text (byte {} is not UTF-8): save it as UTF-8",
            name(path),
            why.utf8_error().valid_up_to() + 1
        ))),
    }
}

/// The files that lie beside a piece. Each sound is read once, however many effects play it.
struct Beside {
    folder: PathBuf,
    sounds: RefCell<HashMap<String, Recording>>,
    texts: RefCell<HashMap<String, String>>,
    /// All that were asked for, read or not.
    named: RefCell<BTreeSet<String>>,
}

impl Beside {
    /// What lies beside a piece.
    fn of(piece: &Path) -> Self {
        let folder = piece.parent().unwrap_or(Path::new("")).to_owned();
        Self { folder, sounds: RefCell::default(), texts: RefCell::default(), named: RefCell::default() }
    }
}

impl Files for Beside {
    fn sound(&self, path: &str) -> Result<Recording, String> {
        self.named.borrow_mut().insert(path.to_owned());
        if let Some(known) = self.sounds.borrow().get(path) {
            return Ok(known.clone());
        }
        let file = self.folder.join(path);
        let read = tenterhook_io::read_sound(&file).map_err(|why| why.to_string())?;
        if let Some(caution) = tenterhook_io::sound_file_caution(&file) {
            say(format_args!("caution: {caution}"));
        }
        let sound = Recording { path: path.to_owned(), rate: read.rate, tuned: 1.0, samples: read.mono() };
        self.sounds.borrow_mut().insert(path.to_owned(), sound.clone());
        Ok(sound)
    }

    fn text(&self, path: &str) -> Result<String, String> {
        self.named.borrow_mut().insert(path.to_owned());
        if let Some(known) = self.texts.borrow().get(path) {
            return Ok(known.clone());
        }
        let bytes = read_file(&self.folder.join(path), most::TEXT).map_err(|why| why.to_string())?;
        let text = String::from_utf8(bytes).map_err(|_| "it is no text".to_owned())?;
        self.texts.borrow_mut().insert(path.to_owned(), text.clone());
        Ok(text)
    }
}

/// Reads and checks a piece in a hall. What it names lies beside it; beside a piece from standard input, in the folder
/// where the program runs.
pub fn piece(piece: &Path, hall: Option<&Path>) -> Result<Loaded, Failure> {
    attempt(piece, hall).0
}

/// The same; and whatever comes of it, where all the files lie that it depends on.
pub fn attempt(piece: &Path, hall: Option<&Path>) -> (Result<Loaded, Failure>, Vec<PathBuf>) {
    let beside = Beside::of(piece);
    let loaded = read(piece, hall, &beside);
    let own = [Some(piece), hall].into_iter().flatten().map(Path::to_owned);
    let named = beside.named.into_inner().into_iter().map(|name| beside.folder.join(name));
    (loaded, own.chain(named).collect())
}

fn read(piece: &Path, hall: Option<&Path>, beside: &Beside) -> Result<Loaded, Failure> {
    let piece = text(piece)?;
    let hall = hall.map(text).transpose()?;
    let checked = tenterhook_config::check_with(&piece, hall.as_ref(), beside).map_err(Failure::Files)?;
    let Beside { folder, sounds, texts, .. } = beside;
    let mut names: Vec<_> = sounds.borrow().keys().chain(texts.borrow().keys()).cloned().collect();
    names.sort();
    let files = names.into_iter().map(|name| (name.clone(), folder.join(name))).collect();
    Ok(Loaded { piece, hall, checked, files })
}

/// A piece that is tried in one text of a hall after another.
pub struct Trial {
    piece: Text,
    beside: Beside,
}

impl Trial {
    /// Reads the piece.
    pub fn of(piece: &Path) -> Result<Self, Failure> {
        Ok(Self::with(text(piece)?, piece))
    }

    /// Takes a piece that was read from `path`.
    pub fn with(piece: Text, path: &Path) -> Self {
        Self { piece, beside: Beside::of(path) }
    }

    /// What the piece means in a hall.
    pub fn check(&self, hall: &Text) -> Result<Checked, Report> {
        tenterhook_config::check_with(&self.piece, Some(hall), &self.beside)
    }
}

impl Loaded {
    /// Says the cautions on standard error.
    pub fn caution(&self) {
        if self.checked.cautions.count(Severity::Caution) > 0 {
            say_report(&self.checked.cautions);
        }
    }
}

/// Reads written gestures for a plan, saying what there is to be cautious about.
pub fn gestures(path: &Path, plan: &Plan) -> Result<Gestures, Failure> {
    let mut bytes = bytes(path, most::GESTURES)?;
    if path.file_name().is_some_and(|name| name == UNFINISHED_GESTURES) {
        // Its last line may have been cut anywhere: what is left of it would be another gesture.
        let whole = bytes.iter().rposition(|byte| *byte == b'\n').map_or(0, |end| end + 1);
        if whole < bytes.len() {
            say(format_args!("caution: the last line of {} was cut off and is left out", path.display()));
            bytes.truncate(whole);
        }
    }
    let gestures = tenterhook_config::gestures(&name(path), &bytes, plan).map_err(Failure::Files)?;
    if !gestures.cautions.is_empty() {
        say_report(&gestures.cautions);
    }
    Ok(gestures)
}

/// The gestures of a run that was kept in a folder, finished or not; `None`: there are none.
pub fn kept_gestures(take: &Path) -> Option<PathBuf> {
    ["gestures.csv", UNFINISHED_GESTURES].map(|name| take.join(name)).into_iter().find(|path| path.exists())
}

/// The scene with this rehearsal mark; the first if none is named.
pub fn scene(plan: &Plan, mark: Option<&str>) -> Result<SceneId, Failure> {
    let Some(mark) = mark else { return Ok(SceneId(0)) };
    plan.scene_marked(mark).ok_or_else(|| Failure::Asked(no_mark(plan, mark)))
}

/// What is said of a mark that the piece does not have.
pub fn no_mark(plan: &Plan, mark: &str) -> String {
    let marks: Vec<_> = plan.scenes.iter().map(|scene| format!("`{}`", scene.mark)).collect();
    format!("there is no mark `{mark}`: the piece has {}", marks.join(", "))
}

/// Whether two paths lead to one file.
pub fn is_same_file(one: &Path, other: &Path) -> bool {
    let real = |path: &Path| std::fs::canonicalize(path).ok();
    real(one).is_some_and(|one| real(other) == Some(one))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_counts_as_named_whether_or_not_it_can_be_read() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("bells.toml"), "partials = []").unwrap();
        let beside = Beside::of(&folder.path().join("piece.toml"));
        assert!(beside.text("bells.toml").is_ok());
        assert!(beside.text("gongs.toml").is_err() && beside.sound("drip.wav").is_err());
        assert_eq!(beside.named.into_inner().into_iter().collect::<Vec<_>>(), ["bells.toml", "drip.wav", "gongs.toml"]);
        assert_eq!(beside.texts.into_inner().len(), 1);
    }

    #[test]
    fn of_a_run_that_was_kept_the_finished_gestures_count() {
        let folder = tempfile::tempdir().unwrap();
        assert_eq!(kept_gestures(folder.path()), None);
        for name in [UNFINISHED_GESTURES, "gestures.csv"] {
            std::fs::write(folder.path().join(name), "").unwrap();
            assert_eq!(kept_gestures(folder.path()), Some(folder.path().join(name)));
        }
    }

    #[test]
    fn what_a_piece_depends_on_is_known_even_if_it_is_broken() {
        let folder = tempfile::tempdir().unwrap();
        let [piece, hall] = ["piece.toml", "hall.toml"].map(|name| folder.path().join(name));
        std::fs::write(&piece, "mics = 1").unwrap();
        let (loaded, files) = attempt(&piece, Some(&hall));
        assert!(loaded.is_err());
        assert_eq!(files, [piece, hall]);
    }
}
