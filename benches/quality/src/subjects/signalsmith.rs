//! The library signalsmith-stretch, by its crate.

use signalsmith_stretch::Stretch;

use super::Stretcher;
use crate::RATE;

/// Its presets. It takes its own latency away.
pub fn stretchers() -> Vec<Stretcher> {
    let of = |name: &str, preset: fn(u32, u32) -> Stretch| {
        let run = move |source: &[f64], ratio: f64| {
            let input: Vec<f32> = source.iter().map(|&x| x as f32).collect();
            let mut output = vec![0.0f32; (source.len() as f64 * ratio).round() as usize];
            if !preset(1, RATE as u32).exact(&input, &mut output) {
                return Err("refused as too short".to_owned());
            }
            Ok(output.into_iter().map(f64::from).collect())
        };
        Stretcher { name: name.to_owned(), run: Box::new(run) }
    };
    vec![of("SS", Stretch::preset_default), of("SS cheaper", Stretch::preset_cheaper)]
}
