//! stretch.

use super::{Effect, Processor};
use crate::memory::Heard;
use tenterhook_plan::declare::{Declaration, Emits, Kind, SettingDeclaration, Unit};

pub(super) const EFFECT: Effect = Effect {
    declaration: Declaration {
        name: "stretch",
        help: "The sound of the mic read slowly, from a little before the gesture on.",
        x: "how slowly the sound is read: most^x; over its first tenth it also brings the sound up from nothing",
        settings: &[
            SettingDeclaration {
                name: "most",
                help: "How many times slower the sound is read at x = 1.",
                kind: Kind::Quantity { unit: Unit::Number, least: 1.0, most: 64.0, default: 8.0 },
            },
            SettingDeclaration {
                name: "memory",
                help: "How much sound is taken in; when it is full the stretch plays to its end and holds its last moment.",
                kind: Kind::Quantity { unit: Unit::Seconds, least: 1.0, most: 120.0, default: 30.0 },
            },
        ],
        emits: Emits::Audio,
    },
    level: |x| (10.0 * x).min(1.0),
    reach: |_| 1.0,
    make: |_| Box::new(Provisional),
};

struct Provisional;

impl Processor for Provisional {
    fn begin(&mut self, _at: u64, _heard: &Heard<'_>) {}

    fn render(&mut self, _from: u64, now: &[f32], _x: &[f32], _heard: &Heard<'_>, out: &mut [f32]) {
        out.copy_from_slice(now);
    }
}
