//! When the small steps of heavy work are due.

use crate::CELL;
use std::ops::Range;

/// Work that comes round once per hop and is cut into steps: one at every second grid line if there is room, so that a
/// small block has one of them, else at every line one or a few.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Schedule {
    /// Grid lines per hop.
    lines: u64,
    /// Steps per round.
    steps: u64,
    /// Steps at a line: 1 unless there are more steps than lines.
    each: u64,
    /// From one line with steps to the next, in lines.
    apart: u64,
}

impl Schedule {
    /// `steps` steps for every `hop` samples, a multiple of the cell.
    pub fn new(hop: usize, steps: u64) -> Self {
        let lines = (hop as u64 / CELL).max(1);
        let apart = if 2 * steps <= lines { 2 } else { 1 };
        Self { lines, steps, each: steps.div_ceil(lines).max(1), apart }
    }

    /// Samples from the line of the first step to where the last is surely done.
    pub fn lead(&self) -> u64 {
        self.steps.div_ceil(self.each) * self.apart * CELL
    }

    /// Samples per round.
    pub fn hop(&self) -> u64 {
        self.lines * CELL
    }

    /// The round and its steps that are due at a grid line, counted in samples from the line of the first step of all.
    pub fn due(&self, line: u64) -> (u64, Range<u64>) {
        let (round, line) = (line / CELL / self.lines, line / CELL % self.lines);
        if !line.is_multiple_of(self.apart) {
            return (round, 0..0);
        }
        let first = line / self.apart * self.each;
        (round, first.min(self.steps)..(first + self.each).min(self.steps))
    }

    /// Where in the hop the rounds of number `number` begin: spread evenly however many there are, as 7 has no factor in
    /// common with a power of two, so that the same step of all falls on as many lines as there are.
    pub fn stagger(&self, number: u64) -> u64 {
        number.wrapping_mul(7) % self.lines * CELL
    }

    /// The same as a delay of eight lines at most, for what is to begin soon.
    pub fn delay(&self, number: u64) -> u64 {
        number.wrapping_mul(7) % self.lines.min(8) * CELL
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..Default::default() })]

        #[test]
        fn as_many_as_there_are_lines_never_meet(octave in 5u32..12, first in 0u64..1000) {
            let schedule = Schedule::new(1 << octave, 1);
            let lines = schedule.hop() / CELL;
            let mut seen: Vec<_> = (first..first + lines).map(|number| schedule.stagger(number)).collect();
            seen.sort_unstable();
            prop_assert_eq!(seen, (0..lines).map(|line| line * CELL).collect::<Vec<_>>());
        }

        #[test]
        fn every_step_comes_once_per_round_in_order_and_within_the_lead(octave in 5u32..12, steps in 1u64..16) {
            let schedule = Schedule::new(1 << octave, steps);
            let mut seen = Vec::new();
            for line in (0..3 * schedule.hop()).step_by(CELL as usize) {
                let (round, due) = schedule.due(line);
                for step in due {
                    prop_assert!(line - round * schedule.hop() < schedule.lead());
                    seen.push((round, step));
                }
            }
            let all: Vec<_> = (0..3).flat_map(|round| (0..steps).map(move |step| (round, step))).collect();
            prop_assert_eq!(seen, all);
        }
    }
}
