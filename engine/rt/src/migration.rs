//! What a changed piece takes over from the one before it, worked out before the audio thread sees it.

use tenterhook_plan::{Decibels, Identity, InstanceId, Mic, Plan, SceneId, Source};

use crate::compiled_plan::{self, CompiledPlan, Need, Needs, walk_with};
use crate::pool::{Becoming, PoolNeed};

/// Places in the old compiled plan and in the new one, of what carries on; and what of the old one fades out before it goes.
#[derive(Clone, Debug, Default)]
pub(crate) struct Migration {
    pub mics: Vec<(usize, usize)>,
    pub sources: Vec<(usize, usize)>,
    /// The pools of voices on those sources, and what they become.
    pub pools: Vec<(usize, usize, Becoming)>,
    /// In the order of the old ones.
    pub residents: Vec<(usize, usize)>,
    pub outputs: Vec<(usize, usize)>,
    pub controllers: Vec<(usize, usize)>,
    /// And what the hall says anew, in dB.
    pub trims: Vec<(usize, usize, Option<f32>)>,
    /// For each scene of the old piece the one in the new piece that keeps its place.
    pub scenes: Vec<SceneId>,
    /// Effects of the old compiled plan that do not go on.
    pub doomed: Vec<usize>,
    /// Mics of the old compiled plan that go, or go on with another sound.
    pub dipped_mics: Vec<usize>,
    /// Sources of the new compiled plan that have no past.
    pub fresh_sources: Vec<usize>,
    /// Outputs of the old compiled plan that go, or go on at another channel or under another ceiling.
    pub dipped_outputs: Vec<usize>,
}

/// What the sources and voices of a piece hold, as a changed one after it has to know it.
#[derive(Clone, Debug, Default)]
pub(crate) struct Had {
    pub sources: Vec<Need>,
    pub pools: Vec<PoolNeed>,
}

impl Had {
    /// What a piece with these needs holds.
    pub fn of(needs: &Needs) -> Self {
        Self { sources: needs.sources.clone(), pools: needs.pools.clone() }
    }
}

/// What makes a source the same one in a changed piece.
#[derive(PartialEq)]
enum Name<'a> {
    Mic(&'a str),
    Group(&'a str, Vec<&'a str>),
    Effect(Identity),
}

fn names(plan: &Plan) -> Vec<Name<'_>> {
    let mics = plan.mics.iter().map(|mic| Name::Mic(&mic.name));
    let groups = plan.groups.iter().map(|group| {
        let mics = group.mics.iter().filter_map(|id| plan.mics.get(id.index()));
        Name::Group(&group.name, mics.map(|mic| mic.name.as_str()).collect())
    });
    let mut names: Vec<_> = mics.chain(groups).collect();
    let mut followed: Vec<(usize, usize)> = compiled_plan::feeds(plan)
        .iter()
        .enumerate()
        .filter_map(|(index, place)| place.map(|place| (place, index)))
        .collect();
    followed.sort_unstable();
    names.extend(followed.iter().map(|&(_, index)| Name::Effect(plan.identity(InstanceId::new(index)))));
    names
}

fn pairs<T: PartialEq>(old: &[T], new: &[T]) -> Vec<(usize, usize)> {
    old.iter().enumerate().filter_map(|(i, name)| new.iter().position(|other| other == name).map(|j| (i, j))).collect()
}

fn left_out(count: usize, kept: impl Fn(usize) -> bool) -> Vec<usize> {
    (0..count).filter(|&i| !kept(i)).collect()
}

#[expect(
    clippy::indexing_slicing,
    reason = "each place was counted in the list of the plan, and a compiled plan has a thing for each of its plan's"
)]
impl Migration {
    /// From the plan `old`, whose sources and voices hold `had`, to the plan `new`, whose shall hold `needs`: these grow to
    /// what the same source had, so that its memory and its voices can simply move over.
    pub fn new(old: &Plan, had: &Had, new: &Plan, needs: &mut Needs) -> Self {
        let mics = pairs(&named(&old.mics, |mic| &mic.name), &named(&new.mics, |mic| &mic.name));
        let outputs = pairs(&named(&old.outputs, |output| &output.name), &named(&new.outputs, |output| &output.name));
        let controllers = pairs(&named(&old.controllers, |one| &one.name), &named(&new.controllers, |one| &one.name));

        let trims = old.trims.iter().enumerate().filter_map(|(i, trim)| {
            let (id, db) = old.kept_trim(trim, trim.db, new)?;
            Some((i, id.index(), Some(db).filter(|db| *db != trim.db)))
        });
        let trims = trims.collect();

        let mut sources = pairs(&names(old), &names(new));
        sources.retain(|&(i, j)| {
            let (had, needs) = (had.sources[i], &mut needs.sources[j]);
            let knows = (had.analysis || !needs.analysis) && (had.model || !needs.model);
            let goes_on = knows && had.samples >= needs.samples;
            if goes_on {
                *needs = had;
            }
            goes_on
        });

        let mut pools = Vec::new();
        for (i, had) in had.pools.iter().enumerate() {
            let Some(&(_, source)) = sources.iter().find(|(from, _)| *from == had.source) else { continue };
            let same = |need: &PoolNeed| need.source == source && need.effect == had.effect;
            if let Some(j) = needs.pools.iter().position(same) {
                pools.push((i, j, needs.pools[j].follow(had)));
            }
        }

        let identities = |plan: &Plan| -> Vec<Identity> {
            (0..plan.instances.len()).map(|index| plan.identity(InstanceId::new(index))).collect()
        };
        let place = |plan: &Plan, index: usize| match plan.instances[index].source {
            Source::Mic(id) => id.index(),
            Source::Group(id) => plan.mics.len() + id.index(),
            Source::Instance(id) => compiled_plan::feeds(plan)[id.index()].unwrap_or(0),
        };
        let mut residents = pairs(&identities(old), &identities(new));
        residents.retain(|&(i, j)| sources.contains(&(place(old, i), place(new, j))));

        let scenes = (0..old.scenes.len()).map(|index| old.kept_scene(SceneId::new(index), new)).collect();

        let same_mic = |i: usize| {
            let same = |a: &Mic, b: &Mic| a.input == b.input && a.highpass_hz == b.highpass_hz;
            mics.iter().any(|&(a, b)| i == a && same(&old.mics[a], &new.mics[b]))
        };
        let same_output = |i: usize| {
            let same = |a: usize, b: usize| {
                old.outputs[a].channel == new.outputs[b].channel && ceilings(old, a) == ceilings(new, b)
            };
            outputs.iter().any(|&(a, b)| i == a && same(a, b))
        };
        Self {
            doomed: left_out(old.instances.len(), |i| residents.iter().any(|&(a, _)| a == i)),
            fresh_sources: left_out(needs.sources.len(), |j| sources.iter().any(|&(_, b)| b == j)),
            dipped_mics: left_out(old.mics.len(), same_mic),
            dipped_outputs: left_out(old.outputs.len(), same_output),
            mics,
            sources,
            pools,
            residents,
            outputs,
            controllers,
            trims,
            scenes,
        }
    }

