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

    /// The key went down: a gesture for each controller that has it. `key` is its value's name in the W3C UI Events
    /// standard.
    pub fn down(&self, key: &str) -> Vec<Gesture> {
        self.of_key(key).map(|(_, id, controller)| moved(*id, controller, true)).collect()
    }

    /// The key came up again.
    pub fn up(&self, key: &str) -> Vec<Gesture> {
        self.of_key(key).map(|(_, id, controller)| moved(*id, controller, false)).collect()
    }

    fn of_key(&self, key: &str) -> impl Iterator<Item = &(String, ControllerId, Controller)> {
        self.keys.iter().filter(move |(name, ..)| name == key)
    }

    /// A key of which only the press is known, as in most terminals. What fires, hushes or latches goes down and up at
    /// once; anything else is turned over: from rest to 1, and back. `stands` tells a controller's value.
    pub fn press(&self, key: &str, stands: impl Fn(ControllerId) -> f32) -> Vec<Gesture> {
        let turned = |(_, id, controller): &(String, ControllerId, Controller)| {
            let [down, up] = [true, false].map(|down| moved(*id, controller, down));
            match controller.latch || self.triggers.contains(id) {
                true => vec![down, up],
                false if stands(*id) > 0.0 => vec![up],
                false => vec![down],
            }
        };
        self.of_key(key).flat_map(turned).collect()
    }
}

fn moved(id: ControllerId, controller: &Controller, down: bool) -> Gesture {
    if controller.latch {
        Gesture::Press { id, down }
    } else {
        Gesture::Controller { id, value: controller.curve.bend(f32::from(down)) }
    }
}
