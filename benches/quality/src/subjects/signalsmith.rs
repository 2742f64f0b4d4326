//! The library signalsmith-stretch, by its crate.

use signalsmith_stretch::Stretch;

use super::Stretcher;
use crate::RATE;

/// Begins to stretch a sound live, so many frames out a block.
pub type Live = fn(&[f32], f64, usize) -> Box<dyn FnMut(usize)>;

/// Its presets live: a block in, so many times shorter, for a block out.
pub fn live() -> Vec<(&'static str, Live)> {
    fn begin(mut of: Stretch, sound: &[f32], ratio: f64, block: usize) -> Box<dyn FnMut(usize)> {
        let (sound, mut out) = (sound.to_vec(), vec![0.0f32; block]);
        Box::new(move |number| {
            let place = |number: usize| ((number * block) as f64 / ratio) as usize;
            of.process(&sound[place(number)..place(number + 1)], &mut out);
            std::hint::black_box(&out);
        })
    }
    vec![
        ("SS", |sound, ratio, block| begin(Stretch::preset_default(1, RATE as u32), sound, ratio, block)),
        ("SS cheaper", |sound, ratio, block| begin(Stretch::preset_cheaper(1, RATE as u32), sound, ratio, block)),
    ]
}

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
