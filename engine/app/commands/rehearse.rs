//! `rehearse`: the engine fed from a recording, as fast as the machine goes, or aloud.

use std::io::Write;
use std::path::{Path, PathBuf};

use serde_json::json;
use tenterhook_config::Gestures;
use tenterhook_io::place::Over;
use tenterhook_io::{Ahead, MicFiles, Rendering, WavWriter, render, render_files};
use tenterhook_page::score::View;
use tenterhook_plan::{EffectState, Event, Plan, SceneId, Timed, Who, shown};
use tenterhook_rt::Reading;

use crate::cli::{OscOptions, Rehearse};
use crate::commands::play::announce;
use crate::failure::Failure;
use crate::levels::{Level, decibels};
use crate::live::broke;
use crate::live::desk;
use crate::live::file_watcher::FileWatcher;
use crate::live::gesture_player::GesturePlayer;
use crate::live::room::Room;
use crate::live::show::Show;
use crate::live::stage::{self, Stage};
use crate::live::words;
use crate::loading::{self, Loaded, is_same_file};
use crate::progress::Progress;
use crate::say::{answer, count, print, say, tell_programs};

/// What is played, and where it goes.
pub struct Rehearsal<'a> {
    pub plan: &'a Plan,
    pub rate: u32,
    pub inputs: MicInputs<'a>,
    pub events: &'a [Timed<Event>],
    pub from: SceneId,
    pub block: usize,
    /// Frames of silence after the inputs.
    pub tail: usize,
    pub out: Option<&'a Path>,
    /// What that may be written over.
    pub over: Over,
}

/// What the mics hear: channel n is input n.
pub enum MicInputs<'a> {
    /// A sound in memory.
    Made(&'a [Vec<f32>]),
    /// Files, of which never more than a block is in memory.
    Files(&'a mut MicFiles),
}

impl MicInputs<'_> {
    fn frames(&self) -> u64 {
        match self {
            MicInputs::Made(sound) => sound.first().map_or(0, Vec::len) as u64,
            MicInputs::Files(files) => files.frames(),
        }
    }
}

/// What came of it.
pub struct Outcome {
    pub frames: u64,
    pub applied: u64,
    pub outputs: Vec<Level>,
}

/// Rehearses.
pub fn run(asked: &Rehearse) -> Result<(), Failure> {
    let page = &asked.page;
    if !asked.aloud && (page.page.is_some() || page.no_page || page.share) {
        return Err(Failure::asked(
            "there is a page with --aloud only: add that, or leave --page, --no-page and --share out",
        ));
    }
    let in_take = |name: &str| asked.take.as_ref().map(|take| take.join(name));
    let there = |path: PathBuf| path.exists().then_some(path);
    let hall = asked.hall.clone().or_else(|| in_take("hall.toml").and_then(there));
    let loaded = loading::piece(&asked.piece, hall.as_deref())?;
    loaded.caution();
    let plan = &loaded.checked.plan;
    let from = loading::scene(plan, asked.from.as_deref())?;
    let opened = match (&asked.mics, &asked.take) {
        (Some(mics), _) => MicFiles::one(mics).map_err(Failure::asked),
        (None, Some(take)) => MicFiles::kept(take).map_err(Failure::asked),
        (None, None) => Err(Failure::asked("there is no recording: name one with --mics")),
    };
    let mut mics = opened?;
    mics.cautions().iter().for_each(|caution| say(format_args!("caution: {caution}")));
    let gestures_path = asked.gestures.clone().or_else(|| asked.take.as_deref().and_then(loading::kept_gestures));
    let gestures = gestures_path.as_ref().map(|path| loading::gestures(path, plan)).transpose()?;
    // What is read must not be written over, whatever one says.
    let is_read = |out: &Path, mics: &MicFiles| {
        let texts = [Some(asked.piece.as_path()), hall.as_deref(), gestures_path.as_deref()].into_iter().flatten();
        let mut all = texts.chain(mics.paths()).chain(loaded.files.iter().map(|(_, file)| file.as_path()));
        all.any(|path| is_same_file(path, out))
    };
    let is_the_takes_own = |out: &Path| {
        let folder = out.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        asked.take.as_ref().is_some_and(|take| is_same_file(folder, take))
            && out.file_name().is_some_and(|name| tenterhook_io::is_own(&name.to_string_lossy()))
    };
    if let Some(out) = &asked.out
        && (is_read(out, &mics) || is_the_takes_own(out))
    {
        return Err(Failure::Asked(format!(
            "{} is what the rehearsal is made from: give --out another name",
            out.display()
        )));
    }
    let channels = mics.channels();
    if let Some(mic) = plan.mics.iter().find(|mic| mic.input.is_some_and(|input| usize::from(input) >= channels)) {
        return Err(Failure::Asked(format!(
            "mic `{}` is on input {}, but {} has {}: give it that channel, or map the mic in a hall file",
            mic.name,
            mic.input.map_or(0, |input| input + 1),
            mics.paths().next().unwrap_or(Path::new("")).display(),
            count(channels as u64, "channel"),
        )));
    }
    if asked.aloud {
        return aloud(asked, &loaded, hall.as_deref(), from, &mics, gestures);
    }
    let rate = mics.rate();
    let events = gestures.map_or_else(Vec::new, |gestures| gestures.at_rate(rate));
    let mut rehearsal = Rehearsal {
        plan,
        rate,
        inputs: MicInputs::Files(&mut mics),
        events: &events,
        from,
        block: asked.block as usize,
        tail: asked.tail.map_or(0, |seconds| (seconds * f64::from(rate)).round() as usize),
        out: asked.out.as_deref(),
        over: Over::said(asked.replace),
    };
    let outcome = rehearsal.play()?;
    rehearsal.tell(&outcome, asked.json)
}

