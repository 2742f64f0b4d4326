//! The studies that the page asks for.

use std::collections::VecDeque;
use std::ops::Range;
use std::sync::{Arc, Mutex, PoisonError};

use serde_json::{Value, json};
use tenterhook_io::{Listened, RECENT_SECONDS, WavRecording, decode_sound};
use tenterhook_notes::{Step, picture};
use tenterhook_page::{Studio, StudyAsk, StudyFile};
use tenterhook_plan::Plan;

use super::{FILES, Notation, Taken, Wanted};

/// Studies that are kept, and samples of theirs: the oldest goes.
const KEPT: usize = 8;
const KEPT_SAMPLES: usize = 50_000_000;
/// The longest sound that a page may hand in, in seconds: a word, a phrase, a scene.
const LONGEST: f64 = 600.0;

/// Where sounds lie that are being studied.
pub struct Bench {
    plan: Mutex<Arc<Plan>>,
    mics: Option<Listened>,
    kept: Mutex<KeptSounds>,
}

#[derive(Default)]
struct KeptSounds {
    next: u64,
    studies: VecDeque<(u64, Arc<Taken>)>,
}

impl Bench {
    /// A bench for a piece, which hears its mics if they are listened to.
    pub fn new(plan: Arc<Plan>, mics: Option<Listened>) -> Self {
        Self { plan: Mutex::new(plan), mics, kept: Mutex::default() }
    }

    /// A changed piece has taken over.
    pub fn change(&self, plan: &Arc<Plan>) {
        *self.plan.lock().unwrap_or_else(PoisonError::into_inner) = Arc::clone(plan);
    }

    fn plan(&self) -> Arc<Plan> {
        Arc::clone(&self.plan.lock().unwrap_or_else(PoisonError::into_inner))
    }

    fn keep(&self, taken: Taken) -> Value {
        let taken = Arc::new(taken);
        let id = {
            let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
            kept.next += 1;
            let id = kept.next;
            kept.studies.push_back((id, Arc::clone(&taken)));
            let samples = |kept: &KeptSounds| kept.studies.iter().map(|(_, taken)| taken.sound.len()).sum::<usize>();
            while kept.studies.len() > 1 && (kept.studies.len() > KEPT || samples(&kept) > KEPT_SAMPLES) {
                kept.studies.pop_front();
            }
            id
        };
        let span = taken.span();
        let area = picture::AREA;
        json!({
            "id": id, "name": taken.name, "seconds": taken.study.seconds, "tuning_hz": taken.notation.intonation.tuning_hz,
            "temperament": taken.notation.intonation.temperament.to_string(),
            "moment": { "from": span.start, "to": span.end },
            "steady": taken.study.steady.iter().map(|one| [one.start, one.end]).collect::<Vec<_>>(),
            "players": taken.notation.players(),
            "steps": Step::ALL.map(|(name, _)| name),
            "picture": {
                "width": area.width, "height": area.height, "left": area.left, "right": area.right,
                "top": area.top, "bottom": area.bottom,
            },
        })
    }

    fn kept(&self, id: u64) -> Result<Arc<Taken>, String> {
        let kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        let found = kept.studies.iter().find(|(known, _)| *known == id);
        found.map(|(_, taken)| Arc::clone(taken)).ok_or_else(|| "this sound is put away: hand it in again".to_owned())
    }
}

/// A span that lies in a sound.
fn within(span: Range<f64>, taken: &Taken) -> Result<Range<f64>, String> {
    let span = span.start.max(0.0)..span.end.min(taken.study.seconds);
    if span.start < span.end {
        return Ok(span);
    }
    Err(format!("the sound lasts {:.2} s: choose a moment in it", taken.study.seconds))
}

impl Studio for Bench {
    fn sound(&self, name: &str, bytes: Vec<u8>) -> Result<Value, String> {
        let recording = decode_sound(name, bytes, LONGEST).map_err(|why| why.to_string())?;
        let sound = recording.mono();
        let stem = name.rsplit_once('.').map_or(name, |(stem, _)| stem).to_owned();
        Ok(self.keep(Taken::apart(stem, None, recording.rate, sound, Notation::of(Some(&self.plan())))))
    }

    fn mic(&self, mic: &str, seconds: f64) -> Result<Value, String> {
        let Some(listened) = &self.mics else { return Err("no mic is listened to here".to_owned()) };
        let plan = self.plan();
        let Some(input) = plan.mics.iter().find(|one| one.name == mic).map(|one| one.input) else {
            return Err(format!("there is no mic `{mic}`"));
        };
        if !(0.1..=f64::from(RECENT_SECONDS)).contains(&seconds) {
            return Err(format!("the last 0.1 to {RECENT_SECONDS} s can be had"));
        }
        let input = input.ok_or_else(|| format!("the mic `{mic}` is left out in this hall"))?;
        let heard = listened.last(usize::from(input), seconds);
        let Some(WavRecording { rate, channels }) = heard else {
            return Err(format!("nothing has come in from `{mic}` yet, or this device has no such input"));
        };
        let sound = channels.into_iter().next().unwrap_or_default();
        Ok(self.keep(Taken::apart(mic.to_owned(), Some(mic.to_owned()), rate, sound.into(), Notation::of(Some(&plan)))))
    }

    fn moment(&self, id: u64, span: Range<f64>) -> Result<Value, String> {
        let taken = self.kept(id)?;
        let moment = taken.study.moment(within(span, &taken)?);
        Ok(taken.json(&moment))
    }

    fn file(&self, id: u64, name: &str, ask: &StudyAsk) -> Result<StudyFile, String> {
        let taken = self.kept(id)?;
        let Some((_, kind)) = FILES.iter().find(|(known, _)| *known == name) else {
            return Err(format!("there is no file `{name}`"));
        };
        let step = if ask.step.is_empty() { "quarter-tone" } else { &ask.step };
        let wanted = Wanted {
            span: ask.span.clone().map_or_else(|| Ok(taken.span()), |span| within(span, &taken))?,
            marked: ask.span.is_some(),
            players: ask.players.clone(),
            step: Step::named(step).map_err(|why| why.to_string())?,
            octaves: false,
            timed: false,
        };
        Ok(StudyFile { name: name.to_owned(), kind, bytes: taken.file(name, &wanted)? })
    }
}
