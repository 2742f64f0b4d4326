//! The gestures of the bundled piece fall where the ensemble has something for them.

use tenterhook_ensemble::{SCORE, Syllable};

/// The gestures: seconds, controller and value, in file order.
fn gestures() -> Vec<(f64, &'static str, &'static str)> {
    let mut lines = include_str!("../../../scenes/demo.csv").lines();
    assert_eq!(lines.next(), Some("seconds,controller,value"));
    lines
        .map(|line| {
            let mut fields = line.split(',');
            let mut field = || fields.next().unwrap_or_else(|| panic!("three fields in {line:?}"));
            (field().parse().expect("seconds"), field(), field())
        })
        .collect()
}

/// The values of one controller, with the one before each, 0 at first.
fn moves(controller: &str) -> Vec<(f64, f64, f64)> {
    let mut before = 0.0;
    let values = gestures().into_iter().filter(|(_, name, _)| *name == controller);
    values.map(|(t, _, value)| (t, std::mem::replace(&mut before, value.parse().expect("a value")), before)).collect()
}

/// The times at which a controller leaves rest, and those at which it has come back.
fn turns(controller: &str) -> (Vec<f64>, Vec<f64>) {
    let moves = moves(controller);
    let leaves = moves.iter().filter(|(_, before, now)| *before <= 0.05 && *now > 0.05).map(|(t, ..)| *t).collect();
    let rests = moves.iter().filter(|(_, before, now)| *before > 0.03 && *now <= 0.03).map(|(t, ..)| *t).collect();
    (leaves, rests)
}

fn held_at(t: f64) -> Option<&'static Syllable> {
    SCORE.voice.iter().find(|syllable| (syllable.at..syllable.at + syllable.lasts).contains(&t))
}

#[test]
fn times_do_not_go_back_and_everything_ends_at_rest_before_the_music_does() {
    let gestures = gestures();
    assert!(gestures.windows(2).all(|pair| pair[0].0 <= pair[1].0));
    assert!(gestures.iter().all(|(t, ..)| (0.0..SCORE.seconds - 3.0).contains(t)));
    for controller in ["pedal", "foot", "wheel", "swell"] {
        let (leaves, rests) = turns(controller);
        assert!(!leaves.is_empty() && leaves.len() == rests.len(), "{controller}");
        assert_eq!(moves(controller).last().map(|(_, _, now)| *now), Some(0.0), "{controller}");
    }
    let fired: Vec<_> = gestures.iter().filter(|(_, name, _)| *name == "fire").map(|(.., mark)| *mark).collect();
    assert_eq!(fired, ["B", "C", "D", "E"]);
}

#[test]
fn continuous_controllers_move_in_small_steps() {
    for controller in ["foot", "wheel", "swell"] {
        for (t, before, now) in moves(controller) {
            assert!((0.0..=1.0).contains(&now) && (now - before).abs() <= 0.15, "{controller} at {t} s");
        }
    }
}

#[test]
fn the_pedal_takes_a_vowel_that_has_been_held_and_goes_on_being_held() {
    for t in turns("pedal").0 {
        let syllable = held_at(t).expect("somebody sings");
        assert!(t - syllable.at > 1.0 && syllable.at + syllable.lasts - t > 0.5, "the pedal at {t} s");
    }
}

#[test]
fn the_wheel_turns_as_a_phrase_ends() {
    for t in turns("wheel").0 {
        assert!(held_at(t).is_none() && held_at(t - 0.3).is_some(), "the wheel at {t} s");
    }
}

#[test]
fn the_foot_goes_down_while_recorder_or_viol_sounds() {
    for t in turns("foot").0 {
        let notes = SCORE.recorder.iter().chain(SCORE.plucked).chain(SCORE.bowed);
        assert!(notes.into_iter().any(|note| (note.at..note.at + note.lasts).contains(&t)), "the foot at {t} s");
    }
}
