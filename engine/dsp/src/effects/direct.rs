//! direct: the mic itself.

use super::{EffectVoice, Given, Measured, loudness};
use crate::memory::Heard;
use tenterhook_plan::declare::{Declaration, Emits};

pub(super) struct Direct;

impl EffectVoice for Direct {
    const DECLARATION: Declaration = Declaration {
        name: "direct",
        help: "The mic as it is, louder.",
        x: "how loud the mic itself is",
        x_is_loudness: true,
        settings: &[],
        emits: Emits::Audio,
    };

    type Settings = ();

    fn settings(_: &Given<'_>) {}

    fn level(x: f32) -> f32 {
        loudness(x)
    }

    fn bytes(_: u32, _: f64) -> usize {
        0
    }

    fn new(_: u32, _: f64) -> Self {
        Self
    }

    fn begin(&mut self, _: u64, _: &Heard<'_>, (): &(), _: u64) {}

    fn render(&mut self, _: u64, now: &[f32], _: &[f32], _: &Heard<'_>, (): &(), out: &mut [f32]) {
        out.copy_from_slice(now);
    }
}

impl Measured for Direct {}
