//! `demo`: the bundled piece, played by an ensemble that is made up inside the program.

use std::path::Path;

use tenterhook_config::{Gestures, Host};
use tenterhook_io::place::{self, Over};
use tenterhook_io::{Hub, Sound};
use tenterhook_page::score::View;
use tenterhook_plan::{Plan, SceneId, Who};

use crate::bundled;
use crate::cli::{Demo, OscOptions};
use crate::commands::play::announce;
use crate::commands::rehearse::{MicInputs, Rehearsal};
use crate::failure::Failure;
use crate::live::desk;
use crate::live::gesture_player::GesturePlayer;
use crate::live::show::Show;
use crate::live::stage::{self, Stage};
use crate::say::{say, say_lines, tell_programs};

const PIECE: &str = include_str!("../../../scenes/demo.toml");
const GESTURES: &str = include_str!("../../../scenes/demo.csv");
/// The rate of the demo as a file, in Hz.
const RATE: u32 = 48_000;

/// Plays the demo, or writes it to a file.
pub fn run(asked: &Demo) -> Result<(), Failure> {
    // Both are bundled, and tested to be right.
    let checked = bundled::check("demo", PIECE).map_err(Failure::Files)?;
    let plan = &checked.plan;
    let gestures = tenterhook_config::gestures("demo.csv", GESTURES.as_bytes(), plan).map_err(Failure::Files)?;
    match &asked.out {
        Some(out) => write(plan, &gestures, out, asked),
        None => play(asked, plan, &gestures),
    }
}

fn write(plan: &Plan, gestures: &Gestures, out: &Path, asked: &Demo) -> Result<(), Failure> {
    let over = Over::said(asked.replace);
    if out.as_os_str() != "-" {
        // Before anybody waits for it.
        place::free(out, over).map_err(Failure::asked)?;
    }
    let inputs = tenterhook_ensemble::sound(RATE).map_err(Failure::running)?;
    let events = gestures.at_rate(RATE);
    let mut rehearsal = Rehearsal {
        plan,
        rate: RATE,
        inputs: MicInputs::Made(&inputs),
        events: &events,
        from: SceneId(0),
        block: 1024,
        tail: 0,
        out: Some(out),
        over,
    };
    let outcome = rehearsal.play()?;
    rehearsal.tell(&outcome, asked.json)
}

fn play(asked: &Demo, plan: &Plan, gestures: &Gestures) -> Result<(), Failure> {
    if asked.json {
        tell_programs();
    }
    let mut wish = stage::wish(plan, &tenterhook_config::DeviceWish::default(), asked.host)?;
    wish.mics = false;
    let end = stage::asked_to_end()?;
    let (told, heard) = Hub::subscription();
    let asked_stage = stage::Asked {
        plan,
        wish,
        from: SceneId(0),
        begun_by: Who::Start,
        first: &[],
        comes_back: false,
        players: Some(&players),
        log: asked.log.as_deref(),
        texts: &[("piece.toml", PIECE)],
        files: &[],
        osc: &OscOptions::default(),
        page: desk::Asked { options: &asked.page, opens: View::Score, rehearsal: true, hall: None },
    };
    let stage = Stage::open(&asked_stage, Some(told))?;
    announce(plan, &stage, asked.json);
    if !asked.json {
        if stage.facts().host == Host::Clock {
            say("`tenterhook demo --out demo.wav` writes the demo to a file, to be heard elsewhere.");
        }
        say("A made-up voice, recorder and viol play. Fire a scene or move a controller, and the piece is yours.");
    }
    let rate = stage.facts().rate;
    let frames = (tenterhook_ensemble::SCORE.seconds * f64::from(rate)) as u64;
    let mut show = Show::new(plan, asked.json);
    let whole =
        GesturePlayer::new(gestures.at_rate(rate)).yielding(SceneId(0), heard).perform(&stage, &mut show, &end, frames);
    drop(show);
    stage.end(asked.json)?;
    if !asked.json {
        if whole {
            say("That was the demo: a held vowel, slow steps, a phrase read backwards, all together.");
        }
        say_lines(
            "`tenterhook etudes` lists pieces to copy and change, `tenterhook etudes demo` prints this one;\n\
             `tenterhook devices` names what to write in a hall file; `tenterhook play piece.toml` plays it with your mics.",
        );
    }
    Ok(())
}

/// The made-up players as the sound of the mics, over and over.
fn players(rate: u32) -> Result<(usize, Sound), Failure> {
    let channels = tenterhook_ensemble::sound(rate).map_err(Failure::asked)?;
    let count = channels.len();
    let play = move |sample: u64, inputs: &mut [&mut [f32]]| {
        for (input, channel) in inputs.iter_mut().zip(&channels) {
            for (i, out) in input.iter_mut().enumerate() {
                *out = channel[(sample as usize + i) % channel.len()];
            }
        }
    };
    Ok((count, Box::new(play)))
}
