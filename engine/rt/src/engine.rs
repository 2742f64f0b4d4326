//! The audio half: one function that turns a block of mics into a block of outputs.

use std::cell::Cell;
use std::marker::PhantomData;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use ringbuf::HeapCons;
use ringbuf::traits::{Consumer, Producer};
use tenterhook_dsp::CELL;
use tenterhook_plan::{
    Applied, Channel, ControllerId, Event, Gesture, GroupId, InstanceId, MicId, OutputId, Part, SceneId, Source, Timed,
    TrimId, Who, unit,
};

use crate::compiled_plan::{CompiledPlan, walk_with};
use crate::outbox::Outbox;
use crate::reading::Reading;
use crate::resident::{BlockMoment, CellPiece, EffectReads, Resident, SceneChange};
use crate::trim::TrimFader;

/// The audio half of an engine: give it to the audio thread and call [`process`](Engine::process) there.
///
/// It can be sent to that thread, but neither shared nor copied:
/// ```compile_fail
/// fn shared<T: Sync>() {}
/// shared::<tenterhook_rt::Engine>();
/// ```
/// ```compile_fail
/// fn copied<T: Clone>() {}
/// copied::<tenterhook_rt::Engine>();
/// ```
pub struct Engine {
    pub(crate) sample: u64,
    pub(crate) scene: SceneId,
    /// The first sample of the scene.
    pub(crate) since: u64,
    /// What was last told of both.
    pub(crate) told_scene: Option<(SceneId, u64)>,
    pub(crate) hushed: bool,
    /// The first scene has not come yet, and whose it is.
    pub(crate) fresh: Option<Who>,
    pub(crate) compiled: Box<CompiledPlan>,
    /// A compiled plan that is to be installed, and the sample from which on it can be.
    pub(crate) coming: Option<(Box<CompiledPlan>, u64)>,
    pub(crate) events: HeapCons<Event>,
    pub(crate) compiled_plans: HeapCons<Box<CompiledPlan>>,
    pub(crate) records: Outbox<Applied>,
    pub(crate) readings: Outbox<Reading>,
    pub(crate) lost: Arc<AtomicU64>,
    pub(crate) not_sync: PhantomData<Cell<()>>,
}

/// The most events that one block takes from the ring: a flood waits for the next block rather than making this one late.
const EVENTS_A_BLOCK: usize = 512;

#[expect(
    clippy::indexing_slicing,
    reason = "the scene in force is one of the compiled plan's, and so are the places that its parts name; what comes from outside \
              is looked up with `get`"
)]
impl Engine {
    /// One block. AUDIO THREAD: nothing here allocates, frees, locks, waits, logs or panics.
    ///
    /// `inputs` and `outputs` are the device's channels, full scale = 1; the block is as long as the shortest of them.
    /// Channels that the piece does not use become silent, channels that are missing count as silence. `events` are in
    /// order and lie in this block; an earlier one acts at the block's first sample, a later one at its last.
    ///
    /// The outputs are the same bits however a run is cut into blocks.
    #[cfg_attr(rtsan, sanitize(realtime = "nonblocking"))]
    pub fn process(&mut self, inputs: &[&[f32]], outputs: &mut [&mut [f32]], events: &[Timed<Event>]) {
        let lengths = inputs.iter().map(|channel| channel.len()).chain(outputs.iter().map(|channel| channel.len()));
        let frames = lengths.min().unwrap_or(0);
        outputs.iter_mut().for_each(|channel| channel.fill(0.0));
        if frames == 0 {
            return;
        }
        if let Some(who) = self.fresh.take() {
            self.fire(self.scene, who);
        }
        for _ in 0..EVENTS_A_BLOCK {
            let Some(event) = self.events.try_pop() else { break };
            self.apply(event);
        }
        let first = self.sample;
        let last = first + frames as u64 - 1;
        let mut events = events.iter().peekable();
        while self.sample <= last {
            while let Some(event) = events.next_if(|event| event.sample.min(last) <= self.sample) {
                self.apply(event.what);
            }
            if self.sample.is_multiple_of(CELL) {
                self.at_line();
            }
            let line = self.sample - self.sample % CELL + CELL;
            let event = events.peek().map_or(u64::MAX, |event| event.sample.min(last));
            let end = line.min(event).min(last + 1);
            let (offset, length) = ((self.sample - first) as usize, (end - self.sample) as usize);
            self.compiled.piece(self.sample, offset, length, inputs, outputs);
            self.sample = end;
        }
    }

