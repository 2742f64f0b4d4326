//! Sharing out: who plays which partial.
//!
//! In each moment the strongest partials go first: a partial is left out only if it cannot be played together with those
//! that are stronger. Sets of partials that distinct players can play together form a matroid (a transversal matroid:
//! Edmonds and Fulkerson, 1965), so taking them by strength, changing hands along an augmenting path where needed, loses
//! none that could be had. Among all ways to hand out those taken, the Hungarian method finds the one in which the
//! players move least from what they played last.

use std::ops::Range;

use pathfinding::kuhn_munkres::kuhn_munkres_min;
use pathfinding::matrix::Matrix;
use tenterhook_plan::{Intonation, Partial as Tone};

use crate::{NotesError, Player, Step, Written};

/// What is to sound together.
#[derive(Clone, Debug, PartialEq)]
pub struct Chord {
    /// When, in seconds from the sound's beginning.
    pub span: Range<f64>,
    /// The partials chosen, in any order.
    pub tones: Vec<Tone>,
}

impl From<&tenterhook_spectra::Moment> for Chord {
    fn from(moment: &tenterhook_spectra::Moment) -> Self {
        let tones = moment.partials.iter().map(|partial| Tone { hz: partial.hz, db: partial.db });
        Self { span: moment.span.clone(), tones: tones.collect() }
    }
}

/// One player's note.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Note {
    /// The chord that it belongs to, counted from 0.
    pub chord: usize,
    /// The partial that it stands for.
    pub tone: Tone,
    /// What is played for it, as it sounds.
    pub written: Written,
    /// Octaves by which it was moved to be played.
    pub octaves: i32,
}

impl Note {
    /// The frequency that sounds, in Hz.
    pub fn hz(&self, intonation: impl Into<Intonation>) -> f64 {
        self.written.hz(intonation.into())
    }
}

/// What one player plays, in the order of the chords: at most one note in each.
#[derive(Clone, Debug, PartialEq)]
pub struct PlayerPart {
    /// Who.
    pub player: Player,
    /// What.
    pub notes: Vec<Note>,
}

/// Why a partial is not played.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Why {
    /// It lies in nobody's range.
    OutOfRange,
    /// All who could play it play stronger partials.
    Taken,
    /// Its frequency or level is no number.
    NoTone,
}

impl std::fmt::Display for Why {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Why::OutOfRange => "it lies in nobody's range",
            Why::Taken => "all who could play it play stronger partials",
            Why::NoTone => "its frequency or level is no number",
        })
    }
}

/// A partial that is not played.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Unplayed {
    /// The chord that it belongs to, counted from 0.
    pub chord: usize,
    /// The partial.
    pub tone: Tone,
    /// Why.
    pub why: Why,
}

/// All that was shared out.
#[derive(Clone, Debug, PartialEq)]
pub struct SharedOut {
    /// Which frequency each note has.
    pub intonation: Intonation,
    /// How finely pitch is written.
    pub step: Step,
    /// The players in their order.
    pub parts: Vec<PlayerPart>,
    /// What nobody plays, chord by chord, the strongest first.
    pub unplayed: Vec<Unplayed>,
}

/// What a player would play for a partial.
#[derive(Clone, Copy)]
struct Offer {
    written: Written,
    octaves: i32,
}

/// What a player would play for a partial; nothing if it lies out of range. With `octaves` it may be moved by the
/// fewest octaves that bring it into range.
fn offer(player: &Player, hz: f64, step: Step, intonation: Intonation, octaves: bool) -> Option<Offer> {
    let step = if player.instrument.fine { step } else { Step::Semitone };
    let at = |octaves: i32| {
        let written = step.write(intonation.note(hz) + 12.0 * f64::from(octaves), intonation);
        player.has(written.note()).then_some(Offer { written, octaves })
    };
    let shifts = if octaves { 1..12 } else { 1..1 };
    at(0).or_else(|| shifts.flat_map(|octaves| [-octaves, octaves]).find_map(at))
}

/// The most players that can be told apart by their costs, see [`cost`].
const MOST: usize = 1000;

