//! Written gestures, played on a live run.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use crossbeam_channel::Receiver;
use tenterhook_io::Done;
use tenterhook_plan::{Event, Gesture, Plan, SceneId, Timed};

use crate::live::console::Asked;
use crate::live::show::Show;
use crate::live::stage::{Stage, is_raised};

/// Plays written gestures on a live run.
pub struct GesturePlayer {
    coming: VecDeque<Timed<Event>>,
    /// The piece that the gestures were written for; `None`: the one that plays from the beginning to the end.
    plan: Option<Arc<Plan>>,
    watch: Option<Watch>,
    taken: bool,
}

/// How a hand knows that somebody else plays.
struct Watch {
    /// What the hand has sent and has not yet heard of.
    sent: VecDeque<Gesture>,
    applied: Receiver<Done>,
}

impl GesturePlayer {
    /// A hand that has these gestures to play, whatever others play.
    pub fn new(events: Vec<Timed<Event>>) -> Self {
        Self { coming: events.into(), plan: None, watch: None, taken: false }
    }

    /// The gestures were written for this piece, whatever version of it plays by then.
    pub fn of(self, plan: &Plan) -> Self {
        Self { plan: Some(Arc::new(plan.clone())), ..self }
    }

    /// Lets go as soon as somebody else plays. The run begins with the scene `first` and tells what is applied.
    pub fn yielding(self, first: SceneId, applied: Receiver<Done>) -> Self {
        // The first scene is in force by itself, and said so.
        let watch = Watch { sent: VecDeque::from([Gesture::Fire(first)]), applied };
        Self { watch: Some(watch), ..self }
    }

    /// Plays until a person ends the run, the source dies, or `frames` are over and nobody has taken the piece over:
    /// only then true.
    pub fn perform(&mut self, stage: &Stage, show: &mut Show, end: &AtomicBool, frames: u64) -> bool {
        while !is_raised(end) && stage.died().is_none() && show.turn(stage) != Asked::End {
            let sample = stage.load().frames;
            if let Some(events) = stage.events() {
                let events = self.plan.as_ref().map_or_else(|| events.clone(), |plan| events.of(plan));
                self.play(sample, |event| events.send(event));
            }
            if !self.taken && sample >= frames {
                return true;
            }
        }
        false
    }

    fn play(&mut self, sample: u64, mut send: impl FnMut(Event) -> bool) {
        if let Some(Watch { sent, applied }) = &mut self.watch {
            for Done { applied, .. } in applied.try_iter() {
                if sent.front() == Some(&applied.what) {
                    sent.pop_front();
                } else {
                    self.taken = true;
                }
            }
        }
        while !self.taken && self.coming.front().is_some_and(|event| event.sample <= sample) {
            if let Some(Timed { what, .. }) = self.coming.pop_front()
                && send(what)
                && let (Event::Gesture(gesture, _), Some(watch)) = (what, &mut self.watch)
            {
                watch.sent.push_back(gesture);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tenterhook_plan::ControllerId;

    #[test]
    fn it_lets_go_when_somebody_else_plays() {
        let own = |value: f32| Gesture::Controller { id: ControllerId(0), value };
        let at = |sample: u64, value: f32| Timed { sample, what: Event::written(own(value)) };
        let (told, heard) = crossbeam_channel::unbounded();
        let piece = "mics = { voice = 1 }\noutputs = { left = 1 }\n[[scene]]\nmark = \"A\"\n";
        let piece = tenterhook_config::Text::new("reed.toml", piece);
        let plan = Arc::new(tenterhook_config::check(&piece, None).expect("nothing is wrong with it").plan);
        let applied = |what: Gesture| {
            let applied = tenterhook_plan::Applied { sample: 0, what, who: tenterhook_plan::Who::Written };
            told.send(Done { applied, plan: Arc::clone(&plan) }).unwrap();
        };
        let mut hand = GesturePlayer::new(vec![at(10, 0.1), at(20, 0.2), at(30, 0.3)]).yielding(SceneId(0), heard);
        let mut sent = Vec::new();
        let mut send = |event: Event| {
            sent.push(event);
            true
        };
        applied(Gesture::Fire(SceneId(0)));
        hand.play(10, &mut send);
        applied(own(0.1));
        hand.play(20, &mut send);
        assert!(!hand.taken);
        applied(own(0.2));
        applied(Gesture::Fire(SceneId(2)));
        hand.play(30, &mut send);
        assert!(hand.taken);
        assert_eq!(sent.len(), 2, "the third is no longer played");
    }
}
