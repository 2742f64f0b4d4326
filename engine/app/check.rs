//! `check`: every error and every caution.

use serde_json::json;
use tenterhook_config::Severity;

use crate::cli::Check;
use crate::failure::Failure;
use crate::loading;
use crate::say::{answer, count};

/// Checks a piece, in a hall if one is named. The exit status says whether it can be played.
pub fn run(asked: &Check) -> Result<(), Failure> {
    let loaded = match loading::piece(&asked.piece, asked.hall.as_deref()) {
        Err(failure) if asked.json => {
            answer(json!({ "ok": false, "found": failure.found() }))?;
            return Err(failure);
        }
        other => other?,
    };
    let (plan, cautions) = (&loaded.checked.plan, &loaded.checked.cautions);
    if asked.json {
        return answer(json!({ "ok": true, "found": cautions.to_json() }));
    }
    loaded.caution();
    let counts = [
        (cautions.count(Severity::Caution), "caution"),
        (plan.mics.len(), "mic"),
        (plan.outputs.len(), "output"),
        (plan.controllers.len(), "controller"),
        (plan.scenes.len(), "scene"),
    ]
    .map(|(n, one)| count(n as u64, one));
    answer(format_args!("{}: no errors; {}.", plan.title, counts.join(", ")))
}
