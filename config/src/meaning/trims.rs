//! The levels of the night: one for all effects of one name, as the hall says it.

use crate::kind::Kind;
use crate::near;
use crate::report::Findings;
use crate::written::WrittenLevel;
use tenterhook_plan::{LEAST_TRIM_DB, MOST_TRIM_DB, Plan, Trim};

/// One level for each name under which the piece writes effects, in the piece's order.
pub(super) fn resolve(levels: &[WrittenLevel], plan: &mut Plan, findings: &mut Findings) {
    for instance in &plan.instances {
        if plan.trim_of(instance).is_none() {
            let (owner, key) = (instance.owner, instance.key.clone());
            plan.trims.push(Trim { owner, key, db: 0.0 });
        }
    }
    let names: Vec<_> = plan.trims.iter().map(|trim| plan.trim_name(trim)).collect();
    for (nth, level) in levels.iter().enumerate() {
        if levels.iter().take(nth).any(|other| other.name == level.name) {
            let message = format!("the level of \"{}\" is said twice", level.name);
            findings.add(Kind::UselessKey, level.place, message, "leave one of them out");
        }
        let called = names.iter().zip(&mut plan.trims).filter(|(name, _)| **name == level.name);
        let mut none = true;
        for (_, trim) in called {
            trim.db = (level.db as f32).clamp(LEAST_TRIM_DB, MOST_TRIM_DB);
            none = false;
        }
        if none {
            let message = format!("the piece has no effect \"{}\"", level.name);
            // An effect's key alone, without its mic or group.
            let bare = names.iter().zip(&plan.trims).find(|(_, trim)| trim.key == level.name);
            let remedy = match bare {
                Some((name, _)) => format!("did you mean \"{name}\"?"),
                None => near::remedy(&level.name, "effects", names.iter().map(String::as_str)),
            };
            findings.add(Kind::UnknownLevel, level.place, message, remedy);
        }
    }
}
