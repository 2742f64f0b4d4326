//! Where the sound to be studied comes from: a file, a run that was kept, a mic.

use std::ops::Range;
use std::path::Path;
use std::time::Duration;

use tenterhook_config::{DeviceWish, Host, Text};
use tenterhook_io::{
    Hub, MicFiles, Player, PlayerSlot, RECENT_SECONDS, Recent, SourceState, WavRecording, open, read_sound,
    sound_file_caution,
};
use tenterhook_plan::{Event, Gesture, Plan, SceneId};

use super::{Notation, Taken};
use crate::failure::Failure;
use crate::live::stage;
use crate::loading;
use crate::say::say;

/// Frames that are read at a time.
const CHUNK: usize = 4096;
/// Seconds of a run that are studied at a time: a minute takes up to 60 MB of memory.
const MOST_STUDIED: u64 = 300;
/// The latest place that can be named, in seconds: a day.
const LONGEST: f64 = 86_400.0;

/// A mic by its name in a piece, or a channel counted from 1.
fn channel(mic: &str, plan: Option<&Plan>) -> Result<usize, Failure> {
    if let Some(mic) = plan.and_then(|plan| plan.mics.iter().find(|one| one.name == mic)) {
        return mic
            .input
            .map(usize::from)
            .ok_or_else(|| Failure::asked(format!("mic `{}` has no input here", mic.name)));
    }
    match mic.parse::<usize>() {
        Ok(number) if number > 0 => Ok(number - 1),
        _ => Err(Failure::Asked(match plan {
            None => format!("`{mic}` is no channel: channels are counted from 1"),
            Some(plan) => {
                let names: Vec<_> = plan.mics.iter().map(|mic| format!("`{}`", mic.name)).collect();
                format!("there is no mic `{mic}`: the piece has {}", names.join(", "))
            }
        })),
    }
}

/// One channel of a recording; the mean of all if none is named.
fn one(recording: WavRecording, channel: Option<usize>, what: &str) -> Result<WavRecording, Failure> {
    let count = recording.channels.len();
    let sound = match channel {
        None => recording.mono().to_vec(),
        Some(channel) => recording
            .channels
            .into_iter()
            .nth(channel)
            .ok_or_else(|| Failure::Asked(format!("{what} has no channel {}: it has {count}", channel + 1)))?,
    };
    Ok(WavRecording { rate: recording.rate, channels: vec![sound] })
}

fn stem(path: &Path) -> String {
    path.file_stem().map_or_else(|| "sound".to_owned(), |stem| stem.to_string_lossy().into_owned())
}

/// A sound file, or one channel of it.
pub fn from_file(path: &Path, mic: Option<&str>, notation: Notation) -> Result<Taken, Failure> {
    let recording = read_sound(path).map_err(Failure::asked)?;
    if let Some(caution) = sound_file_caution(path) {
        say(format_args!("caution: {caution}"));
    }
    let channel = mic.map(|mic| channel(mic, None)).transpose()?;
    let WavRecording { rate, channels } = one(recording, channel, &path.display().to_string())?;
    let sound = channels.into_iter().next().unwrap_or_default();
    Ok(Taken::apart(stem(path), None, rate, sound.into(), notation))
}

/// The piece of a run that was kept, in its hall.
pub fn kept_plan(take: &Path) -> Result<Plan, Failure> {
    let hall = Some(take.join("hall.toml")).filter(|path| path.exists());
    Ok(loading::piece(&take.join("piece.toml"), hall.as_deref())?.checked.plan)
}

