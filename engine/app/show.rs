//! What is shown while a piece plays, the status line on a terminal or lines of JSON; and what happens between the files
//! of the piece and the run.

use std::sync::Arc;
use std::time::{Duration, Instant};

use serde_json::json;
use tenterhook_config::Host;
use tenterhook_io::{Keeping, Load, Snapshot, checksum};
use tenterhook_plan::condition::{Condition, Conditions, Topic, Turn};
use tenterhook_plan::{Plan, SceneId};

use crate::change::Change;
use crate::conditions::{Finder, Look};
use crate::console::{self, Console};
use crate::failure::{Failure, colour};
use crate::follow::{Follow, News};
use crate::learn::Lessons;
use crate::loading::Loaded;
use crate::resume::Beginning;
use crate::say::{event, said, tell};
use crate::stage::Stage;
use crate::words;

/// What comes again and again by itself is said on the terminal at most as often as this.
const AGAIN: Duration = Duration::from_secs(60);

/// What is shown while a piece plays.
pub struct Show {
    /// The piece in force.
    plan: Arc<Plan>,
    console: Console,
    as_json: bool,
    begun: bool,
    scene: Option<(SceneId, u64)>,
    follow: Option<Follow>,
    /// The host that was asked for by an option.
    host: Option<Host>,
    /// A version that waits until another has taken over.
    waiting: Option<Box<Loaded>>,
    /// Why what was saved last does not play.
    broken: Option<String>,
    journal: Option<Keeping>,
    /// Why no journal is kept, though one was wanted.
    no_journal: Option<String>,
    taken_up: Option<String>,
    finder: Finder,
    /// What was told of last, and when each was told on the terminal.
    told: Arc<Conditions>,
    lines: Vec<(Condition, Instant)>,
    lessons: Option<Lessons>,
    /// What was learned, and waits until another version has taken over.
    learned: Option<Box<Loaded>>,
}

impl Show {
    /// Takes the terminal over.
    pub fn new(plan: &Plan, as_json: bool) -> Self {
        let console = Console::open(plan);
        Self {
            plan: Arc::new(plan.clone()),
            console,
            as_json,
            begun: false,
            scene: None,
            follow: None,
            host: None,
            waiting: None,
            broken: None,
            journal: None,
            no_journal: None,
            taken_up: None,
            finder: Finder::default(),
            told: Arc::default(),
            lines: Vec::new(),
            lessons: None,
            learned: None,
        }
    }

    /// Lets what is saved take over.
    pub fn following(self, follow: Option<Follow>, host: Option<Host>) -> Self {
        Self { follow, host, ..self }
    }

    /// Tells of the journal: how the run begins by it, and whether it is kept.
    pub fn kept(self, journal: Option<Keeping>, beginning: Beginning) -> Self {
        let Beginning { taken_up, trouble, .. } = beginning;
        Self { journal, taken_up, no_journal: trouble, ..self }
    }

    /// Lets controllers be learned from the page.
    pub fn learning(self, lessons: Lessons) -> Self {
        Self { lessons: Some(lessons), ..self }
    }

    /// Gives the terminal back, and the journal.
    pub fn close(self) -> Option<Keeping> {
        self.journal
    }

    /// Waits a moment, does what the keys ask, shows how things are.
    pub fn turn(&mut self, stage: &Stage) -> console::Asked {
        let snapshot = stage.snapshot();
        let Some(events) = stage.events() else { return console::Asked::End };
        let asked = self.console.turn(&self.plan, &snapshot, &events.of(&self.plan));
        self.follow(stage);
        self.learn(stage);
        let (snapshot, load) = (stage.snapshot(), stage.load());
        if let Some(plan) = snapshot.plan.as_ref().filter(|plan| !Arc::ptr_eq(plan, &self.plan)) {
            // The snapshot has its own copy of the first.
            if **plan != *self.plan {
                self.console.change(plan);
                self.console.print("What was saved has taken over.");
                event("changed", json!(null));
            }
            self.plan = Arc::clone(plan);
        }
        if self.as_json {
            self.tell(stage, snapshot.scene);
        }
        self.look(stage, &snapshot, &load);
        let facts = stage.facts();
        self.console.show(&console::status(&self.plan, &snapshot, &load, facts.rate));
        asked
    }