/// Plays the recording in real time, in the place of the mics.
fn aloud(
    asked: &Rehearse,
    loaded: &Loaded,
    hall: Option<&Path>,
    from: SceneId,
    mics: &MicFiles,
    gestures: Option<Gestures>,
) -> Result<(), Failure> {
    if asked.json {
        tell_programs();
    }
    let plan = &loaded.checked.plan;
    let seconds = mics.frames() as f64 / f64::from(mics.rate());
    let seconds = seconds + asked.tail.unwrap_or(0.0);
    let mut wish = stage::wish(plan, &loaded.checked.device, asked.host)?;
    wish.mics = false;
    let ahead = Ahead::default();
    let (reads, files) = (ahead.clone(), mics.again());
    let players = move |rate: u32| reads.play(files.again(), rate).map_err(Failure::running);
    let follow = asked.follow.then(|| FileWatcher::start(&asked.piece, hall)).transpose()?;
    let end = stage::asked_to_end()?;
    let page = desk::Asked { options: &asked.page, opens: View::Score, rehearsal: true, hall: None };
    let asked_stage = stage::Asked {
        plan,
        wish,
        from,
        begun_by: Who::Start,
        first: &[],
        comes_back: false,
        players: Some(&players),
        log: None,
        texts: &[],
        files: &[],
        osc: &OscOptions::default(),
        page,
    };
    let stage = Stage::open(&asked_stage, None)?;
    announce(plan, &stage, asked.json);
    let rate = stage.facts().rate;
    let events = gestures.map_or_else(Vec::new, |gestures| gestures.at_rate(rate));
    let mut show = Show::new(plan, asked.json).following(follow, asked.host);
    GesturePlayer::new(events).of(plan).perform(&stage, &mut show, &end, (seconds * f64::from(rate)) as u64);
    drop(show);
    stage.end(asked.json)?;
    if ahead.late() > 0 {
        let late = count(ahead.late(), "frame");
        say(format_args!("caution: {late} of the recording came too late from the disk, and were silent"));
    }
    ahead.trouble().map_or(Ok(()), |why| Err(Failure::Running(why)))
}

