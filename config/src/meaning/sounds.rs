//! Mics, groups and outputs.

use super::Rules;
use super::names::NamesInUse;
use crate::kind::Kind;
use crate::near;
use crate::report::Findings;
use crate::written::{At, CEILING_DB, NamedTable, Said, WrittenChannel};
use tenterhook_plan::{Decibels, Group, Mic, MicId, Output, OutputId};

/// Above this ceiling, in dBFS, what is rebuilt between the samples may pass full scale. Common practice, no source.
const HIGH_CEILING_DB: f64 = -0.1;

/// How fast sound is, in metres a second, in air at 20 °C: 343.2 in ISO 9613-1 (from memory).
const SOUND_M_PER_S: f64 = 343.0;

/// The mics, and where the effects of each sound unless told otherwise.
pub(super) fn mics(
    names: &NamesInUse<'_>,
    rules: Rules,
    findings: &mut Findings,
) -> (Vec<Mic>, Vec<Option<Vec<OutputId>>>) {
    let mut channels = Channels { rules, taken: Vec::new() };
    let mut mics = Vec::new();
    let mut homes = Vec::new();
    for named in names.mics {
        let mic = &named.what;
        mics.push(Mic {
            name: named.name.clone(),
            input: channels.take(named, &mic.input, SoundLine::Input, findings),
            trim: Decibels(mic.trim.value().copied().unwrap_or(0.0)),
            highpass_hz: mic.highpass.value().copied(),
            inverted: mic.inverted.value().copied().unwrap_or(false),
        });
        homes.push(
            mic.home.value().map(|list| names.output_list(list, findings).into_iter().flatten().collect::<Vec<_>>()),
        );
    }
    (mics, homes)
}

/// The outputs.
pub(super) fn outputs(names: &NamesInUse<'_>, rules: Rules, findings: &mut Findings) -> Vec<Output> {
    let mut channels = Channels { rules, taken: Vec::new() };
    let mut outputs = Vec::new();
    for named in names.outputs {
        let output = &named.what;
        if let Some(ceiling) = output.ceiling.at().filter(|ceiling| ceiling.value > HIGH_CEILING_DB) {
            let message = format!("the ceiling of \"{}\" leaves no room below full scale", named.name);
            findings.add(
                Kind::HighCeiling,
                ceiling.place,
                message,
                "write \"-1 dB\", unless you are sure of what follows",
            );
        }
        outputs.push(Output {
            name: named.name.clone(),
            channel: channels.take(named, &output.channel, SoundLine::Output, findings),
            ceiling: Decibels(output.ceiling.value().copied().unwrap_or(CEILING_DB)),
            private: output.private.value().copied().unwrap_or(false),
            delay: None,
        });
    }
    private_ones(names, &outputs, findings);
    delays(names, &mut outputs, findings);
    outputs
}

/// Lets the nearer outputs wait for the farthest. What is on one channel is one loudspeaker, whose distance one of its
/// outputs says for all; private outputs wait for nobody.
fn delays(names: &NamesInUse<'_>, outputs: &mut [Output], findings: &mut Findings) {
    for (output, named) in outputs.iter().zip(names.outputs).filter(|(output, _)| output.private) {
        if let Some(away) = named.what.away.at() {
            let message = format!("\"away\" does nothing here: \"{}\" is private, and is never delayed", output.name);
            findings.add(Kind::UselessKey, away.key, message, "leave it out");
        }
    }
    let open = |index: usize| outputs[index].channel.filter(|_| !outputs[index].private);
    let mut said: Vec<(u16, usize, &At<f64>)> = Vec::new();
    for (index, named) in names.outputs.iter().enumerate() {
        let Some((channel, away)) = open(index).zip(named.what.away.at()) else { continue };
        match said.iter().find(|(other, ..)| *other == channel) {
            None => said.push((channel, index, away)),
            Some((_, other, first)) if first.value != away.value => {
                let message = format!(
                    "\"{}\" and \"{}\" are both on output channel {}, and cannot be {} m and {} m away",
                    names.outputs[*other].name,
                    named.name,
                    channel + 1,
                    first.value,
                    away.value
                );
                let place = first.place.max(away.place);
                findings.add(Kind::AwayDiffers, place, message, "write one distance: that of the one loudspeaker");
            }
            Some(_) => {}
        }
    }
    let Some(farthest) = said.iter().map(|(.., away)| away.value).reduce(f64::max) else { return };
    let away = |channel| said.iter().find(|(other, ..)| *other == channel).map(|(.., away)| away.value);
    let open: Vec<_> = (0..outputs.len()).map(open).collect();
    for ((output, channel), named) in outputs.iter_mut().zip(open).zip(names.outputs) {
        let Some(channel) = channel else { continue };
        output.delay = away(channel).map(|away| (farthest - away) / SOUND_M_PER_S);
        if let (None, Said::Nothing, Some(at)) = (output.delay, &named.what.away, named.what.channel.at()) {
            let message = format!("nothing says how far away \"{}\" is: it waits for no other", output.name);
            let key = near::key(&output.name);
            let remedy =
                format!("write {key} = {{ output = {}, away = \"{farthest} m\" }} in the hall, say", channel + 1);
            findings.add(Kind::AwayUnsaid, at.place, message, remedy);
        }
    }
}