/// One mic of a run that was kept, between two of its marks or times; `plan` is its piece.
pub fn from_take(
    take: &Path,
    plan: &Plan,
    mic: Option<&str>,
    ends: [Option<&str>; 2],
    notation: Notation,
) -> Result<Taken, Failure> {
    let Some(mic) = mic else {
        let names: Vec<_> = plan.mics.iter().map(|mic| format!("`{}`", mic.name)).collect();
        return Err(Failure::Asked(format!("say which mic of the run with --mic: {}", names.join(", "))));
    };
    let channel = channel(mic, Some(plan))?;
    let mut mics = MicFiles::kept(take).map_err(Failure::asked)?;
    mics.cautions().iter().for_each(|caution| say(format_args!("caution: {caution}")));
    let (rate, frames) = (mics.rate(), mics.frames());
    if channel >= mics.channels() {
        let count = mics.channels();
        return Err(Failure::Asked(format!("the run has no channel {}: it has {count}", channel + 1)));
    }
    let gestures_path = loading::kept_gestures(take).unwrap_or_else(|| take.join("gestures.csv"));
    let gestures = loading::gestures(&gestures_path, plan)?.at_rate(rate);
    // The last time that a scene was fired counts: what came before was tried out.
    let fired = |mark: &str| {
        let scene = loading::scene(plan, Some(mark))?;
        let fire = |what: &Event| matches!(what, Event::Gesture(Gesture::Fire(id), _) if *id == scene);
        let mut times = gestures.iter().rev().filter(|event| fire(&event.what)).map(|event| event.sample);
        times.next().ok_or_else(|| Failure::Asked(format!("the scene `{mark}` was never fired in this run")))
    };
    let time = |said: Option<&str>| {
        // A mark may look like anything, a time too: what is a mark of this piece is one.
        let place = |said: &str| match plan.scenes.iter().any(|scene| scene.mark == said) {
            true => fired(said),
            false => match tenterhook_config::seconds_to(LONGEST, said) {
                Ok(seconds) => Ok((seconds * f64::from(rate)) as u64),
                Err(why) if said.starts_with(|first: char| first.is_ascii_digit()) => Err(Failure::Asked(why)),
                Err(_) => fired(said),
            },
        };
        said.map(place).transpose()
    };
    let (from, to) = (time(ends[0])?.unwrap_or(0), time(ends[1])?.unwrap_or(frames).min(frames));
    if from >= to {
        return Err(Failure::asked("there is nothing between these two: the first must come before the second"));
    }
    if to - from > MOST_STUDIED * u64::from(rate) {
        let minutes = (to - from) as f64 / f64::from(rate) / 60.0;
        return Err(Failure::Asked(format!(
            "these are {minutes:.1} minutes, and at most {} are studied at a time: say with --from and --to, by marks or \
             times, which part it is",
            MOST_STUDIED / 60
        )));
    }
    // Of a long run with many mics only what is asked for is ever in memory.
    let (mut part, mut chunk) = (Vec::new(), vec![Vec::new(); mics.channels()]);
    mics.go_to(from);
    for begin in (from..to).step_by(CHUNK) {
        chunk.iter_mut().for_each(Vec::clear);
        mics.read((to - begin).min(CHUNK as u64) as usize, &mut chunk).map_err(Failure::asked)?;
        part.extend_from_slice(&chunk[channel]);
    }
    Ok(Taken::apart(stem(take), Some(mic.to_owned()), rate, part.into(), notation))
}

/// What a mic hears now, for so many seconds. `channel` is counted from 1.
pub fn from_mic(channel: &str, seconds: f64, host: Option<Host>, notation: Notation) -> Result<Taken, Failure> {
    let input = self::channel(channel, None)?;
    if !(0.1..=f64::from(RECENT_SECONDS)).contains(&seconds) {
        return Err(Failure::Asked(format!("listen for 100 ms to {RECENT_SECONDS} s")));
    }
    // A piece in which nothing sounds.
    let text = format!("mics = {{ mic = {} }}\noutputs = {{ none = 1 }}\n[[scene]]\nmark = \"A\"\n", input + 1);
    let plan = tenterhook_config::check(&Text::new("mic.toml", text), None).map_err(Failure::Files)?.plan;
    let mut wish = stage::wish(&plan, &DeviceWish::default(), host)?;
    wish.mics = true;
    let mut source = open(&wish).map_err(Failure::asked)?;
    let (rate, inputs) = (source.facts().rate, source.facts().inputs);
    let (engine, control) = tenterhook_rt::engine(&plan, rate, SceneId(0));
    let (recent, tap) = Recent::start(inputs.max(input + 1), rate).map_err(Failure::running)?;
    let player = Player::new(engine, rate).with_recent(tap);
    let stats = player.stats();
    // It takes home what the engine says.
    let hub = Hub::start(control, Vec::new()).map_err(Failure::running)?;
    let end = stage::asked_to_end()?;
    say(format_args!("Listening for {seconds} s on {}. Recording people needs their consent.", source.facts().words));
    source.start(&PlayerSlot::of(player)).map_err(Failure::running)?;
    while stats.load().frames < (seconds * f64::from(rate)) as u64 && !stage::is_raised(&end) {
        if let SourceState::Dead { why } = source.state() {
            return Err(Failure::Running(why));
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    std::thread::sleep(Duration::from_millis(150));
    source.stop();
    let heard = recent.listened().last(input, seconds);
    hub.stop();
    let Some(WavRecording { channels, .. }) = heard else { return Err(Failure::Running("nothing came in".to_owned())) };
    let sound = channels.into_iter().next().unwrap_or_default();
    Ok(Taken::apart(format!("mic {channel}"), None, rate, sound.into(), notation))
}

/// The part of a sound that is asked for; all of it if nothing is.
pub fn span(ends: [Option<&str>; 2], seconds: f64) -> Result<Option<Range<f64>>, Failure> {
    let time = |said: Option<&str>, otherwise: f64| match said {
        None => Ok(otherwise),
        Some(said) => tenterhook_config::seconds_to(LONGEST, said).map_err(Failure::Asked),
    };
    if ends == [None, None] {
        return Ok(None);
    }
    let (from, to) = (time(ends[0], 0.0)?, time(ends[1], seconds)?.min(seconds));
    if from >= to {
        return Err(Failure::Asked(format!(
            "there is nothing between {from} s and {to} s: the sound lasts {seconds:.2} s"
        )));
    }
    Ok(Some(from..to))
}
