//! Scenes: which effects sound where, and every distinct effect of the whole piece once.

use super::enclosed::HallPitch;
use super::names::{NamesInUse, check_plain};
use super::{after, enclosed};
use crate::files::Files;
use crate::kind::Kind;
use crate::near;
use crate::place::Place;
use crate::report::Findings;
use crate::written::{
    FADE, NamedTable, Said, TUNING_HZ, To, WrittenEffect, WrittenPiece, WrittenScene as Written, whole,
};
use std::ops::Range;
use tenterhook_plan::declare::Setting;
use tenterhook_plan::{
    By, ControllerId, GroupId, Instance, InstanceId, MicId, OutputId, Owner, Plan, Scene, SceneId, Send, Source, Use,
    gain,
};

/// How many distinct effects a piece may have. Ids are 16 bits wide; no machine comes near this.
const INSTANCES: usize = 10_000;

/// Resolves all scenes into the plan.
pub(super) fn resolve(
    piece: &WrittenPiece,
    names: &NamesInUse<'_>,
    homes: &[Option<Vec<OutputId>>],
    plan: &mut Plan,
    files: &dyn Files,
    findings: &mut Findings,
) {
    let mut marks: Vec<(&str, Place)> = Vec::new();
    let written_hz = piece.tuning.value().copied().unwrap_or(TUNING_HZ);
    let pitch = HallPitch { intonation: plan.intonation(), ratio: plan.tuning_hz / written_hz };
    // What is found in scenes that are like others: where these come later, they have not been looked at yet.
    let mut in_like: Vec<(Findings, Range<Place>, Place)> = Vec::new();
    for (at, written) in piece.scenes.iter().enumerate() {
        check_mark(written, &mut marks, findings);
        let whole = whole(&piece.scenes, at, findings);
        let mut scene = SceneBuilder {
            names,
            homes,
            plan: &mut *plan,
            files,
            pitch: &pitch,
            working: Vec::new(),
            uses: Vec::new(),
        };
        let mut found = Findings::default();
        for part in &whole.parts {
            scene.part(part, &mut found);
        }
        let uses = scene.uses;
        match (whole.like, &written.like) {
            (Some(_), Said::Value(like)) => in_like.push((found, own(&piece.scenes, at), like.place)),
            (_, like) => {
                if like.is_said() {
                    // What it should take over is not known: what it lacks may be there.
                    found.forget_what_lacks();
                }
                findings.append(found);
            }
        }
        if plan.instances.len() > INSTANCES {
            let message = format!("with this scene the piece has more than {INSTANCES} distinct effects");
            findings.add(Kind::TooMany, written.place, message, "split the piece");
            return;
        }
        plan.scenes.push(Scene {
            mark: written.mark.value().cloned().unwrap_or_default(),
            name: written.name.value().cloned(),
            bar: written.bar.value().copied(),
            cue: written.cue.value().cloned(),
            fade: written.fade.value().copied().unwrap_or(FADE),
            like: whole.like.map(SceneId::new),
            uses,
        });
    }
    for (found, own, like) in in_like {
        findings.append_like(found, &own, like);
    }
}

/// From the beginning of a scene to that of the next in the text.
fn own(scenes: &[Written], at: usize) -> Range<Place> {
    let from = scenes[at].place;
    let end = Place::new(from.file, usize::MAX..usize::MAX);
    from..scenes.iter().map(|scene| scene.place).filter(|place| *place > from).min().unwrap_or(end)
}

fn check_mark<'p>(scene: &'p Written, marks: &mut Vec<(&'p str, Place)>, findings: &mut Findings) {
    match &scene.mark {
        Said::Nothing => {
            findings.add(Kind::MissingKey, scene.place, "this scene has no mark", "write mark = \"A\" below it");
        }
        Said::Wrong => {}
        Said::Value(mark) => {
            check_plain(&mark.value, mark.place, "a mark", findings);
            if marks.iter().any(|(other, _)| *other == mark.value) {
                let message = format!("an earlier scene carries the mark \"{}\" already", mark.value);
                let remedy = format!("write another, as in \"{}+1\"", mark.value);
                findings.add(Kind::MarkTwice, mark.place, message, remedy);
            }
            marks.push((&mark.value, mark.place));
        }
    }
}

/// One scene while it is being resolved.
struct SceneBuilder<'a> {
    names: &'a NamesInUse<'a>,
    homes: &'a [Option<Vec<OutputId>>],
    plan: &'a mut Plan,
    files: &'a dyn Files,
    pitch: &'a HallPitch,
    /// The controllers that work an effect of this scene, and which.
    working: Vec<(ControllerId, String)>,
    uses: Vec<Use>,
}

/// Where an effect sounds.
enum Sends {
    /// Wherever its mic or group does by default.
    Default,
    /// Here, each with its level in dB and the number of equals it is one of.
    Said(Vec<(OutputId, f64, usize)>),
}

