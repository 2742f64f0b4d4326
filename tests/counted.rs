//! What is allocated, counted: by a piece when it is built, against what was told before; and by a part that breaks on
//! the audio thread. One thread does all, without the usual harness, so that nobody else's allocations are among them.

#[path = "../engine/rt/src/laws/beside.rs"]
mod beside;

use std::alloc::System;
use std::ops::Range;

use beside::Beside;
use stats_alloc::{INSTRUMENTED_SYSTEM, Region, Stats, StatsAlloc};
use tenterhook_config::{Text, check_with};
use tenterhook_dsp::effects::{EFFECTS, Effect, Prepared, Processor};
use tenterhook_dsp::memory::{Heard, Insight};
use tenterhook_plan::declare::{Declaration, Kind, SettingDeclaration, Unit};
use tenterhook_plan::{ControllerId, Event, Gesture, Lack, Plan, SceneId, Timed};
use tenterhook_rt::{Making, bytes, engine, engine_with, quiet_hook};

#[global_allocator]
static COUNTS: &StatsAlloc<System> = &INSTRUMENTED_SYSTEM;

fn main() {
    quiet_hook();
    the_counts_see_an_allocation_and_a_free();
    what_a_piece_takes_is_told_before_it_is_built();
    what_breaks_costs_at_most_four_allocations_and_two_frees_once();
}

fn the_counts_see_an_allocation_and_a_free() {
    let region = Region::new(COUNTS);
    let kept = std::hint::black_box(Box::new([1u8; 1000]));
    let Stats { allocations, bytes_allocated, .. } = region.change();
    assert_eq!((allocations, bytes_allocated), (1, 1000));
    drop(kept);
    assert_eq!(region.change().deallocations, 1);
}

fn plan(piece: &str) -> Plan {
    let checked = check_with(&Text::new("piece.toml", piece), None, &Beside);
    checked.unwrap_or_else(|report| panic!("{piece}\n{}", report.render(false))).plan
}

/// A piece of one effect with these settings.
fn piece(effect: &str, settings: &str) -> Plan {
    plan(&format!(
        "mics = {{ voice = 1 }}\noutputs = {{ left = 1, right = 2 }}\ncontrollers = {{ foot = {{}} }}\n\
         [[scene]]\nmark = \"A\"\nmic.voice.{effect} = {{ by = \"foot\", to = [\"left\"]{settings} }}\n"
    ))
}

/// Settings of an effect, drawn anew for each number by what it declares.
fn settings(effect: &Declaration, draw: u64) -> String {
    let mut state = draw.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ effect.name.len() as u64;
    let mut even = |least: f64, most: f64| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        least + (most - least) * ((state >> 33) as f64 / f64::from(1u32 << 31))
    };
    let setting = |one: &SettingDeclaration| {
        let value = match one.kind {
            Kind::Quantity { unit, least, most, .. } => {
                // The least and the most come too: there things are left out or full.
                let number = even(least - 0.2 * (most - least), most + 0.2 * (most - least)).clamp(least, most);
                match unit {
                    Unit::Number => format!("{number:.2}"),
                    Unit::Seconds => format!("\"{number:.3} s\""),
                    Unit::Decibels => format!("\"{number:.1} dB\""),
                    Unit::Hertz => format!("\"{number:.1} Hz\""),
                    Unit::Metres => format!("\"{number:.1} m\""),
                }
            }
            Kind::Choice { words, .. } => format!("\"{}\"", words[even(0.0, words.len() as f64 - 0.01) as usize].0),
            Kind::Sound => "\"letter.wav\"".to_owned(),
            Kind::Tuning => format!("\"{}\"", ["D3", "D3 A3 F#4", "C2 G2 D3 A3 E4"][even(0.0, 2.99) as usize]),
            Kind::Interval { least_cents, most_cents, .. } => format!("\"{:.0} cents\"", even(least_cents, most_cents)),
        };
        format!(", {} = {value}", one.name)
    };
    effect.settings.iter().map(setting).collect()
}

fn what_a_piece_takes_is_told_before_it_is_built() {
    let base = {
        let nothing = plan("mics = { voice = 1 }\noutputs = { left = 1 }\n[[scene]]\nmark = \"A\"\n");
        bytes(&nothing, 48_000).all
    };
    let mut worst = 0.0f64;
    for declaration in EFFECTS.iter().map(|effect| effect.declaration) {
        let effect = declaration.name;
        for rate in [44_100, 48_000, 96_000] {
            for draw in 0..6 {
                let settings = settings(&declaration, draw);
                let plan = piece(effect, &settings);
                // Tables that the whole program makes once.
                drop(engine(&plan, rate, SceneId(0)));
                let told = bytes(&plan, rate).all;
                let region = Region::new(COUNTS);
                let halves = engine(&plan, rate, SceneId(0));
                let stats = region.change();
                drop(halves);
                // What grew is among the bytes allocated.
                let counted = (stats.bytes_allocated - stats.bytes_deallocated) as f64;
                let error = told as f64 / counted - 1.0;
                // Beside what every piece takes, the effect alone.
                let alone = (told as f64 - counted) / (counted - base as f64).max(1.0);
                if draw == 0 || error.abs() > 0.02 {
                    println!(
                        "{effect:12} {rate:6} Hz{settings}: told {told}, counted {counted:.0}: {:+.2} % ({:+.2} %)",
                        100.0 * error,
                        100.0 * alone
                    );
                }
                worst = worst.max(error.abs());
                let few = (told as f64 - counted).abs() <= 512.0;
                assert!(few || alone.abs() < 0.02, "{effect} alone: told {told}, counted {counted}, {alone}");
            }
        }
    }
    // Everything at once, with analysis and model of several sources, and outputs that wait.
    for piece in
        [include_str!("../engine/rt/src/laws/workout.toml"), include_str!("../engine/rt/src/laws/workout-changed.toml")]
    {
        let mut plan = plan(piece);
        plan.outputs.iter_mut().for_each(|output| output.delay = Some(0.04));
        let told = bytes(&plan, 48_000).all as f64;
        let region = Region::new(COUNTS);
        let halves = engine(&plan, 48_000, SceneId(0));
        let stats = region.change();
        drop(halves);
        let counted = (stats.bytes_allocated - stats.bytes_deallocated) as f64;
        println!("{}: told {told}, counted {counted}: {:+.2} %", plan.title, 100.0 * (told / counted - 1.0));
        worst = worst.max((told / counted - 1.0).abs());
    }
    println!("worst {:.2} %", 100.0 * worst);
    assert!(worst < 0.02, "{worst}");
}

