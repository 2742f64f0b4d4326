//! How much of a voice goes to each output, and how it moves from some to others.

use std::f64::consts::FRAC_PI_2;

use tenterhook_dsp::CELL;

/// The factors to the outputs. While they move, the power at each goes from where it was to where it will be, in shares
/// that make up 1: between two outputs the gains are sine and cosine, and what has the same power before and after keeps
/// it all the way, also where the move is turned in its midst.
pub(crate) struct Sends {
    outputs: Box<[Send]>,
    /// Samples of the whole move, and of those that are still to come.
    samples: u32,
    left: u32,
}

#[derive(Clone, Copy)]
struct Send {
    /// The power at the beginning of the move, in double precision, so that one that is turned has no step.
    from: f64,
    /// The factor at its end.
    to: f32,
}

impl Send {
    const SILENT: Self = Self { from: 0.0, to: 0.0 };

    /// The power when this share of the move is made.
    fn power(self, share: f64) -> f64 {
        self.from + (f64::from(self.to).powi(2) - self.from) * share
    }
}

impl Sends {
    /// Nothing goes anywhere.
    pub fn new(outputs: usize) -> Self {
        Self { outputs: vec![Send::SILENT; outputs].into_boxed_slice(), samples: 1, left: 0 }
    }

    /// Bytes that those to so many outputs take beside themselves.
    pub fn bytes(outputs: usize) -> usize {
        outputs * size_of::<Send>()
    }

    /// The share of the move that is made when so many samples are left.
    fn share(&self, left: u32) -> f64 {
        let made = f64::from(self.samples - left) / f64::from(self.samples);
        (FRAC_PI_2 * made).sin().powi(2)
    }

    /// Stands at these factors at once.
    pub fn set(&mut self, gains: &[f32]) {
        self.left = 0;
        for (send, &gain) in self.outputs.iter_mut().zip(gains) {
            send.to = gain;
        }
    }

    /// Moves to these factors within so many samples, unless it is there or on its way, and no later.
    pub fn go(&mut self, gains: &[f32], samples: u32) {
        let there = self.outputs.iter().zip(gains).all(|(send, &gain)| send.to == gain);
        if there && self.left <= samples {
            return;
        }
        let share = if self.left == 0 { 1.0 } else { self.share(self.left) };
        for (send, &gain) in self.outputs.iter_mut().zip(gains) {
            *send = Send { from: send.power(share), to: gain };
        }
        (self.samples, self.left) = (samples.max(1), samples.max(1));
    }

    /// Adds the next samples of the voice, at most a cell of them, to each output that they go to.
    pub fn send(&mut self, sound: &[f32], mut add: impl FnMut(usize, &[f32])) {
        let (mut shares, mut sent) = ([1.0; CELL as usize], [0.0; CELL as usize]);
        let (Some(shares), Some(sent)) = (shares.get_mut(..sound.len()), sent.get_mut(..sound.len())) else { return };
        let moving = self.left > 0;
        if moving {
            for share in &mut *shares {
                self.left = self.left.saturating_sub(1);
                *share = if self.left == 0 { 1.0 } else { self.share(self.left) };
            }
        }
        for (output, send) in self.outputs.iter().enumerate() {
            if send.to == 0.0 && (!moving || send.from == 0.0) {
                continue;
            }
            for ((sent, &sound), &share) in sent.iter_mut().zip(sound).zip(&*shares) {
                // At its end it stands at its very factor.
                let gain = if share < 1.0 { send.power(share).sqrt() as f32 } else { send.to };
                *sent = sound * gain;
            }
            add(output, sent);
        }
    }

    /// Takes over how a voice of another piece goes to the outputs that are paired, from its places to these. To others
    /// nothing goes yet.
    pub fn carry(&mut self, old: &Self, outputs: &[(usize, usize)]) {
        (self.samples, self.left) = (old.samples, old.left);
        self.outputs.fill(Send::SILENT);
        for &(from, to) in outputs {
            if let (Some(to), Some(from)) = (self.outputs.get_mut(to), old.outputs.get(from)) {
                *to = *from;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The gains to each output, over so many cells.
    fn gains(sends: &mut Sends, cells: usize) -> Vec<[f32; 2]> {
        let mut all = Vec::new();
        for _ in 0..cells {
            let mut cell = vec![[0.0; 2]; CELL as usize];
            sends.send(&[1.0; CELL as usize], |output, sound| {
                cell.iter_mut().zip(sound).for_each(|(gains, sound)| gains[output] += sound);
            });
            all.extend(cell);
        }
        all
    }

    #[test]
    fn a_voice_that_begins_in_the_midst_of_a_move_stands_where_it_is_to() {
        let mut sends = Sends::new(2);
        sends.set(&[1.0, 0.0]);
        sends.go(&[0.0, 1.0], 960);
        gains(&mut sends, 15);
        sends.set(&[0.0, 0.5]);
        assert!(gains(&mut sends, 30).iter().all(|gains| *gains == [0.0, 0.5]));
    }

    #[test]
    fn a_move_on_its_way_is_there_as_soon_as_the_newest_scene_asks_and_never_later() {
        let (mut hurried, mut slowed) = (Sends::new(2), Sends::new(2));
        for sends in [&mut hurried, &mut slowed] {
            sends.set(&[1.0, 0.0]);
            sends.go(&[0.0, 1.0], 96_000);
            gains(sends, 100);
        }
        hurried.go(&[0.0, 1.0], 960);
        assert_eq!(gains(&mut hurried, 30).last(), Some(&[0.0, 1.0]));
        slowed.go(&[0.0, 1.0], 960_000);
        assert_eq!(gains(&mut slowed, 2_900).last(), Some(&[0.0, 1.0]));
    }
}
