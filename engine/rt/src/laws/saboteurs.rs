//! What breaks is silent, without a click, and is told; all else is as if it had never been there.

use std::ops::Range;
use tenterhook_dsp::effects::{EFFECTS, Effect, Prepared, Processor, named};
use tenterhook_dsp::memory::{Heard, Insight};
use tenterhook_plan::{EffectState, Event, Gesture, InstanceId, Lack, MicId, Part, Plan, SceneId, Source, Timed};

use super::bits;
use super::clicks::{LIMIT_DB, click_db};
use super::run::{Run, gesture, plan};
use crate::{Making, Reading, quiet_hook};

/// The voice has an effect that is to break, a steady one, and one that follows; the viol has its own.
const PIECE: &str = r#"
mics = { voice = 1, viol = 2 }
outputs = { left = 1, right = 2, ears = 3 }
controllers = { foot = { cc = 11 }, pedal = { cc = 64 }, wheel = { cc = 1 } }

[[scene]]
mark = "A"
mic.voice.direct = { by = "foot", to = ["left"] }
mic.voice.freeze = { by = "pedal", to = ["right"] }
mic.viol.stretch = { by = "wheel", to = ["ears"] }

[[scene]]
mark = "B"
mic.voice.direct = { by = "foot", to = ["left"] }
mic.voice.freeze = { by = "pedal", to = ["right"] }
mic.viol.stretch = { by = "wheel", to = ["ears"] }
"#;

/// Where it breaks.
#[derive(Clone, Copy, PartialEq)]
enum At {
    Begin,
    Top,
    Holds,
}

/// The mic itself, until it breaks.
struct Saboteur(At);

impl Processor for Saboteur {
    fn begin(&mut self, _: u64, _: &Heard<'_>, _: &Prepared, _: u64) {
        assert!(self.0 != At::Begin, "it broke in {}", "begin");
    }

    fn render(&mut self, _: u64, now: &[f32], x: &[f32], _: &Heard<'_>, _: &Prepared, out: &mut [f32]) {
        assert!(self.0 != At::Top || x.iter().all(|&x| x < 1.0), "it broke in {}", "render");
        out.copy_from_slice(now);
    }

    fn holds(&self) -> Option<Range<u64>> {
        assert!(self.0 != At::Holds, "it broke in {}", "holds");
        None
    }

    fn lacks(&self) -> Option<Lack> {
        None
    }
}

/// The table of effects, where direct is the saboteur.
fn effects(at: At) -> &'static [Effect] {
    let make: fn(u32, f64) -> Box<dyn Processor> = match at {
        At::Begin => |_, _| Box::new(Saboteur(At::Begin)),
        At::Top => |_, _| Box::new(Saboteur(At::Top)),
        At::Holds => |_, _| Box::new(Saboteur(At::Holds)),
    };
    let one = |effect: &Effect| if effect.declaration.name == "direct" { Effect { make, ..*effect } } else { *effect };
    // A few for the whole of the tests.
    Box::leak(EFFECTS.iter().map(one).collect())
}

fn tones(frames: usize) -> Vec<Vec<f32>> {
    let come = |i: usize| 0.5 - 0.5 * (std::f32::consts::PI * (i as f32 / 960.0).min(1.0)).cos();
    let tone = |hz: f32| -> Vec<f32> {
        (0..frames).map(|i| 0.3 * come(i) * (std::f32::consts::TAU * hz * i as f32 / 48e3).sin()).collect()
    };
    vec![tone(220.0), tone(147.0)]
}

const FRAMES: usize = 72_000;

fn events(plan: &Plan) -> Vec<Timed<Event>> {
    [
        (0.3, "pedal", "1"),
        (0.42, "foot", "0.6"),
        (0.41, "wheel", "0.7"),
        (0.6, "foot", "1"),
        (0.9, "foot", "0"),
        (1.0, "foot", "0.5"),
    ]
    .map(|(seconds, name, value)| gesture(plan, seconds, name, value))
    .to_vec()
}

fn broken(run: &Run) -> Vec<(Part, String)> {
    let one = |reading: &Reading| match reading {
        Reading::Broken { part, fault } => Some((*part, fault.spot.to_string())),
        _ => None,
    };
    run.told().iter().filter_map(one).collect()
}

fn stands(run: &Run, effect: InstanceId) -> Option<EffectState> {
    let one = |reading: &Reading| match reading {
        Reading::Effect { effect: of, stands } if *of == effect => Some(*stands),
        _ => None,
    };
    run.told().iter().rev().find_map(one)
}

fn instance(plan: &Plan, effect: &str) -> InstanceId {
    InstanceId::new(plan.instances.iter().position(|one| one.effect == effect).unwrap())
}

/// The samples that are not 0.
fn sounds(channel: &[f32]) -> Option<Range<usize>> {
    let first = channel.iter().position(|&x| x != 0.0)?;
    Some(first..channel.iter().rposition(|&x| x != 0.0)? + 1)
}

