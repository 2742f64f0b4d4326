//! Short runs of the engine.

use tenterhook_plan::{Applied, Event, Plan, SceneId, Timed, gain};

/// A low rate: an engine is built for each input, with all the memory that its piece asks for.
pub const RATE: u32 = 8_000;

/// Plays a plan on mics that send what mics should and should not, cut into blocks of these lengths. Panics if an output
/// is not finite or above its ceiling. Returns the outputs' bits and what was applied.
pub fn run(plan: &Plan, events: &[Timed<Event>], cuts: &[usize]) -> (Vec<Vec<u32>>, Vec<Applied>) {
    let channels = |used: &mut dyn Iterator<Item = u16>| used.max().map_or(0, |most| usize::from(most) + 1);
    let inputs = channels(&mut plan.mics.iter().filter_map(|mic| mic.input));
    let outputs = channels(&mut plan.outputs.iter().filter_map(|output| output.channel));
    let (mut engine, mut control) = tenterhook_rt::engine(plan, RATE, SceneId(0));
    let mut heard = vec![Vec::new(); outputs];
    let (mut at, mut rest) = (0usize, events);
    for &frames in cuts {
        let end = (at + frames) as u64;
        let (now, later) = rest.split_at(rest.partition_point(|event| event.sample < end));
        rest = later;
        let input = |channel: usize| (at..at + frames).map(|i| sample(channel, i)).collect::<Vec<_>>();
        let inputs: Vec<_> = (0..inputs).map(input).collect();
        let inputs: Vec<_> = inputs.iter().map(Vec::as_slice).collect();
        let mut sound = vec![vec![f32::NAN; frames]; outputs];
        let mut slices: Vec<_> = sound.iter_mut().map(Vec::as_mut_slice).collect();
        engine.process(&inputs, &mut slices, now);
        for (channel, (heard, sound)) in heard.iter_mut().zip(&sound).enumerate() {
            let sent = plan.outputs.iter().filter(|output| output.channel == u16::try_from(channel).ok());
            let ceiling = sent.map(|output| gain(output.ceiling.0)).fold(0.0, f32::max);
            assert!(sound.iter().all(|x| x.is_finite() && x.abs() <= ceiling), "output channel {channel} at {at}");
            heard.extend(sound.iter().map(|x| x.to_bits()));
        }
        at += frames;
    }
    (heard, std::iter::from_fn(|| control.applied()).collect())
}

/// A tone, and now and then what no microphone should send.
fn sample(channel: usize, i: usize) -> f32 {
    let odd = [f32::NAN, f32::INFINITY, -1e30, 1e-42, 1.0, -1.0];
    match i % 97 {
        96 => odd[(i / 97 + channel) % odd.len()],
        _ => 0.5 * (i as f32 * 0.1 * (channel + 1) as f32).sin(),
    }
}
