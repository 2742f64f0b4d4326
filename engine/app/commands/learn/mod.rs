//! `learn`: listens until a pedal is pressed, and writes into the hall file by what it is reached.

mod address;
mod gesture;
mod hall;
mod live;

use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use crossterm::event::{self, Event, KeyCode, KeyEventKind, KeyModifiers};
use crossterm::terminal;
use serde_json::json;
use tenterhook_config::Text;
use tenterhook_io::Ears;
use tenterhook_io::place::{self, Over};

use crate::cli::Learn;
use crate::failure::Failure;
use crate::live::console;
use crate::live::stage;
use crate::loading::Trial;
use crate::say::{answer, say, say_raw, tell};
pub use live::{Lessons, Plays};

use address::{LearnRefused, Learned};
use gesture::{GestureWatch, Look, Worked};

/// How often what came is looked at.
const PAUSE: Duration = Duration::from_millis(20);

/// Listens, learns, writes.
pub fn run(asked: &Learn) -> Result<(), Failure> {
    let mut work = Lesson::new(&asked.piece, &asked.hall, &asked.controller)?;
    // A hall that is wrong already is not touched, and nobody need press anything to hear so.
    work.check()?;
    if work.controller() != asked.controller {
        say(format_args!("{} is like {}, which has the address of both.", asked.controller, work.controller()));
    }
    let ears = Ears::open(asked.osc).map_err(Failure::running)?;
    let end = stage::asked_to_end()?;
    let keys = Raw::enter();
    let mut told = LearnTold { as_json: asked.json, raw: keys.is_some(), ports: None };
    if let Err(why) = ears.osc() {
        told.say(&format!("caution: {why}. OSC cannot be learned now."));
    }
    if !ears.has_midi() {
        told.say("caution: there is no MIDI here: neither the system's own nor a JACK server");
    }
    told.say(&format!(
        "Learning {}: press the pedal and let it go, or move the wheel to its end and back. Ctrl-C ends without changing \
         anything.",
        work.controller()
    ));
    let begun = Instant::now();
    let mut watch = GestureWatch::default();
    let worked = loop {
        if stage::is_raised(&end) {
            told.say("Nothing was changed.");
            return Ok(());
        }
        told.listening(&ears);
        let now = || begun.elapsed().as_secs_f64();
        let mut next = ears.next(PAUSE);
        while let Some(heard) = next {
            watch.hear(&heard, now());
            next = ears.next(Duration::ZERO);
        }
        while keys.is_some() && event::poll(Duration::ZERO).unwrap_or(false) {
            let Ok(Event::Key(key)) = event::read() else { continue };
            if key.modifiers.contains(KeyModifiers::CONTROL) {
                if key.code == KeyCode::Char('c') {
                    told.say("Nothing was changed.");
                    return Ok(());
                }
            } else if key.kind == KeyEventKind::Press {
                console::name(key.code).into_iter().for_each(|name| watch.key(name));
            }
        }
        match watch.look(now()) {
            Look::Nothing => {}
            Look::Hint(words) => told.hint(&words),
            Look::Clear(worked, caution) => {
                caution.iter().for_each(|words| told.say(&format!("caution: {words}")));
                break worked;
            }
        }
    };
    drop(keys);
    let learned = work.learn(&worked)?;
    let line = hall::line(work.controller(), &learned.entries);
    if asked.json {
        tell(json!({ "event": "learned", "controller": work.controller(), "hall": asked.hall, "line": line }));
    } else {
        answer(&line)?;
        say(format_args!("That is written in {} now.", asked.hall.display()));
    }
    Ok(())
}

/// What is to be learned, and where it is to be written.
pub struct Lesson {
    trial: Trial,
    hall: PathBuf,
    controller: String,
}

impl Lesson {
    /// Of a controller of a piece, in a hall file that need not be there yet.
    pub fn new(piece: &Path, hall: &Path, controller: &str) -> Result<Self, Failure> {
        Self::with(Trial::of(piece)?, hall, controller)
    }

    /// The same, of a piece that has been read.
    fn with(trial: Trial, hall: &Path, controller: &str) -> Result<Self, Failure> {
        if hall.as_os_str() == "-" {
            return Err(Failure::asked("what is learned is written into a hall file: name one with --hall"));
        }
        Ok(Self { trial, hall: hall.to_owned(), controller: controller.to_owned() })
    }

    fn text(&self) -> Result<Text, Failure> {
        hall_text(&self.hall)
    }

    /// The controller whose address is learned.
    pub fn controller(&self) -> &str {
        &self.controller
    }

    /// Whether piece and hall are right as they are, and the controller can be learned; in the place of one that is like
    /// another, that one is.
    pub fn check(&mut self) -> Result<(), Failure> {
        let plan = self.trial.check(&self.text()?).map_err(Failure::Files)?.plan;
        if let Some(known) = plan.controllers.iter().find(|controller| controller.name == self.controller) {
            if let Some(like) = known.like {
                self.controller = plan.controllers[like.index()].name.clone();
            }
            return Ok(());
        }
        let names: Vec<_> = plan.controllers.iter().map(|controller| format!("`{}`", controller.name)).collect();
        let has = if names.is_empty() { "none".to_owned() } else { names.join(", ") };
        Err(Failure::Asked(format!("the piece has no controller `{}`: it has {has}", self.controller)))
    }

