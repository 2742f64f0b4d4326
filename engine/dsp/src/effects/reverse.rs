//! reverse.

use super::{Effect, Processor};
use crate::memory::Heard;
use tenterhook_plan::declare::{Declaration, Emits, Kind, SettingDeclaration, Unit};

pub(super) const EFFECT: Effect = Effect {
    declaration: Declaration {
        name: "reverse",
        help: "The last span of sound heard backwards, span after span.",
        x: "how loud the reversed sound is",
        settings: &[SettingDeclaration {
            name: "span",
            help: "How much sound is turned round at a time.",
            kind: Kind::Quantity { unit: Unit::Seconds, least: 0.05, most: 20.0, default: 1.5 },
        }],
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