    /// AUDIO THREAD. What does not go on fades out of the old compiled plan, and nothing of it begins any more.
    pub fn prepare(&self, old: &mut CompiledPlan) {
        let hurry = old.timings.hurry;
        for &i in &self.doomed {
            let resident = &mut old.residents[i];
            resident.doom(&mut old.pools[resident.pool], hurry);
        }
        for &i in &self.dipped_mics {
            old.mics[i].dip.go(0.0, hurry);
        }
        for &i in &self.dipped_outputs {
            old.outputs[i].dip.go(0.0, hurry);
        }
    }

    /// AUDIO THREAD. At sample `at`: moves what goes on from the old compiled plan into the new one: a few words each, whatever its size.
    pub fn install(&self, old: &mut CompiledPlan, new: &mut CompiledPlan, at: u64) {
        let timings = new.timings;
        for &(i, j) in &self.mics {
            new.mics[j].carry(&mut old.mics[i], timings);
            if let (Some(old), Some(new)) = (old.hearings.get_mut(i), new.hearings.get_mut(j)) {
                new.carry(old);
            }
        }
        new.neighbours.carry(&old.neighbours, &self.mics);
        for &(i, j) in &self.outputs {
            new.outputs[j].carry(&mut old.outputs[i], at, timings);
        }
        for &(i, j) in &self.sources {
            std::mem::swap(&mut new.sources[j].memory, &mut old.sources[i].memory);
            new.sources[j].coming = old.sources[i].coming;
            new.sources[j].faults = old.sources[i].faults.map(|(insight, told)| (insight, told.anew()));
        }
        for &j in &self.fresh_sources {
            new.sources[j].memory.start(at);
            new.sources[j].coming.set(0.0);
            new.sources[j].coming.go(1.0, timings.glide);
        }
        for &(i, j) in &self.controllers {
            new.controllers[j] = old.controllers[i];
            new.midi.carry(&old.midi, i, j);
            let mut before = old.loudness.iter().filter(|loudness| loudness.id.index() == i);
            for loudness in new.loudness.iter_mut().filter(|loudness| loudness.id.index() == j) {
                before.next().into_iter().for_each(|before| loudness.carry(before));
            }
        }
        for &(i, j, becoming) in &self.pools {
            let (from, to) = (&mut old.pools[i], &mut new.pools[j]);
            from.free_all(|owner| old.residents[owner].doomed);
            to.carry(from, becoming, &self.outputs);
        }
        // What is not looked at is as it was made.
        for &i in &old.walk {
            let Ok(found) = self.residents.binary_search_by_key(&i, |&(i, _)| i) else { continue };
            let (from, j) = (&mut old.residents[i], self.residents[found].1);
            let Some(&(a, b, becoming)) = self.pools.iter().find(|(a, ..)| *a == from.pool) else { continue };
            let (before, pool) = (&old.pools[a], &mut new.pools[b]);
            new.residents[j].carry(from, pool, |pool, slot| pool.slot(before, becoming, slot));
            walk_with(&mut new.walk, j);
        }
        // What is new and reads what broke before it came does not begin.
        (0..new.sources.len()).for_each(|place| new.let_down(place));
        new.next.carry(&old.next);
        new.back.carry(&old.back);
        new.hush.carry(&old.hush);
        new.shared.iter_mut().for_each(|shared| shared.carry(&old.shared));
        new.all = old.all;
        for &(i, j, said) in &self.trims {
            let db = said.unwrap_or_else(|| old.trims[i].level.db());
            new.trims[j].carry(&old.trims[i], db, timings);
        }
    }
}

fn named<T>(things: &[T], name: impl Fn(&T) -> &String) -> Vec<&str> {
    things.iter().map(|thing| name(thing).as_str()).collect()
}

/// The ceilings of an output and of those that share its channel: what its limiters have to hold.
fn ceilings(plan: &Plan, output: usize) -> Vec<(&str, Decibels)> {
    let channel = plan.outputs.get(output).and_then(|output| output.channel);
    let on_it = plan
        .outputs
        .iter()
        .enumerate()
        .filter(|(i, other)| *i == output || channel.is_some() && other.channel == channel);
    on_it.map(|(_, output)| (output.name.as_str(), output.ceiling)).collect()
}
