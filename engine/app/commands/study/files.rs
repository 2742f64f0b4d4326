//! The files that are made from a study.

use std::ops::Range;

use tenterhook_notes::{
    Chord, NotesError, Player, Rhythm, Score, SharedOut, Step, ensemble, picture, share, spectrum_file,
};
use tenterhook_plan::{Intonation, Temperament};
use tenterhook_spectra::Moment;

use super::{SURE, Taken, chord};
use tenterhook_io::wav_bytes;

/// The rate of what is made heard, in Hz.
const RATE: u32 = 48_000;
/// The width of a picture in pixels: A4, landscape, at 200 to an inch.
const PIXELS: u32 = 2339;
/// Partials in a spectrum file at most.
const MOST: usize = 64;
/// Players at most: a MIDI file has 15 channels for them.
const PLAYERS: usize = 15;
/// Staves if nobody says who plays.
const STAVES: usize = 8;

/// The files that there are: name, media type.
pub const FILES: [(&str, &str); 9] = [
    ("notes.musicxml", "application/vnd.recordare.musicxml+xml"),
    ("notes.mid", "audio/midi"),
    ("partials.csv", "text/csv; charset=utf-8"),
    ("spectrum.toml", "application/toml; charset=utf-8"),
    ("picture.svg", "image/svg+xml"),
    ("picture.png", "image/png"),
    ("piece.toml", "application/toml; charset=utf-8"),
    ("chord.wav", "audio/wav"),
    ("sound.wav", "audio/wav"),
];

/// What is wanted of a study.
#[derive(Clone, Debug)]
pub struct Wanted {
    /// Between which times, in seconds.
    pub span: Range<f64>,
    /// Whether a picture marks that moment.
    pub marked: bool,
    /// Who plays, by the names of instruments. Nobody: a staff without limits for each of the strongest partials.
    pub players: Vec<String>,
    /// How finely pitch is written.
    pub step: Step,
    /// Whether partials may be moved by octaves to be played.
    pub octaves: bool,
    /// Whether the steady moments within the span are written one after the other, in their own time, instead of one
    /// chord.
    pub timed: bool,
}

/// Notes for players.
pub struct MadeFiles {
    pub shared: SharedOut,
    pub score: Score,
    chords: usize,
}

/// Players by their names, or what is wrong with these, in words; `described`: those whom a piece describes.
pub fn players(names: &[impl AsRef<str>], described: &[Player]) -> Result<Vec<Player>, String> {
    if names.len() > PLAYERS {
        return Err(format!(
            "{} players are more than the {PLAYERS} that a MIDI file has channels for: name fewer",
            names.len()
        ));
    }
    ensemble(names, described).map_err(|why| why.to_string())
}

impl Taken {
    /// The moments that are written: one, or the steady ones within the span.
    fn moments(&self, wanted: &Wanted) -> Vec<Moment> {
        let inside = |steady: &&Range<f64>| steady.start < wanted.span.end && steady.end > wanted.span.start;
        let cut = |steady: &Range<f64>| steady.start.max(wanted.span.start)..steady.end.min(wanted.span.end);
        let mut moments = Vec::new();
        if wanted.timed {
            moments.extend(self.study.steady.iter().filter(inside).map(|steady| self.study.moment(cut(steady))));
            moments.retain(|moment| !Taken::worth(moment).is_empty());
        }
        if moments.is_empty() {
            moments.push(self.study.moment(wanted.span.clone()));
        }
        moments
    }

    /// The notes that are wanted, or why there are none, in words.
    pub fn notes(&self, wanted: &Wanted) -> Result<MadeFiles, String> {
        let chords: Vec<Chord> = self
            .moments(wanted)
            .iter()
            .map(|moment| Chord { span: moment.span.clone(), tones: tones(moment) })
            .collect();
        let most = chords.iter().map(|chord| chord.tones.len()).max().unwrap_or(0);
        if most == 0 {
            return Err("there is no partial in this moment that could be written: choose a moment with a clear pitch"
                .to_owned());
        }
        let players = match wanted.players.as_slice() {
            [] => players(&vec!["sine"; most.min(STAVES)], &[])?,
            names => players(names, &self.notation.players)?,
        };
        let shared = share(&chords, &players, wanted.step, self.notation.intonation, wanted.octaves)
            .map_err(|why| why.to_string())?;
        let score = if wanted.timed {
            // The slowest tempo in which no two moments share a sixteenth.
            let tempi = (1..=10).map(|quicker| 60.0 * f64::from(quicker));
            let scores = tempi.map(|tempo| Score::new(&self.name, &chords, &shared, Rhythm::Timed { tempo }));
            let crowded = |score: &Result<Score, NotesError>| matches!(score, Err(NotesError::Crowded { .. }));
            let mut scores = scores.skip_while(crowded);
            scores.next().unwrap_or_else(|| Score::new(&self.name, &chords, &shared, Rhythm::Held))
        } else {
            Score::new(&self.name, &chords, &shared, Rhythm::Held)
        };
        let score = score.map_err(|why| why.to_string())?;
        Ok(MadeFiles { shared, score, chords: chords.len() })
    }

