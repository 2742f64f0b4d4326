//! Signals by which nothing is tuned: other seeds, notes and mixtures.

use super::{
    Signal, Sung, Vowel, breathy_tone, chord, coloured_noise, glide, plucks, struck_over_ringing, vibrato_tone, viol,
    vowel,
};

/// All of them.
pub fn signals() -> Vec<Signal> {
    let low = |name: &str, which, f0| vowel(Sung::new(name, which, f0));
    let consort =
        vec![viol("consort_low", 98.0, 4.0), viol("consort_mid", 147.0, 4.0), viol("consort_top", 246.9, 4.0)];
    let mixed = vec![
        vowel(Sung::new("mixed_voice", Vowel::U, 131.0)),
        viol("mixed_viol", 196.5, 4.0),
        breathy_tone("mixed_breath", 523.25, -26.0, 4.0),
    ];
    vec![
        low("vowel_u_65", Vowel::U, 65.0),
        low("vowel_o_82", Vowel::O, 82.0),
        low("vowel_i_98", Vowel::IMen, 98.0),
        low("vowel_a_131", Vowel::AMen, 131.0),
        vowel(Sung { vibrato: Some((4.7, 55.0)), ..Sung::new("vowel_o_vibrato", Vowel::O, 174.6) }),
        vibrato_tone("tone_vibrato_slow", 330.0, 4.3, 45.0, 4.0),
        glide("glide_a_i", Vowel::AMen, Vowel::IMen, 118.0, 300.0, 3.0),
        glide("glide_u_a", Vowel::U, Vowel::AMen, 165.0, -200.0, 3.0),
        struck_over_ringing("struck_over_ringing", 131.0, -6.0, 4.0),
        plucks("plucks_low", &[82.4, 123.5, 98.0], 4.0),
        chord("chord_of_viols", consort),
        chord("chord_mixed", mixed),
        breathy_tone("breathy_440", 440.0, -20.0, 4.0),
        coloured_noise("noise_band", |hz| if hz > 400.0 && hz < 6000.0 { 1.0 } else { 0.01 }, 4.0),
        coloured_noise("noise_pink_other", |hz| hz.max(20.0).sqrt().recip(), 4.0),
        viol("viol_98", 98.0, 4.0),
        viol("viol_294", 294.0, 4.0),
    ]
}
