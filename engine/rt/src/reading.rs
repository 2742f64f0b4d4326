//! What the engine reports of itself.

use tenterhook_plan::{InstanceId, MicId, OutputId, SceneId};

/// One report from the audio thread. Reports are facts of a moment: when their ring is full they are lost and counted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Reading {
    /// A scene is in force from this sample on.
    Scene {
        /// The first sample of it.
        sample: u64,
        /// Which scene.
        scene: SceneId,
    },
    /// What the meter of one channel saw since the reading before.
    Meter {
        /// Which channel.
        channel: Channel,
        /// The greatest magnitude of a sample, full scale = 1.
        peak: f32,
        /// The root of the mean square, full scale = 1 (so a full-scale sine reads 0.707).
        rms: f32,
        /// Clips since the start.
        clips: u32,
    },
    /// An effect holds other samples of its source than when this was last read, see
    /// [`Processor::holds`](tenterhook_dsp::effects::Processor::holds).
    Held {
        /// Which effect.
        effect: InstanceId,
        /// The first sample that it holds and the one after the last; `None` if it holds nothing any more.
        span: Option<(u64, u64)>,
    },
}

/// What a meter stands at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Channel {
    /// A mic, before polarity, trim and highpass.
    Mic(MicId),
    /// An output, after its limiter.
    Output(OutputId),
}

impl Reading {
    pub(crate) fn meter(channel: Channel, reading: tenterhook_dsp::meter::Reading) -> Self {
        Reading::Meter { channel, peak: reading.peak, rms: reading.rms, clips: reading.clips }
    }
}
