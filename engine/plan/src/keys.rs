//! Keys of the terminal and the page.

use crate::{Address, Controller, ControllerId, Gesture, Plan};

/// Which key works which controller.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Keys {
    keys: Vec<(String, ControllerId, Controller)>,
}

impl Keys {
    /// The keys of a piece.
    pub fn of(plan: &Plan) -> Self {
        let with_key = |(index, controller): (usize, &Controller)| match &controller.address {
            Address::Key(key) => Some((key.clone(), ControllerId::new(index), controller.clone())),
            _ => None,
        };
        Self { keys: plan.controllers.iter().enumerate().filter_map(with_key).collect() }
    }

    /// The key went down. `key` is its value's name in the W3C UI Events standard. `None`: no controller has it.
    pub fn down(&self, key: &str) -> Option<Gesture> {
        self.moved(key, true)
    }

    /// The key came up again.
    pub fn up(&self, key: &str) -> Option<Gesture> {
        self.moved(key, false)
    }

    /// A key of which only the press is known, as in a terminal: down and up at once.
    pub fn tap(&self, key: &str) -> Option<[Gesture; 2]> {
        Some([self.down(key)?, self.up(key)?])
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
