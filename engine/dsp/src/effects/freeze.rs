//! freeze.

use super::{Effect, Processor};
use crate::memory::Heard;
use tenterhook_plan::declare::{Declaration, Emits, Kind, SettingDeclaration, Unit};

pub(super) const EFFECT: Effect = Effect {
    declaration: Declaration {
        name: "freeze",
        help: "A moment of sound that hangs still.",
        x: "how loud the held sound is",
        settings: &[
            SettingDeclaration {
                name: "aim",
                help: "Which moment is held.",
                kind: Kind::Choice {
                    words: &[
                        ("steady", "the steadiest pitched moment near the gesture"),
                        ("now", "exactly what sounds at the gesture"),
                    ],
                    default: 0,
                },
            },
            SettingDeclaration {
                name: "spread",
                help: "How far apart the grains are taken: 0 hangs still, 1 swarms.",
                kind: Kind::Quantity { unit: Unit::Number, least: 0.0, most: 1.0, default: 0.0 },
            },
        ],
        emits: Emits::Audio,
    },
    level: |x| x,
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
