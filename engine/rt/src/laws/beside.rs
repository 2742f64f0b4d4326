//! The files that lie beside the workout.

use tenterhook_config::Files;
use tenterhook_plan::Recording;

/// A tone whose harmonics stay under 1 kHz, as the players' do, and a spectrum.
pub struct Beside;

impl Files for Beside {
    fn sound(&self, path: &str) -> Result<Recording, String> {
        if path != "letter.wav" {
            return Err("there is none of that name".to_owned());
        }
        let tone = |i: u32| {
            let turns = std::f64::consts::TAU * 196.0 * f64::from(i) / 44_100.0;
            (0.2 * (turns.sin() + 0.5 * (2.0 * turns).sin() + 0.2 * (4.0 * turns).sin())) as f32
        };
        Ok(Recording { path: path.to_owned(), rate: 44_100, tuned: 1.0, samples: (0..66_000).map(tone).collect() })
    }

    fn text(&self, path: &str) -> Result<String, String> {
        match path {
            "bell.toml" => Ok("partials = [ { hz = 219.0, db = -6.0 }, { hz = 441.5, db = -9 } ]".to_owned()),
            _ => Err("there is none of that name".to_owned()),
        }
    }
}