    /// Says who chose the first scene; without it the run itself did ([`Who::Start`]).
    pub fn begun_by(self, who: Who) -> Self {
        Self { fresh: self.fresh.and(Some(who)), ..self }
    }

    /// The sample with which the next block begins, counted from the engine's first.
    pub fn sample(&self) -> u64 {
        self.sample
    }

    /// How many samples of the past the mics, the groups and the effects that others follow keep, all together.
    pub fn kept(&self) -> usize {
        self.compiled.sources.iter().map(|source| source.memory.capacity()).sum()
    }

    fn moment(&self) -> BlockMoment {
        BlockMoment { at: self.sample, scene: self.scene, hushed: self.hushed, timings: self.compiled.timings }
    }

    fn apply(&mut self, event: Event) {
        match event {
            Event::Gesture(gesture, who) => self.gesture(gesture, who),
            Event::Midi(midi) => {
                // One by one: what says it cannot be borrowed while it acts.
                let mut nth = 0;
                loop {
                    let CompiledPlan { midi: hands, controllers, timings, .. } = &mut *self.compiled;
                    let heard = hands.hear((midi.ports, midi.bytes), nth, self.sample, controllers, timings);
                    let Some(comes) = heard else { break };
                    if let Some(gesture) = comes {
                        self.gesture(gesture, Who::Pedal);
                    }
                    nth += 1;
                }
            }
        }
    }

    /// Everything that changes the sound comes through here, and is written down with the sample at which it did.
    fn gesture(&mut self, gesture: Gesture, who: Who) {
        match gesture {
            Gesture::Controller { id, value } => self.controller(id, value, who),
            Gesture::Press { id, down } => {
                if let Some(value) = self.compiled.controllers.get_mut(id.index()).and_then(|state| state.press(down)) {
                    self.controller(id, value, who);
                }
            }
            Gesture::Fire(scene) => self.fire(scene, who),
            Gesture::Next => self.fire(SceneId(self.scene.0.saturating_add(1)), who),
            Gesture::Back => {
                if let Some(before) = self.scene.0.checked_sub(1) {
                    self.fire(SceneId(before), who);
                }
            }
            Gesture::Hush(hushed) => self.set_hush(hushed, who),
            Gesture::Level { output, db } => self.set_level(output, db, who),
            Gesture::Trim { trim, db } => self.set_trim(trim, db, who),
            Gesture::Mute { mic, muted } => self.set_mute(mic, muted, who),
        }
    }

    fn record(&mut self, what: Gesture, who: Who) {
        if !self.records.say(Applied { sample: self.sample, what, who }) {
            self.lost.fetch_add(1, Ordering::Relaxed);
        }
    }