/// Reports each private output that would be heard by all, because its channel is also that of an output which is not
/// private, unless the hall says that this is meant.
fn private_ones(names: &NamesInUse<'_>, outputs: &[Output], findings: &mut Findings) {
    let free =
        || (0..).find(|free| outputs.iter().all(|one| one.channel != Some(*free))).map_or(1, |free: u16| free + 1);
    for (index, one) in outputs.iter().enumerate() {
        let written = &names.outputs[index].what;
        let meant = !one.private || written.shared.value().copied().unwrap_or(false);
        let Some(channel) = one.channel.filter(|_| !meant) else { continue };
        let open = outputs.iter().position(|other| !other.private && other.channel == Some(channel));
        let (Some(open), Some(at)) = (open, written.channel.at()) else { continue };
        let place = names.outputs[open].what.channel.at().map_or(at.place, |other| other.place.max(at.place));
        let (name, open, number) = (&one.name, &outputs[open].name, channel + 1);
        let key = near::key(name);
        let message =
            format!("\"{name}\" is private, and would be heard from \"{open}\": both are on output channel {number}");
        let remedy = format!(
            "give it a channel of its own: {} is free. If all are meant to hear it, write {key} = {{ output = {number}, \
             shared = true }} in the hall",
            free()
        );
        findings.add(Kind::PrivateShared, place, message, remedy);
    }
}

/// The groups.
pub(super) fn groups(names: &NamesInUse<'_>, findings: &mut Findings) -> Vec<Group> {
    let mut groups = Vec::new();
    for named in names.groups {
        let mut mics: Vec<MicId> = Vec::new();
        for name in named.what.mics.value().into_iter().flatten() {
            let is_mic = names.mics.iter().any(|mic| mic.name == name.value);
            if !is_mic && names.groups.iter().any(|group| group.name == name.value) {
                let message = format!("\"{}\" is a group, and a group holds mics only", name.value);
                findings.add(Kind::GroupInGroup, name.place, message, "name its mics one by one");
            } else if let Some(mic) = names.mic(name, findings) {
                if mics.contains(&mic) {
                    let message = format!("\"{}\" is in the group \"{}\" twice", name.value, named.name);
                    findings.add(Kind::MicTwice, name.place, message, "name it once");
                }
                mics.push(mic);
            }
        }
        if named.what.mics.value().is_some_and(Vec::is_empty) {
            let message = format!("the group \"{}\" has no mics", named.name);
            findings.add(
                Kind::EmptyGroup,
                named.place,
                message,
                format!("write {} = [\"…\"], or leave it out", near::key(&named.name)),
            );
        }
        groups.push(Group { name: named.name.clone(), mics });
    }
    groups
}

/// Which way a channel leads.
#[derive(Clone, Copy, PartialEq, Eq)]
enum SoundLine {
    Input,
    Output,
}

/// The channels that are taken, and by whom.
struct Channels {
    rules: Rules,
    taken: Vec<(u16, String, crate::place::Place)>,
}

impl Channels {
    /// The channel, counted from 0; `None`: left out, or reported.
    fn take<T>(
        &mut self,
        named: &NamedTable<T>,
        channel: &Said<WrittenChannel>,
        line: SoundLine,
        findings: &mut Findings,
    ) -> Option<u16> {
        let (what, key) = match line {
            SoundLine::Input => ("mic", "input"),
            SoundLine::Output => ("output", "output"),
        };
        let at = match channel {
            Said::Value(at) => at,
            Said::Wrong => return None,
            Said::Nothing => {
                let message = format!("nothing says which channel the {what} \"{}\" is on", named.name);
                findings.add(
                    Kind::MissingKey,
                    named.place,
                    message,
                    format!("write {key} = 1, say, between the braces"),
                );
                return None;
            }
        };
        let WrittenChannel::Number(number) = at.value else {
            let message = format!("this hall leaves the {what} \"{}\" out", named.name);
            findings.add(Kind::LeftOut, at.place, message, "write a channel if it should sound here");
            return None;
        };
        let shared = line == SoundLine::Output && self.rules == Rules::Hall;
        if let Some((_, other, place)) = self.taken.iter().find(|(taken, ..)| *taken == number && !shared) {
            let kind = match line {
                SoundLine::Input => Kind::MicChannelTaken,
                SoundLine::Output => Kind::OutputChannelTaken,
            };
            let message = format!("\"{other}\" and \"{}\" are both on {key} channel {number}", named.name);
            let free = (1..).find(|free| self.taken.iter().all(|(taken, ..)| taken != free)).unwrap_or(1);
            let also = if line == SoundLine::Output { "; only in a hall may outputs share one" } else { "" };
            findings.add(kind, at.place.max(*place), message, format!("give each its own: {free} is free{also}"));
        }
        self.taken.push((number, named.name.clone(), at.place));
        number.checked_sub(1)
    }
}
