//! A device at another rate than the engine's: what goes in and out of the bridge between them.

use proptest::prelude::*;
use std::f64::consts::TAU;
use tenterhook_io::{Bridge, Error};
use tenterhook_plan::{Event, Gesture, Midi, Timed};

/// The engine's rate and the device's, in Hz.
const RATES: [(u32, u32); 6] =
    [(48_000, 44_100), (44_100, 48_000), (48_000, 96_000), (96_000, 48_000), (48_000, 32_000), (44_100, 192_000)];

/// What an engine that passes its inputs on makes of the device's input, in blocks as long as `blocks` says, and the
/// events that it got.
fn through(rates: (u32, u32), input: &[f32], events: &[u64], blocks: &[usize], most: usize) -> (Vec<f32>, Vec<u64>) {
    let mut bridge = Bridge::new(rates.0, rates.1, 1, 2, most).unwrap();
    let (mut heard, mut got, mut sample, mut done) = (Vec::new(), Vec::new(), 1000, 0);
    for block in blocks.iter().cycle() {
        if done == input.len() {
            break;
        }
        let length = (*block).min(input.len() - done);
        let now: Vec<_> = events
            .iter()
            .filter(|at| (done..done + length).contains(&(**at as usize)))
            .map(|at| Timed { sample: at - done as u64, what: Event::written(Gesture::Next) })
            .collect();
        let (mut left, mut right, mut most_played) = (vec![9.0; length], vec![9.0; length], 0);
        let lost =
            bridge.block(sample, &[&input[done..done + length]], &mut [&mut left, &mut right], &now, |i, o, e| {
                for event in e {
                    assert!((sample..sample + i[0].len() as u64).contains(&event.sample), "in its block");
                    got.push(event.sample - 1000);
                }
                o[0].copy_from_slice(i[0]);
                o[1].fill(0.0);
                sample += i[0].len() as u64;
                most_played += 1;
            });
        assert_eq!(lost, 0);
        assert!(right.iter().all(|x| *x == 0.0));
        heard.extend(left);
        done += length;
    }
    (heard, got)
}

#[test]
fn a_sine_returns_as_it_was_and_as_late_as_is_said() {
    for rates in RATES {
        let device = f64::from(rates.1);
        // Of the band that both rates hold, all but the top fifth.
        let band = 0.4 * f64::from(rates.0.min(rates.1));
        for hz in [100.0, 997.0, 10_000.0, 15_000.0, 17_500.0].into_iter().filter(|hz| *hz < band) {
            let sine = |at: f64| (TAU * hz * at).sin();
            let input: Vec<f32> = (0..40_000).map(|n| sine(f64::from(n) / device) as f32).collect();
            let (heard, _) = through(rates, &input, &[], &[256], 256);
            let latency = Bridge::new(rates.0, rates.1, 1, 2, 256).unwrap().latency();
            // By what a sine of the same frequency, amplitude and delay differs: it may by -90 dB in all.
            let off =
                heard.iter().enumerate().skip(8000).map(|(n, x)| f64::from(*x) - sine(n as f64 / device - latency));
            let worst = 20.0 * off.fold(1e-9f64, |worst, off| worst.max(off.abs())).log10();
            println!(
                "engine {} Hz, device {} Hz: {:.3} ms late, {hz} Hz off by {worst:.1} dB",
                rates.0,
                rates.1,
                1e3 * latency
            );
            assert!(worst < -90.0, "{rates:?}, {hz} Hz: {worst} dB");
        }
    }
}

#[test]
fn an_event_arrives_with_its_sound() {
    for rates in RATES {
        let mut input = vec![0.0; 20_000];
        let at = [0, 1, 4000, 4001, 9999, 17_000];
        at.iter().for_each(|at| input[*at as usize] = 1.0);
        let mut bridge = Bridge::new(rates.0, rates.1, 1, 0, 512).unwrap();
        let (mut played, mut events) = (Vec::new(), Vec::new());
        for (n, block) in input.chunks(500).enumerate() {
            let begin = 500 * n as u64;
            let now = at.iter().filter(|at| (begin..begin + 500).contains(at));
            let bytes = [0x90, 60, 100];
            let now: Vec<_> = now
                .into_iter()
                .map(|at| Timed { sample: at - begin, what: Event::Midi(Midi { ports: 0, bytes }) })
                .collect();
            bridge.block(played.len() as u64, &[block], &mut [], &now, |i, _, e| {
                played.extend_from_slice(i[0]);
                events.extend(e.iter().map(|event| event.sample as usize));
            });
        }
        assert_eq!(events.len(), at.len());
        for event in &events[2..] {
            // An impulse is loudest at its place, between two frames; two of them side by side between theirs.
            let around = &played[event - 20..event + 20];
            let loudest = around.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).unwrap().0;
            assert!(loudest.abs_diff(20) <= 1 + rates.0.div_ceil(rates.1) as usize, "{rates:?}: {loudest}");
        }
    }
}

#[test]
fn rates_that_are_none_are_refused() {
    let error = Bridge::new(48_000, 0, 1, 1, 64).err().unwrap();
    assert_eq!(error, Error::Convert { from: 0, to: 48_000 });
    assert!(error.to_string().contains("set the device to a rate"), "{error}");
}

fn noise(length: usize) -> Vec<f32> {
    let mut state = 1u32;
    (0..length)
        .map(|_| {
            // Numerical Recipes' generator.
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            state as f32 / u32::MAX as f32 - 0.5
        })
        .collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn the_device_may_cut_its_time_as_it_likes(
        rates in prop::sample::select(&RATES[..]),
        blocks in prop::collection::vec(prop_oneof![1usize..40, 40usize..1500, Just(8192)], 1..12),
        most in prop::sample::select(&[1usize, 64, 1024, 8192][..]),
        mut events in prop::collection::vec(0u64..20_000, 0..40),
    ) {
        events.sort_unstable();
        events.dedup();
        let input = noise(20_000);
        let (heard, got) = through(rates, &input, &events, &blocks, most);
        let (whole, all) = through(rates, &input, &events, &[64], 64);
        prop_assert!(heard.iter().any(|x| x.abs() > 0.1), "a run in which nothing sounds proves little");
        prop_assert!(heard.iter().zip(&whole).all(|(a, b)| a.to_bits() == b.to_bits()));
        // The last blocks' events may still wait for their sound.
        let both = got.len().min(all.len());
        prop_assert_eq!(&got[..both], &all[..both]);
        prop_assert!(both + 40 >= events.len());
    }
}
