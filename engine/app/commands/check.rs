//! `check`: every error and every caution; with `--doors` the machine's too.

mod scenes;

use serde_json::json;
use tenterhook_config::Severity;
use tenterhook_plan::Temperament;

use crate::cli::Check;
use crate::commands::preflight;
use crate::failure::Failure;
use crate::live::room::Room;
use crate::loading;
use crate::say::{answer, count, print, say};

/// The rate to reckon with where a hall names none, in Hz.
const RATE: u32 = 48_000;

/// Checks a piece, in a hall if one is named. The exit status says whether it can be played: what is to be looked at on
/// the machine does not change it.
pub fn run(asked: &Check) -> Result<(), Failure> {
    let loaded = match loading::piece(&asked.piece, asked.hall.as_deref()) {
        Err(failure) if asked.json => {
            answer(json!({ "ok": false, "found": failure.found() }))?;
            return Err(failure);
        }
        other => other?,
    };
    let (plan, cautions) = (&loaded.checked.plan, &loaded.checked.cautions);
    let doors = match asked.doors {
        true => {
            let device = &loaded.checked.device;
            let (rate, log) = (device.rate, asked.log.as_deref());
            Some(preflight::look(&preflight::Show { plan, device: Some(device), rate, log })?)
        }
        false => None,
    };
    let room = Room::here(plan, loaded.checked.device.rate.unwrap_or(RATE));
    if asked.json {
        let mut told = json!({ "ok": true, "found": cautions.to_json(), "memory": room.to_json(), "scenes": scenes::to_json(plan) });
        told["tuning"] = json!({
            "hz": plan.tuning_hz, "temperament": plan.temperament.to_string(), "cents": plan.temperament.cents(),
        });
        if let Some(doors) = &doors {
            told["doors"] = preflight::to_json(doors);
        }
        return answer(told);
    }
    loaded.caution();
    if let Some(words) = room.caution() {
        say(format_args!("caution: {words}"));
    }
    let counts = [
        (cautions.count(Severity::Caution), "caution"),
        (plan.mics.len(), "mic"),
        (plan.outputs.len(), "output"),
        (plan.controllers.len(), "controller"),
        (plan.scenes.len(), "scene"),
    ]
    .map(|(n, one)| count(n as u64, one));
    answer(format_args!("{}: no errors; {}.", plan.title, counts.join(", ")))?;
    if plan.temperament != Temperament::Equal {
        answer(format_args!("Tuned to a' = {} Hz, {}.", plan.tuning_hz, plan.temperament))?;
    }
    if let Some(words) = scenes::who_is_like_whom(plan) {
        answer(words)?;
    }
    answer(format_args!("To play it takes {}.", room.words()))?;
    doors.map_or(Ok(()), |doors| print(&preflight::in_words(&doors)))
}
