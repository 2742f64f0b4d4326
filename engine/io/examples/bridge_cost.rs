//! What a bridge between a device and an engine of another rate costs: the time of its blocks as a part of what they last,
//! without an engine. The least time of each block over some runs that are the same: what the machine itself does in
//! between falls out.

use std::time::Instant;
use tenterhook_io::Bridge;

const RUNS: usize = 7;
const BLOCKS: usize = 3000;

fn main() -> Result<(), tenterhook_io::Error> {
    println!("engine, device, channels each way, block: mean and worst part of a block's time; ns a channel and frame");
    for (engine, device) in [(48_000, 44_100), (44_100, 48_000), (48_000, 96_000), (96_000, 48_000)] {
        for channels in [1, 2, 8, 64] {
            for block in [64, 256] {
                cost(engine, device, channels, block)?;
            }
        }
    }
    Ok(())
}

fn cost(engine: u32, device: u32, channels: usize, block: usize) -> Result<(), tenterhook_io::Error> {
    let input: Vec<f32> = (0..block).map(|n| (n as f32 * 0.1).sin()).collect();
    let inputs = vec![input.as_slice(); channels];
    let mut least = vec![f64::MAX; BLOCKS];
    for _ in 0..RUNS {
        let mut bridge = Bridge::new(engine, device, channels, channels, block)?;
        let mut buffers = vec![vec![0.0; block]; channels];
        let mut outputs: Vec<&mut [f32]> = buffers.iter_mut().map(Vec::as_mut_slice).collect();
        let mut sample = 0;
        for least in &mut least {
            let began = Instant::now();
            bridge.block(sample, &inputs, &mut outputs, &[], |i, o, _| {
                sample += i[0].len() as u64;
                o.iter_mut().zip(i).for_each(|(o, i)| o.copy_from_slice(i));
            });
            *least = least.min(began.elapsed().as_secs_f64());
        }
    }
    let lasts = block as f64 / f64::from(device);
    let mean = least.iter().sum::<f64>() / BLOCKS as f64;
    let worst = least.iter().copied().fold(0.0, f64::max);
    let each = 1e9 * mean / (block * channels) as f64;
    println!(
        "{engine} Hz, {device} Hz, {channels:2}, {block:3}: {:.2} %, {:.2} %; {each:.0} ns",
        100.0 * mean / lasts,
        100.0 * worst / lasts
    );
    Ok(())
}
