//! What it means: names looked up, rules checked, numbers ready for the engine.

pub(crate) use controllers::near_controller;

mod after;
mod controllers;
mod names;
mod scenes;
mod sounds;

use crate::kind::Kind;
use crate::place::Place;
use crate::report::Findings;
use crate::written::Piece;
use names::Names;
use tenterhook_plan::{ControllerId, Plan};

/// The pitch of a' if a piece says nothing: ISO 16.
const TUNING_HZ: f64 = 440.0;

/// Whose rules hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Rules {
    /// Those of a piece by itself.
    Piece,
    /// Those of a piece in a hall, where outputs may share a channel.
    Hall,
}

/// Checks a piece as written and gives what it means; `None`: there are errors among the findings.
pub(crate) fn resolve(piece: &Piece, rules: Rules, findings: &mut Findings) -> Option<Plan> {
    let names = Names::check(piece, findings)?;
    let (mics, homes) = sounds::mics(&names, rules, findings);
    let groups = sounds::groups(&names, findings);
    let outputs = sounds::outputs(&names, rules, findings);
    let controllers = controllers::resolve(&names, findings);
    let commands = controllers::commands(piece, &names, findings);
    let mut plan = Plan {
        title: piece.title.value().cloned().unwrap_or_else(|| "Untitled".to_owned()),
        tuning_hz: piece.tuning.value().copied().unwrap_or(TUNING_HZ),
        mics,
        groups,
        outputs,
        controllers,
        instances: Vec::new(),
        scenes: Vec::new(),
        next: commands[0],
        back: commands[1],
        hush: commands[2],
    };
    scenes::resolve(piece, &names, &homes, &mut plan, findings);
    if findings.has_errors() {
        return None;
    }
    unused(&names, &plan, findings);
    Some(plan)
}

/// Cautions about what nothing uses. A controller that gives orders is used, and so is a mic whose loudness is.
fn unused(names: &Names<'_>, plan: &Plan, findings: &mut Findings) {
    use tenterhook_plan::{Address, By, Owner};
    let mut caution = |what: &str, name: &str, place: Place| {
        let message = format!("nothing uses the {what} \"{name}\"");
        findings.add(Kind::Unused, place, message, format!("name it in a scene, or leave the {what} out"));
    };
    let owners: Vec<_> = plan.instances.iter().map(|instance| instance.owner).collect();
    let used = |index: usize| {
        let id = tenterhook_plan::MicId::new(index);
        owners.contains(&Owner::Mic(id))
            || plan.groups.iter().enumerate().any(|(group, what)| {
                what.mics.contains(&id) && owners.contains(&Owner::Group(tenterhook_plan::GroupId::new(group)))
            })
            || plan
                .controllers
                .iter()
                .any(|controller| matches!(controller.address, Address::Loudness { mic, .. } if mic == id))
    };
    for (index, mic) in names.mics.iter().enumerate().filter(|(index, _)| !used(*index)) {
        debug_assert_eq!(plan.mics[index].name, mic.name);
        caution("mic", &mic.name, mic.place);
    }
    for (index, group) in names.groups.iter().enumerate() {
        if !owners.contains(&Owner::Group(tenterhook_plan::GroupId::new(index))) {
            caution("group", &group.name, group.place);
        }
    }
    let sends = || plan.scenes.iter().flat_map(|scene| &scene.uses).flat_map(|one| &one.sends);
    for (index, output) in names.outputs.iter().enumerate() {
        if !sends().any(|send| send.output.index() == index) {
            caution("output", &output.name, output.place);
        }
    }
    for (index, controller) in names.controllers.iter().enumerate() {
        let id = ControllerId::new(index);
        let commands = [plan.next, plan.back, plan.hush];
        if !commands.contains(&Some(id)) && !plan.instances.iter().any(|instance| instance.by == By::Controller(id)) {
            caution("controller", &controller.name, controller.place);
        }
    }
}
