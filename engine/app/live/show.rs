//! What is shown while a piece plays, the status line on a terminal or lines of JSON; and what happens between the files
//! of the piece and the run.

use std::sync::Arc;
use std::time::{Duration, Instant};

use serde_json::json;
use tenterhook_config::Host;
use tenterhook_io::{Facts, Keeping, checksum};
use tenterhook_plan::condition::{Condition, Conditions, Topic, Turn};
use tenterhook_plan::run_state::Device;
use tenterhook_plan::{EffectState, EngineState, Meters, Plan, RunState};

use crate::commands::learn::Lessons;
use crate::failure::{Failure, colour};
use crate::live::change::Change;
use crate::live::conditions::{Finder, Look};
use crate::live::console::{self, Console};
use crate::live::file_watcher::{FileWatcher, News};
use crate::live::resume::Beginning;
use crate::live::stage::Stage;
use crate::live::words;
use crate::loading::Loaded;
use crate::say::{event, said, tell};

/// What comes again and again by itself is said on the terminal at most as often as this.
const AGAIN: Duration = Duration::from_secs(60);

/// What is shown while a piece plays.
pub struct Show {
    console: Console,
    as_json: bool,
    /// What was shown last.
    state: RunState,
    /// Whether programs were told that the run has begun.
    begun: bool,
    /// What programs and the terminal were told of.
    told: Arc<Conditions>,
    lines: Lines,
    finder: Finder,
    saved: Saved,
    journal: Option<Keeping>,
    /// Why no journal is kept, though one was wanted.
    no_journal: Option<String>,
    lessons: Option<Lessons>,
    /// What was learned, and waits until another version has taken over.
    learned: Option<Box<Loaded>>,
}

/// What is saved while the piece plays.
#[derive(Default)]
struct Saved {
    follow: Option<FileWatcher>,
    /// The host that was asked for by an option.
    host: Option<Host>,
    /// A version that waits until another has taken over.
    waiting: Option<Box<Loaded>>,
    /// Why what was saved last does not play.
    broken: Option<String>,
}

/// When each condition was told on the terminal.
#[derive(Default)]
struct Lines(Vec<(Condition, Instant)>);

impl Lines {
    /// What is said on the terminal of a condition that has come. One that comes again and again by itself is not said each
    /// time.
    fn next(&mut self, one: &Condition, now: Instant) -> Option<String> {
        let line = words::line(one)?;
        self.0.retain(|(_, at)| now.duration_since(*at) < AGAIN);
        let passes = words::gone(one, 0.0, "").is_none();
        if passes && self.0.iter().any(|(told, _)| told.is(one)) {
            return None;
        }
        self.0.push((one.clone(), now));
        Some(line)
    }
}

impl Show {
    /// Takes the terminal over.
    pub fn new(plan: &Plan, as_json: bool) -> Self {
        Self {
            console: Console::open(plan),
            as_json,
            state: RunState::new(EngineState::new(Arc::new(plan.clone()))),
            begun: false,
            told: Arc::default(),
            lines: Lines::default(),
            finder: Finder::default(),
            saved: Saved::default(),
            journal: None,
            no_journal: None,
            lessons: None,
            learned: None,
        }
    }

    /// Lets what is saved take over.
    pub fn following(self, follow: Option<FileWatcher>, host: Option<Host>) -> Self {
        Self { saved: Saved { follow, host, ..self.saved }, ..self }
    }

    /// Tells of the journal: how the run begins by it, and whether it is kept.
    pub fn kept(mut self, journal: Option<Keeping>, beginning: Beginning) -> Self {
        let Beginning { taken_up, trouble, .. } = beginning;
        self.state.taken_up = taken_up.map(Arc::from);
        Self { journal, no_journal: trouble, ..self }
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
        let Some(events) = stage.events() else { return console::Asked::End };
        let asked = self.console.turn(&self.state.engine, &events.of(&self.state.engine.plan));
        self.follow(stage);
        self.learn(stage);
        let (now, meters) = self.look(stage);
        stage.show(&now);
        self.console.show(now.engine.hushed, &console::status(&now, &meters));
        let before = std::mem::replace(&mut self.state, now);
        self.tell(stage, &before);
        asked
    }

