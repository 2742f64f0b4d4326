//! A score as a Standard MIDI File that sounds at the true frequencies.

use midly::num::{u4, u7, u15, u24, u28};
use midly::{Format, Header, MetaMessage, MidiMessage, PitchBend, Smf, Timing, Track, TrackEvent, TrackEventKind};
use tenterhook_plan::pitch;

use crate::{NotesError, PlayerPart, Score};

/// Ticks in a quarter, and in a sixteenth.
const QUARTER: u16 = 480;
const SIXTEENTH: u32 = QUARTER as u32 / 4;
/// Channels but for the tenth, which is percussion's.
const CHANNELS: [u8; 15] = [0, 1, 2, 3, 4, 5, 6, 7, 8, 10, 11, 12, 13, 14, 15];
/// How far a bend reaches, in semitones.
const BEND: u8 = 2;
/// Where MIDI's keys stand: a' = 440 Hz unless told otherwise.
const MIDI_TUNING_HZ: f64 = 440.0;

/// A time in ticks, and what happens then.
type MidiAt<'a> = (u32, TrackEventKind<'a>);

impl Score {
    /// The score as a Standard MIDI File of format 1: the tempo, then a track and a channel for each player. Keys and
    /// bends are those of an instrument tuned to a' = 440 Hz, so that in another tuning what sounds is true, and a key may
    /// differ from the written note.
    ///
    /// # Errors
    /// [`NotesError::Players`] if there are more than the 15 channels.
    pub fn midi(&self) -> Result<Vec<u8>, NotesError> {
        if self.parts.len() > CHANNELS.len() {
            return Err(NotesError::Players { players: self.parts.len(), what: "a MIDI file", most: CHANNELS.len() });
        }
        let microseconds = (60e6 / self.rhythm.tempo()).round() as u32;
        let head = [
            (0, TrackEventKind::Meta(MetaMessage::TrackName(self.title.as_bytes()))),
            (0, TrackEventKind::Meta(MetaMessage::Tempo(u24::new(microseconds)))),
            (0, TrackEventKind::Meta(MetaMessage::TimeSignature(4, 2, 24, 8))),
        ];
        let mut smf = Smf::new(Header::new(Format::Parallel, Timing::Metrical(u15::new(QUARTER))));
        smf.tracks.push(track(&head));
        for (part, channel) in self.parts.iter().zip(CHANNELS) {
            smf.tracks.push(track(&self.events(part, channel)));
        }
        let mut bytes = Vec::new();
        // A writer in memory fails for tracks that are too long only, and no score is.
        smf.write_std(&mut bytes).map_err(|why| NotesError::Refused {
            what: "the MIDI file",
            why: why.to_string(),
            remedy: "take fewer moments",
        })?;
        Ok(bytes)
    }

    fn events<'a>(&self, part: &'a PlayerPart, channel: u8) -> Vec<MidiAt<'a>> {
        let does = |message| TrackEventKind::Midi { channel: u4::new(channel), message };
        let control = |controller: u8, value: u8| {
            (0, does(MidiMessage::Controller { controller: u7::new(controller), value: u7::new(value) }))
        };
        let program = u7::new(part.player.instrument.program);
        let mut events = vec![
            (0, TrackEventKind::Meta(MetaMessage::TrackName(part.player.name.as_bytes()))),
            // Registered parameter 0 is the bend's range, in semitones and cents; then none is chosen.
            control(101, 0),
            control(100, 0),
            control(6, BEND),
            control(38, 0),
            control(101, 127),
            control(100, 127),
            (0, does(MidiMessage::ProgramChange { program })),
        ];
        for note in &part.notes {
            let (key, cents) = pitch::nearest(note.hz(self.intonation), MIDI_TUNING_HZ);
            // A tuning far from 440 Hz can lift the end of the range over that of the keys; the bend reaches further.
            let nearest = key.clamp(0, 127);
            let cents = cents + 100.0 * f64::from(key - nearest);
            let bend = PitchBend::from_f64(cents / (100.0 * f64::from(BEND)));
            let key = u7::new(nearest as u8);
            let vel = u7::new(self.dynamic(note).velocity());
            let span = &self.placed[note.chord];
            events.push((span.start * SIXTEENTH, does(MidiMessage::PitchBend { bend })));
            events.push((span.start * SIXTEENTH, does(MidiMessage::NoteOn { key, vel })));
            events.push((span.end * SIXTEENTH, does(MidiMessage::NoteOff { key, vel: u7::new(64) })));
        }
        events
    }
}

/// Events in time order as a track, with its end.
fn track<'a>(events: &[MidiAt<'a>]) -> Track<'a> {
    let end = (events.last().map_or(0, |(at, _)| *at), TrackEventKind::Meta(MetaMessage::EndOfTrack));
    let mut before = 0;
    let timed = events.iter().chain([&end]).map(|&(at, kind)| {
        let delta = u28::new(at - before);
        before = at;
        TrackEvent { delta, kind }
    });
    timed.collect()
}
