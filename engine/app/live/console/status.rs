//! The status line of a show, on a terminal.

use tenterhook_plan::{Meters, Plan, RunState, SceneId};

/// Softer than this a mic counts as silent, in dBFS.
const SILENT_DB: f32 = -70.0;

/// Hush, scene and time in it, the next mark, what is muted, the loudest mic that is not, late blocks.
pub fn status(state: &RunState, meters: &Meters) -> String {
    let (engine, plan) = (&state.engine, &state.engine.plan);
    let mut parts = Vec::new();
    if let Some((id, since)) = engine.scene
        && let Some(scene) = plan.scenes.get(id.index())
    {
        let seconds = state.sample.saturating_sub(since) / u64::from(state.device.rate.max(1));
        let title = scene.name.as_ref().map_or_else(String::new, |name| format!(" {name}"));
        parts.push(format!("{}{title}  {}:{:02}", scene.mark, seconds / 60, seconds % 60));
        parts.push(next(plan, id));
    }
    let muted = |n: usize| engine.muted.get(n).copied().unwrap_or_default();
    let (shut, open): (Vec<_>, Vec<_>) = plan.mics.iter().zip(&meters.mics).enumerate().partition(|(n, _)| muted(*n));
    if !shut.is_empty() {
        let names: Vec<_> = shut.iter().map(|(_, (mic, _))| mic.name.as_str()).collect();
        parts.push(format!("muted: {}", names.join(", ")));
    }
    if let Some((_, (mic, meter))) = open.iter().max_by(|a, b| a.1.1.rms.total_cmp(&b.1.1.rms)) {
        let db = 20.0 * meter.rms.log10();
        parts.push(if db > SILENT_DB { format!("{} {db:.0} dB", mic.name) } else { "mics silent".to_owned() });
    }
    parts.push(match state.late {
        0 => "no late blocks".to_owned(),
        late => format!("{late} late"),
    });
    parts.join("   ")
}

fn next(plan: &Plan, now: SceneId) -> String {
    match plan.scenes.get(now.index() + 1) {
        Some(scene) => format!("next {}", scene.mark),
        None => "the last scene".to_owned(),
    }
}