#[test]
fn an_effect_that_breaks_is_let_down_without_a_click_and_all_else_holds_bit_for_bit() {
    quiet_hook();
    let plan = plan(PIECE);
    let events = events(&plan);
    let sound = tones(FRAMES);
    let whole = Run::of(&plan).events(&events).render(&sound);
    for (at, ends) in [(At::Begin, 0), (At::Top, 28_800 + 960 + 240), (At::Holds, 20_800 + 240)] {
        let making = Making { effects: effects(at), ..Making::default() };
        let mut cut = Vec::new();
        for cuts in [&[64][..], &[1, 31, 7, 333, 32]] {
            let mut run = Run::made(making, &plan, 48_000, SceneId(0)).cuts(cuts).events(&events);
            let out = run.render(&sound);
            assert_eq!(bits(&out[1..]), bits(&whole[1..]), "the others");
            let end = sounds(&out[0]).map_or(0, |range| range.end);
            assert!(end <= ends, "silent from {ends} on, not from {end}");
            assert!(end >= ends * 9 / 10, "it sounded before it broke: {end}");
            let db = click_db(&out);
            assert!(db < LIMIT_DB, "{db:.1} dB");
            let direct = instance(&plan, "direct");
            let told = broken(&run);
            assert!(matches!(&told[..], [(Part::Effect(id), _)] if *id == direct), "told once: {told:?}");
            assert!(told[0].1.contains("laws/saboteurs.rs:"), "{told:?}");
            assert_eq!(stands(&run, direct), Some(EffectState::Broken));
            assert_eq!(stands(&run, instance(&plan, "freeze")), Some(EffectState::On));
            cut.push(out);
        }
        // Where it breaks at a gesture or a line; in the middle of a cell nobody knows at which of its samples.
        assert!(at == At::Top || bits(&cut[0]) == bits(&cut[1]), "however it is cut");
    }
}

#[test]
fn it_stays_silent_through_scenes_hush_and_a_changed_piece_and_goes_home_with_its_table() {
    quiet_hook();
    let plan = plan(PIECE);
    let mut events = events(&plan);
    for (sample, what) in [
        (50_000, Gesture::Fire(SceneId(1))),
        (52_000, Gesture::Hush(true)),
        (60_000, Gesture::Hush(false)),
        (61_000, Gesture::Controller { id: tenterhook_plan::ControllerId(0), value: 0.0 }),
        (62_000, Gesture::Controller { id: tenterhook_plan::ControllerId(0), value: 0.7 }),
    ] {
        events.push(Timed { sample, what: Event::written(what) });
    }
    let changed = PIECE.replace("mics = {", "title = \"again\"\nmics = {");
    let making = Making { effects: effects(At::Top), ..Making::default() };
    let mut run =
        Run::made(making, &plan, 48_000, SceneId(0)).events(&events).replace_every(15_000, &[&changed, PIECE]);
    let out = run.render(&tones(FRAMES));
    assert!(sounds(&out[0]).is_some_and(|range| range.end <= 30_000));
    // Told once, and anew for each piece that has taken over since.
    let told = broken(&run).len();
    assert!((2..=4).contains(&told), "{told}");
}

#[test]
fn voices_that_still_sound_are_let_down_with_the_one_that_broke() {
    quiet_hook();
    let plan = plan(PIECE);
    // One ends in 30 ms while the next, at full, breaks.
    let events =
        [(0.4, "foot", "0.9"), (0.6, "foot", "0"), (0.601, "foot", "1")].map(|(s, c, v)| gesture(&plan, s, c, v));
    let making = Making { effects: effects(At::Top), ..Making::default() };
    let mut run = Run::made(making, &plan, 48_000, SceneId(0)).events(&events);
    let out = run.render(&tones(FRAMES));
    assert!(sounds(&out[0]).is_some_and(|range| (29_808..=29_808 + 240).contains(&range.end)));
    assert!(click_db(&out) < LIMIT_DB);
}

/// What it is after a panic: half changed, as anything may be.
struct Spoiled(bool);