    /// Looks what one must know, and tells what is new of it.
    fn look(&mut self, stage: &Stage, snapshot: &Snapshot, load: &Load) {
        let standing = stage.standing();
        let kept = self.journal.as_ref();
        let conditions = self.finder.find(&Look {
            facts: stage.facts(),
            rehearsal: stage.is_rehearsal(),
            plan: &self.plan,
            snapshot,
            load,
            standing: &standing,
            log: stage.log_trouble(),
            piece: self.broken.as_deref(),
            journal: self.no_journal.clone().or_else(|| kept.and_then(Keeping::trouble)),
            taken_up: self.taken_up.as_deref(),
            gone_ports: &stage.gone_ports(),
            unheard: stage.unheard(),
            unreached: stage.unreached(),
            senseless: stage.senseless(),
        });
        stage.say(|page| page.conditions = Some(Arc::clone(&conditions)));
        // Programs are told first that the run has begun, unless it does not.
        let silent = |one: &Condition| matches!(one.topic, Topic::DeviceStill { .. } | Topic::DeviceGone { .. });
        if self.as_json && !self.begun && !conditions.iter().any(silent) {
            return;
        }
        let before = std::mem::replace(&mut self.told, Arc::clone(&conditions));
        for turn in conditions.turns(&before) {
            match turn {
                Turn::Came(one) | Turn::Changed(one) => {
                    if let (Topic::DeviceGone { why, .. }, Turn::Came(_)) = (&one.topic, turn) {
                        event("gone", json!(why));
                    }
                    self.line(one);
                    self.condition(one, true, &words::of(one));
                }
                Turn::Went(one) => {
                    let seconds = load.frames.saturating_sub(one.since) as f64 / f64::from(stage.facts().rate);
                    match one.topic {
                        Topic::DeviceGone { .. } => event("back", json!(standing.device.words)),
                        Topic::PieceBroken { .. } => event("mended", json!(null)),
                        _ => {}
                    }
                    let words = words::gone(one, seconds, &standing.device.words);
                    if let Some(words) = &words {
                        self.console.print(words);
                    }
                    self.condition(one, false, words.as_deref().unwrap_or_default());
                }
            }
        }
    }

    /// Says on the terminal that a condition has come. One that comes again and again by itself is not said each time.
    fn line(&mut self, one: &Condition) {
        let Some(line) = words::line(one) else { return };
        self.lines.retain(|(_, at)| at.elapsed() < AGAIN);
        let passes = words::gone(one, 0.0, "").is_none();
        if passes && self.lines.iter().any(|(told, _)| told.is(one)) {
            return;
        }
        self.lines.push((one.clone(), Instant::now()));
        self.console.print(&line);
    }

    /// Tells programs of a condition.
    fn condition(&self, one: &Condition, holds: bool, words: &str) {
        if self.as_json {
            tell(json!({
                "event": "condition", "topic": one.topic.name(), "subject": one.subject, "grave": one.grave,
                "holds": holds, "since": one.since, "text": words,
            }));
        }
    }

    /// Looks whether something was saved.
    fn follow(&mut self, stage: &Stage) {
        let Some(follow) = &self.follow else { return };
        match follow.news() {
            Some(News::Whole(loaded)) => self.waiting = Some(loaded),
            Some(News::Broken(failure)) => {
                self.waiting = None;
                self.refuse(&failure);
            }
            None => {}
        }
        let Some(loaded) = self.waiting.take() else { return };
        match stage.change(&loaded, self.host) {
            Ok(Change::Busy) => self.waiting = Some(loaded),
            Ok(change) => {
                self.broken = None;
                self.take_over(stage, &loaded, change);
            }
            Err(failure) => self.refuse(&failure),
        }
    }

    /// Listens to what is to be learned, and lets what was learned take over.
    fn learn(&mut self, stage: &Stage) {
        let Some(lessons) = &mut self.lessons else { return };
        // What waits came first.
        let learned = self.learned.take().or_else(|| lessons.turn(stage));
        let Some(loaded) = learned else { return };
        match stage.change(&loaded, self.host) {
            Ok(Change::Busy) => self.learned = Some(loaded),
            Ok(change) => {
                lessons.plays.hall.clone_from(&loaded.hall);
                self.take_over(stage, &loaded, change);
            }
            Err(failure) => lessons.refused(&failure),
        }
    }

    fn take_over(&mut self, stage: &Stage, loaded: &Loaded, change: Change) {
        if let Some(journal) = &self.journal {
            journal.change(&Arc::new(loaded.checked.plan.clone()), checksum(loaded.piece.text.as_bytes()));
        }
        if change != Change::Coming {
            return;
        }
        if !loaded.checked.cautions.is_empty() {
            self.console.report(&loaded.checked.cautions.render(colour()));
            said(&loaded.checked.cautions.render(false));
        }
        match stage.keep(loaded) {
            Ok(None) => {}
            Ok(Some(name)) => self.console.tell(&format!(
                "caution: the log began with another version, and `rehearse --take` plays that; this one is kept in it as {name}"
            )),
            Err(why) => self.console.tell(&format!("caution: this version is not kept in the log: {why}")),
        }
    }

    fn refuse(&mut self, failure: &Failure) {
        self.console.report(&failure.render());
        self.broken = Some(failure.brief());
        event("broken", failure.found());
    }

    fn tell(&mut self, stage: &Stage, scene: Option<(SceneId, u64)>) {
        let facts = stage.facts();
        // Under JACK the first block says which of the server's frames is the engine's first.
        let standing = stage.standing();
        let known = facts.host != Host::Jack || standing.origin.is_some() || standing.losses > 0;
        if !self.begun && known && stage.load().blocks > 0 {
            self.begun = true;
            tell(json!({
                "event": "started", "host": facts.host.to_string(), "rate": facts.rate, "block": facts.block,
                "device": facts.words, "server_frame": standing.origin, "page": stage.page(),
                "taken_up": self.taken_up, "osc": stage.osc(), "log": stage.log().map(|log| log.display().to_string()),
            }));
        }
        if self.begun && scene != self.scene {
            self.scene = scene;
            if let Some((id, sample)) = scene {
                tell(json!({ "event": "scene", "mark": self.plan.scenes[id.index()].mark, "sample": sample }));
            }
        }
    }
}
