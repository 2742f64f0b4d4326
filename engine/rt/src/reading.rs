//! What the engine reports of itself.

use tenterhook_plan::{Channel, ControllerId, EffectState, InstanceId, MeterReading, MicId, Part, SceneId};

use crate::fault::Fault;

/// One report from the audio thread. A state ([`Scene`](Reading::Scene), [`Held`](Reading::Held),
/// [`Effect`](Reading::Effect), [`Broken`](Reading::Broken), [`Loudness`](Reading::Loudness), [`Wired`](Reading::Wired)) that found the ring full is told again until there is
/// room, and all states are told anew when a changed piece has taken over; a meter's greatest values are kept until
/// they are told.
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
        /// The sample before which it was read.
        sample: u64,
        /// Which channel.
        channel: Channel,
        /// What it saw.
        meter: MeterReading,
    },
    /// An effect holds other samples of its source than when this was last read, see
    /// [`Processor::holds`](tenterhook_dsp::effects::Processor::holds).
    Held {
        /// Which effect.
        effect: InstanceId,
        /// The first sample that it holds and the one after the last; `None` if it holds nothing any more.
        span: Option<(u64, u64)>,
    },
    /// An effect stands otherwise than when this was last read.
    Effect {
        /// Which effect.
        effect: InstanceId,
        /// How it stands.
        stands: EffectState,
    },
    /// A part of the engine panicked. It is silent from then on, and so are the effects that read it; all else goes on.
    Broken {
        /// Which part.
        part: Part,
        /// When, and where in the program.
        fault: Fault,
    },
    /// A controller that follows loudness has moved by more than 0.005 since this was last read, or has come to 0. Such
    /// values are computed again in every run, so they are no gestures.
    Loudness {
        /// Which controller.
        id: ControllerId,
        /// Its value, 0…1.
        value: f32,
    },
    /// How a mic is pitched; only from an engine that was made to hear, and for as long as something is pitched.
    Pitch {
        /// The sample before which it was read; it is of a frame of 43 ms that ended up to 20 ms before.
        sample: u64,
        /// Which mic.
        mic: MicId,
        /// The fundamental, 62…2500 Hz; 0, told once: nothing is pitched any more.
        hz: f32,
        /// How periodic the sound is, 0…1.
        confidence: f32,
    },
    /// A mic's sound has attacked; only from an engine that was made to hear. Told within 20 ms of it.
    Onset {
        /// The first sample of the cell in which the attack stood out.
        sample: u64,
        /// Which mic.
        mic: MicId,
        /// The level that it rose to, as the root of the mean square of 6 ms in dB re full scale.
        db: f32,
    },
    /// How a MIDI switch seems to be wired, where that is not what was last read.
    Wired {
        /// Which controller.
        id: ControllerId,
        /// Most likely it sends at rest what stands for pressed: its first word was that it was let go.
        turned: bool,
    },
}
