//! Who follows whom, where machines tell each other what they do.
//!
//! A machine on which nobody has worked yet follows one on which somebody has, else the one that has run for longest.
//! What it follows tells its whole state now and then; what the follower lacks of that, it makes good. Single gestures act
//! wherever they come from. Nothing that came from a machine acts at a third: so two may point at each other.

use rosc::{OscMessage, OscType};
use std::collections::VecDeque;
use std::collections::hash_map::RandomState;
use std::hash::{BuildHasher, Hasher};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use super::addresses::{self, RELAY};
use tenterhook_plan::Who;

/// A machine that was heard this long ago is not followed any more.
const GONE: Duration = Duration::from_secs(3);
/// One that listens hears for so long whether there is another to follow, before it tells its own state.
const LISTENS_FIRST: Duration = Duration::from_millis(1500);
/// What was passed on to the engine and has not been applied after so long never will be: longer than an engine stands
/// still while its device comes back, or gestures wait for a changed piece.
const APPLIED_WITHIN: Duration = Duration::from_secs(10);
/// Gestures from machines that may be on their way through the engine.
const EXPECTED: usize = 4096;

/// What a bundle's gestures are to another machine.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum PairingKind {
    /// They were made here: they act there as well.
    Made,
    /// How everything stands: it acts where it is followed, and differs.
    State,
    /// They came from another machine, or are how a run began: they act nowhere else.
    Known,
}

/// What a machine says of itself before gestures, as `/tenterhook/relay ,iiii run worked age kind`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct PairingTold {
    /// A number of this run's own.
    pub run: i32,
    /// Whether somebody has worked on it.
    pub worked: bool,
    /// Milliseconds for which it has run.
    pub age: i32,
    pub kind: PairingKind,
}

impl PairingTold {
    /// What a message of these arguments tells, if it is one.
    pub fn read(arguments: &[OscType]) -> Option<Self> {
        let &[OscType::Int(run), OscType::Int(worked), OscType::Int(age), OscType::Int(kind)] = arguments else {
            return None;
        };
        let kind =
            [PairingKind::Made, PairingKind::State, PairingKind::Known].into_iter().find(|one| *one as i32 == kind)?;
        Some(Self { run, worked: worked != 0, age, kind })
    }

    /// The message that tells it.
    pub fn message(&self) -> OscMessage {
        let numbers = [self.run, self.worked.into(), self.age, self.kind as i32];
        addresses::message(RELAY, numbers.map(OscType::Int).to_vec())
    }
}

/// What one machine knows of those that tell it what they do. Shared by what listens and what tells.
pub struct BackupPairing {
    run: i32,
    started: Instant,
    listens: bool,
    state: Mutex<PairingState>,
}

#[derive(Default)]
struct PairingState {
    worked: bool,
    /// When one that is followed was last heard.
    heard: Option<Instant>,
    /// Gestures from machines that are on their way through the engine, in the form in which they are told.
    expected: VecDeque<(Instant, OscMessage)>,
}

impl BackupPairing {
    /// For a run that begins now; `listens`: it may hear other machines.
    pub fn new(listens: bool) -> Self {
        // The standard library's own source of numbers that nobody can foresee.
        let run = RandomState::new().build_hasher().finish() as i32;
        Self { run, started: Instant::now(), listens, state: Mutex::default() }
    }

    fn state(&self) -> MutexGuard<'_, PairingState> {
        // No holder of it can leave it half changed.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn age(&self) -> i32 {
        i32::try_from(self.started.elapsed().as_millis()).unwrap_or(i32::MAX)
    }

    /// What this machine says of itself.
    pub(crate) fn told(&self, kind: PairingKind) -> PairingTold {
        PairingTold { run: self.run, worked: self.state().worked, age: self.age(), kind }
    }

    /// Whether it was this machine itself that told something.
    pub(crate) fn is_own(&self, told: &PairingTold) -> bool {
        told.run == self.run
    }

    /// A machine was heard; whether it is followed.
    pub(crate) fn hear(&self, told: &PairingTold) -> bool {
        let age = self.age();
        let mut state = self.state();
        let follows = !state.worked && (told.worked || (told.age, told.run) > (age, self.run));
        if follows {
            state.heard = Some(Instant::now());
        }
        follows
    }

    /// Whether what this machine tells of its state is to act elsewhere: nobody else is followed.
    pub(crate) fn leads(&self) -> bool {
        let state = self.state();
        let heard = state.heard.is_some_and(|heard| heard.elapsed() < GONE);
        state.worked || !heard && (!self.listens || self.started.elapsed() >= LISTENS_FIRST)
    }

    /// A gesture from a machine is on its way through the engine.
    pub(crate) fn expect(&self, message: OscMessage) {
        let mut state = self.state();
        state.forget();
        if state.expected.len() < EXPECTED {
            state.expected.push_back((Instant::now(), message));
        }
    }

    /// Whether the newest of what is on its way to the same address is this.
    pub(crate) fn expects(&self, message: &OscMessage) -> bool {
        let mut state = self.state();
        state.forget();
        state.expected.iter().rev().find(|(_, one)| one.addr == message.addr).is_some_and(|(_, one)| one == message)
    }

    /// A gesture was applied, and whose it is; whether it came from a machine. If not, somebody works here.
    pub(crate) fn applied(&self, message: &OscMessage, who: Who) -> bool {
        let mut state = self.state();
        state.forget();
        match state.expected.iter().position(|(_, one)| one == message) {
            Some(place) => {
                // They are applied in order: what was before it led to nothing.
                state.expected.drain(..=place);
                true
            }
            None if who == Who::Osc && state.rises(message) => true,
            None => {
                state.worked = true;
                false
            }
        }
    }
}

