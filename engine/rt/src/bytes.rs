//! How much memory a piece takes, told before anything of it is built.

use tenterhook_dsp::effects::Settings;
use tenterhook_dsp::memory::Memory;
use tenterhook_plan::Plan;

use crate::control;
use crate::resident::Resident;
use crate::strip::{MicStrip, OutputStrip, Source};
use crate::table::{Making, Need, needs};

/// Bytes of all that is small and the same for every piece: measured.
const LISTS: usize = 10 << 10;

/// Bytes that a piece takes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Bytes {
    /// All of it.
    pub all: usize,
    /// Of that each effect, by [`InstanceId`](tenterhook_plan::InstanceId).
    pub effects: Vec<usize>,
}

/// Bytes that an engine takes that plays a plan at `rate` samples a second, with all that its effects will ever need.
/// Recordings that the plan has in memory already are not among them. Within 2 % of what an allocator counts for a
/// whole piece, while the first plays (one effect that takes hardly anything may be some hundred bytes off); a changed piece takes its own beside the old one's until it has taken over.
pub fn bytes(plan: &Plan, rate: u32) -> Bytes {
    let making = Making::default();
    let source = |need: &Need| size_of::<Source>() + Memory::bytes(need.samples, rate, need.analysis, need.model);
    let resident = |instance: &tenterhook_plan::Instance| {
        let settings = Settings { values: &instance.settings, rate, seed: 0 };
        Resident::bytes((making.effect(instance.effect).bytes)(&settings), plan.outputs.len())
    };
    let sends = plan.scenes.iter().map(|scene| scene.uses.len() * plan.outputs.len() * size_of::<f32>()).sum::<usize>();
    let effects: Vec<usize> = plan.instances.iter().map(resident).collect();
    // Lists by message, name and number, which no piece is without.
    let all = LISTS
        + control::rings()
        + needs(plan, rate, making).iter().map(source).sum::<usize>()
        + effects.iter().sum::<usize>()
        + plan.mics.len() * size_of::<MicStrip>()
        + plan.outputs.len() * size_of::<OutputStrip>()
        + plan.scenes.len() * plan.instances.len() * size_of::<Option<Box<[f32]>>>()
        + sends;
    Bytes { all, effects }
}
