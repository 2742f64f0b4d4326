//! What one must know during a run, in words.

use std::collections::VecDeque;

use tenterhook_config::Host;
use tenterhook_io::{Facts, Fault, FaultKind, GonePort, Load, Snapshot};
use tenterhook_page::{Topic, Word};
use tenterhook_plan::{Address, Controller, Plan};

use crate::desk::Troubles;

/// Seconds for which something that happened is said as news.
const NEWS: u64 = 10;
/// Seconds for which a limiter is said to work after it did.
const LIMITER: u64 = 2;
/// A limiter that takes more than this many decibels is heard as such: common practice, no source.
const MUCH_DB: f32 = 6.0;

/// Crystals differ by less than this many ppm, even two that are bad: common practice, no source.
const CRYSTALS: f32 = 300.0;

/// Why a block was late by its own work.
const WORK: &str = ": the piece asks too much of this machine, see `tenterhook load`";

/// What is looked at.
pub struct Look<'a> {
    pub facts: &'a Facts,
    /// Whether a recording, or an ensemble that is made up, plays in place of the mics.
    pub rehearsal: bool,
    pub plan: &'a Plan,
    pub snapshot: &'a Snapshot,
    pub load: &'a Load,
    pub troubles: &'a Troubles,
    /// Seconds for which no block has come.
    pub still: u64,
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

/// Remembers what happened, so that it can be said for a while.
#[derive(Default)]
pub struct Words {
    /// The mics and outputs that the lists below are of.
    named: Vec<String>,
    late: Lately,
    xruns: Lately,
    clips: Vec<Lately>,
    bad: Vec<Lately>,
    /// Of each output the greatest reduction of late, in dB, and the sample of it.
    reductions: Vec<(f32, u64)>,
}

impl Words {
    /// What one must know now, the gravest first.
    pub fn say(&mut self, look: &Look<'_>) -> Vec<Word> {
        let mut words = Vec::new();
        let mut word = |kind, grave, text| words.push(Word { kind, grave, text });
        let (now, second) = (look.load.frames, u64::from(look.facts.rate));
        let Troubles { device, log, piece, journal, taken_up, midi, learning: _ } = look.troubles;
        if let Some(words) = device {
            word(Topic::Device, true, words.clone());
        } else if look.still > 0 {
            let text = format!("the device has asked for no sound for {} s: see its cable and its program", look.still);
            word(Topic::Device, true, text);
        } else if look.facts.host == Host::Clock {
            let text = "no sound device: the built-in clock runs, and nothing is heard".to_owned();
            word(Topic::Device, !look.rehearsal, text);
        }
        if let Some(text) = look.load.drift_ppm.and_then(drift_words) {
            word(Topic::Device, false, text);
        }
        use FaultKind::{Gap, HeldUp, Late, Overworked, OwnGap};
        let (late, xruns) = (look.load.late, look.load.xruns);
        for (name, total, lately, kinds, other) in [
            ("late block", late, &mut self.late, [Overworked, HeldUp, Late], ": the machine held this program up"),
            ("gap of the device", xruns, &mut self.xruns, [OwnGap, Gap, Gap], ": not by this program's work"),
        ] {
            let new = lately.grew(total, now, NEWS * second);
            let mut faults = look.load.faults.iter().filter(|fault| kinds.contains(&fault.kind));
            if new > 0 {
                let recent = |fault: &&Fault| fault.sample + NEWS * second >= now;
                let kinds_now: Vec<FaultKind> = faults.filter(recent).map(|fault| fault.kind).collect();
                let cause = match kinds_now {
                    now if now.contains(&kinds[0]) => WORK,
                    // Some systems do not tell.
                    now if now.contains(&Late) => "",
                    _ => other,
                };
                word(Topic::Late, true, format!("{} in the last {NEWS} s{cause}", many(new, name)));
            } else if total > 0 {
                let since = faults.next_back().map_or(0, |fault| now.saturating_sub(fault.sample) / second.max(1));
                let text = format!("{} since the start, the last {since} s ago", many(total, name));
                word(Topic::Late, false, text);
            }
        }
        if let Some(why) = log {
            word(Topic::Log, true, format!("the log is no longer kept: {why}"));
        }
        if let Some(why) = piece {
            word(Topic::Piece, false, format!("what was saved does not play, the version before it goes on: {why}"));
        }
        if let Some(why) = journal {
            word(Topic::Journal, false, why.clone());
        }
        // Until somebody fires a scene.
        if let Some(words) = taken_up
            && look.snapshot.scene.is_none_or(|(_, since)| since == 0)
        {
            word(Topic::Journal, false, words.clone());
        }
        for text in midi {
            word(Topic::Controller, true, text.clone());
        }
        let controllers = look.plan.controllers.iter().zip(&look.snapshot.turned);
        for (controller, _) in controllers.filter(|(_, turned)| **turned) {
            word(Topic::Controller, false, turned(controller));
        }
        let names =
            look.plan.mics.iter().map(|mic| &mic.name).chain(look.plan.outputs.iter().map(|output| &output.name));
        if !self.named.iter().eq(names.clone()) {
            *self = Self {
                named: names.cloned().collect(),
                late: std::mem::take(&mut self.late),
                xruns: std::mem::take(&mut self.xruns),
                ..Self::default()
            };
        }
        let mics = look.plan.mics.iter().zip(&look.snapshot.mics);
        self.clips.resize_with(look.plan.mics.len(), Lately::default);
        self.bad.resize_with(look.plan.mics.len(), Lately::default);
        for ((mic, meter), (clips, bad)) in mics.zip(self.clips.iter_mut().zip(&mut self.bad)) {
            if bad.grew(meter.bad, now, NEWS * second) > 0 {
                let text = format!("{}: what comes in is no sound (NaN): see its driver", mic.name);
                word(Topic::Bad, true, text);
            }
            if clips.grew(u64::from(meter.clips), now, NEWS * second) > 0 {
                word(Topic::Clip, true, format!("{} clips: turn its input down", mic.name));
            }
        }
        self.reductions.resize(look.plan.outputs.len(), (0.0, 0));
        for ((output, meter), (most, at)) in
            look.plan.outputs.iter().zip(&look.snapshot.outputs).zip(&mut self.reductions)
        {
            let reduction = -20.0 * meter.reduction.max(1e-6).log10();
            if reduction >= *most || *at + LIMITER * second < now {
                (*most, *at) = (reduction, now);
            }
            if *most > 0.5 {
                let text = format!("{}: its limiter holds it down by {most:.0} dB", output.name);
                word(Topic::Limiter, *most > MUCH_DB, text);
            }
        }
        let lost = look.snapshot.events_lost + look.snapshot.applied_lost + look.load.events_lost;
        if lost > 0 {
            word(Topic::Lost, false, format!("{} lost, because too many came at once", many(lost, "gesture")));
        }
        words.sort_by_key(|word| !word.grave);
        words
    }
}

