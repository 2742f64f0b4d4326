//! Writing the hall file from the page, while a piece plays: what is learned, and the levels of effects, go into the file
//! that the run was started with, and act at once.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use crossbeam_channel::Receiver;
use tenterhook_config::Text;
use tenterhook_io::Ears;
use tenterhook_page::HallWish;
use tenterhook_plan::EngineState;
use tenterhook_plan::run_state::Learning;

use super::Lesson;
use super::gesture::{GestureWatch, Look};
use super::hall;
use crate::failure::Failure;
use crate::live::stage::Stage;
use crate::loading::{Loaded, Trial};

/// Seconds after which nobody is believed to press anything any more.
const PATIENCE: Duration = Duration::from_secs(60);
/// For how long it is said what came of it.
const SAID: Duration = Duration::from_secs(30);

const AWAY: &str = "the device has gone and nothing was changed: learn it when the device is back";

/// What is learned during a run.
pub struct Lessons {
    /// What the page asks for.
    pub asks: Receiver<HallWish>,
    /// The piece, and the hall file if there is one.
    pub piece: PathBuf,
    pub hall: Option<PathBuf>,
    /// The files that the run looks at by itself: then it takes over by itself what is learned.
    pub follows: bool,
    /// Where OSC is listened for.
    pub osc: SocketAddr,
    /// What plays.
    pub plays: Plays,
    pub present: Option<Present>,
    /// What came of the last, until then.
    pub said: Option<(Learning, Instant)>,
    /// What came of the last levels, until then.
    pub kept: Option<(Arc<str>, Instant)>,
}

/// The version of the piece that plays, where files are not followed: what was saved meanwhile must not come with it.
pub struct Plays {
    pub piece: Text,
    pub hall: Option<Text>,
    pub files: Vec<(String, PathBuf)>,
}

/// What is being learned.
pub struct Present {
    controller: String,
    lesson: Lesson,
    ears: Ears,
    watch: GestureWatch,
    begun: Instant,
    text: String,
}

impl Lessons {
    /// Listens a moment. What was learned, if that must be handed over to take over.
    pub fn turn(&mut self, stage: &Stage) -> Option<Box<Loaded>> {
        while let Ok(asked) = self.asks.try_recv() {
            let controller = match asked {
                HallWish::Levels => {
                    if let Some(loaded) = self.keep_levels(stage) {
                        return Some(loaded);
                    }
                    continue;
                }
                HallWish::Learn(controller) => controller,
            };
            (self.present, self.said) = (None, None);
            if let Some(controller) = controller {
                match self.begin(stage, &controller) {
                    Ok(present) => self.present = Some(present),
                    Err(failure) => self.say(&controller, failure.brief()),
                }
            }
        }
        // Ears are clients of the JACK server as well: as long as one is there its library does not let go of a server that
        // has ended, and the next could not be joined soundly.
        if stage.standing().away.is_some()
            && let Some(Present { controller, .. }) = self.present.take()
        {
            self.say(&controller, AWAY.to_owned());
        }
        let come = self.listen();
        self.said.take_if(|(_, until)| Instant::now() >= *until);
        self.kept.take_if(|(_, until)| Instant::now() >= *until);
        come
    }

    /// How learning stands.
    pub fn learning(&self) -> Option<Learning> {
        let listens = |Present { controller, text, .. }: &Present| Learning {
            controller: controller.clone(),
            listens: true,
            text: text.clone(),
        };
        self.present.as_ref().map(listens).or_else(|| self.said.as_ref().map(|(learning, _)| learning.clone()))
    }

    /// Says what came of it.
    pub fn say(&mut self, controller: &str, text: String) {
        let learning = Learning { controller: controller.to_owned(), listens: false, text };
        self.said = Some((learning, Instant::now() + SAID));
    }

    /// What was learned cannot take over while this runs.
    pub fn refused(&mut self, failure: &Failure) {
        let later = format!(" It acts from the next start on: {}", failure.brief());
        if let Some((learning, _)) = &mut self.said {
            learning.text += &later;
        } else if let Some((text, _)) = &mut self.kept {
            *text = format!("{text}{later}").into();
        }
    }

    /// What came of levels that were to be written.
    pub fn kept(&self) -> Option<Arc<str>> {
        self.kept.as_ref().map(|(text, _)| Arc::clone(text))
    }

