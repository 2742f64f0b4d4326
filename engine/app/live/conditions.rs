//! What holds at the moment: looks at all that can be in trouble, and makes one list of it.

use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;
use std::time::Instant;

use tenterhook_config::Host;
use tenterhook_io::{Facts, FaultKind, GonePort, LateFault, Load, Refused, Standing};
use tenterhook_plan::condition::{Cause, Condition, Conditions, Counted, Topic};
use tenterhook_plan::{EngineState, Meters};

use crate::live::broke;

/// Seconds for which something that happened holds as a condition.
pub const NEWS: u64 = 10;
/// Seconds for which a limiter is said to work after it did.
const LIMITER: u64 = 2;
/// A limiter that takes less is not worth a word, in dB; one that takes more than the second is heard as such: common
/// practice, no source.
const LIMITED_DB: f32 = 0.5;
const MUCH_DB: f32 = 6.0;
/// Crystals differ by less than this many ppm, even two that are bad: common practice, no source.
const CRYSTALS: f32 = 300.0;
/// Seconds that a device may take for its first block.
const FIRST: u64 = 3;

/// What is looked at.
pub struct Look<'a> {
    pub facts: &'a Facts,
    /// Whether a recording, or an ensemble that is made up, plays in place of the mics.
    pub rehearsal: bool,
    pub engine: &'a EngineState,
    pub meters: &'a Meters,
    pub load: &'a Load,
    pub standing: &'a Standing,
    /// Why the log is no longer kept.
    pub log: Option<String>,
    /// What is wrong with the piece as it was saved last.
    pub piece: Option<&'a str>,
    /// Why the journal is not kept.
    pub journal: Option<String>,
    /// How a run that had broken off was taken up again.
    pub taken_up: Option<&'a str>,
    pub gone_ports: &'a [GonePort],
    /// Why OSC is not heard, if the piece asks for it.
    pub unheard: Option<String>,
    /// The receivers of OSC that are not reached, and why.
    pub unreached: BTreeMap<String, String>,
    /// What came by OSC lately and made no sense.
    pub senseless: Vec<Refused>,
}

#[cfg(test)]
impl<'a> Look<'a> {
    /// At a run of which there is nothing to say but what these tell.
    pub fn at(
        standing: &'a Standing,
        engine: &'a EngineState,
        meters: &'a Meters,
        load: &'a Load,
        rehearsal: bool,
    ) -> Self {
        Self {
            facts: &standing.device,
            rehearsal,
            engine,
            meters,
            load,
            standing,
            log: None,
            piece: None,
            journal: None,
            taken_up: None,
            gone_ports: &[],
            unheard: None,
            unreached: BTreeMap::new(),
            senseless: Vec::new(),
        }
    }
}

/// Tells what happened lately from counts that only grow.
#[derive(Default)]
struct Lately {
    /// Samples, and what was counted by then.
    seen: VecDeque<(u64, u64)>,
}

impl Lately {
    /// The count stands at `count` at sample `now`: by how much it grew in the last `span` samples.
    fn grew(&mut self, count: u64, now: u64, span: u64) -> u64 {
        if self.seen.back().is_none_or(|(_, last)| *last != count) {
            self.seen.push_back((now, count));
        }
        while self.seen.len() > 1 && self.seen[1].0 + span < now {
            self.seen.pop_front();
        }
        self.seen.front().map_or(0, |(_, first)| count.saturating_sub(*first))
    }
}

/// Finds what holds; remembers what happened, so that it holds for a while.
pub struct Finder {
    /// The mics and outputs that the lists below are of.
    named: Vec<String>,
    late: Lately,
    xruns: Lately,
    clips: Vec<Lately>,
    bad: Vec<Lately>,
    /// Of each output the greatest reduction of late, in dB, and the sample of it.
    reductions: Vec<(f32, u64)>,
    /// Of each output until which sample it is said to howl.
    howls: Vec<u64>,
    /// The engine's sample, and since when it is that.
    moved: (u64, Instant),
    found: Arc<Conditions>,
}

impl Default for Finder {
    fn default() -> Self {
        Self {
            named: Vec::new(),
            late: Lately::default(),
            xruns: Lately::default(),
            clips: Vec::new(),
            bad: Vec::new(),
            reductions: Vec::new(),
            howls: Vec::new(),
            moved: (0, Instant::now()),
            found: Arc::default(),
        }
    }
}

