//! MIDI bytes: what passes is a whole channel message, and whatever reaches the engine, its outputs stay finite, what it
//! writes down is in range, and it is the same however the run is cut into blocks.

use std::sync::LazyLock;

use tenterhook_config::{Text, check};
use tenterhook_io::channel_message;
use tenterhook_plan::{Event, Midi, Plan, Timed};

use crate::{plans, sounding};

/// A small piece in which every kind of message means something.
const PIECE: &str = r#"
next = "step"
back = "before"
hush = "stop"
mics = { voice = 1 }
outputs = { left = 1, right = 2 }
[controllers]
pedal = { cc = 64 }
foot = { cc = 11, curve = "slow" }
held = { cc = 67, latch = true }
wheel = { cc = 1, channel = 2, port = "Wheel" }
bell = { note = 60 }
step = { cc = 66, port = "Foot" }
before = { note = 61 }
stop = { note = 24, channel = 16 }
[[scene]]
mark = "A"
mic.voice.direct = { by = "foot" }
[[scene]]
mark = "B"
fade = "1 ms"
mic.voice.direct = { by = "pedal" }
mic.voice.second = { effect = "direct", by = "held", to = ["right"] }
[[scene]]
mark = "C"
mic.voice.direct = { by = "wheel" }
mic.voice.second = { effect = "direct", by = "bell" }
"#;

static PLAN: LazyLock<Plan> =
    LazyLock::new(|| check(&Text::new("midi.toml", PIECE), None).expect("nothing is wrong with it").plan);

/// Frames of a run.
const FRAMES: u64 = 256;

/// Panics if the law is broken. The bytes are messages: the ports, how many bytes (0 to 3: raw, as no port would let them
/// pass), the bytes.
pub fn law(data: &[u8]) {
    let mut events = Vec::new();
    let mut rest = data;
    while let [ports, length, more @ ..] = rest {
        let length = usize::from(length % 8).min(more.len());
        let (message, later) = more.split_at(length);
        rest = later;
        let ports = u64::from(*ports);
        let event = match channel_message(ports, message) {
            Some(Event::Midi(midi)) => {
                assert!(midi.ports == ports && midi.bytes[0] >= 0x80, "{midi:?}");
                assert!(midi.bytes[1..].iter().all(|byte| *byte < 0x80), "{midi:?}");
                midi
            }
            Some(other) => panic!("{other:?} is no MIDI"),
            // What no port lets pass must not hurt the engine either.
            None => match *message {
                [status, one, two, ..] => Midi { ports, bytes: [status, one, two] },
                _ => continue,
            },
        };
        let sample = (events.len() as u64 * 7).min(FRAMES - 1);
        events.push(Timed { sample, what: Event::Midi(event) });
    }
    let (heard, applied) = sounding::run(&PLAN, &events, &[256]);
    for applied in &applied {
        plans::meant(applied.what, &PLAN);
    }
    let cut = sounding::run(&PLAN, &events, &[1, 64, 31, 100, 60]);
    assert!((heard, applied) == cut, "it is another run when it is cut otherwise");
}

/// A message of each kind.
pub fn seeds() -> Vec<Vec<u8>> {
    let messages: [&[u8]; 9] = [
        &[255, 3, 0xB0, 64, 127, 255, 3, 0xB0, 64, 0],
        &[0, 3, 0xB0, 11, 40, 0, 3, 0xBF, 11, 100],
        &[255, 3, 0xB0, 66, 127, 255, 3, 0xB0, 66, 0, 255, 3, 0xB0, 66, 127],
        &[255, 3, 0xB0, 67, 127, 255, 3, 0xB0, 67, 0, 255, 3, 0xB0, 67, 127],
        &[1, 3, 0xB1, 1, 64, 255, 3, 0xB1, 33, 5],
        &[255, 3, 0x90, 60, 1, 255, 3, 0x90, 60, 0, 255, 3, 0x80, 60, 64],
        &[255, 3, 0x90, 61, 127, 255, 3, 0x9F, 24, 127],
        &[255, 2, 0xC0, 1, 255, 1, 0xF8, 255, 4, 0xF0, 1, 2, 0xF7],
        &[255, 3, 0xB0, 200, 255, 255, 3, 1, 2, 3],
    ];
    messages.map(<[u8]>::to_vec).to_vec()
}
