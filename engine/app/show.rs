//! What is shown while a piece plays, the status line on a terminal or lines of JSON; and what happens between the files
//! of the piece and the run.

use std::sync::Arc;

use serde_json::json;
use tenterhook_config::Host;
use tenterhook_io::{Away, GonePort, Keeping, Snapshot, checksum};
use tenterhook_plan::{Plan, SceneId};

use crate::change::Change;
use crate::console::{self, Console};
use crate::failure::{Failure, colour};
use crate::follow::{Follow, News};
use crate::learn::Lessons;
use crate::loading::Loaded;
use crate::resume::Beginning;
use crate::say::tell;
use crate::stage::Stage;
use crate::words;

/// What is shown while a piece plays.
pub struct Show {
    /// The piece in force.
    plan: Arc<Plan>,
    console: Console,
    as_json: bool,
    begun: bool,
    scene: Option<(SceneId, u64)>,
    /// Why the log is no longer kept.
    log_trouble: Option<String>,
    follow: Option<Follow>,
    /// The host that was asked for by an option.
    host: Option<Host>,
    /// A version that waits until another has taken over.
    waiting: Option<Box<Loaded>>,
    /// What was saved last does not play.
    broken: bool,
    journal: Option<Keeping>,
    journal_trouble: Option<String>,
    taken_up: Option<String>,
    /// The device that has gone.
    away: Option<Away>,
    /// The switches that were said to be wired the other way round.
    turned: Vec<String>,
    /// The MIDI ports that are gone.
    gone: Vec<GonePort>,
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
            log_trouble: None,
            follow: None,
            host: None,
            waiting: None,
            broken: false,
            journal: None,
            journal_trouble: None,
            taken_up: None,
            away: None,
            turned: Vec::new(),
            gone: Vec::new(),
            lessons: None,
            learned: None,
        }
    }

    /// Lets what is saved take over.
    pub fn following(self, follow: Option<Follow>, host: Option<Host>) -> Self {
        Self { follow, host, ..self }
    }

    /// Tells of the journal: how the run begins by it, and whether it is kept.
    pub fn kept(self, journal: Option<Keeping>, beginning: Beginning, stage: &Stage) -> Self {
        let Beginning { taken_up, trouble, .. } = beginning;
        if let Some(words) = &taken_up {
            self.console.tell(words);
        }
        if let Some(why) = &trouble {
            self.console.tell(&format!("caution: {why}"));
        }
        stage.trouble(|troubles| (troubles.taken_up, troubles.journal) = (taken_up.clone(), trouble.clone()));
        Self { journal, taken_up, ..self }
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
                self.told_of("changed", "What was saved has taken over.", json!(null));
            }
            self.plan = Arc::clone(plan);
        }
        if self.as_json {
            self.tell(stage, snapshot.scene);
        }
        self.watch_device(stage);
        self.watch_files(stage);
        self.watch_switches(&snapshot);
        self.watch_midi(stage);
        let facts = stage.facts();
        self.console.show(&console::status(&self.plan, &snapshot, &load, facts.rate));
        asked
    }

    /// Says that the device has gone, and that it is back.
    fn watch_device(&mut self, stage: &Stage) {
        let standing = stage.standing();
        if standing.away == self.away {
            return;
        }
        let same = |a: &Away, b: &Away| a.since == b.since;
        let told = match (&self.away, &standing.away) {
            (Some(old), Some(new)) if same(old, new) => Some(gone(new)),
            (_, Some(new)) => {
                let words =
                    format!("error: {}. The engine goes on unheard and takes the device up when it is back.", new.why);
                self.told_of("gone", &words, json!(new.why));
                Some(gone(new))
            }
            (Some(old), None) => {
                let seconds = old.since.elapsed().as_secs_f64();
                let words = format!("The device is back after {seconds:.1} s: {}.", standing.device.words);
                self.told_of("back", &words, json!(standing.device.words));
                None
            }
            (None, None) => None,
        };
        if let (Some(why), true) = (standing.away.as_ref().and_then(|away| away.refused.as_ref()), self.away.is_some())
        {
            self.console.tell(&format!("caution: {why}"));
        }
        stage.trouble(|troubles| troubles.device = told);
        self.away = standing.away;
    }

    /// Says which switches seem to be wired the other way round, each once.
    fn watch_switches(&mut self, snapshot: &Snapshot) {
        let controllers = self.plan.controllers.iter().zip(&snapshot.turned);
        for (controller, _) in controllers.filter(|(_, turned)| **turned) {
            if !self.turned.contains(&controller.name) {
                self.console.tell(&format!("caution: {}", words::turned(controller)));
                self.turned.push(controller.name.clone());
            }
        }
    }

    /// Says which MIDI ports go and come back.
    fn watch_midi(&mut self, stage: &Stage) {
        let gone = stage.gone_ports();
        if gone == self.gone {
            return;
        }
        let other = |list: &[GonePort], port: &GonePort| list.iter().all(|one| one.name != port.name);
        let words: Vec<_> = gone.iter().map(|port| (port, words::gone(port, &self.plan))).collect();
        for (_, words) in words.iter().filter(|(port, _)| other(&self.gone, port)) {
            self.console.tell(&format!("caution: {words}"));
        }
        for port in self.gone.iter().filter(|port| other(&gone, port)) {
            self.console.tell(&format!("The MIDI port {} is back.", port.name));
        }
        stage.trouble(|troubles| troubles.midi = words.into_iter().map(|(_, words)| words).collect());
        self.gone = gone;
    }

    /// Says that log or journal are no longer kept, once.
    fn watch_files(&mut self, stage: &Stage) {
        let trouble = stage.log_trouble();
        if trouble.is_some() && trouble != self.log_trouble {
            let words = trouble.clone().unwrap_or_default();
            self.console.tell(&format!("error: the log is no longer kept: {words}"));
            stage.trouble(|troubles| troubles.log = Some(words));
            self.log_trouble = trouble;
        }
        for words in stage.relay_news() {
            self.console.tell(&format!("caution: {words}"));
        }
        let Some(journal) = &self.journal else { return };
        let trouble = journal.trouble();
        if trouble != self.journal_trouble {
            match &trouble {
                Some(why) => self.console.tell(&format!("caution: {why}")),
                None => self.console.tell("The journal is kept again."),
            }
            stage.trouble(|troubles| troubles.journal = trouble.clone());
            self.journal_trouble = trouble;
        }
    }

    /// Looks whether something was saved.
    fn follow(&mut self, stage: &Stage) {
        let Some(follow) = &self.follow else { return };
        match follow.news() {
            Some(News::Whole(loaded)) => self.waiting = Some(loaded),
            Some(News::Broken(failure)) => {
                self.waiting = None;
                self.refuse(stage, &failure);
            }
            None => {}
        }
        let Some(loaded) = self.waiting.take() else { return };
        match stage.change(&loaded, self.host) {
            Ok(Change::Busy) => self.waiting = Some(loaded),
            Ok(change) => {
                if self.broken {
                    self.broken = false;
                    stage.trouble(|troubles| troubles.piece = None);
                    self.told_of("mended", "What was saved is right again.", json!(null));
                }
                self.take_over(stage, &loaded, change);
            }
            Err(failure) => self.refuse(stage, &failure),
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
            self.console.tell(&loaded.checked.cautions.render(colour()));
        }
        match stage.keep(loaded) {
            Ok(None) => {}
            Ok(Some(name)) => self.console.tell(&format!(
                "caution: the log began with another version, and `rehearse --take` plays that; this one is kept in it as {name}"
            )),
            Err(why) => self.console.tell(&format!("caution: this version is not kept in the log: {why}")),
        }
    }

    fn refuse(&mut self, stage: &Stage, failure: &Failure) {
        self.broken = true;
        stage.trouble(|troubles| troubles.piece = Some(failure.brief()));
        let words =
            format!("{}\nWhat was saved does not play; the version before it goes on.", failure.render().trim_end());
        self.told_of("broken", &words, failure.found());
    }

    /// Tells of an event: in words, and to programs.
    fn told_of(&self, event: &str, words: &str, found: serde_json::Value) {
        self.console.tell(words);
        if self.as_json {
            let mut line = json!({ "event": event });
            if !found.is_null() {
                line["found"] = found;
            }
            tell(line);
        }
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
                "taken_up": self.taken_up, "osc": stage.osc(),
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

/// What the page says of a device that has gone.
fn gone(away: &Away) -> String {
    let refused = away.refused.as_ref().map_or_else(String::new, |why| format!("; it cannot be taken up again: {why}"));
    format!("{}: the engine goes on unheard and takes the device up when it is back{refused}", away.why)
}