impl Finder {
    /// All that holds now.
    pub fn find(&mut self, look: &Look<'_>) -> Arc<Conditions> {
        let since = look.load.frames;
        let mut found = Vec::new();
        let mut add = |topic, subject: Option<&str>, grave| {
            found.push(Condition { topic, subject: subject.map(str::to_owned), grave, since });
        };
        self.device(look, &mut add);
        self.time(look, &mut add);
        if let Some(why) = &look.log {
            add(Topic::LogLost { why: why.clone() }, None, true);
        }
        if let Some(why) = look.piece {
            add(Topic::PieceBroken { why: why.to_owned() }, None, false);
        }
        if let Some(why) = &look.journal {
            add(Topic::JournalLost { why: why.clone() }, None, false);
        }
        // Until somebody fires a scene.
        if let Some(how) = look.taken_up
            && look.engine.scene.is_none_or(|(_, since)| since == 0)
        {
            add(Topic::TakenUp { how: how.to_owned() }, None, false);
        }
        for port in look.gone_ports {
            let worked = look.engine.plan.controllers.iter().filter(|controller| port.worked(controller));
            let keep = worked.map(|controller| controller.name.clone()).collect();
            add(Topic::PortGone { keep }, Some(&port.name), true);
        }
        for (controller, _) in look
            .engine
            .plan
            .controllers
            .iter()
            .zip(&look.engine.turned)
            .filter(|(one, turned)| **turned && one.like.is_none())
        {
            let inverted = matches!(controller.address, tenterhook_plan::Address::Midi { inverted: true, .. });
            add(Topic::SwitchTurned { inverted }, Some(&controller.name), false);
        }
        for Refused { path, from, why } in &look.senseless {
            add(Topic::OscSenseless { from: from.to_string(), why: *why }, Some(path), false);
        }
        if let Some(why) = &look.unheard {
            add(Topic::OscUnheard { why: why.clone() }, None, true);
        }
        for (receiver, why) in &look.unreached {
            add(Topic::OscUnreached { why: why.clone() }, Some(receiver), false);
        }
        for Condition { topic, subject, grave, .. } in broke::all(look.engine) {
            add(topic, subject.as_deref(), grave);
        }
        if let Some(place) = &look.load.broke_at {
            add(Topic::EngineBroke { place: place.clone() }, None, true);
        }
        self.channels(look, &mut add);
        let count = look.engine.events_lost + look.engine.applied_lost + look.load.events_lost;
        if count > 0 {
            add(Topic::GesturesLost { count }, None, false);
        }
        let found = Conditions::after(&self.found, found);
        // Who holds the list sees by that itself whether it has changed.
        if found != *self.found {
            self.found = Arc::new(found);
        }
        Arc::clone(&self.found)
    }

    fn device(&mut self, look: &Look<'_>, add: &mut impl FnMut(Topic, Option<&str>, bool)) {
        if look.load.frames != self.moved.0 {
            self.moved = (look.load.frames, Instant::now());
        }
        let seconds = self.moved.1.elapsed().as_secs();
        let is_still = seconds > if look.load.frames > 0 { 0 } else { FIRST };
        if let Some(away) = &look.standing.away {
            let (why, refused, loss) = (away.why.clone(), away.refused.clone(), look.standing.losses);
            add(Topic::DeviceGone { why, refused, loss }, None, true);
        } else if is_still {
            add(Topic::DeviceStill { seconds }, None, true);
        } else if look.facts.host == Host::Clock {
            add(Topic::NoDevice, None, !look.rehearsal);
        }
        if let Some(ppm) = look.load.drift_ppm.filter(|ppm| ppm.abs() > CRYSTALS) {
            add(Topic::ClocksApart { ppm }, None, false);
        }
    }