/// What is to be said of two clocks that differ, if anything.
fn drift_words(ppm: f32) -> Option<String> {
    (ppm.abs() > CRYSTALS).then(|| {
        format!(
            "the clocks of the two devices differ by {ppm:.0} ppm, more than crystals do: see whether one should follow \
             another clock"
        )
    })
}

/// What is said of a switch that is most likely wired the other way round, and what to write.
pub fn turned(controller: &Controller) -> String {
    let inverted = matches!(controller.address, Address::Midi { inverted: true, .. });
    let polarity = if inverted { "normal" } else { "inverted" };
    let name = &controller.name;
    format!(
        "{name}: its first word was \"let go\", so it is most likely wired the other way round: write polarity = \
         \"{polarity}\" beside its cc, or let `tenterhook learn` find it out"
    )
}

/// What is said of a MIDI port that is gone.
pub fn gone(port: &GonePort, plan: &Plan) -> String {
    let worked = plan.controllers.iter().filter(|controller| port.worked(controller));
    let names: Vec<_> = worked.map(|controller| controller.name.as_str()).collect();
    let keep = match names.len() {
        0 => String::new(),
        1 => format!("; {} keeps its value", names[0]),
        _ => format!("; {} keep their values", names.join(", ")),
    };
    format!("the MIDI port {} is gone: see its cable{keep}", port.name)
}

fn many(n: u64, what: &str) -> String {
    match (n, what.split_once(' ')) {
        (1, _) => format!("1 {what}"),
        (n, Some(("gap", rest))) => format!("{n} gaps {rest}"),
        (n, _) => format!("{n} {what}s"),
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
    fn clocks_are_spoken_of_when_they_differ_by_more_than_crystals_do() {
        assert_eq!([0.0, 200.0, -299.0].map(drift_words), [None, None, None]);
        let words = drift_words(-412.3).unwrap();
        assert!(words.contains("-412 ppm") && words.contains("see whether"), "{words}");
    }

    #[test]
    fn a_count_that_was_there_from_the_first_look_is_no_news() {
        let mut lately = Lately::default();
        assert_eq!(lately.grew(7, 10, 100), 0);
        assert_eq!(lately.grew(7, 20, 100), 0);
    }
}
