//! Settings that name a file or notes: what is in the file, which frequencies the notes have.

use crate::files::Files;
use crate::interval::JUST;
use crate::kind::Kind;
use crate::place::Place;
use crate::report::Findings;
use crate::spectrum_file::read_spectrum;
use crate::written::WrittenEffect;
use tenterhook_plan::declare::Setting;
use tenterhook_plan::pitch::{note_hz, parse_note};
use tenterhook_plan::{Partial, Recording, Tuning};

/// An effect's own settings, with what their files hold; what cannot be read is reported.
pub(super) fn settings(
    effect: &WrittenEffect,
    files: &dyn Files,
    tuning_hz: f64,
    findings: &mut Findings,
) -> Vec<Setting> {
    let resolve = |(setting, place): &(Setting, Place)| match setting {
        Setting::Sound(named) => Setting::Sound(sound(named, *place, files, findings)),
        Setting::Tuning(named) => Setting::Tuning(tuning(&named.said, *place, files, tuning_hz, findings)),
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

fn tuning(said: &str, place: Place, files: &dyn Files, tuning_hz: f64, findings: &mut Findings) -> Tuning {
    let mut tuning = Tuning { said: said.to_owned(), partials: Vec::new() };
    tuning.partials = if tuning.is_spectrum() {
        let read = files.text(said.trim()).and_then(|text| read_spectrum(&text));
        read.unwrap_or_else(|why| {
            let message = format!("the spectrum \"{said}\" cannot be read: {why}");
            findings.add(Kind::FileUnread, place, message, "name a spectrum file that lies beside the piece");
            Vec::new()
        })
    } else {
        strings(said, tuning_hz).unwrap_or_else(|message| {
            findings.add(
                Kind::BadTuning,
                place,
                message,
                "write notes, as in \"D3 A3 F#4\", or a spectrum file's name",
            );
            Vec::new()
        })
    };
    tuning
}

/// What a tuning is, as a regular expression (ECMA-262): notes, or the path of a spectrum file.
pub(crate) const TUNING: &str = r"\.toml\s*$|^\s*[A-Ga-g][#b]{0,2}[-+]?[0-9]+(\s+[A-Ga-g][#b]{0,2}[-+]?[0-9]+)*\s*$";

/// Strings named as notes: the first as the piece is tuned, the others in just intervals to it. All ring alike.
pub(crate) fn strings(said: &str, tuning_hz: f64) -> Result<Vec<Partial>, String> {
    let notes = said.split_whitespace().map(|name| parse_note(name).ok_or(format!("\"{name}\" is no note")));
    let notes = notes.collect::<Result<Vec<_>, _>>()?;
    let Some(&first) = notes.first() else { return Err("this names no note".to_owned()) };
    let hz = |note: i32| {
        let (_, over, under) = JUST[(note - first).rem_euclid(12) as usize];
        note_hz(f64::from(first), tuning_hz) * over / under * f64::from((note - first).div_euclid(12)).exp2()
    };
    Ok(notes.into_iter().map(|note| Partial { hz: hz(note), db: 0.0 }).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strings_are_tuned_justly_to_the_first() {
        let hz: Vec<_> = strings("D3 A3 F#4 Bb2", 415.0).unwrap().iter().map(|one| one.hz).collect();
        let d = 415.0 * (-19.0f64 / 12.0).exp2();
        for (found, ratio) in hz.iter().zip([1.0, 1.5, 2.5, 0.8]) {
            assert!((found / d - ratio).abs() < 1e-12, "{hz:?}");
        }
        assert!(strings("D3 H3", 440.0).is_err() && strings(" ", 440.0).is_err());
    }
}
