//! What it means: names looked up, rules checked, numbers ready for the engine.

mod after;
mod controllers;
mod enclosed;
mod names;
mod players;
mod scenes;
mod sounds;
mod trims;

use crate::files::Files;
use crate::kind::Kind;
use crate::report::Findings;
use crate::written::{NamedTable, TUNING_HZ, WrittenPiece};
pub(crate) use controllers::OSC_ADDRESS;
#[cfg(test)]
pub(crate) use controllers::is_osc_address;
#[cfg(test)]
pub(crate) use enclosed::strings;
pub(crate) use enclosed::tuning_pattern;
use names::NamesInUse;
#[cfg(test)]
pub(crate) use names::{RESERVED, trouble};
pub(crate) use names::{name_schema, plain_schema};
use tenterhook_plan::{Address, By, ControllerId, Curve, GroupId, MicId, Owner, Plan};

/// Whose rules hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Rules {
    /// Those of a piece by itself.
    Piece,
    /// Those of a piece in a hall, where outputs may share a channel.
    Hall,
}

/// Checks a piece as written and gives what it means; `None`: there are errors among the findings.
pub(crate) fn resolve(piece: &WrittenPiece, rules: Rules, files: &dyn Files, findings: &mut Findings) -> Option<Plan> {
    let names = NamesInUse::check(piece, findings)?;
    let (mics, homes) = sounds::mics(&names, rules, findings);
    let groups = sounds::groups(&names, findings);
    let outputs = sounds::outputs(&names, rules, findings);
    let controllers = controllers::resolve(&names, findings);
    let commands = controllers::commands(piece, &names, findings);
    let players = players::resolve(&names, findings);
    let mut plan = Plan {
        title: piece.title.value().cloned().unwrap_or_else(|| "Untitled".to_owned()),
        tuning_hz: piece.in_hall.tuning.value().or(piece.tuning.value()).copied().unwrap_or(TUNING_HZ),
        temperament: piece.in_hall.temperament.value().or(piece.temperament.value()).copied().unwrap_or_default(),
        mics,
        groups,
        outputs,
        controllers,
        players,
        instances: Vec::new(),
        trims: Vec::new(),
        scenes: Vec::new(),
        next: commands[0],
        back: commands[1],
        hush: commands[2],
    };
    scenes::resolve(piece, &names, &homes, &mut plan, files, findings);
    trims::resolve(&piece.levels, &mut plan, findings);
    if findings.has_errors() {
        return None;
    }
    unused(&names, &plan, findings);
    bent_twice(&names, &plan, findings);
    Some(plan)
}

/// Cautions about a slow curve on what says how loud an effect is: that follows the square of x by itself.
fn bent_twice(names: &NamesInUse<'_>, plan: &Plan, findings: &mut Findings) {
    for (index, named) in names.controllers.iter().enumerate() {
        let slow = named.what.curve.at().filter(|curve| curve.value == Curve::Slow);
        let worked = plan.instances.iter().filter(|one| one.by == By::Controller(ControllerId::new(index)));
        let mut loud = worked.filter(|one| {
            tenterhook_dsp::effects::named(one.effect).is_some_and(|effect| effect.declaration.x_is_loudness)
        });
        if let (Some(slow), Some(one)) = (slow, loud.next()) {
            let message = format!(
                "\"{}\" is bent twice: how loud {} of {} is follows the square of it by itself",
                named.name,
                one.key,
                plan.owner_name(one.owner)
            );
            findings.add(Kind::BentTwice, slow.place, message, "leave curve out");
        }
    }
}

/// Cautions about what nothing uses. A controller that gives orders is used, and so is a mic whose loudness is.
fn unused(names: &NamesInUse<'_>, plan: &Plan, findings: &mut Findings) {
    let owns = |owner| plan.instances.iter().any(|instance| instance.owner == owner);
    let mic = |index| {
        let id = MicId::new(index);
        let grouped = plan
            .groups
            .iter()
            .enumerate()
            .any(|(group, what)| what.mics.contains(&id) && owns(Owner::Group(GroupId::new(group))));
        let heard = |address: &Address| matches!(address, Address::Loudness { mic, .. } if *mic == id);
        grouped || owns(Owner::Mic(id)) || plan.controllers.iter().any(|controller| heard(&controller.address))
    };
    let output = |index| {
        let mut sends = plan.scenes.iter().flat_map(|scene| &scene.uses).flat_map(|one| &one.sends);
        sends.any(|send| send.output.index() == index)
    };
    let controller = |index| {
        let id = ControllerId::new(index);
        let works = plan.instances.iter().any(|instance| instance.by == By::Controller(id));
        let shares = plan.controllers.iter().any(|other| other.like == Some(id));
        works || shares || [plan.next, plan.back, plan.hush].contains(&Some(id))
    };
    caution("mic", names.mics, mic, findings);
    caution("group", names.groups, |index| owns(Owner::Group(GroupId::new(index))), findings);
    caution("output", names.outputs, output, findings);
    caution("controller", names.controllers, controller, findings);
}

fn caution<T>(what: &str, list: &[NamedTable<T>], used: impl Fn(usize) -> bool, findings: &mut Findings) {
    for (_, named) in list.iter().enumerate().filter(|(index, _)| !used(*index)) {
        let message = format!("nothing uses the {what} \"{}\"", named.name);
        findings.add(Kind::Unused, named.place, message, format!("name it in a scene, or leave the {what} out"));
    }
}
