//! A run that broke off, taken up again from its journal. Whatever is wrong with that, the show begins.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crossbeam_channel::Sender;
use etcetera::BaseStrategy;
use tenterhook_io::{Done, Hub, Interrupted, Journal, JournalError, Keeping, checksum};
use tenterhook_plan::{Gesture, LEAST_TRIM_DB, MicId, OutputId, Plan, SceneId, TrimId, Who};

use crate::cli::JournalOptions;
use crate::failure::Failure;
use crate::loading::{self, Loaded, is_same_file};
use crate::say::{count, say};

/// How a run begins.
pub struct Beginning {
    pub from: SceneId,
    /// Who chose that scene.
    pub by: Who,
    /// What stood otherwise than at a beginning.
    pub gestures: Vec<Gesture>,
    /// That a run was taken up again, and how.
    pub taken_up: Option<String>,
    /// Why no journal is kept, though one is wanted.
    pub trouble: Option<String>,
    journal: Option<Journal>,
}

impl Beginning {
    /// The beginning of a run of the piece at `path`, in the scene `from` if one is asked for. What was named as a journal
    /// and is something else is refused.
    pub fn of(
        options: &JournalOptions,
        path: &Path,
        loaded: &Loaded,
        hall: Option<&Path>,
        from: Option<SceneId>,
    ) -> Result<Self, Failure> {
        let mut beginning = Self {
            from: from.unwrap_or(SceneId(0)),
            by: Who::Start,
            gestures: Vec::new(),
            taken_up: None,
            trouble: None,
            journal: None,
        };
        let from_stdin = path.as_os_str() == "-";
        if options.no_journal || from_stdin && options.journal.is_none() {
            return Ok(beginning);
        }
        let real = if from_stdin { None } else { std::fs::canonicalize(path).ok() };
        let name = real.map_or_else(|| loading::name(path), |path| path.display().to_string());
        let Some(file) = options.journal.clone().or_else(|| default_path(Path::new(&name))) else {
            beginning.trouble =
                Some("no journal is kept: there is no home folder; name a file with --journal".to_owned());
            return Ok(beginning);
        };
        let read = [Some(path), hall].into_iter().flatten();
        if read.chain(loaded.files.iter().map(|(_, file)| file.as_path())).any(|read| is_same_file(read, &file)) {
            return Err(Failure::Asked(format!(
                "{} is what is played: name another file with --journal, or leave that out",
                file.display()
            )));
        }
        let opened = match &options.journal {
            Some(_) => Journal::open(&file, &name),
            None => Journal::open_at_own_place(&file, &name),
        };
        let (journal, found) = match opened {
            Ok(opened) => opened,
            Err(why @ (JournalError::Foreign { .. } | JournalError::NoFile { .. })) if options.journal.is_some() => {
                return Err(Failure::asked(why));
            }
            Err(why) => {
                beginning.trouble = Some(format!("no journal is kept: {why}"));
                return Ok(beginning);
            }
        };
        beginning.journal = Some(journal);
        if let Some(aside) = &found.set_aside {
            let aside = aside.display();
            say(format_args!(
                "caution: the journal {} was damaged: it is now {aside}, and a new one begins",
                file.display()
            ));
        }
        if found.damaged > 0 {
            let lines = count(found.damaged as u64, "line");
            say(format_args!("caution: {lines} of the journal {} left out: cut off or damaged", file.display()));
        }
        if let Some(version) = found.later {
            say(format_args!(
                "caution: nothing is taken up from the journal {}: a later version of this program wrote it (version {version})",
                file.display()
            ));
        }
        if let Some(interrupted) = found.interrupted.filter(|_| !options.fresh) {
            beginning.take_up(&interrupted, loaded, from);
        }
        Ok(beginning)
    }