impl PairingState {
    /// Whether this is a step of a level on its way up to what a machine told.
    fn rises(&self, step: &OscMessage) -> bool {
        let db = |message: &OscMessage| match message.args.as_slice() {
            [OscType::Float(db)] if addresses::is_level(&message.addr) => Some(*db),
            _ => None,
        };
        let told = self.expected.iter().rev().find(|(_, one)| one.addr == step.addr);
        told.and_then(|(_, told)| db(told)).zip(db(step)).is_some_and(|(told, step)| step < told)
    }

    fn forget(&mut self) {
        while self.expected.front().is_some_and(|(since, _)| since.elapsed() > APPLIED_WITHIN) {
            self.expected.pop_front();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn value(value: f32) -> OscMessage {
        addresses::message("/tenterhook/controller/foot", vec![OscType::Float(value)])
    }

    #[test]
    fn one_follows_who_was_worked_on_and_else_who_has_run_longer() {
        let follow = BackupPairing::new(true);
        let told = |worked, age| PairingTold { run: follow.run.wrapping_add(1), worked, age, kind: PairingKind::State };
        assert!(!follow.hear(&told(false, -1)), "younger");
        assert!(!follow.leads(), "it listens first");
        assert!(follow.hear(&told(false, 1_000_000)));
        assert!(follow.hear(&told(true, -1)));
        assert!(!follow.leads());
        assert!(!follow.applied(&value(0.5), Who::Terminal), "a hand");
        assert!(follow.leads() && !follow.hear(&told(true, 1_000_000)), "whoever is worked on follows nobody");
        assert!(BackupPairing::new(false).leads(), "who cannot hear anybody leads");
    }

    #[test]
    fn what_a_machine_told_is_known_again_once() {
        let follow = BackupPairing::new(true);
        for gesture in [0.1, 0.2, 0.3] {
            follow.expect(value(gesture));
        }
        assert!(follow.expects(&value(0.3)) && !follow.expects(&value(0.2)), "the newest counts");
        assert!(follow.applied(&value(0.2), Who::Osc));
        assert!(follow.applied(&value(0.3), Who::Osc));
        assert!(!follow.told(PairingKind::Made).worked, "no hand was there");
        assert!(!follow.applied(&value(0.3), Who::Osc), "the same again is somebody's own");
        assert!(follow.told(PairingKind::Made).worked);
    }

    #[test]
    fn a_level_on_its_way_up_to_what_a_machine_told_is_nobodys_hand() {
        let level = |address, db| addresses::message(address, vec![OscType::Float(db)]);
        let (all, left) = ("/tenterhook/level", "/tenterhook/level/left");
        let follow = BackupPairing::new(true);
        follow.expect(level(all, 3.0));
        for step in [-1.2, 0.0, 0.12] {
            assert!(follow.applied(&level(all, step), Who::Osc), "{step}");
        }
        assert!(follow.applied(&level(all, 3.0), Who::Osc) && !follow.told(PairingKind::Made).worked);
        for (address, step, who) in [(all, 1.0, Who::PageDesk), (left, 1.0, Who::Osc), (all, 4.0, Who::Osc)] {
            let follow = BackupPairing::new(true);
            follow.expect(level(all, 3.0));
            assert!(!follow.applied(&level(address, step), who), "{address} {step}");
        }
        follow.expect(value(0.5));
        assert!(!follow.applied(&value(0.2), Who::Osc), "nothing else rises");
    }

    #[test]
    fn what_it_says_of_itself_is_read_as_it_was_said() {
        for kind in [PairingKind::Made, PairingKind::State, PairingKind::Known] {
            let told = BackupPairing::new(false).told(kind);
            assert_eq!(PairingTold::read(&told.message().args), Some(told));
        }
        assert_eq!(PairingTold::read(&[1, 2, 3, 4].map(OscType::Int)), None);
        assert_eq!(PairingTold::read(&[]), None);
    }
}
