//! The recording under a head that moves over it.

use super::hand::{Hand, HandMove};
use super::interpolation::Kernel;
use super::{NOTHING, STILL, follow, ratio, smooth};
use tenterhook_plan::Recording;

/// The head follows x through two of these in a row, in seconds: 20 ms behind an even movement.
const HEAD: f64 = 0.01;

/// The greatest speed of the head, times the recorded one.
const FASTEST: f64 = 4.0;

/// A place further away than so many seconds of the recording is not gone to: the head is lifted.
const FAR: f64 = 0.5;

/// As far as so many seconds of it may be off when x comes to move evenly; otherwise it is set down where x is.
const NEAR: f64 = 0.08;

/// Seconds in which the head comes on or off, and in which the recording's ends fade in front of it.
const CONTACT: f64 = 0.012;
const EDGE: f64 = 0.005;

/// Seconds in which a head that begins to move or comes to stand is heard or not at the soonest.
const MOVES: f64 = 0.005;

/// The recording under a head that moves over it.
#[derive(Clone, Copy)]
pub(super) struct Head {
    rate: f64,
    /// Samples of the recording for each of ours at the recorded speed.
    ratio: f64,
    share: f64,
    /// The length of the recording.
    length: f64,
    /// Our samples in which the head comes on or off.
    fade: f64,
    /// The greatest change of its loudness by speed from one sample to the next.
    step: f64,
    hand: Hand,
    /// Where it is; `None`: it has not been set down yet.
    contact: Option<Contact>,
    /// What is still heard of the place from which it was lifted.
    left: Option<Contact>,
}

/// The head at a moment. All places are samples of the recording.
#[derive(Clone, Copy)]
struct Contact {
    /// Where x was, followed once, and once more.
    between: f64,
    place: f64,
    pace: f64,
    /// The pace to which it comes while x stands, or has only begun to move.
    cruise: f64,
    /// How far it is on the recording, in samples of ours.
    on: f64,
    /// How loud it is by its speed, which may change faster than sound may come and go.
    moves: f64,
}

impl Contact {
    /// Off the recording, above `target`.
    fn above(target: f64, cruise: f64) -> Self {
        Self { between: target, place: target, pace: cruise, cruise, on: 0.0, moves: 0.0 }
    }
}

impl Head {
    pub fn new(recording: &Recording, rate: u32) -> Self {
        let rate = f64::from(rate.max(1));
        Self {
            rate: f64::from(recording.rate),
            ratio: ratio(recording, rate as u32),
            share: 1.0 - (-1.0 / (HEAD * rate)).exp(),
            length: recording.samples.len() as f64,
            fade: (CONTACT * rate).round().max(1.0),
            step: 1.0 / (MOVES * rate),
            hand: Hand::new(rate),
            contact: None,
            left: None,
        }
    }