    fn time(&mut self, look: &Look<'_>, add: &mut impl FnMut(Topic, Option<&str>, bool)) {
        use FaultKind::{Gap, HeldUp, Late, Overworked, OwnGap};
        let (now, second) = (look.load.frames, u64::from(look.facts.rate).max(1));
        type Made = fn(Counted) -> Topic;
        for (topic, total, lately, kinds) in [
            (Topic::LateBlocks as Made, look.load.late, &mut self.late, [Overworked, HeldUp, Late]),
            (Topic::Gaps, look.load.xruns, &mut self.xruns, [OwnGap, Gap, Gap]),
        ] {
            let lately = lately.grew(total, now, NEWS * second);
            if total == 0 {
                continue;
            }
            let faults: Vec<&LateFault> = look.load.faults.iter().filter(|fault| kinds.contains(&fault.kind)).collect();
            let has = |kind| faults.iter().any(|fault| fault.sample + NEWS * second >= now && fault.kind == kind);
            let cause = match () {
                () if has(kinds[0]) => Cause::Work,
                () if has(Late) => Cause::Unknown,
                () => Cause::Others,
            };
            let ago = faults.last().map_or(0, |fault| now.saturating_sub(fault.sample) / second);
            add(topic(Counted { lately, total, ago, cause }), None, lately > 0);
        }
    }