    fn controller(&mut self, id: ControllerId, value: f32, who: Who) {
        let value = unit(value);
        let (at, again) = (self.sample, self.compiled.timings.again);
        // What fires or hushes works no effect: the scene or the hush that follows from it is what is written down.
        if self.compiled.next.controller == Some(id) {
            if self.compiled.next.pull(value, at, again) {
                self.gesture(Gesture::Next, who);
            }
        } else if self.compiled.back.controller == Some(id) {
            if self.compiled.back.pull(value, at, again) {
                self.gesture(Gesture::Back, who);
            }
        } else if self.compiled.hush.controller == Some(id) {
            if self.compiled.hush.pull(value, at, again) {
                self.gesture(Gesture::Hush(!self.hushed), who);
            }
        } else if who != Who::Loudness && id.index() < self.compiled.controllers.len() {
            // What loudness moves is computed again whenever the run is: so it is not written down.
            self.record(Gesture::Controller { id, value }, who);
        }
        let moment = self.moment();
        let CompiledPlan { controllers, walk, residents, pools, sources, scenes, .. } = &mut *self.compiled;
        let Some(state) = controllers.get_mut(id.index()) else { return };
        state.set(value);
        let scene = &scenes[moment.scene.index()];
        for &index in &*walk {
            let resident = &mut residents[index];
            if resident.controller() == Some(id.index()) {
                let reads = EffectReads { pool: &mut pools[resident.pool], memory: &sources[resident.reads].memory };
                resident.moved(moment, state, scene.gains(resident.part), reads);
            }
        }
    }

    fn fire(&mut self, scene: SceneId, who: Who) {
        if scene.index() < self.compiled.scenes.len() {
            self.record(Gesture::Fire(scene), who);
            if self.sample == 0 {
                // Nothing has sounded: the scene fired at the first sample is the first scene, so that a run that was
                // begun at a later mark is played back as it was.
                let CompiledPlan { walk, residents, pools, .. } = &mut *self.compiled;
                for &index in &*walk {
                    let resident = &mut residents[index];
                    resident.forget(&mut pools[resident.pool]);
                }
            }
            // The scene in force, fired again, leaves what still fades to its own pace.
            let hurry = if scene == self.scene { u32::MAX } else { self.compiled.timings.hurry };
            self.enter(scene, hurry);
        }
    }

    /// A scene comes into force: what is in it and in the one before carries on, the rest goes and comes.
    /// What is left of an even older scene is silent within `hurry` samples.
    fn enter(&mut self, scene: SceneId, hurry: u32) {
        (self.scene, self.since) = (scene, self.sample);
        self.tell_scene();
        let moment = self.moment();
        let CompiledPlan { controllers, walk, residents, pools, sources, scenes, .. } = &mut *self.compiled;
        let scene = &scenes[scene.index()];
        let change = SceneChange { fade: scene.fade, hurry };
        // First what goes, so that its voices are known to be ending.
        for &index in &*walk {
            if scene.parts.binary_search_by_key(&index, |part| part.resident).is_err() {
                let resident = &mut residents[index];
                resident.go(change, &mut pools[resident.pool]);
            }
        }
        for (nth, part) in scene.parts.iter().enumerate() {
            let resident = &mut residents[part.resident];
            resident.part = nth;
            let pool = &mut pools[resident.pool];
            if resident.is_out() {
                let state = resident.controller().map(|index| &controllers[index]);
                let reads = EffectReads { pool, memory: &sources[resident.reads].memory };
                resident.come(moment, state, &part.gains, change, reads);
                walk_with(walk, part.resident);
            } else {
                resident.carry_on(&part.gains, change, pool);
            }
        }
    }

    fn set_hush(&mut self, hushed: bool, who: Who) {
        if hushed == self.hushed {
            return;
        }
        self.hushed = hushed;
        self.record(Gesture::Hush(hushed), who);
        let moment = self.moment();
        let CompiledPlan { controllers, walk, residents, pools, sources, scenes, outputs, timings, .. } =
            &mut *self.compiled;
        let scene = &scenes[self.scene.index()];
        for output in outputs {
            match hushed {
                true => output.delay.hush(self.sample, *timings),
                false => output.delay.release(self.sample, *timings),
            }
        }
        for &index in &*walk {
            let resident = &mut residents[index];
            let pool = &mut pools[resident.pool];
            if hushed {
                resident.hush(*timings, pool);
            } else {
                let state = resident.controller().map(|index| &controllers[index]);
                let reads = EffectReads { pool, memory: &sources[resident.reads].memory };
                resident.release(moment, state, scene.gains(resident.part), scene.fade, reads);
            }
        }
    }