    pub fn play(&mut self, x: f64, kernel: &Kernel, sound: &[f32]) -> f32 {
        let target = x * self.length;
        let Some(mut head) = self.contact else {
            self.hand.target = target;
            self.contact = Some(Contact::above(target, 0.0));
            return 0.0;
        };
        let was_silent = self.hand.loudness() == 0.0;
        let fastest = FASTEST * self.ratio;
        let hand = self.hand.follow(target, fastest);
        if was_silent && hand == HandMove::Begins {
            // It comes back where it moves.
            head = self.lift(head, self.hand.start, 0.0);
        }
        // Off the recording it waits until it can go along.
        let waits = head.on == 0.0 && self.hand.leaps && hand != HandMove::Stands;
        match hand {
            HandMove::Even if waits => head = Contact::above(target, 0.0),
            HandMove::Even => {
                let off = (target - head.place).abs() / self.rate;
                if off > FAR || (self.hand.undecided && off > NEAR) {
                    head = self.lift(head, target, 0.0);
                }
                self.hand.undecided = false;
                head = self.go_along(head, fastest);
                // While it stands after this it goes on as it went.
                follow(&mut head.cruise, head.pace, 0.5 * self.share);
            }
            HandMove::Begins if waits => head = Contact::above(self.hand.start, 0.0),
            // A step onwards, or one whose way is not gone: what it means is known when it is done.
            HandMove::Begins
                if self.hand.leaps || (self.hand.goes_on && (target - self.hand.start) * head.cruise > 0.0) =>
            {
                head = self.cruise(head);
            }
            HandMove::Begins => {
                head = self.go_along(head, self.ratio.max(head.pace.abs()).min(fastest));
            }
            HandMove::Stands => {
                if self.hand.undecided {
                    head = self.stop(head, target, fastest);
                }
                head = self.cruise(head);
            }
        }
        if !waits {
            head.on = (head.on + 1.0).min(self.fade);
        }
        let moves = (head.pace.abs() / (STILL * self.ratio)).min(1.0) * self.hand.loudness();
        head.moves += (moves - head.moves).clamp(-self.step, self.step);
        let mut heard = self.read(&mut head, kernel, sound);
        self.contact = Some(head);
        if let Some(mut left) = self.left {
            left.on -= 1.0;
            heard += self.read(&mut left, kernel, sound);
            self.left = (left.on > 0.0).then_some(left);
        }
        heard
    }

    /// What the recording sounds under it, one sample further on.
    fn read(&self, head: &mut Contact, kernel: &Kernel, sound: &[f32]) -> f32 {
        let edge = head.place.min(self.length - head.place) / (EDGE * self.rate);
        let gain = smooth(head.moves) * smooth(head.on / self.fade) * smooth(edge);
        // Less than the least sound of a recording at full scale is none.
        let heard = if gain > 1e-10 { gain as f32 * kernel.read(sound, head.place, head.pace) } else { 0.0 };
        head.place = (head.place + head.pace).clamp(0.0, self.length);
        heard
    }

    /// Sets it down elsewhere, unless it is still heard from where it was before.
    fn lift(&mut self, head: Contact, target: f64, cruise: f64) -> Contact {
        if self.left.is_some() {
            return head;
        }
        self.left = (head.on > 0.0 && head.moves > 0.0).then_some(head);
        Contact::above(target, cruise)
    }

    /// Follows x.
    fn go_along(&self, mut head: Contact, fastest: f64) -> Contact {
        follow(&mut head.between, self.hand.target, self.share);
        let left = head.between - head.place;
        head.pace = if left.abs() < NOTHING { left } else { (left * self.share).clamp(-fastest, fastest) };
        head
    }

    /// Goes on while x stands.
    fn cruise(&self, mut head: Contact) -> Contact {
        follow(&mut head.pace, head.cruise, self.share);
        // From here it can follow x again.
        head.between = head.place + head.pace / self.share;
        head
    }

    /// x has come to stand: where and at what pace it goes on.
    fn stop(&mut self, head: Contact, target: f64, fastest: f64) -> Contact {
        let Hand { start, interval, goes_on, .. } = self.hand;
        let (step, ahead) = (target - start, target - head.place);
        let pace = if goes_on { step / interval } else { self.ratio.copysign(step) };
        let far = if goes_on { (FAR * self.rate).max(2.0 * step.abs()) } else { FAR * self.rate };
        let even = interval == 0.0;
        if !even && (pace.abs() > fastest || ahead.abs() > far) {
            self.hand.undecided = self.left.is_some();
            return self.lift(head, target, self.ratio.copysign(step));
        }
        self.hand.undecided = false;
        if even {
            return head;
        }
        // It is there when the next step comes.
        let (slow, fast) = (0.5 * pace.abs(), (2.0 * pace.abs()).min(fastest));
        let due = if goes_on { ahead / interval } else { pace };
        Contact { cruise: (due * pace.signum()).clamp(slow.min(fast), fast).copysign(pace), ..head }
    }
}
