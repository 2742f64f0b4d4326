//! `demo`: the bundled piece, played by an ensemble that is made up inside the program.

use std::collections::VecDeque;
use std::path::Path;

use tenterhook_config::{Gestures, Text};
use tenterhook_io::{Hub, Sound};
use tenterhook_plan::{Applied, Event, Gesture, Plan, SceneId, Timed};

use crate::cli::Demo;
use crate::console;
use crate::failure::Failure;
use crate::play::{Show, announce};
use crate::rehearse::Rehearsal;
use crate::stage::{self, Stage};

const PIECE: &str = include_str!("../../scenes/demo.toml");
const GESTURES: &str = include_str!("../../scenes/demo.csv");
/// The rate of the demo as a file, in Hz.
const RATE: u32 = 48_000;

/// Plays the demo, or writes it to a file.
pub fn run(asked: &Demo) -> Result<(), Failure> {
    // Both are bundled, and tested to be right.
    let checked = tenterhook_config::check(&Text::new("demo.toml", PIECE), None).map_err(Failure::Files)?;
    let plan = &checked.plan;
    let gestures = tenterhook_config::gestures("demo.csv", GESTURES.as_bytes(), plan).map_err(Failure::Files)?;
    match &asked.out {
        Some(out) => write(plan, &gestures, out, asked.json),
        None => play(asked, plan, &gestures),
    }
}

fn write(plan: &Plan, gestures: &Gestures, out: &Path, as_json: bool) -> Result<(), Failure> {
    let inputs = tenterhook_ensemble::sound(RATE).map_err(Failure::running)?;
    let events = gestures.at_rate(RATE);
    let rehearsal = Rehearsal {
        plan,
        rate: RATE,
        inputs: &inputs,
        events: &events,
        from: SceneId(0),
        block: 1024,
        tail: 0,
        out: Some(out),
    };
    let outcome = rehearsal.play()?;
    rehearsal.tell(&outcome, as_json);
    Ok(())
}

fn play(asked: &Demo, plan: &Plan, gestures: &Gestures) -> Result<(), Failure> {
    let mut wish = stage::wish(plan, &tenterhook_config::DeviceWish::default(), asked.host)?;
    wish.mics = false;
    let end = stage::asked_to_end()?;
    let (told, heard) = Hub::subscription();
    let asked_stage = stage::Asked {
        plan,
        wish,
        from: SceneId(0),
        players: Some(&players),
        log: asked.log.as_deref(),
        texts: &[("piece.toml", PIECE)],
        osc: None,
    };
    let stage = Stage::open(&asked_stage, Some(told))?;
    announce(plan, &stage, asked.log.is_some(), asked.json);
    if !asked.json {
        eprintln!(
            "A made-up voice, recorder and viol play. Fire a scene or move a controller, and the piece is yours."
        );
    }
    let rate = stage.facts().rate;
    let frames = tenterhook_ensemble::SCORE.seconds * f64::from(rate);
    let mut hand = Hand::new(gestures.at_rate(rate));
    let mut show = Show::new(plan, asked.json);
    while !stage::is_raised(&end) && stage.died().is_none() {
        if show.turn(&stage) == console::Asked::End {
            break;
        }
        let sample = stage.load().frames;
        if let Some(events) = stage.events() {
            hand.play(sample, heard.try_iter().map(|done| done.applied), |event| events.send(event));
        }
        // Nobody has taken over: the piece is over when its music is.
        if !hand.taken && sample as f64 >= frames {
            break;
        }
    }
    drop(show);
    let ending = stage.close()?;
    ending.tell(asked.json);
    if let Some(why) = ending.died {
        return Err(Failure::Running(why));
    }
    if !asked.json {
        eprintln!(
            "That was the demo: a held vowel, slow steps, a phrase read backwards, all together.\n\
             `tenterhook etudes` lists pieces on one idea each to copy and change; `tenterhook etudes demo` prints this one;\n\
             `tenterhook devices` names what to write in a hall file; `tenterhook play piece.toml` plays it with your mics."
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

/// The demo's own hand: it plays the written gestures until somebody else plays one.
struct Hand {
    coming: VecDeque<Timed<Event>>,
    /// What it has sent and has not yet heard of.
    sent: VecDeque<Gesture>,
    taken: bool,
}

impl Hand {
    fn new(events: Vec<Timed<Event>>) -> Self {
        // The first scene is in force by itself, and said so.
        Self { coming: events.into(), sent: VecDeque::from([Gesture::Fire(SceneId(0))]), taken: false }
    }

    fn play(&mut self, sample: u64, applied: impl Iterator<Item = Applied>, mut send: impl FnMut(Event) -> bool) {
        for applied in applied {
            if self.sent.front() == Some(&applied.what) {
                self.sent.pop_front();
            } else {
                self.taken = true;
            }
        }
        while !self.taken && self.coming.front().is_some_and(|event| event.sample <= sample) {
            if let Some(Timed { what, .. }) = self.coming.pop_front()
                && send(what)
                && let Event::Gesture(gesture) = what
            {
                self.sent.push_back(gesture);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tenterhook_plan::ControllerId;

    #[test]
    fn the_demo_lets_go_when_somebody_else_plays() {
        let own = |value: f32| Gesture::Controller { id: ControllerId(0), value };
        let at = |sample: u64, value: f32| Timed { sample, what: Event::Gesture(own(value)) };
        let applied = |what: Gesture| Timed { sample: 0, what };
        let mut hand = Hand::new(vec![at(10, 0.1), at(20, 0.2), at(30, 0.3)]);
        let mut sent = Vec::new();
        let mut send = |event: Event| {
            sent.push(event);
            true
        };
        hand.play(10, [applied(Gesture::Fire(SceneId(0)))].into_iter(), &mut send);
        hand.play(20, [applied(own(0.1))].into_iter(), &mut send);
        assert!(!hand.taken);
        hand.play(30, [applied(own(0.2)), applied(Gesture::Fire(SceneId(2)))].into_iter(), &mut send);
        assert!(hand.taken);
        assert_eq!(sent.len(), 2, "the third is no longer played");
    }
}
