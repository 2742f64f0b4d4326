//! `spectrum`: what a sound is made of, as a table, a picture and written notes.

use std::path::Path;

use serde_json::json;
use tenterhook_io::place::Over;
use tenterhook_notes::{Step, instruments};
use tenterhook_plan::pitch::note_name;
use tenterhook_spectra::Moment;

use crate::cli::Spectrum;
use crate::commands::study::{Notation, Taken, Wanted, from_file, from_mic, from_take, kept_plan, players, span};
use crate::failure::Failure;
use crate::loading;
use crate::say::{answer, print, say};
use crate::whole;

/// The files that `--out` writes.
const WRITTEN: [&str; 6] =
    ["notes.musicxml", "notes.mid", "partials.csv", "spectrum.toml", "picture.svg", "picture.png"];
/// Partials in the table.
const ROWS: usize = 32;

/// Takes a sound apart, and tells what it is made of.
pub fn run(asked: &Spectrum) -> Result<(), Failure> {
    let (from, to) = (asked.from.as_deref(), asked.to.as_deref());
    let mic = asked.mic.as_deref();
    let take = asked.sound.as_deref().filter(|sound| sound.is_dir());
    let kept = take.map(kept_plan).transpose()?;
    let named = asked.piece.as_deref().map(|piece| loading::piece(piece, asked.hall.as_deref())).transpose()?;
    let mut notation = Notation::of(named.as_ref().map(|loaded| &loaded.checked.plan).or(kept.as_ref()));
    if let Some(tuning_hz) = asked.tuning {
        notation.intonation.tuning_hz = tuning_hz;
    }
    // Before anything is worked out, or anybody is asked to sing.
    players(&asked.players, &notation.players).map_err(Failure::Asked)?;
    if let Some(out) = &asked.out {
        whole::free(out, WRITTEN.map(Path::new), Over::said(asked.replace))?;
    }
    let taken = match (&asked.sound, take.zip(kept.as_ref())) {
        (None, _) => {
            let Some(mic) = mic else { return Err(Failure::asked("name a sound, or a mic's channel with --mic")) };
            from_mic(mic, asked.listen.unwrap_or(5.0), asked.host, notation)?
        }
        (Some(_), Some((take, plan))) => from_take(take, plan, mic, [from, to], notation)?,
        (Some(sound), None) => from_file(sound, mic, notation)?,
    };
    let said = if take.is_some() { None } else { span([from, to], taken.study.seconds)? };
    let wanted = Wanted {
        span: said.clone().unwrap_or_else(|| taken.span()),
        marked: true,
        players: asked.players.clone(),
        step: asked.step,
        octaves: asked.octaves,
        timed: asked.timed,
    };
    let moment = taken.study.moment(wanted.span.clone());
    if let Some(out) = &asked.out {
        write(&taken, &wanted, out, Over::said(asked.replace))?;
    }
    if asked.json {
        let mut told = taken.json(&moment);
        told["sound"] = json!({
            "name": taken.name, "seconds": taken.study.seconds, "rate": taken.rate, "tuning_hz": taken.notation.intonation.tuning_hz,
            "temperament": taken.notation.intonation.temperament.to_string(),
            "steady": taken.study.steady.iter().map(|one| [one.start, one.end]).collect::<Vec<_>>(),
        });
        return answer(told);
    }
    print(&table(&taken, &moment, said.is_none()))?;
    if !asked.players.is_empty() {
        print(&parts(&taken, &wanted)?)?;
    }
    Ok(())
}

/// What a moment is made of, in words and rows.
fn table(taken: &Taken, moment: &Moment, chosen: bool) -> String {
    let note = |hz: f64| {
        let (note, cents) = taken.notation.intonation.nearest(hz);
        (note_name(note), cents)
    };
    let percent = |share: f64| format!("{:.0} %", 100.0 * share);
    let mut lines = format!(
        "{}: {:.2} s at {} Hz; from {:.2} s to {:.2} s{}\n",
        taken.name,
        taken.study.seconds,
        taken.rate,
        moment.span.start,
        moment.span.end,
        if chosen { ", its most telling moment" } else { "" },
    );
    lines += &match moment.fundamental_hz {
        Some(hz) => {
            let (name, cents) = note(hz);
            let share = percent(moment.harmonicity);
            format!("fundamental {name} {cents:+.0} cents ({hz:.2} Hz), {share} of the power in its harmonics")
        }
        None => "no fundamental".to_owned(),
    };
    lines += &format!("; noise {}\n", percent(moment.noise));
    if !moment.formants.is_empty() {
        let formants: Vec<_> = moment.formants.iter().map(|one| format!("{:.0}", one.hz)).collect();
        lines += &format!("formants at {} Hz\n", formants.join(", "));
    }
    if moment.partials.is_empty() {
        lines += "no partials: this moment is noise or silence\n";
        return lines;
    }
    lines += &format!("\n{:>10} {:>7} {:>6} {:>8} {:>6}\n", "Hz", "dBFS", "note", "cents", "sure");
    for partial in moment.partials.iter().take(ROWS) {
        let (name, cents) = note(partial.hz);
        let sure = percent(partial.confidence);
        lines += &format!("{:>10.2} {:>7.1} {name:>6} {cents:>+8.1} {sure:>6}\n", partial.hz, partial.db);
    }
    if moment.partials.len() > ROWS {
        lines += &format!("and {} weaker ones; --json tells all\n", moment.partials.len() - ROWS);
    }
    lines
}

/// Who plays what.
fn parts(taken: &Taken, wanted: &Wanted) -> Result<String, Failure> {
    let made = taken.notes(wanted).map_err(Failure::Running)?;
    let mut lines = "\n".to_owned();
    for part in &made.shared.parts {
        let notes: Vec<_> = part.notes.iter().map(|note| note.written.named(taken.notation.intonation)).collect();
        lines += &format!(
            "{:16} {}\n",
            part.player.name,
            if notes.is_empty() { "rests".to_owned() } else { notes.join(", ") }
        );
    }
    let players = made.shared.parts.len();
    for left in made.shared.unplayed.iter().take(players) {
        let (note, cents) = taken.notation.intonation.nearest(left.tone.hz);
        lines +=
            &format!("not written: {} {cents:+.0} cents ({:.1} dB): {}\n", note_name(note), left.tone.db, left.why);
    }
    Ok(lines)
}

/// Writes all files, or none.
fn write(taken: &Taken, wanted: &Wanted, out: &Path, over: Over) -> Result<(), Failure> {
    let files = WRITTEN.map(|name| taken.file(name, wanted).map(|bytes| (name, bytes)));
    let files = files.into_iter().collect::<Result<Vec<_>, _>>().map_err(Failure::Running)?;
    let files: Vec<_> = files.iter().map(|(name, bytes)| (Path::new(*name), bytes.as_slice())).collect();
    whole::write(out, &files, over)?;
    say(format_args!("{} written to {}", WRITTEN.join(", "), out.display()));
    Ok(())
}

/// The steps that can be asked for.
pub fn step(name: &str) -> Result<Step, String> {
    Step::named(name).map_err(|why| why.to_string())
}

/// The instruments that can be asked for, for the help.
pub fn help_on_players() -> String {
    let names: Vec<_> = instruments().iter().map(|one| one.name).collect();
    format!(
        "Players, by the names of their instruments or of the piece's [players], with commas between them: {}",
        names.join(", ")
    )
}
