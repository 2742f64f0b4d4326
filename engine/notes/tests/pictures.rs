//! Pictures of a made-up word. `TENTERHOOK_PICTURES=FOLDER` keeps them: look at them.

mod keep;
mod word;

use keep::keep;
use proptest::prelude::*;
use resvg::tiny_skia::Pixmap;
use roxmltree::Document;
use tenterhook_notes::picture::{Picture, png};
use tenterhook_plan::pitch::note_hz;
use tenterhook_spectra::{Ground, Moment, Partial, Point, Study, Track};

const TUNING_HZ: f64 = 415.0;

/// A sound of these tracks and nothing else.
fn study(tracks: Vec<Track>) -> Study {
    let mut study = tenterhook_spectra::study(&[], 48_000);
    (study.seconds, study.tracks, study.ground) = (2.0, tracks, Ground::default());
    study
}

/// A partial that stands.
fn standing(hz: f64, db: f64, confidence: f64) -> Track {
    Track { points: [0.5, 1.0, 1.5].map(|seconds| Point { seconds, hz, db, confidence }).into() }
}

fn draw(study: &Study, chosen: Option<&Moment>) -> String {
    Picture { study, title: "Salt", intonation: TUNING_HZ.into(), chosen, confidence: 0.5 }.svg().unwrap()
}

/// The numbers in a path, letters as blanks.
fn numbers(path: &str) -> Vec<f64> {
    path.split(|letter: char| letter.is_ascii_alphabetic() || letter == ' ')
        .filter_map(|number| number.parse().ok())
        .collect()
}

/// What is filled and no background: where each stroke is, as [left, right, top, bottom].
fn strokes(svg: &str) -> Vec<[f64; 4]> {
    let document = Document::parse(svg).unwrap();
    let paths = document.root_element().children().filter(|node| node.has_tag_name("path"));
    let filled = paths.filter(|path| path.attribute("fill").is_some_and(|fill| fill != "none"));
    let outlines =
        filled.flat_map(|path| path.attribute("d").unwrap().split_terminator('Z').map(numbers).collect::<Vec<_>>());
    let bounds = |numbers: Vec<f64>| {
        let side =
            |first: usize, pick: fn(f64, f64) -> f64| numbers[first..].iter().step_by(2).copied().reduce(pick).unwrap();
        [side(0, f64::min), side(0, f64::max), side(1, f64::min), side(1, f64::max)]
    };
    outlines.map(bounds).collect()
}

/// The height of a line by its note's name: what stands a third of its size above its baseline.
fn line(svg: &str, name: &str) -> f64 {
    let document = Document::parse(svg).unwrap();
    let text = document.descendants().find(|node| node.has_tag_name("text") && node.text() == Some(name)).unwrap();
    let number = |key: &str| text.attribute(key).unwrap().parse::<f64>().unwrap();
    number("y") - 0.35 * number("font-size")
}

#[test]
fn a_partial_stands_on_the_line_of_its_note() {
    for (name, note) in
        [("E4", 64), ("G4", 67), ("B4", 71), ("D5", 74), ("F5", 77), ("G2", 43), ("B2", 47), ("A3", 57), ("C4", 60)]
    {
        let svg = draw(&study(vec![standing(note_hz(f64::from(note), TUNING_HZ), -10.0, 1.0)]), None);
        let [_, _, top, bottom] = strokes(&svg)[0];
        assert!((f64::midpoint(top, bottom) - line(&svg, name)).abs() < 0.2, "{name}");
        // A minor third is three quarters of a major one.
        let share = (line(&svg, "E4") - line(&svg, "G4")) / (line(&svg, "G4") - line(&svg, "B4"));
        assert!((share - 0.75).abs() < 0.005, "{share}");
    }
}

#[test]
fn the_louder_is_the_wider_and_the_unsure_is_not_drawn() {
    let levels = [-60.0, -40.0, -30.0, -20.0, -10.0, 0.0];
    let tracks = (1..).zip(levels).map(|(n, db)| standing(110.0 * f64::from(n), db, 0.9));
    let svg = draw(&study(tracks.chain([standing(900.0, 0.0, 0.4)]).collect()), None);
    // From low to high.
    let mut drawn = strokes(&svg);
    drawn.sort_by(|one, other| other[2].total_cmp(&one[2]));
    assert_eq!(drawn.len(), levels.len());
    assert!(drawn.is_sorted_by(|one, other| one[3] - one[2] < other[3] - other[2]), "{drawn:?}");
}

#[test]
fn time_goes_from_edge_to_edge() {
    let mut all = standing(440.0, 0.0, 1.0);
    (all.points[0].seconds, all.points[2].seconds) = (0.0, 2.0);
    let [left, right, ..] = strokes(&draw(&study(vec![all]), None))[0];
    let [from, to, ..] = strokes(&draw(&study(vec![standing(440.0, 0.0, 1.0)]), None))[0];
    assert!((from - (left + (right - left) / 4.0)).abs() < 0.2 && (to - (left + (right - left) * 0.75)).abs() < 0.2);
}

