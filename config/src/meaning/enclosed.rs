//! Settings that name a file or notes: what is in the file, which frequencies the notes have.

use crate::files::Files;
use crate::kind::Kind;
use crate::notes;
use crate::place::Place;
use crate::report::Findings;
use crate::spectrum_file::read_spectrum;
use crate::written::WrittenEffect;
use tenterhook_plan::declare::Setting;
use tenterhook_plan::{Intonation, Partial, Recording, Tuning};

/// An effect's own settings, with what their files hold; what cannot be read is reported.
pub(super) fn settings(
    effect: &WrittenEffect,
    files: &dyn Files,
    pitch: &HallPitch,
    findings: &mut Findings,
) -> Vec<Setting> {
    let resolve = |(setting, place): &(Setting, Place)| match setting {
        Setting::Sound(named) => {
            Setting::Sound(Recording { tuned: pitch.ratio, ..sound(named, *place, files, findings) })
        }
        Setting::Tuning(named) => Setting::Tuning(tuning(&named.said, *place, files, pitch, findings)),
        Setting::Quantity(_) | Setting::Choice(_) | Setting::Interval(_) => setting.clone(),
    };
    effect.settings.iter().map(resolve).collect()
}

fn sound(named: &Recording, place: Place, files: &dyn Files, findings: &mut Findings) -> Recording {
    files.sound(&named.path).unwrap_or_else(|why| {
        let message = format!("the sound \"{}\" cannot be read: {why}", named.path);
        findings.add(Kind::FileUnread, place, message, "name a sound file that lies beside the piece");
        named.clone()
    })
}

fn tuning(said: &str, place: Place, files: &dyn Files, pitch: &HallPitch, findings: &mut Findings) -> Tuning {
    let mut tuning = Tuning { said: said.to_owned(), partials: Vec::new() };
    tuning.partials = if tuning.is_spectrum() {
        let read = files.text(said.trim()).and_then(|text| read_spectrum(&text));
        let partials = read.unwrap_or_else(|why| {
            let message = format!("the spectrum \"{said}\" cannot be read: {why}");
            findings.add(Kind::FileUnread, place, message, "name a spectrum file that lies beside the piece");
            Vec::new()
        });
        partials.into_iter().map(|one| Partial { hz: one.hz * pitch.ratio, ..one }).collect()
    } else {
        strings(said, pitch.intonation).unwrap_or_else(|(message, remedy)| {
            findings.add(Kind::BadTuning, place, message, remedy);
            Vec::new()
        })
    };
    tuning
}

/// How what is played in a hall lies in pitch.
pub(super) struct HallPitch {
    pub intonation: Intonation,
    /// How much higher the hall is tuned than the piece by itself.
    pub ratio: f64,
}

/// What a tuning is, as a regular expression (ECMA-262): notes and frequencies, or the path of a spectrum file.
pub(crate) fn tuning_pattern() -> String {
    format!(r"\.toml\s*$|^\s*{}\s*$", notes::pattern())
}

/// Strings named as notes or frequencies. All ring alike.
pub(crate) fn strings(said: &str, intonation: Intonation) -> Result<Vec<Partial>, (String, String)> {
    Ok(notes::frequencies(said, intonation)?.into_iter().map(|hz| Partial { hz, db: 0.0 }).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use tenterhook_plan::Temperament;

    #[test]
    fn strings_are_tuned_as_the_temperament_has_them() {
        let hz = |said: &str, temperament| -> Vec<_> {
            let strings = strings(said, Intonation { tuning_hz: 415.0, temperament }).unwrap();
            strings.iter().map(|one| one.hz).collect()
        };
        let equal = hz("D3 A3 F#4 Bb2", Temperament::Equal);
        for (found, semitones) in equal.iter().zip([-19.0f64, -12.0, -3.0, -23.0]) {
            assert!((found / (415.0 * (semitones / 12.0).exp2()) - 1.0).abs() < 1e-12, "{equal:?}");
        }
        let just = hz("D3 A3 F#4 Bb2", Temperament::Just(2));
        for (found, ratio) in just.iter().zip([2.0 / 3.0, 1.0, 5.0 / 3.0, 8.0 / 15.0]) {
            assert!((found / (207.5 * ratio) - 1.0).abs() < 1e-12, "{just:?}");
        }
    }
}
