//! Keys of the terminal and the page.

use crate::{Address, Controller, ControllerId, Gesture, Plan};

/// Which key works which controller.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Keys {
    keys: Vec<(String, ControllerId, Controller)>,
    /// The controllers that fire and hush.
    triggers: Vec<ControllerId>,
}

impl Keys {
    /// The keys of a piece.
    pub fn of(plan: &Plan) -> Self {
        let with_key = |(index, controller): (usize, &Controller)| match &controller.address {
            Address::Key(key) => Some((key.clone(), ControllerId::new(index), controller.clone())),
            _ => None,
        };
        Self {
            keys: plan.controllers.iter().enumerate().filter_map(with_key).collect(),
            triggers: [plan.next, plan.back, plan.hush].into_iter().flatten().collect(),
        }
    }

    /// Whether a controller has this key.
    pub fn has(&self, key: &str) -> bool {
        self.keys.iter().any(|(name, ..)| name == key)
    }

    /// Whether a controller that works an effect while its key is held has a key.
    pub fn holds(&self) -> bool {
        self.keys.iter().any(|(_, id, controller)| !controller.latch && !self.triggers.contains(id))
    }

    /// The key went down. `key` is its value's name in the W3C UI Events standard. `None`: no controller has it.
    pub fn down(&self, key: &str) -> Option<Gesture> {
        self.moved(key, true)
    }

    /// The key came up again.
    pub fn up(&self, key: &str) -> Option<Gesture> {
        self.moved(key, false)
    }

    /// A key of which only the press is known, as in most terminals. What fires, hushes or latches goes down and up at
    /// once; anything else is turned over: from rest to 1, and back. `stands` tells a controller's value.
    pub fn press(&self, key: &str, stands: impl Fn(ControllerId) -> f32) -> Option<[Option<Gesture>; 2]> {
        let (_, id, controller) = self.keys.iter().find(|(name, ..)| name == key)?;
        if controller.latch || self.triggers.contains(id) {
            return Some([self.down(key), self.up(key)]);
        }
        Some([if stands(*id) > 0.0 { self.up(key) } else { self.down(key) }, None])
    }

    fn moved(&self, key: &str, down: bool) -> Option<Gesture> {
        let (_, id, controller) = self.keys.iter().find(|(name, ..)| name == key)?;
        Some(if controller.latch {
            Gesture::Press { id: *id, down }
        } else {
            Gesture::Controller { id: *id, value: controller.curve.bend(f32::from(down)) }
        })
    }
}