#[test]
fn a_word_of_ten_seconds_is_small_enough_to_send() {
    let study = word::study(3);
    let svg = draw(&study, None);
    keep("long.svg", svg.as_bytes());
    keep("long.png", &png(&svg, 1600).unwrap());
    println!("{} bytes", svg.len());
    assert!(svg.len() < 400_000, "{} bytes", svg.len());
    // Nothing but noise of all levels is the most that a ground can hold.
    let mut noise = study;
    for (n, db) in (0u64..).zip(&mut noise.ground.db) {
        *db = -70.0 * (n.wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 40) as f32 / (1 << 24) as f32;
    }
    let most = draw(&noise, None).len();
    println!("{most} bytes of noise");
    assert!(most < 400_000, "{most} bytes");
}

#[test]
fn a_chosen_moment_shows_its_notes() {
    let (study, moment) = (word::study(1), word::moment());
    let svg = draw(&study, Some(&moment));
    keep("word.svg", svg.as_bytes());
    keep("word.png", &png(&svg, 2000).unwrap());
    let document = Document::parse(&svg).unwrap();
    assert_eq!(document.descendants().filter(|node| node.has_tag_name("ellipse")).count(), moment.partials.len());
    let texts: Vec<_> =
        document.descendants().filter(|node| node.has_tag_name("text")).filter_map(|node| node.text()).collect();
    // 233 Hz and its fifth harmonic, 13.7 cents below the third, where a' = 415 Hz.
    for named in ["1.80–2.20 s", "B3 +1", "D#6 −13"] {
        assert!(texts.contains(&named), "{named} among {texts:?}");
    }
}

#[test]
fn all_is_black_grey_or_white() {
    let svg = draw(&word::study(1), Some(&word::moment()));
    for attribute in Document::parse(&svg).unwrap().descendants().flat_map(|node| node.attributes()) {
        if let Some(colour) = attribute.value().strip_prefix('#') {
            let parts: Vec<_> = colour.as_bytes().chunks(colour.len() / 3).collect();
            assert!(parts.iter().all(|part| *part == parts[0]), "#{colour}");
        }
    }
}

// The font comes along: a machine without fonts must not lose the words.
#[test]
fn words_are_drawn_without_the_machines_fonts() {
    let dark = |svg: &str| {
        let pixels = Pixmap::decode_png(&png(svg, 1200).unwrap()).unwrap();
        pixels.pixels().iter().filter(|pixel| pixel.red() < 128).count()
    };
    let svg = draw(&study(vec![standing(440.0, 0.0, 1.0)]), None);
    let silent = svg.lines().filter(|line| !line.trim_start().starts_with("<text")).collect::<String>();
    assert!(dark(&svg) > dark(&silent) + 1000);
}

#[test]
fn a_picture_has_the_size_asked_for_or_says_why_not() {
    let svg = draw(&study(Vec::new()), None);
    let pixels = Pixmap::decode_png(&png(&svg, 594).unwrap()).unwrap();
    assert_eq!((pixels.width(), pixels.height()), (594, 420), "A4, landscape");
    for told in [png(&svg, 0), png(&svg, 1_000_000), png("<svg", 100)].map(|refused| refused.unwrap_err().to_string()) {
        assert!(told.starts_with("the picture cannot be made, since "), "{told}");
    }
    let mut silent = study(Vec::new());
    silent.seconds = 0.0;
    let refused = Picture { study: &silent, title: "", intonation: TUNING_HZ.into(), chosen: None, confidence: 0.5 }
        .svg()
        .unwrap_err();
    assert_eq!(
        refused.to_string(),
        "the picture cannot be made, since the sound lasts 0 s: give a sound that lasts a while"
    );
}

/// Any number, the strange ones often.
fn strange() -> impl Strategy<Value = f64> {
    prop_oneof![
        any::<f64>(),
        Just(f64::NAN),
        Just(f64::INFINITY),
        Just(0.0),
        0.0..3.0f64,
        20.0..9000.0f64,
        -80.0..0.0f64
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn whatever_the_numbers_a_picture_is_whole_xml_of_numbers(
        points in prop::collection::vec((strange(), strange(), strange(), 0.5..1.0f64), 0..20),
        title in any::<String>(),
        span in (strange(), strange()),
        ground in (strange(), strange(), 0..30u32, 0..5usize, prop::collection::vec(strange(), 0..40)),
    ) {
        let points: Vec<_> = points.into_iter().map(|(seconds, hz, db, confidence)| Point { seconds, hz, db, confidence }).collect();
        let partials = points.iter().map(|point| Partial { hz: point.hz, db: point.db, confidence: 1.0 }).collect();
        let (step_seconds, low_hz, rows_per_octave, rows, db) = ground;
        let db = db.into_iter().map(|db| db as f32).collect();
        let short = Track { points: points.iter().take(1).copied().collect() };
        let mut study = study(vec![Track { points }, short]);
        study.steady = vec![span.0..span.1];
        study.ground = Ground { step_seconds, low_hz, rows_per_octave, rows, db };
        let moment = Moment {
            span: span.0..span.1, partials, fundamental_hz: None, harmonicity: 0.0, formants: Vec::new(), noise: 0.0,
        };
        let picture = Picture { study: &study, title: &title, intonation: TUNING_HZ.into(), chosen: Some(&moment), confidence: 0.5 };
        let svg = picture.svg().unwrap();
        let document = Document::parse(&svg).unwrap();
        for attribute in document.descendants().flat_map(|node| node.attributes()) {
            prop_assert!(!attribute.value().contains("NaN") && !attribute.value().contains("inf"), "{attribute:?}");
        }
    }
}
