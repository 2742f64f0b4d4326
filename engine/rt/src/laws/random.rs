//! Anything that could happen.

use proptest::prelude::*;
use tenterhook_plan::{ControllerId, Event, Gesture, MicId, Midi, OutputId, SceneId, Timed, TrimId};

fn event() -> impl Strategy<Value = Event> {
    let controller = (0u16..12, prop_oneof![Just(0.0f32), Just(1.0), 0f32..1.0, Just(f32::NAN)]);
    let gesture = prop_oneof![
        8 => controller.prop_map(|(id, value)| Gesture::Controller { id: ControllerId(id), value }),
        2 => (0u16..12, any::<bool>()).prop_map(|(id, down)| Gesture::Press { id: ControllerId(id), down }),
        3 => (0u16..6).prop_map(|scene| Gesture::Fire(SceneId(scene))),
        1 => Just(Gesture::Next),
        1 => Just(Gesture::Back),
        1 => any::<bool>().prop_map(Gesture::Hush),
        1 => (prop::option::of(0u16..5), -130f32..40.0)
            .prop_map(|(output, db)| Gesture::Level { output: output.map(OutputId), db }),
        1 => (0u16..20, -60f32..40.0).prop_map(|(trim, db)| Gesture::Trim { trim: TrimId(trim), db }),
        1 => (0u16..5, any::<bool>()).prop_map(|(mic, muted)| Gesture::Mute { mic: MicId(mic), muted }),
    ];
    let midi = (any::<u64>(), any::<[u8; 3]>()).prop_map(|(ports, bytes)| Event::Midi(Midi { ports, bytes }));
    prop_oneof![4 => gesture.prop_map(Event::written), 1 => midi]
}

/// Up to `most` events within `frames` samples.
pub fn events(most: usize, frames: u64) -> impl Strategy<Value = Vec<Timed<Event>>> {
    let timed = (0..frames, event()).prop_map(|(sample, what)| Timed { sample, what });
    prop::collection::vec(timed, 0..most).prop_map(|mut events| {
        events.sort_by_key(|event| event.sample);
        events
    })
}

/// What no microphone should send: square waves at full scale and beyond, DC, infinity, NaN, denormal numbers.
pub fn hostile(frames: usize) -> Vec<Vec<f32>> {
    let square = |i: usize| if (i / 50).is_multiple_of(2) { 1.0 } else { -1.0 };
    let odd = |i: usize| [f32::NAN, f32::INFINITY, 1e-42, 1e30, 1.0, 0.9, -1.0][i / 37 % 7];
    let constant = |i: usize| if i < frames / 2 { 1.0 } else { f32::NEG_INFINITY };
    vec![(0..frames).map(square).collect(), (0..frames).map(odd).collect(), (0..frames).map(constant).collect()]
}
