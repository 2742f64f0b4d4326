//! A pair of device streams, input and output. How sound gets from one to the other is the [`pump`]'s.

mod pump;

use crate::device::edge::{self, Terms};
use crate::device::silence_alsa::quietly;
use crate::{Direction, Error, Facts, PlayerSlot, Source, SourceState, Stats, Wish};
use cpal::traits::{DeviceTrait, HostTrait, StreamTrait};
use cpal::{BufferSize, ErrorKind, SampleFormat, SizedSample, StreamConfig, SupportedStreamConfigRange};
use dasp_sample::{FromSample, I24, Sample};
use pump::{Ear, Pump};
use std::sync::{Arc, OnceLock};
use tenterhook_config::Host;

/// Evaluates an expression with a name for the type in which a device keeps its samples.
macro_rules! with_sample_type {
    ($format:expr, $t:ident => $made:expr) => {
        with_sample_type!(@ $format, $t, $made, [
            I8 => i8, I16 => i16, I24 => I24, I32 => i32, U8 => u8, U16 => u16, U32 => u32, F64 => f64
        ])
    };
    (@ $format:expr, $t:ident, $made:expr, [$($name:ident => $type:ty),*]) => {
        match $format {
            $(SampleFormat::$name => { type $t = $type; $made })*
            _ => { type $t = f32; $made }
        }
    };
}

/// The block that is asked of a device unless another is wished for, in frames.
const BLOCK: u32 = 256;
/// Devices of these names may be two that are joined: the name tells nothing of their clocks.
const JOINED: [&str; 4] = ["default", "sysdefault", "pipewire", "pulse"];

/// Two streams of the system's devices.
///
/// One device both ways, at one rate, has one clock: its samples reach the engine as they are. Where two devices are
/// named, or none, or the rates differ, the input is converted and follows the output's clock, even if both clocks turn
/// out to be one: nobody can tell that beforehand, and a converter that came and went would be heard.
pub struct StreamSource {
    facts: Facts,
    sides: Option<(Option<Side>, Side)>,
    /// Whether both sides have one clock and one rate, the engine's.
    plain: bool,
    streams: Vec<cpal::Stream>,
    ended: Arc<OnceLock<String>>,
}

/// One device with the way in which it is to run.
struct Side {
    device: cpal::Device,
    direction: Direction,
    words: String,
    config: StreamConfig,
    format: SampleFormat,
}

/// A host of this system's.
fn system(host: Host) -> Result<cpal::Host, Error> {
    let unknown = || Error::NoHost { host: host.to_string() };
    let id = cpal::available_hosts().into_iter().find(|id| id.to_string() == host.to_string()).ok_or_else(unknown)?;
    cpal::host_from_id(id).map_err(|_| unknown())
}

/// The host of the system's own devices.
pub(crate) fn default_host() -> Host {
    let name = quietly(|| cpal::default_host().id().to_string());
    Host::named(&name).unwrap_or(Host::Alsa)
}

/// Whether the system's default output device can be opened.
pub(crate) fn probe() -> Result<(), Error> {
    quietly(|| {
        let host = cpal::default_host();
        let name = default_host();
        let device = find(&host, name, Direction::Output, None)?;
        let side = Side::of(device, Direction::Output, 1, None, None, |_| Ok(()))?;
        let silence = Pump::silent();
        side.output(silence, Arc::default(), Arc::default()).map(drop)
    })
}

/// The devices of a host; `null` is left out: it has no clock, so it would run as fast as it can.
pub(crate) fn devices(host: &cpal::Host, direction: Direction) -> Vec<cpal::Device> {
    let wanted = |device: &cpal::Device| match direction {
        Direction::Input => device.supports_input(),
        Direction::Output => device.supports_output(),
    };
    let devices = host.devices().map(Iterator::collect::<Vec<_>>).unwrap_or_default();
    devices.into_iter().filter(|device| !is_null(device) && wanted(device)).collect()
}

pub(crate) fn is_null(device: &cpal::Device) -> bool {
    device.id().is_ok_and(|id| id.id() == "null")
}

