//! The status line of a show, on a terminal.

use tenterhook_plan::{Meters, Plan, RunState, SceneId};

/// Softer than this a mic counts as silent, in dBFS.
const SILENT_DB: f32 = -70.0;

/// Scene and time in it, the next mark, what is muted, the loudest mic that is not, late blocks.
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

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use tenterhook_plan::EngineState;
    use tenterhook_plan::run_state::Device;

    const PIECE: &str = "mics = { voice = 1, viol = 2, lute = 3 }\noutputs = { left = 1 }\n[[scene]]\nmark = \"A\"\n\
                         name = \"Threshold\"\nmic.voice.direct = { by = \"scene\" }\nmic.viol.direct = { by = \"scene\" }\n\
                         mic.lute.direct = { by = \"scene\" }\n[[scene]]\nmark = \"Bridge\"\n";

    /// The line of a run that has played for so many seconds, after something was done to it.
    fn line(seconds: f64, done: impl FnOnce(&mut EngineState, &mut Meters, &mut RunState)) -> String {
        let piece = tenterhook_config::Text::new("piece.toml", PIECE);
        let mut engine = EngineState::new(Arc::new(tenterhook_config::check(&piece, None).unwrap().plan));
        engine.scene = Some((SceneId(0), 0));
        let (mut meters, mut state) = (Meters::new(&engine.plan), RunState::new(engine.clone()));
        state.device = Arc::new(Device { rate: 44_100, ..Device::default() });
        state.sample = (seconds * 44_100.0) as u64;
        done(&mut engine, &mut meters, &mut state);
        status(&RunState { engine: Arc::new(engine), ..state }, &meters)
    }

    #[test]
    fn the_time_in_the_scene_is_told_in_minutes_and_seconds_of_two_digits() {
        let rest = "   next Bridge   mics silent   no late blocks";
        for (seconds, told) in [(0.0, "0:00"), (9.99, "0:09"), (59.9, "0:59"), (60.0, "1:00"), (3725.0, "62:05")] {
            assert_eq!(line(seconds, |_, _, _| {}), format!("A Threshold  {told}{rest}"));
        }
        let later = line(100.0, |engine, _, _| engine.scene = Some((SceneId(1), 93 * 44_100)));
        assert_eq!(later, "Bridge  0:07   the last scene   mics silent   no late blocks", "since it came");
    }

    #[test]
    fn who_is_muted_the_loudest_who_is_not_and_how_many_blocks_were_late_are_told() {
        let loud = |meters: &mut Meters| {
            for (mic, rms) in meters.mics.iter_mut().zip([0.5, 0.05, 0.1]) {
                mic.rms = rms;
                // A click makes nobody the loudest.
                mic.peak = 1.0 - rms;
            }
        };
        let of = |muted: [bool; 3], late| {
            line(0.0, |engine, meters, state| {
                loud(meters);
                engine.muted = muted.to_vec();
                state.late = late;
            })
        };
        let begins = "A Threshold  0:00   next Bridge   ";
        assert_eq!(of([false; 3], 1), format!("{begins}voice -6 dB   1 late"));
        assert_eq!(of([true, false, false], 12), format!("{begins}muted: voice   lute -20 dB   12 late"));
        assert_eq!(of([true, false, true], 0), format!("{begins}muted: voice, lute   viol -26 dB   no late blocks"));
        assert_eq!(of([true; 3], 0), format!("{begins}muted: voice, viol, lute   no late blocks"));
    }
}