    fn take_up(&mut self, was: &Interrupted, loaded: &Loaded, from: Option<SceneId>) {
        let plan = &loaded.checked.plan;
        (self.from, self.by) = from.map_or_else(|| (was.scene(plan), Who::Journal), |from| (from, Who::Start));
        let mics = plan.mics.iter().enumerate().filter(|(_, mic)| was.muted.contains(&mic.name));
        let mutes: Vec<_> = mics.map(|(index, _)| Gesture::Mute { mic: MicId::new(index), muted: true }).collect();
        let all = (was.level_db != 0.0).then_some(("all outputs", None, was.level_db));
        let each = plan.outputs.iter().enumerate().filter_map(|(index, output)| {
            Some((output.name.as_str(), Some(OutputId::new(index)), *was.levels_db.get(&output.name)?))
        });
        let levels: Vec<_> = all.into_iter().chain(each).collect();
        let said: Vec<_> = levels.iter().map(|(name, _, db)| format!("{name} {}", stood(*db))).collect();
        let trims = plan.trims.iter().enumerate().filter_map(|(index, trim)| {
            let db = *was.trims_db.get(plan.owner_name(trim.owner))?.get(&trim.key)?;
            // Never above 0 dB, nor above what the hall says where that is more: nobody may be at the desk.
            Some((plan.trim_name(trim), TrimId::new(index), db.clamp(LEAST_TRIM_DB, trim.db.max(0.0))))
        });
        let trims: Vec<_> = trims.collect();
        let said = said.into_iter().chain(trims.iter().map(|(name, _, db)| format!("{name} {db} dB")));
        let said: Vec<_> = said.collect();
        let mark = &plan.scenes[self.from.index()].mark;
        let mut words = format!("Taken up again at {mark} after an end that nobody asked for.");
        if from.is_none() && *mark != was.mark {
            words += &format!(" {} is no longer in the piece.", was.mark);
        }
        if was.crc != checksum(loaded.piece.text.as_bytes()) {
            words += " The piece has changed since.";
        }
        if !mutes.is_empty() {
            words += &format!(" {} as before.", are_muted(mutes.len()));
        }
        if !said.is_empty() {
            words += &format!(" Levels: {}.", said.join(", "));
        }
        if was.hushed {
            words += " It is hushed, as it was.";
        }
        // Hushed it begins in silence, which is the safe thing after whatever has happened.
        let levels = levels.into_iter().map(|(_, output, db)| Gesture::Level { output, db: restored(db) });
        let trims = trims.into_iter().map(|(_, trim, db)| Gesture::Trim { trim, db });
        self.gestures =
            mutes.into_iter().chain(levels).chain(trims).chain(was.hushed.then_some(Gesture::Hush(true))).collect();
        self.taken_up = Some(words);
    }

    /// Begins to keep the journal; the other end is for whoever tells what is applied.
    pub fn keep(&mut self, plan: &Plan, loaded: &Loaded) -> (Option<Keeping>, Option<Sender<Done>>) {
        let Some(journal) = self.journal.take() else { return (None, None) };
        let (told, heard) = Hub::subscription();
        let crc = checksum(loaded.piece.text.as_bytes());
        match journal.begin(&Arc::new(plan.clone()), crc, self.taken_up.is_none(), heard) {
            Ok(keeping) => (Some(keeping), Some(told)),
            Err(why) => {
                self.trouble = Some(format!("no journal is kept: {why}"));
                (None, None)
            }
        }
    }
}

/// The level at which an output begins again, in dB: never above 0, wherever it stood. Nobody may be at the desk.
fn restored(db: f32) -> f32 {
    db.min(0.0)
}

fn stood(db: f32) -> String {
    let restored = restored(db);
    let was = if db < 1e4 { format!("{db:+}") } else { format!("{db:+e}") };
    if restored == db { format!("{db} dB") } else { format!("{restored} dB (it stood at {was} dB)") }
}

fn are_muted(mics: usize) -> String {
    if mics == 1 { "1 mic is muted".to_owned() } else { format!("{mics} mics are muted") }
}

/// Where the journal of a piece is unless one says otherwise: in the folder of the user's state, by the piece's own name
/// and what tells its whole path from others. `None`: the user has no home.
fn default_path(piece: &Path) -> Option<PathBuf> {
    let base = etcetera::choose_base_strategy().ok()?;
    let folder = base.state_dir().unwrap_or_else(|| base.data_dir()).join("tenterhook").join("journals");
    let stem = piece.file_stem().map_or_else(|| "piece".into(), |stem| stem.to_string_lossy());
    Some(folder.join(format!("{stem}-{:08x}.journal", checksum(piece.as_os_str().as_encoded_bytes()))))
}