    /// What is written down is taken as it stands. What comes live is taken at once if it is quieter, else in steps, each
    /// of which is written down: so the run can be played back.
    fn set_level(&mut self, output: Option<OutputId>, db: f32, who: Who) {
        let timings = self.compiled.timings;
        let fader = match output {
            None => &mut self.compiled.all,
            Some(id) => match self.compiled.outputs.get_mut(id.index()) {
                Some(output) => &mut output.level,
                None => return,
            },
        };
        if let Some(db) = fader.gesture(db, who, timings) {
            self.record(Gesture::Level { output, db }, who);
        }
    }

    /// The same for the effects of one name.
    fn set_trim(&mut self, trim: TrimId, db: f32, who: Who) {
        let CompiledPlan { trims, timings, .. } = &mut *self.compiled;
        if let Some(db) = trims.get_mut(trim.index()).and_then(|trim| trim.level.gesture(db, who, *timings)) {
            self.record(Gesture::Trim { trim, db }, who);
        }
    }

    /// Live levels rise a step further.
    fn raise_levels(&mut self) {
        let (sample, timings) = (self.sample, self.compiled.timings);
        if let Some((db, who)) = self.compiled.all.step(sample, timings) {
            self.record(Gesture::Level { output: None, db }, who);
        }
        for index in 0..self.compiled.outputs.len() {
            if let Some((db, who)) = self.compiled.outputs[index].level.step(sample, timings) {
                self.record(Gesture::Level { output: Some(OutputId::new(index)), db }, who);
            }
        }
        for index in 0..self.compiled.trims.len() {
            if let Some((db, who)) = self.compiled.trims[index].level.step(sample, timings) {
                self.record(Gesture::Trim { trim: TrimId::new(index), db }, who);
            }
        }
    }

    fn set_mute(&mut self, mic: MicId, muted: bool, who: Who) {
        let glide = self.compiled.timings.glide;
        if let Some(strip) = self.compiled.mics.get_mut(mic.index()) {
            strip.open.go(if muted { 0.0 } else { 1.0 }, glide);
            self.record(Gesture::Mute { mic, muted }, who);
        }
    }

    /// What happens at grid lines only.
    fn at_line(&mut self) {
        self.exchange();
        self.raise_levels();
        for nth in 0..self.compiled.midi.hands.len() {
            let CompiledPlan { midi, controllers, timings, .. } = &mut *self.compiled;
            if let Some(gesture) = midi.due(nth, self.sample, controllers, timings) {
                self.gesture(gesture, Who::Pedal);
            }
        }
        self.compiled.neighbours.at_line(self.sample, &mut self.compiled.sources);
        for index in 0..self.compiled.loudness.len() {
            let (id, value) = {
                let CompiledPlan { loudness, neighbours, sources, .. } = &mut *self.compiled;
                let loudness = &mut loudness[index];
                (loudness.id, loudness.settle(neighbours.explained_now(loudness.mic, sources)))
            };
            self.controller(id, value, Who::Loudness);
        }
        for hearing in &mut self.compiled.hearings {
            hearing.at_line(self.sample, |reading| self.readings.say(reading));
        }
        let moment = self.moment();
        let CompiledPlan { controllers, walk, residents, pools, sources, scenes, .. } = &mut *self.compiled;
        let scene = &scenes[moment.scene.index()];
        for &index in &*walk {
            let resident = &mut residents[index];
            let state = resident.controller().map(|index| &controllers[index]);
            let reads = EffectReads { pool: &mut pools[resident.pool], memory: &sources[resident.reads].memory };
            resident.at_line(moment, state, scene.gains(resident.part), reads);
        }
        if (self.sample / CELL).is_multiple_of(self.compiled.timings.reading_cells) {
            self.tell();
        }
    }