    /// One of [`FILES`], or why it cannot be made, in words.
    pub fn file(&self, name: &str, wanted: &Wanted) -> Result<Vec<u8>, String> {
        let notes = || self.notes(wanted);
        Ok(match name {
            "notes.musicxml" => notes()?.score.musicxml().into_bytes(),
            "notes.mid" => notes()?.score.midi().map_err(|why| why.to_string())?,
            "partials.csv" => notes()?.score.csv().into_bytes(),
            "spectrum.toml" => {
                let mut partials = Taken::worth(&self.study.moment(wanted.span.clone()));
                partials.truncate(MOST);
                spectrum_file(&self.name, &partials, self.notation.intonation)
                    .map_err(|why| why.to_string())?
                    .into_bytes()
            }
            "picture.svg" => self.picture(wanted)?.into_bytes(),
            "picture.png" => picture::png(&self.picture(wanted)?, PIXELS).map_err(|why| why.to_string())?,
            "piece.toml" => self.piece().into_bytes(),
            "chord.wav" => {
                let made = notes()?;
                let sound = chord::sound(&made.shared, made.chords, RATE).map_err(|why| why.to_string())?;
                wav_bytes(&[&sound], RATE).map_err(|why| why.to_string())?
            }
            "sound.wav" => wav_bytes(&[&self.sound], self.rate).map_err(|why| why.to_string())?,
            _ => return Err(format!("there is no file `{name}`")),
        })
    }

    /// The picture, as SVG.
    fn picture(&self, wanted: &Wanted) -> Result<String, String> {
        let moment = self.study.moment(wanted.span.clone());
        let picture = picture::Picture {
            study: &self.study,
            title: &self.name,
            intonation: self.notation.intonation,
            chosen: wanted.marked.then_some(&moment),
            confidence: SURE,
        };
        picture.svg().map_err(|why| why.to_string())
    }

    /// A piece in which the sound's spectrum rings with what is played.
    fn piece(&self) -> String {
        let mic = self.mic.as_deref().filter(|mic| mic.chars().all(|c| c.is_ascii_alphanumeric() || c == '_'));
        let mic = mic.unwrap_or("voice");
        let Intonation { tuning_hz, temperament } = self.notation.intonation;
        let temperament = match temperament {
            Temperament::Equal => String::new(),
            Temperament::Own(_) => format!("temperament = {temperament}\n"),
            named => format!("temperament = \"{named}\"\n"),
        };
        let title: String = self.name.chars().filter(|c| !c.is_control() && !"\"\\".contains(*c)).collect();
        format!(
            "# The spectrum of a sound, rung by what is played: spectrum.toml lies beside this file.\n\n\
             title  = \"{title}\"\ntuning = \"{tuning_hz} Hz\"\n{temperament}\n[mics]\n{mic} = 1\n\n[outputs]\nleft  = 1\nright = 2\n\n\
             [controllers]\npedal = {{ cc = 64, fall = \"4 s\" }}\n\n[[scene]]\nmark = \"A\"\n\n[scene.mic.{mic}]\n\
             sympathetic = {{ by = \"pedal\", tuned = \"spectrum.toml\", decay = \"6 s\" }}\n"
        )
    }
}

/// The partials of a moment as tones to be shared out.
fn tones(moment: &Moment) -> Vec<tenterhook_notes::Tone> {
    let worth = Taken::worth(moment).into_iter().take(MOST);
    worth.map(|partial| tenterhook_notes::Tone { hz: partial.hz, db: partial.db }).collect()
}
