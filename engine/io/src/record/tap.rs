//! The audio thread's end of a log: two rings, of samples and of the spans that they belong to.

use ringbuf::traits::{Consumer, Observer, Producer, Split};
use ringbuf::{HeapCons, HeapProd, HeapRb};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// A run of frames that went into the ring whole. What lies between two spans was lost.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Span {
    /// Its first frame, counted from the first of the run.
    pub at: u64,
    /// How many frames.
    pub frames: u32,
}

/// Copies every block into a log's ring. A block for which there is no room is left out and counted, whole; it never
/// waits.
pub struct Tap {
    inputs: usize,
    outputs: usize,
    samples: HeapProd<f32>,
    spans: HeapProd<Span>,
    ends: Arc<Ends>,
}

/// How far the run has come, as both ends see it.
#[derive(Debug, Default)]
pub(crate) struct Ends {
    /// Frames that the tap has seen.
    pub seen: AtomicU64,
    /// Of these, the frames for which there was no room.
    pub lost: AtomicU64,
}

/// The other end of a [`Tap`].
pub(crate) struct TapEnd {
    pub samples: HeapCons<f32>,
    pub spans: HeapCons<Span>,
    pub ends: Arc<Ends>,
}

/// A tap for `inputs` + `outputs` channels, with room for `frames`.
pub(crate) fn tap(inputs: usize, outputs: usize, frames: usize) -> (Tap, TapEnd) {
    let (mut samples, mut samples_end) = HeapRb::new((frames * (inputs + outputs)).max(1)).split();
    // Touched before use: the audio thread must not be the first to write to a page of memory.
    samples.push_iter(std::iter::repeat(0.0));
    samples_end.clear();
    // Small blocks need more spans: one per 16 frames is beyond any device.
    let (mut spans, mut spans_end) = HeapRb::new((frames / 16).max(1)).split();
    spans.push_iter(std::iter::repeat(Span { at: 0, frames: 0 }));
    spans_end.clear();
    let ends = Arc::<Ends>::default();
    let tap = Tap { inputs, outputs, samples, spans, ends: Arc::clone(&ends) };
    (tap, TapEnd { samples: samples_end, spans: spans_end, ends })
}

impl Tap {
    /// Copies a block of `frames`. AUDIO THREAD. A channel that is missing is written as silence.
    pub(crate) fn block(&mut self, inputs: &[&[f32]], outputs: &[&mut [f32]], frames: usize) {
        let Ok(span_frames) = u32::try_from(frames) else { return };
        let at = self.ends.seen.load(Ordering::Relaxed);
        let room = self.samples.vacant_len() >= frames * (self.inputs + self.outputs) && !self.spans.is_full();
        if room {
            for frame in 0..frames {
                let ins = (0..self.inputs).map(|n| inputs.get(n).map_or(0.0, |channel| channel[frame]));
                let outs = (0..self.outputs).map(|n| outputs.get(n).map_or(0.0, |channel| channel[frame]));
                self.samples.push_iter(ins.chain(outs));
            }
            // After its samples: whoever sees the span finds them.
            let pushed = self.spans.try_push(Span { at, frames: span_frames });
            debug_assert!(pushed.is_ok(), "there was room for a span");
        } else {
            self.ends.lost.fetch_add(frames as u64, Ordering::Relaxed);
        }
        self.ends.seen.store(at + frames as u64, Ordering::Release);
    }
}
