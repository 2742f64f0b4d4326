//! What writes a log: the sound from the rings, the gestures from the hub. A full disk ends a part, and the next begins when
//! there is room.

use super::folder;
use super::parts::Parts;
use super::room::{self, FolderIdentity};
use super::sync::{Sync, Syncer};
use super::take::{Ended, Take};
use super::text::LogText;
use super::{CHUNK, GESTURES, LOST, LogEnd, LogError, LogSettings, TAKE, WHO};
use crate::record::tap::{self, Span, TapEnd};
use crate::{Done, MOST_WAV_BYTES, Tap, WavError};
use crossbeam_channel::Receiver;
use ringbuf::traits::Consumer;
use std::fs::File;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};
use tenterhook_config::{CSV_HEADER, WHO_HEADER, gesture_line, who_line};

/// How often it is tried to go on, where the disk took nothing more.
const AGAIN: Duration = Duration::from_secs(2);

/// The writer without its thread.
pub(super) struct Writer {
    pub dir: PathBuf,
    identity: Option<FolderIdentity>,
    rate: u32,
    end: TapEnd,
    applied: Receiver<Done>,
    gestures: LogText,
    who: LogText,
    lost: Option<LogText>,
    take: LogText,
    began: Take,
    mics: Parts,
    outs: Parts,
    /// Set while no sound is kept.
    stopped: Option<Stopped>,
    syncer: Syncer,
    /// Held to be synced: it knows the names of the files.
    _folder: Option<Arc<File>>,
    /// The next frame to be written.
    at: u64,
    lost_frames: u64,
    interleaved: Vec<f32>,
    planar: Vec<Vec<f32>>,
}

/// No sound is kept.
struct Stopped {
    /// The first frame that is not there.
    from: u64,
    why: WavError,
    tried: Instant,
}

/// What stands in the files in place of frames that were lost.
#[derive(Clone, Copy)]
enum Stands {
    Silence,
    Nothing,
}

impl Writer {
    /// Begins a log in its folder.
    pub fn begin(
        settings: &LogSettings<'_>,
        applied: Receiver<Done>,
        room: usize,
        sync: Sync,
    ) -> Result<(Self, Tap), LogError> {
        let LogSettings { dir, rate, inputs, outputs, texts, files, take } = *settings;
        let mut gestures = folder::take(dir, texts, files, GESTURES)?;
        gestures.add(&format!("{CSV_HEADER}\r\n"));
        let mut who = LogText::create(dir, WHO)?;
        who.add(&format!("{WHO_HEADER}\r\n"));
        let (began, mut take) = (Take::of(take, rate), LogText::create(dir, TAKE)?);
        take.add(&began.json(None));
        take.flush()?;
        // A file has at least one channel; where there is none it is silent.
        let (inputs, outputs) = (inputs.max(1), outputs.max(1));
        let (tap, end) = tap::tap(inputs, outputs, room);
        let mut writer = Self {
            identity: FolderIdentity::of(dir),
            rate,
            end,
            applied,
            gestures,
            who,
            lost: None,
            take,
            began,
            mics: Parts::begin(dir, "mics", inputs, rate, MOST_WAV_BYTES)?,
            outs: Parts::begin(dir, "outputs", outputs, rate, MOST_WAV_BYTES)?,
            stopped: None,
            syncer: Syncer::start(sync)?,
            // Elsewhere a folder is no file; its names are the system's business.
            _folder: File::open(dir).ok().filter(|_| cfg!(unix)).map(Arc::new),
            at: 0,
            lost_frames: 0,
            interleaved: vec![0.0; CHUNK * (inputs + outputs)],
            planar: vec![vec![0.0; CHUNK]; inputs + outputs],
            dir: dir.to_owned(),
        };
        for file in [writer.gestures.file(), writer.who.file(), writer.take.file()].into_iter().chain(&writer._folder) {
            writer.syncer.add(file);
        }
        writer.sync_parts();
        writer.flush()?;
        Ok((writer, tap))
    }

    fn sync_parts(&self) {
        [&self.mics, &self.outs].into_iter().filter_map(Parts::file).for_each(|file| self.syncer.add(file));
    }

    /// Takes all that the rings hold, and writes it unless the disk takes nothing.
    pub fn drain(&mut self) {
        while let Some(Span { at, frames }) = self.end.spans.try_pop() {
            self.silence_until(at);
            let mut left = frames as usize;
            while left > 0 {
                let length = left.min(CHUNK);
                self.chunk(length);
                left -= length;
            }
        }
        while let Ok(Done { applied, plan }) = self.applied.try_recv() {
            if let Some(line) = gesture_line(&applied, self.rate, &plan) {
                self.gestures.add(&line);
            }
            if let Some(line) = who_line(&applied, &plan) {
                self.who.add(&line);
            }
        }
    }

    fn chunk(&mut self, length: usize) {
        let channels = self.planar.len();
        let interleaved = &mut self.interleaved[..length * channels];
        let got = self.end.samples.pop_slice(interleaved);
        debug_assert_eq!(got, interleaved.len(), "a span comes after its samples");
        for (n, channel) in self.planar.iter_mut().enumerate() {
            for (to, from) in channel.iter_mut().zip(interleaved.iter().skip(n).step_by(channels)) {
                *to = *from;
            }
        }
        self.write(length);
    }

