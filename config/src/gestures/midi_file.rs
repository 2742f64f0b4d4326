//! Gestures as a Standard MIDI File (Standard MIDI Files 1.0).

use crate::kind::Kind;
use crate::place::Place;
use crate::report::Findings;
use midly::{Format, Fps, MetaMessage, MidiMessage, Smf, Timing, TrackEventKind};
use tenterhook_plan::{Address, Event, Gesture, Message, Midi, Plan, SceneId};

/// Microseconds a quarter until a file says otherwise: Standard MIDI Files 1.0, 120 quarters a minute.
const TEMPO: u32 = 500_000;

/// Where a file says how it counts time: after "MThd", a length of four bytes, the format and the number of tracks.
const DIVISION: usize = 12;

/// A file names no port: its messages are taken to come from every one.
const EVERY_PORT: u64 = u64::MAX;

/// The events of a file with their times in seconds.
pub(super) fn read(bytes: &[u8], plan: &Plan, findings: &mut Findings) -> Vec<(f64, Event)> {
    let whole = Place::beginning(0);
    // Frames a second stand there as a negative number; -128 has no counterpart, and the library turns it over.
    if bytes.get(DIVISION) == Some(&0x80) {
        let message =
            "this Standard MIDI File is damaged: it counts time by 128 frames a second, which no standard has";
        findings.add(
            Kind::BadMidiFile,
            whole,
            message,
            "save it again with 24, 25, 29 or 30 frames, or with ticks a quarter",
        );
        return Vec::new();
    }
    let file = match Smf::parse(bytes) {
        Ok(file) => file,
        Err(error) => {
            let message = format!("this Standard MIDI File is damaged: {error}");
            findings.add(Kind::BadMidiFile, whole, message, "save it again, or write the gestures as CSV");
            return Vec::new();
        }
    };
    if file.header.format == Format::Sequential {
        let message = "this Standard MIDI File is of format 2, tracks that belong to no common time";
        findings.add(Kind::BadMidiFile, whole, message, "save it as format 0 or 1");
        return Vec::new();
    }
    let Some(mut clock) = Clock::new(file.header.timing) else {
        let message = "this Standard MIDI File has no ticks to count time by";
        findings.add(Kind::BadMidiFile, whole, message, "save it with 96 ticks a quarter, say");
        return Vec::new();
    };

    let mut timed = Vec::new();
    for track in &file.tracks {
        let mut tick = 0u64;
        for event in track {
            tick += u64::from(event.delta.as_int());
            timed.push((tick, event.kind));
        }
    }
    timed.sort_by_key(|(tick, _)| *tick); // Stable: within a tick the order of the tracks stays.

    let mut events = Vec::new();
    let mut ignored = 0usize;
    for (tick, kind) in timed {
        let seconds = clock.at(tick);
        match kind {
            TrackEventKind::Meta(MetaMessage::Tempo(tempo)) => clock.tempo(tempo.as_int()),
            TrackEventKind::Midi { message: MidiMessage::ProgramChange { program }, .. } => {
                match usize::from(program.as_int()) {
                    index if index < plan.scenes.len() => {
                        events.push((seconds, Event::written(Gesture::Fire(SceneId::new(index)))));
                    }
                    index => {
                        let message = format!("program change {index} at {seconds:.3} s is beyond the last scene");
                        let last = plan.scenes.len().saturating_sub(1);
                        let remedy = format!("use 0 to {last}: the first scene is 0");
                        findings.add(Kind::NoSuchScene, whole, message, remedy);
                    }
                }
            }
            TrackEventKind::Midi { channel, message } => match bytes_of(channel.as_int(), message) {
                Some(bytes) if reaches(bytes, plan) => {
                    events.push((seconds, Event::Midi(Midi { ports: EVERY_PORT, bytes })));
                }
                _ => ignored += 1,
            },
            TrackEventKind::Meta(_) | TrackEventKind::SysEx(_) | TrackEventKind::Escape(_) => {}
        }
    }
    if ignored > 0 {
        let message = match ignored {
            1 => "1 message of this file reaches no controller".to_owned(),
            _ => format!("{ignored} messages of this file reach no controller"),
        };
        let remedy = "nothing to do, unless a controller of the piece was meant: then compare its cc, note and channel";
        findings.add(Kind::MessagesIgnored, whole, message, remedy);
    }
    events
}

/// A control change or a note as it goes over the wire (MIDI 1.0).
fn bytes_of(channel: u8, message: MidiMessage) -> Option<[u8; 3]> {
    match message {
        MidiMessage::NoteOff { key, vel } => Some([0x80 | channel, key.as_int(), vel.as_int()]),
        MidiMessage::NoteOn { key, vel } => Some([0x90 | channel, key.as_int(), vel.as_int()]),
        MidiMessage::Controller { controller, value } => Some([0xb0 | channel, controller.as_int(), value.as_int()]),
        _ => None,
    }
}

fn reaches(bytes: [u8; 3], plan: &Plan) -> bool {
    plan.controllers.iter().any(|controller| match &controller.address {
        Address::Midi { message, channel, .. } => {
            let same = match *message {
                Message::Control { .. } => {
                    bytes[0] & 0xf0 == 0xb0 && message.controls().any(|number| number == bytes[1])
                }
                Message::Note { number } => matches!(bytes[0] & 0xf0, 0x80 | 0x90) && bytes[1] == number,
            };
            same && channel.is_none_or(|channel| channel == bytes[0] & 0x0f)
        }
        _ => false,
    })
}

/// Ticks as seconds. Whole numbers until the last division, so that nothing drifts.
struct Clock {
    /// Up to where time has been counted.
    tick: u64,
    /// The time up to there, in microseconds times `parts`.
    time: u128,
    /// Into how many parts `step` microseconds are divided to give a tick.
    parts: u64,
    step: u64,
    /// Whether tempo counts: it does not where a tick is a part of a frame.
    metrical: bool,
}

impl Clock {
    fn new(timing: Timing) -> Option<Self> {
        let (parts, step, metrical) = match timing {
            Timing::Metrical(ticks) => (u64::from(ticks.as_int()), u64::from(TEMPO), true),
            Timing::Timecode(fps, ticks) => {
                // 29 stands for 30000/1001 frames a second.
                let (frames, step) = match fps {
                    Fps::Fps24 => (24, 1_000_000),
                    Fps::Fps25 => (25, 1_000_000),
                    Fps::Fps29 => (30_000, 1_001_000_000),
                    Fps::Fps30 => (30, 1_000_000),
                };
                (frames * u64::from(ticks), step, false)
            }
        };
        (parts > 0).then_some(Self { tick: 0, time: 0, parts, step, metrical })
    }

    /// The time of a tick, which may not be before an earlier one.
    fn at(&mut self, tick: u64) -> f64 {
        self.time += u128::from(tick - self.tick) * u128::from(self.step);
        self.tick = tick;
        self.time as f64 / (self.parts as f64 * 1e6)
    }

    fn tempo(&mut self, microseconds: u32) {
        if self.metrical {
            self.step = u64::from(microseconds);
        }
    }
}
