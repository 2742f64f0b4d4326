//! `check`: every error and every caution.

use serde_json::json;
use tenterhook_config::Severity;

use crate::cli::Check;
use crate::failure::Failure;
use crate::loading;

/// Checks a piece, in a hall if one is named. The exit status says whether it can be played.
pub fn run(asked: &Check) -> Result<(), Failure> {
    let loaded = match loading::piece(&asked.piece, asked.hall.as_deref()) {
        Err(Failure::Files(report)) if asked.json => {
            println!("{}", json!({ "ok": false, "found": report.to_json() }));
            return Err(Failure::Files(report));
        }
        other => other?,
    };
    let (plan, cautions) = (&loaded.checked.plan, &loaded.checked.cautions);
    if asked.json {
        println!("{}", json!({ "ok": true, "found": cautions.to_json() }));
        return Ok(());
    }
    loaded.caution();
    let count = |n: usize, one: &str| if n == 1 { format!("1 {one}") } else { format!("{n} {one}s") };
    println!(
        "{}: no errors, {}. {}, {}, {}, {}.",
        plan.title,
        count(cautions.count(Severity::Caution), "caution"),
        count(plan.mics.len(), "mic"),
        count(plan.outputs.len(), "output"),
        count(plan.controllers.len(), "controller"),
        count(plan.scenes.len(), "scene"),
    );
    Ok(())
}