    /// Writes the next frames of all channels.
    fn write(&mut self, length: usize) {
        if self.stopped.is_none() {
            let block: Vec<&[f32]> = self.planar.iter().map(|channel| &channel[..length]).collect();
            let (mics, outs) = block.split_at(self.mics.channels);
            let mics = self.mics.write(self.at, mics);
            match mics.and_then(|new| self.outs.write(self.at, outs).map(|other| new || other)) {
                Ok(false) => {}
                Ok(true) => self.sync_parts(),
                Err(why) => self.stop(why),
            }
        }
        self.at += length as u64;
    }

    /// The disk takes nothing more: what lies there ends with a whole frame, the same in all files.
    fn stop(&mut self, why: WavError) {
        let from = self.mics.close().min(self.outs.close());
        for parts in [&mut self.mics, &mut self.outs] {
            // Where even that fails the files are read as they lie.
            let _ = parts.cut(from);
        }
        self.stopped = Some(Stopped { from, why, tried: Instant::now() });
    }

    /// Goes on in new parts if there is room.
    fn go_on(&mut self) {
        let Some(stopped) = &mut self.stopped else { return };
        let again = stopped.tried.elapsed() >= AGAIN && FolderIdentity::of(&self.dir) == self.identity;
        if !again || !room::is_enough(&self.dir) {
            return;
        }
        stopped.tried = Instant::now();
        let from = stopped.from;
        match self.mics.next(self.at).and_then(|mics| Ok((mics, self.outs.next(self.at)?))) {
            Ok((mics, outs)) => {
                self.mics.go_on(mics);
                self.outs.go_on(outs);
                self.stopped = None;
                self.sync_parts();
                self.note(from, self.at - from, Stands::Nothing);
            }
            Err(why) => stopped.why = why,
        }
    }

    /// As if the disk had been full just now.
    #[cfg(test)]
    pub fn hold_for_a_test(&mut self, most: u64) {
        self.mics.hold_for_a_test(most);
        self.outs.hold_for_a_test(most);
    }

    #[cfg(test)]
    pub fn stop_for_a_test(&mut self) {
        if self.stopped.is_none() {
            self.stop(WavError::Write { path: self.dir.clone(), why: std::io::ErrorKind::StorageFull.into() });
        }
    }

    /// As if there was room again.
    #[cfg(test)]
    pub fn go_on_for_a_test(&mut self) {
        if let Some(stopped) = &mut self.stopped {
            stopped.tried -= AGAIN;
        }
        self.go_on();
    }

    /// Marks what is missing before the frame `until`, and writes silence in its place.
    fn silence_until(&mut self, until: u64) {
        let missing = until.saturating_sub(self.at);
        if missing == 0 {
            return;
        }
        if self.stopped.is_none() {
            self.note(self.at, missing, Stands::Silence);
        }
        self.planar.iter_mut().for_each(|channel| channel.fill(0.0));
        while self.at < until {
            self.write((until - self.at).min(CHUNK as u64) as usize);
        }
    }

    /// Notes what was lost.
    fn note(&mut self, from: u64, frames: u64, stands: Stands) {
        self.lost_frames += frames;
        if self.lost.is_none()
            && let Ok(mut lost) = LogText::create(&self.dir, LOST)
        {
            lost.add("seconds,frame,frames,stands\r\n");
            self.syncer.add(lost.file());
            self.lost = Some(lost);
        }
        if let Some(lost) = &mut self.lost {
            let stands = match stands {
                Stands::Silence => "silence",
                Stands::Nothing => "nothing",
            };
            lost.add(&format!("{},{from},{frames},{stands}\r\n", from as f64 / f64::from(self.rate)));
        }
    }

    /// Makes the files readable as they stand, and has the disk take them.
    ///
    /// # Errors
    /// Why something is not kept just now.
    pub fn flush(&mut self) -> Result<(), LogError> {
        if self.stopped.is_none()
            && let Err(why) = self.mics.flush().and_then(|()| self.outs.flush())
        {
            self.stop(why);
        }
        self.go_on();
        let texts = [&mut self.gestures, &mut self.who].into_iter().chain(&mut self.lost);
        let written = texts.map(LogText::flush).fold(Ok(()), Result::and);
        self.syncer.now();
        if FolderIdentity::of(&self.dir) != self.identity {
            return Err(LogError::Gone { dir: self.dir.clone() });
        }
        if let Some(Stopped { why, .. }) = &self.stopped {
            return Err(LogError::Stopped { why: why.to_string() });
        }
        written?;
        self.syncer.trouble().map_or(Ok(()), |why| Err(LogError::Sync { dir: self.dir.clone(), why }))
    }

    /// Writes what is left and ends all files.
    pub fn finish(mut self, ended: Ended) -> Result<LogEnd, LogError> {
        self.drain();
        // What was lost at the very end has no span after it.
        let seen = self.end.ends.seen.load(Ordering::Acquire);
        self.drain();
        self.silence_until(seen);
        let flushed = self.flush();
        if let Some(Stopped { from, .. }) = self.stopped {
            self.note(from, self.at - from, Stands::Nothing);
        }
        let end = LogEnd { frames: self.at, lost: self.lost_frames };
        let Self { dir, began, gestures, who, lost, take, mics, outs, .. } = self;
        // Whatever fails, the others get their names; the first error is told.
        let sound = mics.finish().and(outs.finish()).map_err(LogError::from);
        let texts =
            [Some(gestures), Some(who), lost].into_iter().flatten().map(LogText::finish).fold(Ok(()), Result::and);
        let taken = began.finish(&dir, take, ended, end);
        flushed.and(sound).and(texts).and(taken).map(|()| end)
    }
}
