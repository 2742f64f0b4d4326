//! `rehearse`: the engine fed from a recording, as fast as the machine goes, or aloud.

use std::io::Write;
use std::path::{Path, PathBuf};

use serde_json::json;
use tenterhook_config::Gestures;
use tenterhook_io::{Recording, Rendering, WavWriter, read_wav, render, resample};
use tenterhook_page::score::View;
use tenterhook_plan::{Event, Plan, SceneId, Timed, Who};

use crate::cli::{OscOptions, Rehearse};
use crate::desk;
use crate::failure::Failure;
use crate::follow::Follow;
use crate::hand::Hand;
use crate::levels::{Level, decibels};
use crate::loading::{self, Loaded};
use crate::play::announce;
use crate::progress::Progress;
use crate::say::{answer, count, print, say};
use crate::show::Show;
use crate::stage::{self, Stage};

/// What is played, and where it goes.
pub struct Rehearsal<'a> {
    pub plan: &'a Plan,
    pub rate: u32,
    /// Channel n is input n.
    pub inputs: &'a [Vec<f32>],
    pub events: &'a [Timed<Event>],
    pub from: SceneId,
    pub block: usize,
    /// Frames of silence after the inputs.
    pub tail: usize,
    pub out: Option<&'a Path>,
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
    let Some(mics) = asked.mics.clone().or_else(|| in_take("mics.wav")) else {
        return Err(Failure::asked("there is no recording: name one with --mics"));
    };
    let gestures_path = asked.gestures.clone().or_else(|| in_take("gestures.csv").and_then(there));
    let gestures = gestures_path.as_ref().map(|path| loading::gestures(path, plan)).transpose()?;
    // What is read must not be written over.
    let read = [Some(&asked.piece), hall.as_ref(), Some(&mics), gestures_path.as_ref()];
    if let Some(out) = &asked.out
        && read.into_iter().flatten().any(|path| is_same_file(path, out))
    {
        return Err(Failure::Asked(format!(
            "{} is what the rehearsal is made from: give --out another name",
            out.display()
        )));
    }
    let recording = read_wav(&mics).map_err(Failure::asked)?;
    let channels = recording.channels.len();
    if let Some(mic) = plan.mics.iter().find(|mic| mic.input.is_some_and(|input| usize::from(input) >= channels)) {
        return Err(Failure::Asked(format!(
            "mic `{}` is on input {}, but {} has {channels} channels: give it that channel, or map the mic in a hall file",
            mic.name,
            mic.input.map_or(0, |input| input + 1),
            mics.display(),
        )));
    }
    if asked.aloud {
        return aloud(asked, &loaded, hall.as_deref(), from, recording, gestures);
    }
    let rate = recording.rate;
    let events = gestures.map_or_else(Vec::new, |gestures| gestures.at_rate(rate));
    let rehearsal = Rehearsal {
        plan,
        rate,
        inputs: &recording.channels,
        events: &events,
        from,
        block: asked.block as usize,
        tail: asked.tail.map_or(0, |seconds| (seconds * f64::from(rate)).round() as usize),
        out: asked.out.as_deref(),
    };
    let outcome = rehearsal.play()?;
    rehearsal.tell(&outcome, asked.json)
}

fn is_same_file(one: &Path, other: &Path) -> bool {
    let real = |path: &Path| std::fs::canonicalize(path).ok();
    real(one).is_some_and(|one| real(other) == Some(one))
}

/// Plays the recording in real time, in the place of the mics.
fn aloud(
    asked: &Rehearse,
    loaded: &Loaded,
    hall: Option<&Path>,
    from: SceneId,
    recording: Recording,
    gestures: Option<Gestures>,
) -> Result<(), Failure> {
    let plan = &loaded.checked.plan;
    let seconds = recording.channels.first().map_or(0, Vec::len) as f64 / f64::from(recording.rate);
    let seconds = seconds + asked.tail.unwrap_or(0.0);
    let mut wish = stage::wish(plan, &loaded.checked.device, asked.host)?;
    wish.mics = false;
    let Recording { rate: from_rate, channels } = recording;
    let players = move |rate: u32| {
        let channels = resample(&channels, from_rate, rate)
            .ok_or_else(|| Failure::Running(format!("cannot bring the recording from {from_rate} Hz to {rate} Hz")))?;
        Ok((channels.len(), tenterhook_io::recording(channels)))
    };
    let follow = asked.follow.then(|| Follow::start(&asked.piece, hall)).transpose()?;
    let end = stage::asked_to_end()?;
    let page = desk::Asked { options: &asked.page, opens: View::Score, rehearsal: true, learn: None };
    let asked_stage = stage::Asked {
        plan,
        wish,
        from,
        begun_by: Who::Start,
        first: &[],
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
    Hand::new(events).of(plan).perform(&stage, &mut show, &end, (seconds * f64::from(rate)) as u64);
    drop(show);
    stage.end(asked.json)
}

impl Rehearsal<'_> {
    /// Plays all of it.
    pub fn play(&self) -> Result<Outcome, Failure> {
        let outputs = self.plan.outputs.iter().filter_map(|output| output.channel).max();
        let outputs = outputs.map_or(0, |channel| usize::from(channel) + 1);
        let to_stdout = self.out.is_some_and(|path| path.as_os_str() == "-");
        // A WAV header holds the length: for standard output the file is made elsewhere first.
        let spool = to_stdout.then(tempfile::tempdir).transpose().map_err(Failure::running)?;
        let spooled = spool.as_ref().map(|dir| dir.path().join("out.wav"));
        let path = spooled.as_deref().or(self.out);
        let mut writer =
            path.map(|path| WavWriter::create(path, outputs, self.rate)).transpose().map_err(Failure::asked)?;

        let (mut engine, mut control) = tenterhook_rt::engine(self.plan, self.rate, self.from);
        let rendering =
            Rendering { inputs: self.inputs, outputs, blocks: &[self.block], events: self.events, tail: self.tail };
        let total = self.inputs.first().map_or(0, Vec::len) + self.tail;
        let late = self.events.iter().filter(|event| event.sample >= total as u64).count();
        if late > 0 {
            say(format_args!(
                "caution: after the end nothing acts: {}; --tail goes further",
                count(late as u64, "gesture")
            ));
        }
        let end = stage::asked_to_end()?;
        let mut progress = Progress::new(total);
        let mut applied = 0u64;
        let mut levels = vec![Level::default(); outputs];
        let frames = render(&mut engine, &rendering, |block| {
            while control.applied().is_some() {
                applied += 1;
            }
            while control.reading().is_some() {}
            for (level, channel) in levels.iter_mut().zip(block) {
                level.add(channel);
            }
            if stage::is_raised(&end) {
                return Err(std::io::Error::other("interrupted: nothing was written"));
            }
            progress.add(block.first().map_or(0, |channel| channel.len()));
            writer.as_mut().map_or(Ok(()), |writer| writer.write(block).map_err(std::io::Error::other))
        })
        .map_err(Failure::running)?;
        progress.clear();
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
        let mut lines = format!("{}: {seconds:.1} s at {} Hz, {gestures}\n", self.plan.title, self.rate);
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