/// The device whose name or id is `wanted`, or else holds it.
fn find(host: &cpal::Host, name: Host, direction: Direction, wanted: Option<&str>) -> Result<cpal::Device, Error> {
    let Some(wanted) = wanted else {
        let device = match direction {
            Direction::Input => host.default_input_device(),
            Direction::Output => host.default_output_device(),
        };
        return device.ok_or_else(|| Error::NoDefault { host: name.to_string(), direction });
    };
    let mut devices: Vec<(String, String, cpal::Device)> = devices(host, direction)
        .into_iter()
        .map(|device| (device.to_string(), device.id().map_or(String::new(), |id| id.id().to_owned()), device))
        .collect();
    let part = wanted.to_lowercase();
    let exact = devices.iter().position(|(name, id, _)| name == wanted || id == wanted);
    let holding = || {
        devices
            .iter()
            .position(|(name, id, _)| name.to_lowercase().contains(&part) || id.to_lowercase().contains(&part))
    };
    match exact.or_else(holding) {
        Some(index) => Ok(devices.swap_remove(index).2),
        None => {
            let mut near: Vec<String> = devices.into_iter().map(|(name, ..)| name).collect();
            near.sort_by_key(|name| std::cmp::Reverse(common(&name.to_lowercase(), &part)));
            near.dedup();
            near.truncate(6);
            Err(Error::NoDevice { host: name.to_string(), direction, wanted: wanted.to_owned(), near })
        }
    }
}

/// How many letters in a row two names have in common.
fn common(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let runs = (0..b.len()).flat_map(|from| (from + 1..=b.len()).map(move |to| (from, to)));
    runs.filter(|(from, to)| a.contains(&b[*from..*to].iter().collect::<String>()))
        .map(|(f, t)| t - f)
        .max()
        .unwrap_or(0)
}

impl Side {
    /// A device with at least `channels` channels at `rate` (`None`: its own). `fits` refuses a device that has too few.
    fn of(
        device: cpal::Device,
        direction: Direction,
        channels: usize,
        rate: Option<u32>,
        block: Option<u32>,
        fits: impl Fn((&str, usize)) -> Result<(), Error>,
    ) -> Result<Self, Error> {
        let words = format!("the {direction} device `{device}`");
        let failed = |why: cpal::Error| Error::Device { device: words.clone(), why: why.to_string() };
        let (default, ways): (_, Vec<SupportedStreamConfigRange>) = match direction {
            Direction::Input => {
                (device.default_input_config(), device.supported_input_configs().map_err(failed)?.collect())
            }
            Direction::Output => {
                (device.default_output_config(), device.supported_output_configs().map_err(failed)?.collect())
            }
        };
        let default = default.map_err(failed)?;
        let rate = rate.unwrap_or(default.sample_rate());
        let most = ways.iter().map(|way| usize::from(way.channels())).max().unwrap_or(0);
        fits((&words, most.max(usize::from(default.channels()))))?;
        let enough = |has: u16| usize::from(has) >= channels;
        let config = if enough(default.channels()) && default.sample_rate() == rate && is_pcm(default.sample_format()) {
            default
        } else {
            // As few channels as will do, and the best format that they come in.
            let ways = ways.into_iter().filter(|way| enough(way.channels()) && is_pcm(way.sample_format()));
            ways.filter_map(|way| way.try_with_sample_rate(rate))
                .min_by_key(|way| (way.channels(), rank(way.sample_format())))
                .ok_or_else(|| Error::Rate {
                    device: words.clone(),
                    rate,
                    has: Some(default.sample_rate()).filter(|has| *has != rate),
                })?
        };
        let block = block.unwrap_or(BLOCK).max(1);
        let block = match *config.buffer_size() {
            cpal::SupportedBufferSize::Range { min, max } if min <= max => block.clamp(min, max),
            _ => block,
        };
        let format = config.sample_format();
        let config = StreamConfig { buffer_size: BufferSize::Fixed(block), ..config.config() };
        Ok(Self { device, direction, words, config, format })
    }

    /// A name by which this very device is found, if the host lists it.
    fn name(&self, host: Host) -> Option<String> {
        let name = self.device.id().ok()?.id().to_owned();
        let system = system(host).ok()?;
        let listed = |direction| find(&system, host, direction, Some(&name)).is_ok();
        quietly(|| listed(self.direction)).then_some(name)
    }

    fn failed(&self, why: cpal::Error) -> Error {
        Error::Device { device: self.words.clone(), why: why.to_string() }
    }

    /// Whether both are one device, and so have one clock.
    fn is(&self, other: &Self) -> bool {
        let ids = [self.device.id(), other.device.id()];
        matches!(ids, [Ok(one), Ok(two)] if one == two && !JOINED.contains(&one.id()))
    }

    /// Its usual block, in seconds.
    fn seconds(&self) -> f64 {
        f64::from(self.block()) / f64::from(self.config.sample_rate)
    }