    /// How the run stands now.
    fn look(&mut self, stage: &Stage) -> (RunState, Meters) {
        let (engine, meters) = stage.metered();
        let (load, standing) = (stage.load(), stage.standing());
        let kept = self.journal.as_ref();
        let conditions = self.finder.find(&Look {
            facts: stage.facts(),
            rehearsal: stage.is_rehearsal(),
            engine: &engine,
            meters: &meters,
            load: &load,
            standing: &standing,
            log: stage.log_trouble(),
            piece: self.saved.broken.as_deref(),
            journal: self.no_journal.clone().or_else(|| kept.and_then(Keeping::trouble)),
            taken_up: self.state.taken_up.as_deref(),
            gone_ports: &stage.gone_ports(),
            unheard: stage.unheard(),
            unreached: stage.unreached(),
            senseless: stage.senseless(),
        });
        let Facts { host, rate, block, words, .. } = &standing.device;
        let device = Device {
            host: host.to_string(),
            words: words.clone(),
            rate: *rate,
            block: *block,
            server_frame: standing.origin,
        };
        let state = RunState {
            engine,
            sample: load.frames,
            blocks: load.blocks,
            late: load.late,
            device: if device == *self.state.device { Arc::clone(&self.state.device) } else { Arc::new(device) },
            log: stage.log().map(Arc::from),
            taken_up: self.state.taken_up.clone(),
            learning: self.lessons.as_ref().and_then(Lessons::learning).map(Arc::new),
            kept: self.lessons.as_ref().and_then(Lessons::kept),
            conditions,
        };
        (state, meters)
    }

    /// Tells what is other than before.
    fn tell(&mut self, stage: &Stage, before: &RunState) {
        let (now, plan) = (&self.state.engine, &self.state.engine.plan);
        // The hub has its own copy of the first.
        if !Arc::ptr_eq(plan, &before.engine.plan) && **plan != *before.engine.plan {
            self.console.change(plan);
            self.console.print("What was saved has taken over.");
            event("changed", json!(null));
        }
        if self.as_json {
            // Under JACK the first block says which of the server's frames is the engine's first.
            let device = &self.state.device;
            let lost = || stage.standing().losses > 0;
            let known = device.server_frame.is_some() || device.host != Host::Jack.to_string() || lost();
            let begins = !self.begun && known && self.state.blocks > 0;
            self.begun |= begins;
            if begins {
                tell(json!({
                    "event": "started", "host": device.host, "rate": device.rate, "block": device.block,
                    "device": device.words, "server_frame": device.server_frame, "page": stage.page(),
                    "taken_up": self.state.taken_up.as_deref(), "osc": stage.osc(),
                    "log": self.state.log.as_ref().map(|log| log.display().to_string()),
                }));
            }
            if let Some((id, sample)) = now.scene.filter(|_| self.begun && (begins || now.scene != before.engine.scene))
            {
                tell(json!({ "event": "scene", "mark": plan.scenes[id.index()].mark, "sample": sample }));
            }
        }
        self.tell_why_not(&before.engine);
        // Programs are told first that the run has begun, unless it does not.
        let silent = |one: &Condition| matches!(one.topic, Topic::DeviceStill { .. } | Topic::DeviceGone { .. });
        if self.as_json && !self.begun && !self.state.conditions.iter().any(silent) {
            return;
        }
        let conditions = Arc::clone(&self.state.conditions);
        let before = std::mem::replace(&mut self.told, Arc::clone(&conditions));
        if !Arc::ptr_eq(&before, &conditions) {
            conditions.turns(&before).for_each(|turn| self.turned(turn));
        }
    }