    /// Writes the levels of effects that are not what the hall says into the hall file. What was written, if that must be
    /// handed over, so that page and engine know what the hall says now.
    fn keep_levels(&mut self, stage: &Stage) -> Option<Box<Loaded>> {
        let mut come = None;
        let text = match self.write_levels(&stage.engine()) {
            Ok(levels) if levels.is_empty() => "Nothing to write: the hall says what is heard.".to_owned(),
            Ok(levels) => {
                let lines: Vec<_> = levels.iter().map(hall::level_line).collect();
                let mut text = format!("Written in the hall file: {}.", lines.join(", "));
                if !self.follows {
                    match self.plays.with(&self.piece, |text| hall::with_levels(text, &levels)) {
                        Ok(loaded) => come = Some(loaded),
                        Err(failure) => text += &format!(" It acts from the next start on: {}", failure.brief()),
                    }
                }
                text
            }
            Err(failure) => failure.brief(),
        };
        self.kept = Some((text.into(), Instant::now() + SAID));
        come
    }

    fn write_levels(&self, state: &EngineState) -> Result<Vec<hall::Level>, Failure> {
        let file = self.hall.as_ref().ok_or_else(|| {
            Failure::asked("levels are written into a hall file: start the program with --hall FILE for that")
        })?;
        let plan = &state.plan;
        let stands = plan.trims.iter().zip(&state.trims_db).map(|(trim, &db)| hall::Level {
            owner: plan.owner_name(trim.owner).to_owned(),
            key: trim.key.clone(),
            tenths: hall::tenths(db),
            said: hall::tenths(trim.db),
        });
        let levels: Vec<_> = stands.filter(|level| level.tenths != level.said).collect();
        if levels.is_empty() {
            return Ok(levels);
        }
        let trial =
            if self.follows { Trial::of(&self.piece)? } else { Trial::with(self.plays.piece.clone(), &self.piece) };
        super::change_hall(&trial, file, |text| hall::with_levels(text, &levels))?;
        Ok(levels)
    }

    fn begin(&self, stage: &Stage, controller: &str) -> Result<Present, Failure> {
        if stage.standing().away.is_some() {
            return Err(Failure::asked(AWAY));
        }
        let hall = self.hall.as_ref().ok_or_else(|| {
            Failure::asked("what is learned is written into a hall file: start the program with --hall FILE for that")
        })?;
        let trial = Trial::with(self.plays.piece.clone(), &self.piece);
        let trial = if self.follows { Trial::of(&self.piece)? } else { trial };
        let mut lesson = Lesson::with(trial, hall, controller)?;
        lesson.check()?;
        let ears = stage.ears(self.osc)?;
        Ok(Present {
            controller: lesson.controller().to_owned(),
            lesson,
            ears,
            watch: GestureWatch::default(),
            begun: Instant::now(),
            text: "Press the pedal and let it go, or move the wheel to its end and back.".to_owned(),
        })
    }

    fn listen(&mut self) -> Option<Box<Loaded>> {
        let present = self.present.as_mut()?;
        let now = || present.begun.elapsed();
        while let Some(heard) = present.ears.next(Duration::ZERO) {
            present.watch.hear(&heard, now().as_secs_f64());
        }
        let (worked, caution) = match present.watch.look(now().as_secs_f64()) {
            Look::Clear(worked, caution) => (worked, caution),
            Look::Hint(words) => {
                present.text = format!("Not clear yet: {words}.");
                return None;
            }
            Look::Nothing => {
                if now() > PATIENCE {
                    let controller = std::mem::take(&mut present.controller);
                    self.present = None;
                    self.say(&controller, "Nothing was worked for a minute, and nothing was changed.".to_owned());
                }
                return None;
            }
        };
        // The ears go first: they may hold the place at which the changed piece will listen for OSC.
        let Present { controller, lesson, .. } = self.present.take()?;
        let entries = match lesson.learn(&worked) {
            Ok(learned) => learned.entries,
            Err(failure) => {
                self.say(&controller, failure.brief());
                return None;
            }
        };
        let caution = caution.map_or_else(String::new, |words| format!(" Caution: {words}."));
        let line = hall::line(&controller, &entries);
        self.say(&controller, format!("Written in the hall file: {line}.{caution}"));
        if self.follows {
            return None;
        }
        match self.plays.with(&self.piece, |text| hall::with_address(text, &controller, &entries)) {
            Ok(loaded) => Some(loaded),
            Err(failure) => {
                self.refused(&failure);
                None
            }
        }
    }
}

impl Plays {
    /// The same version, with what was written into the hall file.
    fn with(
        &self,
        piece: &std::path::Path,
        change: impl FnOnce(&str) -> Result<String, String>,
    ) -> Result<Box<Loaded>, Failure> {
        let (name, text) = self.hall.as_ref().map_or(("hall", ""), |hall| (hall.name.as_str(), hall.text.as_str()));
        let hall = Text::new(name, change(text).map_err(Failure::Asked)?);
        let checked = Trial::with(self.piece.clone(), piece).check(&hall).map_err(Failure::Files)?;
        Ok(Box::new(Loaded { piece: self.piece.clone(), hall: Some(hall), checked, files: self.files.clone() }))
    }
}