    fn channels(&mut self, look: &Look<'_>, add: &mut impl FnMut(Topic, Option<&str>, bool)) {
        let (now, second) = (look.load.frames, u64::from(look.facts.rate));
        let (mics, outputs) = (&look.engine.plan.mics, &look.engine.plan.outputs);
        let names = mics.iter().map(|mic| &mic.name).chain(outputs.iter().map(|output| &output.name));
        if !self.named.iter().eq(names.clone()) {
            self.named = names.cloned().collect();
            (self.clips, self.bad, self.reductions, self.howls) = Default::default();
        }
        self.clips.resize_with(mics.len(), Lately::default);
        self.bad.resize_with(mics.len(), Lately::default);
        self.reductions.resize(outputs.len(), (0.0, 0));
        self.howls.resize(outputs.len(), 0);
        let lately = self.clips.iter_mut().zip(&mut self.bad);
        for ((mic, meter), (clips, bad)) in mics.iter().zip(&look.meters.mics).zip(lately) {
            if bad.grew(meter.bad, now, NEWS * second) > 0 {
                add(Topic::NotNumbers, Some(&mic.name), true);
            }
            if clips.grew(u64::from(meter.clips), now, NEWS * second) > 0 {
                add(Topic::Clips, Some(&mic.name), true);
            }
            if meter.offset != 0.0 && mic.highpass_hz.is_none() {
                add(Topic::Offset { db: 20.0 * meter.offset.abs().log10() }, Some(&mic.name), false);
            }
        }
        let lately = self.reductions.iter_mut().zip(&mut self.howls);
        for ((output, meter), ((most, at), howls)) in outputs.iter().zip(&look.meters.outputs).zip(lately) {
            if meter.howls {
                *howls = now + LIMITER * second;
            }
            if *howls > now {
                add(Topic::Howls, Some(&output.name), true);
            }
            let reduction = -20.0 * meter.reduction.max(1e-6).log10();
            if reduction >= *most || *at + LIMITER * second < now {
                (*most, *at) = (reduction, now);
            }
            if *most > LIMITED_DB {
                add(Topic::Limited { db: *most }, Some(&output.name), *most > MUCH_DB);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_counted_is_news_for_a_while() {
        let mut lately = Lately::default();
        assert_eq!(lately.grew(0, 0, 100), 0);
        assert_eq!(lately.grew(0, 50, 100), 0);
        assert_eq!(lately.grew(3, 60, 100), 3);
        assert_eq!(lately.grew(3, 160, 100), 3);
        assert_eq!(lately.grew(4, 161, 100), 1);
        assert_eq!(lately.grew(4, 400, 100), 0);
        assert_eq!(lately.grew(5, 401, 100), 1);
    }

    #[test]
    fn a_count_that_was_there_from_the_first_look_is_no_news() {
        let mut lately = Lately::default();
        assert_eq!(lately.grew(7, 10, 100), 0);
        assert_eq!(lately.grew(7, 20, 100), 0);
    }

    const PIECE: &str = "mics = { voice = 1 }\noutputs = { left = 1 }\ncontrollers = { foot = { cc = 64 } }\n[[scene]]\n\
                         mark = \"A\"\nmic.voice.freeze = { by = \"foot\" }\n";

    /// A run at 1000 samples a second, in which all is well but for what is done to it.
    struct Run {
        finder: Finder,
        engine: EngineState,
        meters: Meters,
        load: Load,
    }

    impl Run {
        fn new() -> Self {
            let piece = tenterhook_config::Text::new("reed.toml", PIECE);
            let engine = EngineState::new(Arc::new(tenterhook_config::check(&piece, None).unwrap().plan));
            let meters = Meters::new(&engine.plan);
            Self { finder: Finder::default(), engine, meters, load: tenterhook_io::Stats::default().load() }
        }

        /// What holds at a sample: how grave, and in words.
        fn at(&mut self, sample: u64) -> Vec<(bool, String)> {
            self.load.frames = sample;
            let facts = Facts {
                host: Host::Jack,
                rate: 1000,
                device_rate: 1000,
                block: 64,
                inputs: 1,
                outputs: 1,
                words: String::new(),
            };
            let standing = Standing { device: facts.clone(), away: None, losses: 0, ended: None, origin: None };
            let look = Look::at(&standing, &self.engine, &self.meters, &self.load, false);
            let found = self.finder.find(&look);
            found.iter().map(|one| (one.grave, crate::live::words::of(one))).collect()
        }
    }

    #[test]
    fn a_limiter_is_told_of_for_two_seconds_and_is_grave_beyond_6_db() {
        let mut run = Run::new();
        let told = |grave, db| vec![(grave, format!("left: its limiter holds it down by {db} dB"))];
        for (sample, db, wanted) in [
            (100, 0.0, Vec::new()),
            (200, 0.4, Vec::new()),
            (300, 3.0, told(false, 3)),
            (400, 0.0, told(false, 3)),
            (500, 9.0, told(true, 9)),
            // The most counts, and then it has gone.
            (600, 4.0, told(true, 9)),
            (2500, 0.0, told(true, 9)),
            (2600, 0.0, Vec::new()),
        ] {
            run.meters.outputs[0].reduction = 10f32.powf(-db / 20.0);
            assert_eq!(run.at(sample), wanted, "at {sample}");
        }
    }

    #[test]
    fn gestures_count_as_lost_wherever_they_were() {
        let mut run = Run::new();
        (run.engine.events_lost, run.engine.applied_lost, run.load.events_lost) = (1, 20, 300);
        assert_eq!(run.at(100), [(false, "321 gestures lost, because too many came at once".to_owned())]);
    }

    #[test]
    fn what_cost_time_is_told_with_its_cause_and_after_a_while_with_its_age() {
        let told = |grave, words: &str| vec![(grave, words.to_owned())];
        for (kind, words) in [
            (
                FaultKind::Overworked,
                "1 late block in the last 10 s: the piece asks too much of this machine, see `tenterhook load`",
            ),
            (FaultKind::HeldUp, "1 late block in the last 10 s: the machine held this program up"),
            (FaultKind::Late, "1 late block in the last 10 s"),
        ] {
            let mut run = Run::new();
            assert_eq!(run.at(100), Vec::new());
            (run.load.late, run.load.faults) = (1, vec![LateFault { sample: 1000, kind }]);
            assert_eq!(run.at(1000), told(true, words));
            assert_eq!(run.at(63_999), told(false, "1 late block since the start, the last 62 s ago"));
        }
        let mut run = Run::new();
        assert_eq!(run.at(100), Vec::new());
        (run.load.xruns, run.load.faults) = (2, vec![LateFault { sample: 1000, kind: FaultKind::Gap }]);
        assert_eq!(run.at(1000), told(true, "2 gaps of the device in the last 10 s: not by this program's work"));
    }

    #[test]
    fn a_switch_that_is_wired_the_other_way_round_is_told_with_the_word_that_turns_it() {
        for (written, remedy) in [("", "inverted"), (", polarity = \"inverted\"", "normal")] {
            let mut run = Run::new();
            let text = PIECE.replace("cc = 64", &format!("cc = 64{written}"));
            let piece = tenterhook_config::Text::new("reed.toml", text);
            run.engine = EngineState::new(Arc::new(tenterhook_config::check(&piece, None).unwrap().plan));
            run.engine.turned[0] = true;
            let [(false, words)] = &run.at(100)[..] else { panic!() };
            assert!(words.starts_with("foot: ") && words.contains(&format!("polarity = \"{remedy}\"")), "{words}");
        }
    }
}
