//! The levels of the night: one for all effects of a name, moved live as an output's, and a run with them plays back.

use proptest::prelude::*;
use tenterhook_plan::{Applied, Event, Gesture, Plan, Timed, TrimId, Who, gain};

use super::bits;
use super::clicks::{LIMIT_DB, click_db};
use super::run::{Run, gesture, plan, plan_in, sound};

/// One name in two scenes with other settings, one that is followed, and one of a group's.
const PIECE: &str = "mics = { voice = 1, viol = 2 }
outputs = { left = 1, right = 2, ears = { output = 3, private = true } }
controllers = { foot = {} }
groups = { all = [\"voice\", \"viol\"] }
[[scene]]
mark = \"A\"
mic.voice.direct = { by = \"scene\", to = [\"left\"] }
mic.viol.direct = { by = \"scene\", to = [\"right\"] }
mic.viol.back = { effect = \"reverse\", by = \"foot\", after = \"direct\", to = [\"ears\"] }
[[scene]]
mark = \"B\"
mic.voice.direct = { by = \"scene\", to = [\"left\"], level = \"-6 dB\" }
mic.all.direct = { by = \"foot\", to = [\"ears\"] }
";
const LIVE: [Who; 4] = [Who::PageDesk, Who::Osc, Who::Terminal, Who::Pedal];

fn id(plan: &Plan, owner: &str, key: &str) -> TrimId {
    plan.trim_named(owner, key).unwrap()
}

fn trim(sample: u64, trim: TrimId, db: f32, who: Who) -> Timed<Event> {
    Timed { sample, what: Event::Gesture(Gesture::Trim { trim, db }, who) }
}

fn in_hall(levels: &str) -> Plan {
    plan_in(PIECE, &format!("[levels]\n{levels}\n"))
}

/// The outputs with these events, as factors of what they are without a word of levels; two inputs are constant.
fn factors(plan: &Plan, events: &[Timed<Event>], at: &[usize]) -> Vec<[f64; 2]> {
    let constant = [vec![0.1; 96_000], vec![0.05; 96_000]];
    let bare = Run::new(PIECE).cuts(&[64]).events(&events[..0]).render(&constant);
    let out = Run::of(plan).cuts(&[64]).events(events).render(&constant);
    at.iter()
        .map(|&at| [0, 1].map(|channel: usize| f64::from(out[channel][at]) / f64::from(bare[channel][at])))
        .collect()
}

fn near(one: f64, db: f64) -> bool {
    (20.0 * one.log10() - db).abs() < 0.001
}

#[test]
fn a_hall_makes_the_effects_of_one_name_louder_or_softer_from_the_first_sample_on() {
    for db in [-24.0, -3.0, 2.5, 6.0] {
        let seen = factors(&in_hall(&format!("\"voice.direct\" = \"{db} dB\"")), &[], &[40, 30_000, 90_000]);
        assert!(seen.iter().all(|[voice, viol]| near(*voice, db) && *viol == 1.0), "{db} dB: {seen:?}");
    }
}

#[test]
fn it_is_the_same_in_every_scene_and_what_follows_does_not_hear_it() {
    let play = |plan: &Plan| {
        let events = [(0.3, "foot", "1"), (1.2, "fire", "B")].map(|(s, c, v)| gesture(plan, s, c, v));
        Run::of(plan).events(&events).render(&sound(96_000))
    };
    let (bare, out) = (play(&plan(PIECE)), play(&in_hall("voice.direct = \"-6 dB\"\nviol.direct = \"-24 dB\"")));
    let factor = gain(-6.0);
    for at in (0..96_000).step_by(13) {
        assert!((out[0][at] - bare[0][at] * factor).abs() < 1e-6, "the voice at {at}, in A and in B");
    }
    assert!(bits(&out[2..]) == bits(&bare[2..]), "neither what follows nor another of the same key");
}

#[test]
fn a_live_level_falls_at_once_rises_slowly_and_stays_in_its_range() {
    let plan = plan(PIECE);
    let voice = id(&plan, "voice", "direct");
    for who in LIVE {
        // 60 dB a second to 0 dB, above it 6 dB a second.
        let up = [trim(20_000, voice, -60.0, who), trim(25_000, voice, 40.0, who)];
        let seen = factors(&plan, &up, &[21_000, 25_000 + 9_600, 25_000 + 19_200 + 24_000, 95_000]);
        let db = |place: usize| 20.0 * seen[place][0].log10();
        assert!((db(0) + 24.0).abs() < 0.001, "at once, and no lower: {:.3}", db(0));
        assert!((db(1) + 12.0).abs() < 1.5, "half-way after 0.2 s: {:.3}", db(1));
        assert!((db(2) - 3.0).abs() < 0.3 && (db(3) - 6.0).abs() < 0.001, "{:.3}, {:.3}", db(2), db(3));
    }
    let written = factors(&plan, &[trim(20_000, voice, 6.0, Who::Written)], &[21_000]);
    assert!(near(written[0][0], 6.0), "what is written acts as written");
}

#[test]
fn what_the_hall_says_anew_holds_and_what_it_leaves_stays_as_the_desk_has_it() {
    let (first, same, other) =
        (in_hall("voice.direct = \"-3 dB\""), in_hall("voice.direct = \"-3 dB\"\n"), in_hall(""));
    let voice = id(&first, "voice", "direct");
    let moved = [trim(10_000, voice, -9.0, Who::PageDesk)];
    for (then, db) in [(same, -9.0), (other, 0.0)] {
        let constant = [vec![0.1; 96_000], vec![0.05; 96_000]];
        let out = Run::of(&first).events(&moved).replace_by(60_000, vec![then]).render(&constant);
        assert!(near(f64::from(out[0][59_000]) / 0.1, -9.0));
        assert!(near(f64::from(out[0][95_000]) / 0.1, db), "{db} dB");
    }
}

fn moves() -> impl Strategy<Value = Vec<Timed<Event>>> {
    let one = (0u64..90_000, 0u16..5, -40.0f32..20.0, prop::sample::select(LIVE.to_vec()));
    prop::collection::vec(one, 1..12).prop_map(|mut all| {
        all.sort_by_key(|one| one.0);
        all.into_iter().map(|(sample, name, db, who)| trim(sample, TrimId(name), db, who)).collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 16, ..Default::default() })]

    #[test]
    fn live_levels_of_effects_play_back_to_the_same_bits_and_do_not_click(
        moves in moves(),
        cuts in prop::collection::vec(prop_oneof![Just(1usize), 16usize..=1000], 1..5),
        again in prop::collection::vec(1usize..=1024, 1..5),
        swaps in 3_000usize..40_000,
    ) {
        let plan = in_hall("voice.direct = \"-3 dB\"");
        let others = [(0.3, "foot", "1"), (0.9, "fire", "B"), (1.2, "hush", "1"), (1.4, "hush", "0")];
        let mut events = others.map(|(seconds, what, value)| gesture(&plan, seconds, what, value)).to_vec();
        events.extend(moves);
        events.sort_by_key(|event| event.sample);
        let mut sound = sound(120_000);
        for channel in &mut sound {
            channel.iter_mut().enumerate().for_each(|(i, sample)| *sample *= 0.4 * (i as f32 / 960.0).min(1.0));
        }
        let mut live = Run::of(&plan).cuts(&cuts).events(&events);
        let heard = live.render(&sound);
        let applied = live.applied();
        let in_range = |one: &Applied| !matches!(one.what, Gesture::Trim { db, .. } if !(-24.0..=6.0).contains(&db));
        prop_assert!(applied.iter().all(in_range));
        let written: Vec<_> =
            applied.iter().map(|one| Timed { sample: one.sample, what: Event::written(one.what) }).collect();
        prop_assert!(bits(&Run::of(&plan).cuts(&again).events(&written).render(&sound)) == bits(&heard));
        let mut swapped = Run::of(&plan).cuts(&cuts).events(&events).replace_by(swaps, vec![plan.clone()]);
        let db = click_db(&heard).max(click_db(&swapped.render(&sound)));
        prop_assert!(db < LIMIT_DB, "{db:.1} dB");
        let trims = |applied: Vec<Applied>| -> Vec<_> {
            applied.into_iter().filter(|one| matches!(one.what, Gesture::Trim { .. })).collect()
        };
        prop_assert_eq!(trims(swapped.applied()), trims(applied), "a piece that is saved meanwhile is not noticed");
    }
}
