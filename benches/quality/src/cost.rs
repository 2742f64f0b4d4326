//! The table of cost: how long a block of 64 frames takes to stretch, beside a bare transform.

use std::time::{Duration, Instant};

use realfft::RealFftPlanner;
use tenterhook_dsp::effects::named;
use tenterhook_dsp::memory::Memory;
use tenterhook_plan::declare::Setting;

use crate::RATE;
use crate::report::{OURS, Row};
use crate::signals::{Course, Signal};

/// Frames of a block that goes out.
const BLOCK: usize = 64;

/// Identical runs. Of each block the least time counts: what else the machine did falls out.
const RUNS: usize = 9;

/// Work that is done block by block: makes block number `.0` of what it was made for.
type Blocks = Box<dyn FnMut(usize)>;

/// The least time of each block of identical runs, in microseconds.
fn least(blocks: usize, mut begin: impl FnMut() -> Blocks) -> Vec<f64> {
    let mut least = vec![Duration::MAX; blocks];
    for _ in 0..RUNS {
        let mut block = begin();
        for (number, least) in least.iter_mut().enumerate() {
            let start = Instant::now();
            block(number);
            *least = start.elapsed().min(*least);
        }
    }
    least.iter().map(|time| time.as_secs_f64() * 1e6).collect()
}

/// Stretch as the engine has it, with the analysis of its source: the gesture falls on the first sample.
fn ours(sound: &[f32], ratio: f64) -> Blocks {
    let (sound, rate) = (sound.to_vec(), RATE as u32);
    let effect = named("stretch").expect("there is a stretch");
    let values = [Setting::Quantity(ratio), Setting::Quantity(sound.len() as f64 / RATE + 1.0)];
    let settings = (effect.prepare)(&values, rate);
    let mut processor = (effect.make)(rate, settings.room);
    let reach = (settings.reach * RATE) as usize + tenterhook_dsp::CELL as usize;
    let mut memory = Memory::new(reach, rate).modelled(rate, 0);
    let x = [1.0; tenterhook_dsp::CELL as usize];
    Box::new(move |number| {
        for from in (number * BLOCK..(number + 1) * BLOCK).step_by(x.len()) {
            let now = &sound[from..from + x.len()];
            if from == 0 {
                processor.begin(0, &memory.heard(0), &settings, 0);
            }
            memory.write(from as u64, now);
            let mut out = x;
            processor.render(from as u64, now, &x, &memory.heard(from as u64), &settings, &mut out);
            std::hint::black_box(out);
        }
    })
}

/// A real transform of 4096 points there and back for every 512 frames: a unit that every library could be measured in.
fn transform() -> Blocks {
    let mut planner = RealFftPlanner::<f32>::new();
    let (forward, inverse) = (planner.plan_fft_forward(4096), planner.plan_fft_inverse(4096));
    let (mut time, mut spectrum) = (forward.make_input_vec(), forward.make_output_vec());
    let (mut there, mut back) = (forward.make_scratch_vec(), inverse.make_scratch_vec());
    Box::new(move |number| {
        if number.is_multiple_of(512 / BLOCK) {
            time.fill(1e-3);
            // All lengths are as planned.
            let _ = forward.process_with_scratch(&mut time, &mut spectrum, &mut there);
            let _ = inverse.process_with_scratch(&mut spectrum, &mut time, &mut back);
            std::hint::black_box(&time);
        }
    })
}

/// One signal: each subject's row.
pub fn rows(signal: &Signal, ratio: f64) -> Vec<Row> {
    let sound: Vec<f32> =
        signal.render(&Course::steady(signal.seconds, 1.0), 0).into_iter().map(|x| x as f32).collect();
    let blocks = sound.len() / BLOCK;
    let unit = least(blocks, transform).iter().sum::<f64>() / blocks as f64;
    let row = |subject: &str, times: Vec<f64>| {
        let mut sorted = times;
        sorted.sort_by(f64::total_cmp);
        let mean = sorted.iter().sum::<f64>() / sorted.len() as f64;
        Row {
            group: ratio.to_string(),
            subject: subject.to_owned(),
            signal: signal.name.clone(),
            kind: signal.kind.name(),
            values: Ok(vec![
                ("mean_us", mean),
                ("p99_us", sorted[sorted.len() * 99 / 100]),
                ("worst_us", sorted[sorted.len() - 1]),
                ("mean_in_transforms", mean / unit),
            ]),
        }
    };
    #[cfg_attr(not(feature = "peers"), expect(unused_mut, reason = "nobody beside ours"))]
    let mut rows = vec![row(OURS, least(blocks, || ours(&sound, ratio)))];
    #[cfg(feature = "peers")]
    rows.extend(
        crate::subjects::signalsmith::live()
            .into_iter()
            .map(|(name, begin)| row(name, least(blocks, || begin(&sound, ratio, BLOCK)))),
    );
    rows
}
