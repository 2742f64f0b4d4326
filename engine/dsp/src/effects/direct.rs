//! direct: the mic itself.

use super::{Effect, Processor};
use crate::memory::Heard;
use tenterhook_plan::declare::{Declaration, Emits};

pub(super) const EFFECT: Effect = Effect {
    declaration: Declaration {
        name: "direct",
        help: "The mic as it is, louder.",
        x: "how loud the mic itself is",
        settings: &[],
        emits: Emits::Audio,
    },
    level: |x| x,
    reach: |_| 0.0,
    wants_analysis: |_| false,
    wants_model: false,
    lag: |_, _| 0.0,
    bytes: |_| 0,
    make: |_| Box::new(Direct),
};

struct Direct;

impl Processor for Direct {
    fn begin(&mut self, _at: u64, _heard: &Heard<'_>) {}

    fn render(&mut self, _from: u64, now: &[f32], _x: &[f32], _heard: &Heard<'_>, out: &mut [f32]) {
        out.copy_from_slice(now);
    }
}
