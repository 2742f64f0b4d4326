//! Files of gestures: whatever the bytes, they are refused with a remedy, or they are gestures of the piece in order,
//! and those that can be written down read back as they were.

use std::sync::LazyLock;

use tenterhook_config::{Text, check_with, gestures, write_gestures};
use tenterhook_plan::{Applied, Event, Gesture, Plan, Timed};

use crate::piece::Beside;
use crate::plans;

/// The rate at which they are written down again, in Hz.
const RATE: u32 = 48_000;
/// Below this every sample has a time of its own.
const MOST_SAMPLE: u64 = 1 << 51;

static PLAN: LazyLock<Plan> = LazyLock::new(|| {
    let text = include_str!("../../../engine/rt/src/laws/workout.toml");
    check_with(&Text::new("workout.toml", text), None, &Beside).expect("nothing is wrong with the workout").plan
});

/// Panics if a file is neither refused well nor read as it says.
pub fn law(data: &[u8]) {
    let read = match gestures("gestures", data, &PLAN) {
        Ok(read) => read,
        Err(report) => return plans::refused(&report, &[("gestures", &String::from_utf8_lossy(data))]),
    };
    let mut last = 0.0;
    for (seconds, event) in &read.events {
        assert!(seconds.is_finite() && *seconds >= last, "{seconds} s after {last} s");
        last = *seconds;
        match event {
            Event::Gesture(gesture, _) => plans::meant(*gesture, &PLAN),
            Event::Midi(midi) => {
                assert!(midi.bytes[0] >= 0x80 && midi.bytes[1..].iter().all(|byte| *byte < 0x80), "{midi:?}");
            }
        }
    }
    let applied: Vec<_> = read.at_rate(RATE).into_iter().filter_map(stands_for_itself).collect();
    let text = write_gestures(&applied, RATE, &PLAN);
    let again = gestures("again", text.as_bytes(), &PLAN).expect("what was written can be read").at_rate(RATE);
    let again: Vec<_> = again.into_iter().filter_map(stands_for_itself).collect();
    assert_eq!(again, applied);
}

/// A gesture that is written down as it is.
fn stands_for_itself(event: Timed<Event>) -> Option<Applied> {
    let Event::Gesture(what, who) = event.what else { return None };
    let is_written = match what {
        Gesture::Controller { id, .. } => !PLAN.controllers[id.index()].is_loudness(),
        Gesture::Press { .. } | Gesture::Next | Gesture::Back => false,
        _ => true,
    };
    (is_written && event.sample < MOST_SAMPLE).then_some(Applied { sample: event.sample, what, who })
}

/// A file of each kind.
pub fn seeds() -> Vec<Vec<u8>> {
    let csv = "seconds,controller,value\r\n0.05,pedal,1\r\n0.5,fire,B\r\n0.7,\"held\",0\n1,hush,1\n1.5,hush,0\n\
               2,level,-3.5\n2,level/left,-130\n3,mute/viol,1\n4.000001,sway,0.25\n";
    // Standard MIDI Files 1.0: a header of six bytes (format, tracks, ticks a quarter), then tracks of events, each after
    // a time in ticks; every track ends with FF 2F 00.
    let file = |format: u8, timing: [u8; 2], events: &[u8]| {
        let header = [b"MThd\0\0\0\x06\0".as_slice(), &[format, 0, 1], &timing].concat();
        let track = [events, &[0, 0xFF, 0x2F, 0]].concat();
        [&header[..], b"MTrk\0\0\0", &[track.len() as u8], &track].concat()
    };
    let events = [
        &[0, 0xFF, 0x51, 3, 7, 0xA1, 0x20][..],
        &[10, 0xB0, 64, 127, 0, 11, 40],
        &[0x81, 0, 0xC0, 1],
        &[5, 0x90, 24, 100, 5, 0x80, 24, 0],
    ]
    .concat();
    vec![
        csv.as_bytes().to_vec(),
        include_bytes!("../../../scenes/demo.csv")[..1024].to_vec(),
        file(0, [0, 96], &events),
        // 25 frames a second of 40 ticks.
        file(1, [0xE7, 40], &events),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_seeds_are_gestures_of_the_piece() {
        for seed in &seeds()[..1] {
            let read = gestures("seed", seed, &PLAN).unwrap_or_else(|report| panic!("{}", report.render(false)));
            assert_eq!(read.events.len(), 9);
        }
        for file in &seeds()[2..] {
            let read = gestures("seed", file, &PLAN).unwrap_or_else(|report| panic!("{}", report.render(false)));
            assert_eq!(read.events.len(), 5);
        }
    }
}