    /// What is told 30 times a second. States come first: they matter most where there is little room.
    fn tell(&mut self) {
        self.records.catch_up();
        self.tell_scene();
        let (sample, moment) = (self.sample, self.moment());
        let groups = self.compiled.groups.len();
        let CompiledPlan {
            controllers,
            walk,
            residents,
            pools,
            loudness,
            midi,
            mics,
            outputs,
            shared,
            hearings,
            sources,
            timings,
            ..
        } = &mut *self.compiled;
        let mut say = |reading| self.readings.say(reading);
        for &index in &*walk {
            let resident = &mut residents[index];
            resident.tell(moment, &mut pools[resident.pool], &mut say);
        }
        walk.retain(|&index| residents[index].feeds.is_some() || !residents[index].is_over());
        for (place, source) in sources.iter_mut().enumerate() {
            for (insight, told) in &mut source.faults {
                told.tell(|fault| {
                    let of = source_at(place, mics.len(), groups, residents);
                    of.is_none_or(|of| say(Reading::Broken { part: Part::Insight(*insight, of), fault }))
                });
            }
        }
        for loudness in loudness {
            loudness.tell(controllers[loudness.id.index()].value, &mut say);
        }
        midi.tell(&mut say);
        for hearing in hearings {
            hearing.tell(sample, &sources[hearing.mic()].memory, timings.rate, &mut say);
        }
        for (index, mic) in mics.iter_mut().enumerate() {
            mic.tell(sample, Channel::Mic(MicId::new(index)), &mut say);
        }
        for shared in shared {
            shared.note(outputs);
        }
        for (index, output) in outputs.iter_mut().enumerate() {
            output.tell(sample, Channel::Output(OutputId::new(index)), &mut say);
        }
    }

    fn tell_scene(&mut self) {
        let now = Some((self.scene, self.since));
        if self.told_scene != now && self.readings.say(Reading::Scene { sample: self.since, scene: self.scene }) {
            self.told_scene = now;
        }
    }

    /// Takes a changed piece: what does not carry on fades out first, then the new compiled plan takes the old one's place.
    fn exchange(&mut self) {
        if self.coming.is_none() {
            let Some(new) = self.compiled_plans.try_pop() else { return };
            new.migration.prepare(&mut self.compiled);
            self.coming = Some((new, self.sample + u64::from(self.compiled.timings.hurry)));
        }
        let Some((mut new, _)) = self.coming.take_if(|(_, from)| self.sample >= *from) else { return };
        let migration = std::mem::take(&mut new.migration);
        migration.install(&mut self.compiled, &mut new, self.sample);
        self.scene = migration.scenes.get(self.scene.index()).copied().unwrap_or(SceneId(0));
        new.migration = migration;
        let old = std::mem::replace(&mut self.compiled, new);
        // The place was made for exactly this compiled plan, so this cannot fail; if it could, the compiled plan would rather be lost
        // than freed here.
        if let Err(old) = self.compiled.home.try_push(old) {
            std::mem::forget(old);
        }
        self.records.installed();
        self.readings.installed();
        self.told_scene = None;
        // What fades already fades on at its own pace.
        self.enter(self.scene, u32::MAX);
    }
}

/// What the source at this place of the compiled plan is.
fn source_at(place: usize, mics: usize, groups: usize, residents: &[Resident]) -> Option<Source> {
    match (place.checked_sub(mics), place.checked_sub(mics + groups)) {
        (None, _) => Some(Source::Mic(MicId::new(place))),
        (Some(group), None) => Some(Source::Group(GroupId::new(group))),
        (_, Some(_)) => {
            let index = residents.iter().position(|resident| resident.feeds == Some(place))?;
            Some(Source::Instance(InstanceId::new(index)))
        }
    }
}

