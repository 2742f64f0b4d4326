//! `play`: the show; and `soundcheck`: the same, with the page open on its meters.

use tenterhook_page::score::View;
use tenterhook_plan::Plan;

use crate::cli::Play;
use crate::commands::learn::{Lessons, Plays};
use crate::failure::Failure;
use crate::live::console;
use crate::live::desk;
use crate::live::file_watcher::FileWatcher;
use crate::live::relay;
use crate::live::resume::Beginning;
use crate::live::show::Show;
use crate::live::stage::{self, Stage};
use crate::loading;
use crate::say::{say, tell_programs};

/// Plays a piece live; its page opens on a view.
pub fn run(asked: &Play, opens: View) -> Result<(), Failure> {
    if asked.json {
        tell_programs();
    }
    let loaded = loading::piece(&asked.piece, asked.hall.as_deref())?;
    loaded.caution();
    let plan = &loaded.checked.plan;
    let from = asked.from.as_deref().map(|mark| loading::scene(plan, Some(mark))).transpose()?;
    let mut wish = stage::wish(plan, &loaded.checked.device, asked.host)?;
    wish.connect = !asked.no_connect;
    let mut texts = vec![("piece.toml", loaded.piece.text.as_str())];
    texts.extend(loaded.hall.as_ref().map(|hall| ("hall.toml", hall.text.as_str())));
    let follow = asked.follow.then(|| FileWatcher::start(&asked.piece, asked.hall.as_deref())).transpose()?;
    let mut beginning = Beginning::of(&asked.journal, &asked.piece, &loaded, asked.hall.as_deref(), from)?;
    let (journal, told) = beginning.keep(plan, &loaded);
    let end = stage::asked_to_end()?;
    let (hall, asks) = crossbeam_channel::bounded(4);
    let lessons = Lessons {
        asks,
        piece: asked.piece.clone(),
        hall: asked.hall.clone(),
        follows: asked.follow,
        osc: asked.osc.osc.unwrap_or(relay::ADDRESS),
        plays: Plays { piece: loaded.piece.clone(), hall: loaded.hall.clone(), files: loaded.files.clone() },
        present: None,
        said: None,
        kept: None,
    };
    let stage = Stage::open(
        &stage::Asked {
            plan,
            wish,
            from: beginning.from,
            begun_by: beginning.by,
            first: &beginning.gestures,
            players: None,
            log: asked.log.as_deref(),
            comes_back: beginning.taken_up.is_some(),
            texts: &texts,
            files: &loaded.files,
            osc: &asked.osc,
            page: desk::Asked { options: &asked.page, opens, rehearsal: false, hall: Some(hall) },
        },
        told,
    )?;
    announce(plan, &stage, asked.json);
    relay::caution(&asked.osc);
    if stage.log().is_some() {
        say("Mics and outputs are being recorded: recording people needs their consent.");
        for (name, _) in loaded.files.iter().filter(|(name, _)| !tenterhook_io::is_inside(name)) {
            say(format_args!("caution: {name} lies outside the piece's folder and is not kept in the log"));
        }
    }
    let mut show = Show::new(plan, asked.json).following(follow, asked.host).kept(journal, beginning).learning(lessons);
    while !stage::is_raised(&end) && stage.died().is_none() {
        if show.turn(&stage) == console::Asked::End {
            break;
        }
    }
    let died = stage.died().is_some();
    let journal = show.close();
    let ended = stage.end(asked.json);
    // A device that went away is no end that somebody asked for.
    if let Some(journal) = journal.filter(|_| !died) {
        journal.end();
    }
    ended
}

/// Says what begins.
pub fn announce(plan: &Plan, stage: &Stage, as_json: bool) {
    let facts = stage.facts();
    if !as_json {
        say(format_args!("{} on {}.", plan.title, facts.words));
    }
    say("Caution: loudspeakers and headphones can injure hearing. Start with everything turned down, and follow your \
         local rules and your licensed technicians.");
}