impl SceneBuilder<'_> {
    /// The effects of one mic or group.
    fn part(&mut self, part: &NamedTable<Vec<WrittenEffect>>, findings: &mut Findings) {
        let owner = self.owner(part, findings);
        let (follows, order) = after::order(&part.name, &part.what, findings);
        let mut heads = Vec::new();
        for effect in &part.what {
            check_plain(&effect.key, effect.place, "the key of an effect", findings);
            self.check_each(effect, owner, findings);
            let settings = enclosed::settings(effect, self.files, self.pitch, findings);
            heads.push((self.by(effect, &part.name, findings), self.to(effect, findings), settings));
        }
        for (effect, followed) in part.what.iter().zip(&follows) {
            let Some((followed, after)) = followed.map(|at| &part.what[at]).zip(effect.after.at()) else { continue };
            if each(effect) != each(followed) {
                let message = format!(
                    "only one of \"{}\" and \"{}\" is made once per mic, and one follows the other",
                    followed.key, effect.key
                );
                findings.add(Kind::AfterEachMixed, after.place, message, "write each = true on both, or on neither");
            }
        }
        let Some(owner) = owner else { return };
        let mut made: Vec<Vec<InstanceId>> = vec![Vec::new(); part.what.len()];
        for at in order {
            let (effect, (by, _, settings)) = (&part.what[at], &heads[at]);
            made[at] = match (by, effect.declaration) {
                (Some(by), Some(_)) => {
                    let followed = follows[at].map(|at| made[at].as_slice());
                    self.instances(owner, effect, *by, settings, followed)
                }
                _ => Vec::new(),
            };
        }
        let mut followed = vec![false; part.what.len()];
        follows.iter().flatten().for_each(|&at| followed[at] = true);
        for (at, effect) in part.what.iter().enumerate() {
            self.sounds(owner, effect, &made[at], &heads[at].1, followed[at], findings);
        }
    }

    fn owner(&self, part: &NamedTable<Vec<WrittenEffect>>, findings: &mut Findings) -> Option<Owner> {
        let (mics, groups) = (self.names.mics, self.names.groups);
        let mic = mics.iter().position(|mic| mic.name == part.name).map(|at| Owner::Mic(MicId::new(at)));
        let group = || groups.iter().position(|one| one.name == part.name).map(|at| Owner::Group(GroupId::new(at)));
        let owner = mic.or_else(group);
        if owner.is_none() {
            let names = mics.iter().map(|mic| mic.name.as_str()).chain(groups.iter().map(|group| group.name.as_str()));
            let message = format!("there is no mic or group \"{}\"", part.name);
            findings.add(Kind::UnknownMic, part.place, message, near::remedy(&part.name, "mics and groups", names));
        }
        owner
    }

    fn check_each(&self, effect: &WrittenEffect, owner: Option<Owner>, findings: &mut Findings) {
        if let (Some(each), Some(Owner::Mic(mic))) = (effect.each.at(), owner) {
            let message = format!("\"each\" does nothing here: \"{}\" is one mic", self.names.mics[mic.index()].name);
            findings.add(
                Kind::UselessKey,
                each.key,
                message,
                "leave it out: only a group's effect can be made once per mic",
            );
        }
    }

    /// What works an effect.
    fn by(&mut self, effect: &WrittenEffect, owner: &str, findings: &mut Findings) -> Option<By> {
        let by = match &effect.by {
            Said::Value(by) => by,
            Said::Wrong => return None,
            Said::Nothing => {
                let message = format!("nothing works the effect \"{}\"", effect.key);
                let remedy = "write by = \"…\" with the name of a controller, or by = \"scene\"";
                findings.add(Kind::NoController, effect.place, message, remedy);
                return None;
            }
        };
        if by.value == "scene" {
            return Some(By::Scene);
        }
        let id = self.names.controller(by, true, findings)?;
        let commands = [("next", self.plan.next), ("back", self.plan.back), ("hush", self.plan.hush)];
        if let Some((command, _)) = commands.iter().find(|(_, command)| *command == Some(id)) {
            let message = format!("\"{}\" is for {command} and cannot work an effect as well", by.value);
            findings.add(Kind::CommandWorksEffect, by.place, message, "give the effect a controller of its own");
        }
        let this = format!("{} of {owner}", effect.key);
        // One pedal, whatever its characters are called.
        let pedal = |id: ControllerId| self.plan.controllers[id.index()].like.unwrap_or(id);
        if let Some((working, other)) = self.working.iter().find(|(working, _)| pedal(*working) == pedal(id)) {
            let name = &self.plan.controllers[working.index()].name;
            let message = match *working == id {
                true => format!("\"{}\" works two effects in one scene: {other} and {this}", by.value),
                false => format!(
                    "\"{name}\" and \"{}\" are one pedal, and one scene uses both: for {other} and {this}",
                    by.value
                ),
            };
            let remedy = "give each a controller of its own: one controller works one effect";
            findings.add(Kind::ControllerWorksTwo, by.place, message, remedy);
        } else {
            self.working.push((id, this));
        }
        Some(By::Controller(id))
    }

    /// Where an effect sounds.
    fn to(&self, effect: &WrittenEffect, findings: &mut Findings) -> Sends {
        let Some(to) = effect.to.at() else { return Sends::Default };
        let outputs: Vec<(Option<OutputId>, f64, usize)> = match &to.value {
            To::List(list) => {
                let outputs = self.names.output_list(list, findings);
                outputs.iter().map(|output| (*output, 0.0, list.len())).collect()
            }
            To::Levels(levels) => {
                let outputs = self.names.output_list(levels.iter().map(|(name, _)| name), findings);
                outputs.into_iter().zip(levels).map(|(output, (_, db))| (output, *db, 1)).collect()
            }
        };
        if let Some(level) = effect.level.at().filter(|_| outputs.is_empty()) {
            let message = "\"level\" does nothing here: `to` names no output";
            findings.add(Kind::UselessKey, level.key, message, "leave it out, or name an output in `to`");
        }
        Sends::Said(outputs.into_iter().filter_map(|(output, db, of)| Some((output?, db, of))).collect())
    }

    /// The instances of an effect: one, or one per mic of its group; those that the piece has already are the same.
    fn instances(
        &mut self,
        owner: Owner,
        effect: &WrittenEffect,
        by: By,
        settings: &[Setting],
        followed: Option<&[InstanceId]>,
    ) -> Vec<InstanceId> {
        let sources: Vec<Source> = match (followed, owner) {
            (Some(followed), _) => followed.iter().map(|id| Source::Instance(*id)).collect(),
            (None, Owner::Mic(mic)) => vec![Source::Mic(mic)],
            (None, Owner::Group(group)) if each(effect) => {
                self.plan.groups[group.index()].mics.iter().map(|mic| Source::Mic(*mic)).collect()
            }
            (None, Owner::Group(group)) => vec![Source::Group(group)],
        };
        let Some(declaration) = effect.declaration else { return Vec::new() };
        let instances = &mut self.plan.instances;
        if instances.len() > INSTANCES {
            return Vec::new(); // The piece is refused when this scene ends.
        }
        let instance = |source| Instance {
            owner,
            source,
            key: effect.key.clone(),
            effect: declaration.name,
            by,
            settings: settings.to_vec(),
        };
        let place = |source| {
            let instance = instance(source);
            let known = instances.iter().position(|known| *known == instance).unwrap_or_else(|| {
                instances.push(instance);
                instances.len() - 1
            });
            InstanceId::new(known)
        };
        sources.into_iter().map(place).collect()
    }

    /// Puts an effect's instances into the scene, with what goes where.
    fn sounds(
        &mut self,
        owner: Owner,
        effect: &WrittenEffect,
        made: &[InstanceId],
        to: &Sends,
        followed: bool,
        findings: &mut Findings,
    ) {
        let level = effect.level.value().copied().unwrap_or(0.0);
        let open: Vec<_> =
            (0..self.plan.outputs.len()).filter(|&at| !self.plan.outputs[at].private).map(OutputId::new).collect();
        let mut heard = made.is_empty();
        for (place, &instance) in made.iter().enumerate() {
            let mic = match owner {
                Owner::Mic(mic) => Some(mic),
                Owner::Group(group) if each(effect) => self.plan.groups[group.index()].mics.get(place).copied(),
                Owner::Group(_) => None,
            };
            let home = mic.and_then(|mic| self.homes[mic.index()].as_ref());
            let sends: Vec<_> = match (to, home) {
                (Sends::Said(sends), _) => {
                    sends.iter().map(|(output, db, of)| send(*output, db + level, *of)).collect()
                }
                (Sends::Default, home) => {
                    let outputs = home.unwrap_or(&open);
                    outputs.iter().map(|output| send(*output, level, outputs.len())).collect()
                }
            };
            heard |= !sends.is_empty();
            self.uses.push(Use { instance, sends });
        }
        if !heard && !followed {
            let message = format!("\"{}\" is sent to no output, and nothing follows it", effect.key);
            findings.add(Kind::NeverHeard, effect.place, message, "name an output in `to`, or leave the effect out");
        }
    }
}

fn each(effect: &WrittenEffect) -> bool {
    effect.each.value().copied().unwrap_or(false)
}

/// A send at a level, one of `of` equals that together carry the power of one.
fn send(output: OutputId, db: f64, of: usize) -> Send {
    Send { output, gain: (f64::from(gain(db)) / (of as f64).sqrt()) as f32 }
}