    /// Writes what was learned into the hall file, checked before it has the file's name.
    pub fn learn(&self, worked: &Worked) -> Result<Learned, Failure> {
        let text = self.text()?;
        let check = |hall: &str| self.trial.check(&Text::new(text.name.clone(), hall));
        let learned = match address::write(&text.text, &self.controller, worked, check) {
            Ok(learned) => learned,
            Err(LearnRefused::Wrong(report)) => return Err(Failure::Files(report)),
            Err(LearnRefused::Said(why)) => return Err(Failure::Asked(format!("{}: {why}", text.name))),
        };
        save_hall(&self.hall, &learned.text)?;
        Ok(learned)
    }
}

/// A hall as it is written now; empty if there is none.
fn hall_text(hall: &Path) -> Result<Text, Failure> {
    match hall.try_exists() {
        Ok(false) => Ok(Text::new(hall.display().to_string(), String::new())),
        _ => crate::loading::text(hall),
    }
}

/// Changes a hall file, which is right before and checked before it has the file's name again.
fn change_hall(trial: &Trial, hall: &Path, change: impl FnOnce(&str) -> Result<String, String>) -> Result<(), Failure> {
    let text = hall_text(hall)?;
    trial.check(&text).map_err(Failure::Files)?;
    let changed = change(&text.text).map_err(|why| Failure::Asked(format!("{}: {why}", text.name)))?;
    trial.check(&Text::new(text.name, changed.as_str())).map_err(Failure::Files)?;
    save_hall(hall, &changed)
}

fn save_hall(hall: &Path, text: &str) -> Result<(), Failure> {
    save(hall, text).map_err(|why| {
        Failure::Asked(format!(
            "cannot write {} ({why}): see that it may be written to, and that its disk has room",
            hall.display()
        ))
    })
}

/// Writes a file that is whole before it has its name. What was there may be a link, and may be for some eyes only.
fn save(path: &Path, text: &str) -> std::io::Result<()> {
    // In place of the hall, which is meant; where there was none, of nothing.
    let over = Over::said(path.exists());
    let path = if path.exists() { path.canonicalize()? } else { path.to_owned() };
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut file = tempfile::Builder::new().prefix(".unfinished-").tempfile_in(folder)?;
    file.write_all(text.as_bytes())?;
    file.as_file().sync_all()?;
    let mode = match path.metadata() {
        Ok(there) => Some(there.permissions()),
        Err(_) => fresh_permissions(),
    };
    if let Some(mode) = mode {
        file.as_file().set_permissions(mode)?;
    }
    place::take(file.path(), &path, over)
}

/// What a file of text is for that was not there; a temporary file is for its owner only.
fn fresh_permissions() -> Option<std::fs::Permissions> {
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        Some(std::fs::Permissions::from_mode(0o644))
    }
    #[cfg(not(unix))]
    None
}

/// What is told meanwhile.
struct LearnTold {
    as_json: bool,
    /// The terminal does not go back to the line's beginning by itself.
    raw: bool,
    ports: Option<Vec<String>>,
}

impl LearnTold {
    fn say(&self, words: &str) {
        if self.raw { say_raw(words) } else { say(words) }
    }

    fn hint(&self, words: &str) {
        self.say(&format!("Not clear yet: {words}."));
        if self.as_json {
            tell(json!({ "event": "hint", "words": words }));
        }
    }

    /// Tells which ports are listened to, when these are others.
    fn listening(&mut self, ears: &Ears) {
        let ports = ears.ports();
        if self.ports.as_ref() == Some(&ports) {
            return;
        }
        let osc = ears.osc().as_ref().ok().map(ToString::to_string);
        if self.as_json {
            tell(json!({ "event": "listening", "midi": ports, "osc": osc }));
        } else {
            let osc = osc.map_or_else(String::new, |address| format!("OSC on {address}, "));
            let midi = if ports.is_empty() { "no MIDI port".to_owned() } else { ports.join(", ") };
            self.say(&format!("Listening: {osc}{midi}."));
        }
        self.ports = Some(ports);
    }
}

/// The terminal, key by key.
struct Raw;

impl Raw {
    fn enter() -> Option<Self> {
        let terminals = std::io::stdin().is_terminal() && std::io::stderr().is_terminal();
        (terminals && terminal::enable_raw_mode().is_ok()).then_some(Raw)
    }
}

impl Drop for Raw {
    fn drop(&mut self) {
        let _ = terminal::disable_raw_mode();
    }
}

#[cfg(all(test, unix))]
mod tests {
    use std::fs::{self, Permissions};
    use std::os::unix::fs::{PermissionsExt, symlink};

    use super::save;

    #[test]
    fn a_hall_that_is_a_link_or_for_some_eyes_only_stays_so() {
        let folder = tempfile::tempdir().unwrap();
        let [hall, link, new] = ["hall.toml", "link.toml", "new.toml"].map(|name| folder.path().join(name));
        fs::write(&hall, "old").unwrap();
        fs::set_permissions(&hall, Permissions::from_mode(0o640)).unwrap();
        symlink("hall.toml", &link).unwrap();
        save(&link, "learned").unwrap();
        assert_eq!((fs::read_to_string(&hall).unwrap().as_str(), link.is_symlink()), ("learned", true));
        let mode = |path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
        assert_eq!(mode(&hall), 0o640);
        // One that was not there is a file of text like any other.
        save(&new, "learned").unwrap();
        assert_eq!((fs::read_to_string(&new).unwrap().as_str(), mode(&new)), ("learned", 0o644));
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 3, "nothing is left beside them");
    }
}
