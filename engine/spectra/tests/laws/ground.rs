//! The ground of a picture.

use tenterhook_spectra::study;

use crate::signals::{Chance, sine};

#[test]
fn a_sine_reads_its_level_in_its_row() {
    let mut chance = Chance::new(61);
    for _ in 0..16 {
        let rate = [16_000, 44_100, 48_000, 96_000][chance.between(0.0, 4.0) as usize];
        let hz = chance.ratio(40.0, 0.4 * f64::from(rate).min(40_000.0));
        let db = chance.between(-60.0, -3.0);
        let ground = study(&sine(1.0, rate, 10f64.powf(db / 20.0), 0.0, |_| hz), rate).ground;
        let row = ((hz / ground.low_hz).log2() * f64::from(ground.rows_per_octave)).round() as usize;
        let column = (0.5 / ground.step_seconds).round() as usize;
        let column = &ground.db[column * ground.rows..][..ground.rows];
        assert!((f64::from(column[row]) - db).abs() < 1.0, "{hz:.1} Hz at {rate}: {} for {db:.2}", column[row]);
        let highest = column.iter().copied().fold(f32::MIN, f32::max);
        assert!(f64::from(highest) < db + 1.0);
        // Two octaves above there is nothing.
        if let Some(far) = column.get(row + 48) {
            assert!(f64::from(*far) < db - 70.0, "{hz:.1} Hz at {rate}: {far} two octaves above");
        }
    }
}

#[test]
fn long_sounds_have_at_most_2000_columns() {
    for seconds in [0.3, 19.0, 33.0] {
        let ground = study(&sine(seconds, 8000, 0.1, 0.0, |_| 440.0), 8000).ground;
        let columns = ground.db.len() / ground.rows;
        assert_eq!(ground.db.len(), columns * ground.rows);
        assert!(columns <= 2000 && columns as f64 * ground.step_seconds >= seconds - 1e-9);
        assert!((columns as f64 - 1.0) * ground.step_seconds <= seconds);
        assert!(ground.step_seconds >= 0.00999);
        assert!(ground.low_hz * (ground.rows as f64 / 24.0).exp2() > 0.95 * 4000.0);
    }
}