    fn block(&self) -> u32 {
        match self.config.buffer_size {
            BufferSize::Fixed(block) => block,
            BufferSize::Default => BLOCK,
        }
    }

    fn input(
        &self,
        ear: Ear,
        used: usize,
        stats: Arc<Stats>,
        ended: Arc<OnceLock<String>>,
    ) -> Result<cpal::Stream, Error> {
        with_sample_type!(self.format, T => self.input_of::<T>(ear, used, stats, ended))
    }

    fn input_of<T: SizedSample>(
        &self,
        mut ear: Ear,
        used: usize,
        stats: Arc<Stats>,
        ended: Arc<OnceLock<String>>,
    ) -> Result<cpal::Stream, Error>
    where
        f32: FromSample<T>,
    {
        let channels = usize::from(self.config.channels);
        let counts = Arc::clone(&stats);
        let heard = move |data: &[T], _: &cpal::InputCallbackInfo| {
            let frames = data.len() / channels;
            let samples = data.chunks_exact(channels).flat_map(|frame| &frame[..used]);
            counts.dropped(ear.hear(frames, samples.map(|x| f32::from_sample(*x))) as u64);
        };
        let trouble = trouble(self.words.clone(), stats, ended);
        self.device.build_input_stream(self.config, heard, trouble, None).map_err(|why| self.failed(why))
    }

    fn output(&self, pump: Pump, stats: Arc<Stats>, ended: Arc<OnceLock<String>>) -> Result<cpal::Stream, Error> {
        with_sample_type!(self.format, T => self.output_of::<T>(pump, stats, ended))
    }

    fn output_of<T: SizedSample + FromSample<f32>>(
        &self,
        mut pump: Pump,
        stats: Arc<Stats>,
        ended: Arc<OnceLock<String>>,
    ) -> Result<cpal::Stream, Error> {
        let channels = usize::from(self.config.channels);
        let counts = Arc::clone(&stats);
        let wanted = move |data: &mut [T], _: &cpal::OutputCallbackInfo| pump.fill(data, channels, &counts);
        let trouble = trouble(self.words.clone(), stats, ended);
        self.device.build_output_stream(self.config, wanted, trouble, None).map_err(|why| self.failed(why))
    }
}

fn is_pcm(format: SampleFormat) -> bool {
    rank(format).is_some()
}

/// The formats that are read and written, the best first; `None`: not read here.
fn rank(format: SampleFormat) -> Option<usize> {
    use SampleFormat as As;
    [As::F32, As::I32, As::I24, As::I16, As::F64, As::U32, As::U16, As::I8, As::U8]
        .iter()
        .position(|known| *known == format)
}

/// What is done about a stream's errors: gaps are counted, the others end it.
fn trouble(words: String, stats: Arc<Stats>, ended: Arc<OnceLock<String>>) -> impl FnMut(cpal::Error) + Send + 'static {
    move |why| match why.kind() {
        ErrorKind::Xrun => stats.xrun(),
        // It goes on all the same.
        ErrorKind::DeviceChanged | ErrorKind::RealtimeDenied => {}
        // The stream is over, so it no longer matters that this allocates. Only the first reason is kept.
        _ => drop(ended.set(format!("{words} stopped: {why}"))),
    }
}

impl StreamSource {
    /// Finds the devices. Nothing sounds before it starts.
    ///
    /// # Errors
    /// [`Error`]: the host or a device is not there, has too few channels, or not the rate.
    pub fn open(host: Host, wish: &Wish) -> Result<Self, Error> {
        quietly(|| {
            let system = system(host)?;
            let wiring = &wish.wiring;
            // Both by name first: a name that is wrong is told before what a device cannot do.
            let heard = wish.mics && !wiring.inputs.is_empty();
            let input = heard.then(|| find(&system, host, Direction::Input, wish.input.as_deref())).transpose()?;
            let device = find(&system, host, Direction::Output, wish.output.as_deref())?;
            let output = {
                let channels = wiring.outputs.len().max(1);
                let fits = |(words, has): (&str, usize)| wiring.fits(Direction::Output, words, has);
                let rates: &[_] = if wish.keeps.is_some() { &[wish.keeps, None] } else { &[wish.rate] };
                at_first(rates, |rate| Side::of(device.clone(), Direction::Output, channels, rate, wish.block, fits))?
            };
            let device_rate = output.config.sample_rate;
            let input = input.map(|device| {
                let channels = wiring.inputs.len();
                let fits = |(words, has): (&str, usize)| wiring.fits(Direction::Input, words, has);
                at_first(&[Some(device_rate), None], |rate| {
                    Side::of(device.clone(), Direction::Input, channels, rate, wish.block, fits)
                })
            });
            let input = input.transpose()?;
            let rate = wish.keeps.unwrap_or(device_rate);
            let facts = Facts {
                host,
                rate,
                device_rate,
                block: output.block(),
                inputs: wiring.inputs.len(),
                outputs: wiring.outputs.len(),
                words: String::new(),
            };
            let plain = input
                .as_ref()
                .is_none_or(|input| input.is(&output) && input.config.sample_rate == rate && device_rate == rate);
            let mut source = Self { facts, sides: None, plain, streams: Vec::new(), ended: Arc::default() };
            source.facts.words = source.words(input.as_ref(), &output);
            source.sides = Some((input, output));
            Ok(source)
        })
    }