/// Breaks where it is told to.
struct Saboteur {
    in_begin: bool,
}

impl Processor for Saboteur {
    fn begin(&mut self, _: u64, _: &Heard<'_>, _: &Prepared, _: u64) {
        assert!(!self.in_begin, "it broke in {}", "begin");
    }

    fn render(&mut self, _: u64, now: &[f32], x: &[f32], _: &Heard<'_>, _: &Prepared, out: &mut [f32]) {
        assert!(self.in_begin || x.iter().all(|&x| x < 1.0), "it broke in {}", "render");
        out.copy_from_slice(now);
    }

    fn holds(&self) -> Option<Range<u64>> {
        None
    }

    fn lacks(&self) -> Option<Lack> {
        None
    }
}

fn what_breaks_costs_at_most_four_allocations_and_two_frees_once() {
    let plan = plan(
        "mics = { voice = 1, viol = 2 }\noutputs = { left = 1, right = 2 }\ncontrollers = { foot = {}, wheel = {} }\n\
         [[scene]]\nmark = \"A\"\nmic.voice.direct = { by = \"foot\", to = [\"left\"] }\n\
         mic.viol.stretch = { by = \"wheel\", to = [\"right\"] }\n",
    );
    let table = |make: fn(u32, f64) -> Box<dyn Processor>| -> &'static [Effect] {
        let one =
            |effect: &Effect| if effect.declaration.name == "direct" { Effect { make, ..*effect } } else { *effect };
        Box::leak(EFFECTS.iter().map(one).collect())
    };
    let usual = Making::default();
    let broken_step =
        |insight, place, at| assert!((insight, place) != (Insight::Model, 1) || at < 30_000, "a {}", "step");
    // Words that are made while it breaks, in a buffer that grows.
    let past_the_end = |insight, place, at| {
        assert!((insight, place) != (Insight::Model, 1) || at < 30_000 || [true][std::hint::black_box(1)]);
    };
    let saboteurs = [
        ("begin", Making { effects: table(|_, _| Box::new(Saboteur { in_begin: true })), ..usual }),
        ("render", Making { effects: table(|_, _| Box::new(Saboteur { in_begin: false })), ..usual }),
        ("a step of the model", Making { step: broken_step, ..usual }),
        ("an index past the end", Making { step: past_the_end, ..usual }),
    ];
    for (name, making) in saboteurs {
        let (mut engine, mut control) = engine_with(making, &plan, 48_000, SceneId(0));
        let event = |sample, id, value| Timed {
            sample,
            what: Event::written(Gesture::Controller { id: ControllerId(id), value }),
        };
        let events = [
            event(9_000, 0, 0.5),
            event(9_100, 1, 0.8),
            event(20_000, 0, 1.0),
            event(40_000, 0, 0.0),
            event(44_000, 0, 1.0),
            event(50_000, 1, 0.0),
            event(60_000, 1, 1.0),
        ];
        let sound: Vec<f32> = (0..96_000).map(|i| 0.3 * (i as f32 * 0.03).sin()).collect();
        let mut out = [[0.0f32; 64]; 2];
        let mut cost = Vec::new();
        for block in sound.chunks_exact(64) {
            let from = engine.sample();
            let due = |event: &&Timed<Event>| (from..from + 64).contains(&event.sample);
            let first = events.iter().position(|event| due(&event)).unwrap_or(0);
            let count = events.iter().filter(due).count();
            let [left, right] = &mut out;
            let mut outputs: [&mut [f32]; 2] = [left, right];
            let region = Region::new(COUNTS);
            engine.process(&[block, block], &mut outputs, &events[first..first + count]);
            let Stats { allocations, deallocations, reallocations, .. } = region.change();
            if (allocations, deallocations, reallocations) != (0, 0, 0) {
                cost.push((from, allocations, deallocations, reallocations));
            }
            while control.applied().is_some() || control.reading().is_some() {}
        }
        println!("{name}: (from sample, allocations, frees, reallocations) {cost:?}");
        let [(_, allocations, frees, reallocations)] = cost[..] else { panic!("{name}: once, not {cost:?}") };
        // What is thrown costs more or less by how its words are made.
        // What grows is an allocation and a free.
        let (allocations, frees) = (allocations + reallocations, frees + reallocations);
        assert!((1..=4).contains(&allocations) && frees <= 2, "{name}: {cost:?}");
    }
}