#[expect(
    clippy::indexing_slicing,
    reason = "a piece lies in a cell and in the block; places in the lists were counted when the compiled plan was built"
)]
impl CompiledPlan {
    /// What reads a thing of this source that broke is let down.
    pub(crate) fn let_down(&mut self, place: usize) {
        let Self { residents, pools, sources, timings, .. } = self;
        for (insight, _) in sources[place].faults.iter().filter(|(_, told)| told.fault.is_some()) {
            let readers = residents.iter_mut().filter(|one| one.reads == place && one.reads_insight(*insight));
            readers.filter(|one| !one.broken).for_each(|one| one.let_down(*timings, &mut pools[one.pool]));
        }
    }

    /// The samples from `from` on, all in one cell, at `offset` in the block.
    fn piece(&mut self, from: u64, offset: usize, length: usize, inputs: &[&[f32]], outputs: &mut [&mut [f32]]) {
        let block = offset..offset + length;
        let step = self.step;
        for nth in 0..self.mics.len() {
            let (mic, source) = (&mut self.mics[nth], &mut self.sources[nth]);
            let sound = &mut source.now[..length];
            match mic.input.and_then(|channel| inputs.get(channel)).and_then(|channel| channel.get(block.clone())) {
                Some(input) => sound.copy_from_slice(input),
                None => sound.fill(0.0),
            }
            mic.process(from, sound);
            if source.remember(from, length, |insight| step(insight, nth, from)) {
                self.let_down(nth);
            }
        }
        for loudness in &mut self.loudness {
            loudness.feed(&self.sources[loudness.mic].now[..length]);
        }
        for hearing in &mut self.hearings {
            hearing.feed(&self.sources[hearing.mic()].now[..length]);
        }
        for nth in 0..self.groups.len() {
            let (mics, others) = self.sources.split_at_mut(self.mics.len());
            let (group, source) = (&self.groups[nth], &mut others[nth]);
            for (i, sum) in source.now[..length].iter_mut().enumerate() {
                *sum = tenterhook_dsp::guard::settle(group.iter().map(|&mic| mics[mic].now[i]).sum());
            }
            let place = self.mics.len() + nth;
            if source.remember(from, length, |insight| step(insight, place, from)) {
                self.let_down(place);
            }
        }
        for output in &mut self.outputs {
            output.sum[..length].fill(0.0);
        }
        self.trims.iter_mut().for_each(|trim| trim.advance(length));
        for nth in 0..self.walk.len() {
            let resident = &mut self.residents[self.walk[nth]];
            let mut sum = [0.0; CELL as usize];
            let sum = &mut sum[..length];
            if !resident.is_silent() {
                let source = &self.sources[resident.reads];
                let sinks = &mut self.outputs;
                let reads = EffectReads { pool: &mut self.pools[resident.pool], memory: &source.memory };
                let gains = self.trims.get(resident.trim).map_or(&[][..], TrimFader::gains);
                let piece = CellPiece { from, now: &source.now[..length], gains };
                resident.render(piece, reads, self.timings, sum, |output, sound| {
                    for (sum, &sound) in sinks[output].sum.iter_mut().zip(sound) {
                        *sum += sound;
                    }
                });
            }
            if let Some(feeds) = resident.feeds {
                let source = &mut self.sources[feeds];
                for (now, &sum) in source.now.iter_mut().zip(&*sum) {
                    *now = tenterhook_dsp::guard::settle(sum);
                }
                if source.remember(from, length, |insight| step(insight, feeds, from)) {
                    self.let_down(feeds);
                }
            }
        }
        let mut all = [0.0; CELL as usize];
        let all = &mut all[..length];
        all.iter_mut().for_each(|level| *level = self.all.advance());
        for output in &mut self.outputs {
            let channel = output.channel;
            let sound = output.process(from, all, self.timings);
            if let Some(channel) = channel.and_then(|channel| outputs.get_mut(channel)) {
                for (out, &sound) in channel[block.clone()].iter_mut().zip(sound) {
                    *out += sound;
                }
            }
        }
        for shared in &mut self.shared {
            if let Some(channel) = outputs.get_mut(shared.channel) {
                shared.process(from, &mut channel[block.clone()]);
            }
        }
    }
}
