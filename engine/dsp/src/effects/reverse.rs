//! reverse.

use super::{Effect, Processor, Settings, number};
use crate::CELL;
use crate::guard::settle;
use crate::memory::Heard;
use tenterhook_plan::declare::{Declaration, Emits, Kind, SettingDeclaration, Unit};

pub(super) const EFFECT: Effect = Effect {
    declaration: Declaration {
        name: "reverse",
        help: "The last span of sound heard backwards, span after span.",
        x: "how loud the reversed sound is",
        settings: &[SettingDeclaration {
            name: "span",
            help: "How much sound is turned round at a time.",
            kind: Kind::Quantity { unit: Unit::Seconds, least: 0.05, most: 20.0, default: 1.5 },
        }],
        emits: Emits::Audio,
    },
    level: |x| x,
    // The old span is read on backwards through the cross-fade; a cell each for the two grid lines.
    reach: |settings| 2.0 * (number(settings, 0, 1.5) + SEAM) + 0.02,
    wants_analysis: |_| false,
    make: |settings| Box::new(Reverse::new(settings)),
};

/// The cross-fade between two spans, in seconds; shorter spans have a shorter one, a quarter of the span.
const SEAM: f64 = 0.02;

/// Plays the sound before each span's beginning backwards. The first span begins at the gesture, the others at grid
/// lines; the span before goes on under the new one until the cross-fade is over.
struct Reverse {
    span: u64,
    seam: u64,
    /// Where the present span began.
    begun: u64,
    /// Where the span before it began, while it is still heard.
    before: Option<u64>,
    /// How alike the two sides of the present seam are, 0…1.
    alike: f32,
}

impl Reverse {
    fn new(settings: &Settings<'_>) -> Self {
        let span = settings.samples(settings.number(0, 1.5)).max(4 * CELL as usize) as u64;
        let seam = (settings.samples(SEAM) as u64).min(span / 4).max(1);
        Self { span, seam, begun: 0, before: None, alike: 0.0 }
    }

    /// How alike the coming seam's two sides are: their normalised correlation, if positive.
    fn likeness(&self, old: u64, new: u64, heard: &Heard<'_>) -> f32 {
        let (mut product, mut one, mut two) = (0.0f64, 0.0f64, 0.0f64);
        for at in new..new + self.seam {
            let (a, b) = (f64::from(backwards(old, at, heard)), f64::from(backwards(new, at, heard)));
            product += a * b;
            one += a * a;
            two += b * b;
        }
        let energy = (one * two).sqrt();
        if energy > 1e-12 { (product / energy).clamp(0.0, 1.0) as f32 } else { 0.0 }
    }
}

/// What a span that began at `begun` plays at sample `at`.
fn backwards(begun: u64, at: u64, heard: &Heard<'_>) -> f32 {
    heard.at(2 * begun as i64 - 1 - at as i64)
}

impl Processor for Reverse {
    fn begin(&mut self, at: u64, _heard: &Heard<'_>) {
        self.begun = at;
        self.before = None;
    }

    fn render(&mut self, from: u64, _now: &[f32], _x: &[f32], heard: &Heard<'_>, out: &mut [f32]) {
        if from.is_multiple_of(CELL) && from >= self.begun.saturating_add(self.span) {
            self.alike = self.likeness(self.begun, from, heard);
            self.before = Some(std::mem::replace(&mut self.begun, from));
        }
        for (out, at) in out.iter_mut().zip(from..) {
            *out = backwards(self.begun, at, heard);
            let Some(before) = self.before else { continue };
            let since = at.saturating_sub(self.begun);
            if since >= self.seam {
                self.before = None;
                continue;
            }
            // Two gains that keep the power of a sum whose parts are that much alike: straight for equal parts, of
            // constant power for strangers.
            let new = (since as f32 + 0.5) / self.seam as f32;
            let old = 1.0 - new;
            let power = new * new + old * old + 2.0 * self.alike * new * old;
            *out = settle((*out * new + backwards(before, at, heard) * old) / power.sqrt());
        }
    }
}
