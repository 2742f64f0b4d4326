//! `play`: the show; and `soundcheck`: the same, with the page open on its meters.

use serde_json::json;
use tenterhook_config::Host;
use tenterhook_page::score::View;
use tenterhook_plan::Plan;

use crate::cli::Play;
use crate::console::{self, Console};
use crate::desk;
use crate::failure::Failure;
use crate::loading;
use crate::say::{say, tell};
use crate::stage::{self, Stage};

/// Plays a piece live; its page opens on a view.
pub fn run(asked: &Play, opens: View) -> Result<(), Failure> {
    let loaded = loading::piece(&asked.piece, asked.hall.as_deref())?;
    loaded.caution();
    let plan = &loaded.checked.plan;
    let from = loading::scene(plan, asked.from.as_deref())?;
    let mut wish = stage::wish(plan, &loaded.checked.device, asked.host)?;
    wish.connect = !asked.no_connect;
    let mut texts = vec![("piece.toml", loaded.piece.text.as_str())];
    texts.extend(loaded.hall.as_ref().map(|hall| ("hall.toml", hall.text.as_str())));
    let end = stage::asked_to_end()?;
    let stage = Stage::open(
        &stage::Asked {
            plan,
            wish,
            from,
            players: None,
            log: asked.log.as_deref(),
            texts: &texts,
            files: &loaded.files,
            osc: Some(asked.osc),
            page: desk::Asked { options: &asked.page, opens, rehearsal: false },
        },
        None,
    )?;
    announce(plan, &stage, asked.json);
    if asked.log.is_some() {
        say("Mics and outputs are being recorded: recording people needs their consent.");
    }
    let mut show = Show::new(plan, asked.json);
    while !stage::is_raised(&end) && stage.died().is_none() {
        if show.turn(&stage) == console::Asked::End {
            break;
        }
    }
    drop(show);
    stage.end(asked.json)
}

/// Says what begins.
pub fn announce(plan: &Plan, stage: &Stage, as_json: bool) {
    let facts = stage.facts();
    if !as_json {
        say(format_args!("{} on {}.", plan.title, facts.words));
        if facts.host == Host::Clock {
            say("Nothing is heard: the clock has no loudspeakers. `tenterhook devices` lists what there is.");
        }
    }
    say("Caution: loudspeakers and headphones can injure hearing. Start with everything turned down, and follow your \
         local rules and your licensed technicians.");
}

/// What is shown while a piece plays: the status line on a terminal, or lines of JSON.
pub struct Show<'a> {
    plan: &'a Plan,
    console: Console,
    as_json: bool,
    begun: bool,
    scene: Option<(tenterhook_plan::SceneId, u64)>,
    trouble: Option<String>,
}

impl<'a> Show<'a> {
    /// Takes the terminal over.
    pub fn new(plan: &'a Plan, as_json: bool) -> Self {
        let console = Console::open(plan);
        if console.has_keys() {
            say(format_args!("{}.\r", console::HELP));
        }
        Self { plan, console, as_json, begun: false, scene: None, trouble: None }
    }

    /// Waits a moment, does what the keys ask, shows how things are.
    pub fn turn(&mut self, stage: &Stage) -> console::Asked {
        let snapshot = stage.snapshot();
        let Some(events) = stage.events() else { return console::Asked::End };
        let asked = self.console.turn(self.plan, snapshot.hushed, &events);
        let (snapshot, load) = (stage.snapshot(), stage.load());
        if self.as_json {
            self.tell(stage, snapshot.scene);
        }
        let trouble = stage.log_trouble();
        if trouble.is_some() && trouble != self.trouble {
            let words = trouble.clone().unwrap_or_default();
            say(format_args!("\rerror: the log is no longer kept: {words}"));
            stage.show_log_trouble(&words);
            self.trouble = trouble;
        }
        let facts = stage.facts();
        self.console.show(&console::status(self.plan, &snapshot, &load, facts.rate, load.frames));
        asked
    }

    fn tell(&mut self, stage: &Stage, scene: Option<(tenterhook_plan::SceneId, u64)>) {
        let facts = stage.facts();
        // Under JACK the first block says which of the server's frames is the engine's first.
        let known = facts.host != Host::Jack || stage.origin().is_some();
        if !self.begun && known && stage.load().blocks > 0 {
            self.begun = true;
            tell(json!({
                "event": "started", "host": facts.host.to_string(), "rate": facts.rate, "block": facts.block,
                "device": facts.words, "server_frame": stage.origin(), "page": stage.page(),
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
