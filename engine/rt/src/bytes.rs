//! How much memory a piece takes, told before anything of it is built.

use tenterhook_dsp::memory::Memory;
use tenterhook_plan::Plan;

use crate::compiled_plan::{CompiledScene, Making, Need, Needs, ScenePart};
use crate::control;
use crate::delay::Delay;
use crate::neighbours::Neighbours;
use crate::pool::{Pool, PoolNeed};
use crate::resident::Resident;
use crate::strip::{MicStrip, OutputStrip, SourceStrip};
use crate::trim::TrimFader;

/// Bytes of all that is small and the same for every piece: measured.
const LISTS: usize = (10 << 10) + 512;

/// Bytes that a piece takes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Bytes {
    /// All of it.
    pub all: usize,
    /// Of that the voices of each effect on each source, which all its scenes share: the effect's name, and bytes.
    pub voices: Vec<(&'static str, usize)>,
}

/// Bytes that an engine takes that plays a plan at `rate` samples a second, with all that its effects will ever need.
/// Recordings that the plan has in memory already are not among them. Within 2 % of what an allocator counts for a
/// whole piece, while the first plays (one effect that takes hardly anything may be some hundred bytes off); a changed
/// piece takes its own beside the old one's until it has taken over.
pub fn bytes(plan: &Plan, rate: u32) -> Bytes {
    let (making, outputs) = (Making::default(), plan.outputs.len());
    let needs = Needs::new(plan, rate, making);
    let source = |need: &Need| size_of::<SourceStrip>() + Memory::bytes(need.samples, rate, need.analysis, need.model);
    let pool = |need: &PoolNeed| (need.effect, Pool::bytes(need, making, rate, outputs));
    let voices: Vec<_> = needs.pools.iter().map(pool).collect();
    let parts: usize = plan.scenes.iter().map(|scene| scene.uses.len()).sum();
    // Lists by message, name and number, which no piece is without.
    let all = LISTS
        + control::rings()
        + needs.sources.iter().map(source).sum::<usize>()
        + voices.iter().map(|(_, bytes)| bytes).sum::<usize>()
        + needs.settings.iter().map(|settings| settings.bytes).sum::<usize>()
        + plan.instances.len() * (size_of::<Resident>() + size_of::<usize>())
        + plan.trims.len() * size_of::<TrimFader>()
        + plan.mics.len() * size_of::<MicStrip>()
        + Neighbours::bytes(plan)
        + outputs * size_of::<OutputStrip>()
        + plan.outputs.iter().map(|output| Delay::bytes(output.delay, rate)).sum::<usize>()
        + plan.scenes.len() * size_of::<CompiledScene>()
        + parts * (size_of::<ScenePart>() + outputs * size_of::<f32>());
    Bytes { all, voices }
}