/// Shares chords out among players: one note per player and chord, each in its player's range. The k strongest partials
/// are never lost if distinct players can play them. Among all ways to hand out the partials taken, the one with the
/// fewest octaves moved is chosen, then the one with the least total movement in cents from what each player played last
/// (from the middle of the range before the first note), then the one in which nobody moves far and lines do not cross.
/// Chord by chord, that is: no longer way now for a shorter one later.
///
/// # Errors
/// [`NotesError::Tuning`], [`NotesError::Players`].
pub fn share(
    chords: &[Chord],
    players: &[Player],
    step: Step,
    intonation: impl Into<Intonation>,
    octaves: bool,
) -> Result<SharedOut, NotesError> {
    let intonation = intonation.into();
    if !(intonation.tuning_hz.is_normal() && intonation.tuning_hz > 0.0) {
        return Err(NotesError::Tuning(intonation.tuning_hz));
    }
    if players.len() > MOST {
        return Err(NotesError::Players { players: players.len(), what: "a score", most: MOST });
    }
    let mut parts: Vec<_> =
        players.iter().map(|player| PlayerPart { player: player.clone(), notes: Vec::new() }).collect();
    let mut unplayed = Vec::new();
    // Where each player comes from. In the middle of the range the first of several is a little higher.
    let mut from: Vec<f64> = (0..)
        .zip(players)
        .map(|(n, player)| f64::from(player.low + player.high) / 2.0 - 0.001 * f64::from(n))
        .collect();
    for (chord, Chord { tones, .. }) in chords.iter().enumerate() {
        let (mut tones, none): (Vec<_>, Vec<_>) =
            tones.iter().copied().partition(|tone| tone.hz.is_normal() && tone.hz > 0.0 && tone.db.is_finite());
        tones.sort_by(|one, other| other.db.total_cmp(&one.db));
        let offers: Vec<Vec<_>> = tones
            .iter()
            .map(|tone| players.iter().map(|player| offer(player, tone.hz, step, intonation, octaves)).collect())
            .collect();
        let (taken, left) = strongest(&offers, players.len());
        for (tone, player) in hand_out(&offers, &taken, &from) {
            if let Some(Offer { written, octaves }) = offers[tone][player] {
                from[player] = written.note();
                parts[player].notes.push(Note { chord, tone: tones[tone], written, octaves });
            }
        }
        let why = |tone: usize| if offers[tone].iter().any(Option::is_some) { Why::Taken } else { Why::OutOfRange };
        unplayed.extend(left.into_iter().map(|tone| Unplayed { chord, tone: tones[tone], why: why(tone) }));
        unplayed.extend(none.into_iter().map(|tone| Unplayed { chord, tone, why: Why::NoTone }));
    }
    Ok(SharedOut { intonation, step, parts, unplayed })
}

/// Which rows, the first first, can be played together by distinct players, and which are left.
fn strongest(offers: &[Vec<Option<Offer>>], players: usize) -> (Vec<usize>, Vec<usize>) {
    /// Finds a player for a tone, others changing hands if need be.
    fn place(tone: usize, offers: &[Vec<Option<Offer>>], holds: &mut [Option<usize>], asked: &mut [bool]) -> bool {
        for player in 0..holds.len() {
            if offers[tone][player].is_some() && !asked[player] {
                asked[player] = true;
                if holds[player].is_none_or(|other| place(other, offers, holds, asked)) {
                    holds[player] = Some(tone);
                    return true;
                }
            }
        }
        false
    }
    let mut holds = vec![None; players];
    (0..offers.len()).partition(|&tone| place(tone, offers, &mut holds, &mut vec![false; players]))
}

/// Hands out the tones taken (which distinct players can play) at the least cost: pairs of tone and player.
fn hand_out(offers: &[Vec<Option<Offer>>], taken: &[usize], from: &[f64]) -> Vec<(usize, usize)> {
    if taken.is_empty() {
        return Vec::new();
    }
    let costs = Matrix::from_fn(taken.len(), from.len(), |(row, player)| {
        offers[taken[row]][player].map_or(REFUSED, |offer| cost(offer, from[player]))
    });
    let (_, players) = kuhn_munkres_min(&costs);
    taken.iter().copied().zip(players).collect()
}

/// More than all costs of [`MOST`] players together: at most 11 octaves each, which is below 2^110.
const REFUSED: i128 = 1 << 112;

/// What it costs a player to play this: octaves before movement before its square. Movement is in thousandths of a cent,
/// at most 1.3e7, so that the sums for [`MOST`] players stay below 2^34, those of the squares below 2^60.
fn cost(offer: Offer, from: f64) -> i128 {
    let movement = (100_000.0 * (offer.written.note() - from).abs()).round() as i128;
    (i128::from(offer.octaves.abs()) << 96) + (movement << 60) + movement * movement
}