    /// What it is, and what is done to rates and clocks.
    fn words(&self, input: Option<&Side>, output: &Side) -> String {
        let Facts { host, rate, device_rate, block, .. } = self.facts;
        let from = input.map_or(String::new(), |input| format!("{} and ", input.words));
        let mut words = format!("{from}{} by {host} at {device_rate} Hz, {block} frames", output.words);
        if let Some(input) = input.filter(|_| !self.plain) {
            let late = 1000.0 * self.terms(input, output).latency();
            words += &format!(
                "; the input, at {} Hz, follows the output's clock, {late:.1} ms late",
                input.config.sample_rate
            );
        }
        if rate != device_rate {
            let late = 1000.0 * edge::delay(rate, device_rate);
            words += &format!("; the engine keeps {rate} Hz, for which the output is {late:.1} ms later");
        }
        words
    }

    fn terms(&self, input: &Side, output: &Side) -> Terms {
        let (channels, to) = (self.facts.inputs, self.facts.rate);
        let blocks = (input.seconds(), output.seconds());
        Terms { channels, from: input.config.sample_rate, to, blocks, most: Pump::most(to, self.facts.device_rate) }
    }

    fn streams(&self, input: Option<Side>, output: &Side, seat: &PlayerSlot) -> Result<Vec<cpal::Stream>, Error> {
        let stats = seat.stats();
        let mut pump = Pump::new(seat.clone(), &self.facts)?;
        let mut streams = Vec::new();
        if let Some(input) = input {
            let ear = match self.plain {
                true => pump.hear_plainly(input.block().max(output.block()) as usize),
                false => pump.hear(self.terms(&input, output))?,
            };
            streams.push(input.input(ear, self.facts.inputs, Arc::clone(&stats), Arc::clone(&self.ended))?);
        }
        streams.push(output.output(pump, stats, Arc::clone(&self.ended))?);
        for stream in &streams {
            stream.play().map_err(|why| output.failed(why))?;
        }
        Ok(streams)
    }
}

/// What opens at the first of these rates at which it can.
fn at_first(rates: &[Option<u32>], open: impl Fn(Option<u32>) -> Result<Side, Error>) -> Result<Side, Error> {
    let (last, before) = rates.split_last().unwrap_or((&None, &[]));
    for rate in before {
        match open(*rate) {
            Err(Error::Rate { .. }) => {}
            other => return other,
        }
    }
    open(*last)
}

impl Source for StreamSource {
    fn facts(&self) -> &Facts {
        &self.facts
    }

    fn start(&mut self, seat: &PlayerSlot) -> Result<(), Error> {
        let Some((input, output)) = self.sides.take() else {
            return Err(Error::Started { source_name: self.facts.words.clone() });
        };
        self.streams = quietly(|| self.streams(input, &output, seat))?;
        Ok(())
    }

    fn found_again(&self, wish: &Wish) -> Wish {
        let Facts { host, rate, .. } = self.facts;
        let (input, output) = match &self.sides {
            Some((input, output)) => (input.as_ref().and_then(|side| side.name(host)), output.name(host)),
            None => (None, None),
        };
        let wish = wish.clone();
        Wish {
            host: Some(host),
            keeps: Some(rate),
            input: input.or(wish.input),
            output: output.or(wish.output),
            ..wish
        }
    }

    fn stop(&mut self) {
        self.sides = None;
        quietly(|| self.streams.clear());
    }

    fn state(&self) -> SourceState {
        match self.ended.get() {
            Some(why) => SourceState::Dead { why: why.clone() },
            None if !self.streams.is_empty() => SourceState::Running,
            None if self.sides.is_some() => SourceState::Ready,
            None => SourceState::Stopped,
        }
    }
}