impl Processor for Spoiled {
    fn begin(&mut self, _: u64, _: &Heard<'_>, _: &Prepared, _: u64) {}

    fn render(&mut self, _: u64, now: &[f32], x: &[f32], _: &Heard<'_>, _: &Prepared, out: &mut [f32]) {
        out.fill(0.7);
        if x.iter().any(|&x| x >= 1.0) {
            self.0 = true;
            panic!("it broke");
        }
        if !self.0 {
            out.copy_from_slice(now);
        }
    }

    fn holds(&self) -> Option<Range<u64>> {
        None
    }

    fn lacks(&self) -> Option<Lack> {
        None
    }
}

/// Two scenes that share the voices of what breaks at the top.
const SHARED: &str = "mics = { voice = 1 }\noutputs = { left = 1 }\ncontrollers = { foot = {} }\n\
                      [[scene]]\nmark = \"A\"\nmic.voice.near = { effect = \"direct\", by = \"foot\" }\n\
                      [[scene]]\nmark = \"B\"\nmic.voice.far = { effect = \"direct\", by = \"foot\" }\n";

/// A run of that, whose foot goes so far in the first scene, and half of the way in the second.
fn shared(first: &str) -> Run {
    quiet_hook();
    let plan = plan(SHARED);
    let one = |effect: &Effect| match effect.declaration.name {
        "direct" => Effect { make: |_, _| Box::new(Spoiled(false)), ..*effect },
        _ => *effect,
    };
    let effects: &[Effect] = Box::leak(EFFECTS.iter().map(one).collect());
    let events =
        [(0.1, "foot", first), (0.3, "foot", "0"), (0.5, "fire", "B"), (0.6, "foot", "0.5"), (0.9, "foot", "0")]
            .map(|(seconds, name, value)| gesture(&plan, seconds, name, value));
    Run::made(Making { effects, ..Making::default() }, &plan, 48_000, SceneId(0)).events(&events)
}

#[test]
fn a_voice_that_broke_is_lent_to_no_other_scene() {
    let of = |first: &str| {
        let mut run = shared(first);
        let out = run.render(&[tones(FRAMES)[0].clone()]);
        (out[0][24_000..].to_vec(), broken(&run).len())
    };
    let ((whole, nothing), (after, one)) = (of("0.9"), of("1"));
    assert_eq!((nothing, one), (0, 1));
    assert!(sounds(&whole).is_some());
    assert!(after == whole);
}

#[test]
fn what_broke_goes_home_and_a_changed_piece_has_all_its_voices_again() {
    let spoiled = |run: &Run| run.engine.compiled.pools.iter().map(|pool| pool.spoiled()).sum::<usize>();
    let sound = [tones(FRAMES)[0].clone()];
    let mut run = shared("1");
    run.render(&sound);
    assert_eq!(spoiled(&run), 1, "the control");
    let mut run = shared("1").replace_every(48_000, &[SHARED]);
    run.render(&sound);
    assert_eq!(spoiled(&run), 0);
}

#[test]
fn a_model_that_breaks_silences_what_reads_it_and_an_analysis_too_and_nothing_else() {
    quiet_hook();
    let plan = plan(PIECE);
    let events = events(&plan);
    let sound = tones(FRAMES);
    let whole = Run::of(&plan).events(&events).render(&sound);
    assert!(named("stretch").is_some_and(|effect| effect.wants_model));
    let model = |insight: Insight, place: usize, at: u64| {
        assert!((insight, place, at) != (Insight::Model, 1, 40_000), "a step of the model")
    };
    let analysis = |insight: Insight, place: usize, at: u64| {
        assert!((insight, place, at) != (Insight::Analysis, 0, 40_000), "a step")
    };
    for (step, insight, mic, effect, silent) in [
        (model as fn(Insight, usize, u64), Insight::Model, 1, "stretch", 2),
        (analysis, Insight::Analysis, 0, "freeze", 1),
    ] {
        for cuts in [&[64][..], &[32], &[320, 64, 32]] {
            let mut run =
                Run::made(Making { step, ..Making::default() }, &plan, 48_000, SceneId(0)).cuts(cuts).events(&events);
            let out = run.render(&sound);
            for (channel, (out, whole)) in out.iter().zip(&whole).enumerate() {
                if channel == silent {
                    assert!(sounds(&out[..40_000]).is_some() && sounds(&out[40_240..]).is_none(), "{insight:?}");
                    assert_eq!(out[..40_000], whole[..40_000]);
                } else {
                    assert!(out == whole, "channel {channel} without {insight:?}");
                }
            }
            let db = click_db(&out);
            assert!(db < LIMIT_DB, "{insight:?}: {db:.1} dB");
            let told = broken(&run);
            assert!(
                matches!(&told[..], [(Part::Insight(of, source), spot)]
                    if *of == insight && *source == Source::Mic(MicId(mic)) && spot.contains("saboteurs.rs")),
                "{told:?}"
            );
            assert_eq!(stands(&run, instance(&plan, effect)), Some(EffectState::Broken));
            assert_eq!(stands(&run, instance(&plan, "direct")), Some(EffectState::On));
        }
    }
}

#[test]
fn what_comes_later_and_would_read_a_broken_model_does_not_begin() {
    quiet_hook();
    let plan = plan(PIECE);
    let events = events(&plan);
    let step = |insight: Insight, place: usize, at: u64| {
        assert!((insight, place, at) != (Insight::Model, 1, 9_600), "a step of the model")
    };
    let later = PIECE.replace("mic.viol.stretch = { by = \"wheel\"", "mic.viol.stretch = { by = \"wheel\", most = 3");
    let mut run = Run::made(Making { step, ..Making::default() }, &plan, 48_000, SceneId(0))
        .events(&events)
        .replace_every(12_000, &[&later]);
    let out = run.render(&tones(FRAMES));
    assert!(sounds(&out[2]).is_none(), "the model was broken before anything of it sounded");
    assert!(sounds(&out[0]).is_some());
}