    /// Tells of effects that do not do what is asked, and why; of a hush and of what broke others tell.
    fn tell_why_not(&self, before: &EngineState) {
        let (now, plan) = (&self.state.engine, &self.state.engine.plan);
        let why = |state: &EngineState, index: usize| {
            let stands = state.effects.get(index).copied().unwrap_or_default();
            stands.why_not().filter(|_| !matches!(stands, EffectState::Hushed | EffectState::Broken))
        };
        let same_piece = Arc::ptr_eq(plan, &before.plan);
        let mut lines = Vec::new();
        for (index, instance) in plan.instances.iter().enumerate() {
            let (why, before) = (why(now, index), why(before, index).filter(|_| same_piece));
            if why == before {
                continue;
            }
            let owner = plan.owner_name(instance.owner);
            if let Some(why) = why {
                lines.push(format!("{} of {owner}: {why}", instance.key));
            }
            if self.as_json && self.begun {
                tell(json!({ "event": "effect", "key": instance.key, "owner": owner, "why": why }));
            }
        }
        if !lines.is_empty() {
            self.console.print(&lines.join("; "));
        }
    }

    /// Tells how a condition has turned.
    fn turned(&mut self, turn: Turn<'_>) {
        match turn {
            Turn::Came(one) | Turn::Changed(one) => {
                if let (Topic::DeviceGone { why, .. }, Turn::Came(_)) = (&one.topic, turn) {
                    event("gone", json!(why));
                }
                if let Some(line) = self.lines.next(one, Instant::now()) {
                    self.console.print(&line);
                }
                self.condition(one, true, &words::of(one));
            }
            Turn::Went(one) => {
                let device = &self.state.device;
                let seconds = self.state.sample.saturating_sub(one.since) as f64 / f64::from(device.rate.max(1));
                match one.topic {
                    Topic::DeviceGone { .. } => event("back", json!(device.words)),
                    Topic::PieceBroken { .. } => event("mended", json!(null)),
                    _ => {}
                }
                let words = words::gone(one, seconds, &device.words);
                if let Some(words) = &words {
                    self.console.print(words);
                }
                self.condition(one, false, words.as_deref().unwrap_or_default());
            }
        }
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
        let Some(follow) = &self.saved.follow else { return };
        match follow.news() {
            Some(News::Whole(loaded)) => self.saved.waiting = Some(loaded),
            Some(News::Broken(failure)) => {
                self.saved.waiting = None;
                self.refuse(&failure);
            }
            None => {}
        }
        let Some(loaded) = self.saved.waiting.take() else { return };
        match stage.change(&loaded, self.saved.host) {
            Ok(Change::Busy) => self.saved.waiting = Some(loaded),
            Ok(change) => {
                self.saved.broken = None;
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
        match stage.change(&loaded, self.saved.host) {
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
        self.saved.broken = Some(failure.brief());
        event("broken", failure.found());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_comes_again_and_again_by_itself_is_said_once_a_minute_and_all_else_each_time() {
        let (mut lines, began) = (Lines::default(), Instant::now());
        let mut says = |topic, subject: &str, seconds| {
            let one = Condition { topic, subject: Some(subject.to_owned()), grave: true, since: 0 };
            lines.next(&one, began + Duration::from_secs(seconds)).is_some()
        };
        assert!(says(Topic::Clips, "voice", 0));
        assert!(!says(Topic::Clips, "voice", 11) && !says(Topic::Clips, "voice", 59), "that is known");
        assert!(says(Topic::Clips, "viol", 20) && says(Topic::Howls, "voice", 20), "that is something else");
        assert!(says(Topic::Clips, "voice", 60));
        // Whose end is told, it is told that they have come again.
        for seconds in [0, 1, 2] {
            assert!(says(Topic::LogLost { why: "the disk is full".to_owned() }, "", seconds));
        }
    }
}