impl Rehearsal<'_> {
    /// Plays all of it.
    pub fn play(&mut self) -> Result<Outcome, Failure> {
        let outputs = self.plan.outputs.iter().filter_map(|output| output.channel).max();
        let outputs = outputs.map_or(0, |channel| usize::from(channel) + 1);
        Room::here(self.plan, self.rate).refuse()?;
        let to_stdout = self.out.is_some_and(|path| path.as_os_str() == "-");
        // A WAV header holds the length: for standard output the file is made elsewhere first.
        let spool = to_stdout.then(tempfile::tempdir).transpose().map_err(Failure::running)?;
        let spooled = spool.as_ref().map(|dir| dir.path().join("out.wav"));
        let path = spooled.as_deref().or(self.out);
        let mut writer = path
            .map(|path| WavWriter::create_over(path, outputs, self.rate, self.over))
            .transpose()
            .map_err(Failure::asked)?;

        let (mut engine, mut control) = tenterhook_rt::engine(self.plan, self.rate, self.from);
        let blocks = [self.block];
        let rendering = Rendering { inputs: &[], outputs, blocks: &blocks, events: self.events, tail: self.tail };
        let total = self.inputs.frames() + self.tail as u64;
        let late = self.events.iter().filter(|event| event.sample >= total).count();
        if late > 0 {
            say(format_args!(
                "caution: after the end nothing acts: {}; --tail goes further",
                count(late as u64, "gesture")
            ));
        }
        let end = stage::asked_to_end()?;
        let mut progress = Progress::new(usize::try_from(total).unwrap_or(usize::MAX));
        let mut applied = 0u64;
        let (mut broken, mut stand) = (Vec::new(), vec![EffectState::Out; self.plan.instances.len()]);
        let mut levels = vec![Level::default(); outputs];
        let sink = |block: &[&[f32]]| {
            while control.applied().is_some() {
                applied += 1;
            }
            while let Some(reading) = control.reading() {
                match reading {
                    Reading::Broken { part, fault } => broken.push(fault.broken(part)),
                    Reading::Effect { effect, stands } => stand[effect.index()] = stands,
                    _ => {}
                }
            }
            for (level, channel) in levels.iter_mut().zip(block) {
                level.add(channel);
            }
            if stage::is_raised(&end) {
                return Err(std::io::Error::other("interrupted: nothing was written"));
            }
            progress.add(block.first().map_or(0, |channel| channel.len()));
            writer.as_mut().map_or(Ok(()), |writer| writer.write(block).map_err(std::io::Error::other))
        };
        let frames = match &mut self.inputs {
            MicInputs::Made(inputs) => render(&mut engine, &Rendering { inputs, ..rendering }, sink),
            MicInputs::Files(files) => render_files(&mut engine, files, &rendering, sink),
        };
        let frames = frames.map_err(Failure::running)?;
        progress.clear();
        for broken in &broken {
            words::line(&broke::one(self.plan, &stand, broken)).iter().for_each(say);
        }
        if let Some(writer) = writer {
            writer.finish().map_err(Failure::running)?;
        }
        if let Some(path) = &spooled {
            let copied = std::fs::File::open(path)
                .and_then(|mut file| std::io::copy(&mut file, &mut std::io::stdout().lock()))
                .and_then(|_| std::io::stdout().flush());
            copied.map_err(|why| Failure::Running(format!("cannot write to standard output ({why})")))?;
        }
        // The scene in force from the start is written down too, but nobody made that gesture.
        Ok(Outcome { frames, applied: applied.saturating_sub(1), outputs: levels })
    }

    /// Says what came of it, where standard output is not the sound itself.
    pub fn tell(&self, outcome: &Outcome, as_json: bool) -> Result<(), Failure> {
        if self.out.is_some_and(|path| path.as_os_str() == "-") {
            return Ok(());
        }
        let seconds = outcome.frames as f64 / f64::from(self.rate);
        let named = |channel: usize| {
            let on_it =
                self.plan.outputs.iter().filter(|output| output.channel.is_some_and(|c| usize::from(c) == channel));
            on_it.map(|output| output.name.as_str()).collect::<Vec<_>>().join("+")
        };
        let levels = || outcome.outputs.iter().enumerate().filter(|(channel, _)| !named(*channel).is_empty());
        if as_json {
            let outputs: Vec<_> = levels().map(|(channel, level)| level.json(&named(channel))).collect();
            return answer(json!({
                "title": self.plan.title, "rate": self.rate, "frames": outcome.frames, "seconds": seconds,
                "gestures": outcome.applied, "outputs": outputs,
            }));
        }
        let gestures = count(outcome.applied, "gesture");
        let mut lines = format!("{}: {seconds:.1} s at {} Hz, {gestures}\n", shown(&self.plan.title), self.rate);
        lines += &format!("{:16} {:>8} {:>8}\n", "output", "peak dB", "RMS dB");
        for (channel, level) in levels() {
            lines += &format!("{}\n", level.row(&named(channel)));
        }
        if outcome.outputs.iter().all(|level| decibels(level.peak_db()) == "silent") {
            lines += match outcome.applied {
                0 => "Nothing sounds, because nothing moves: give it gestures with --gestures.\n",
                _ => "Nothing sounds: see that the gestures move the controllers of the scene that is in force.\n",
            };
        }
        print(&lines)
    }
}
