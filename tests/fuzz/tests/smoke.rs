//! A short look for inputs that break the laws, where no fuzzer is: what one has found before, and many mutations of it.

use std::fs;
use std::path::Path;

use proptest::prelude::*;
use proptest::test_runner::{Config, RngAlgorithm, TestRng, TestRunner};
use tenterhook_fuzz::{TARGETS, Target};

/// Mutated inputs per target.
const MUTATIONS: u32 = 400;
/// What a mutation puts in: what the formats are made of, and numbers at their edges.
const WORDS: [&[u8]; 20] = [
    b"\n",
    b"\"",
    b"[",
    b"]",
    b"{}",
    b"= ",
    b",",
    b"[[scene]]\n",
    b"\xFF",
    b"\0",
    b"-1",
    b"1e999",
    b"nan",
    b"inf",
    b" dB",
    b"18446744073709551616",
    b"#bundle\0",
    b"\xB0\x40\x7F",
    b"\x80\x80\x80\x80",
    "é".as_bytes(),
];

/// The seeds and what a fuzzer has found.
fn inputs(target: &Target) -> Vec<Vec<u8>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus").join(target.name);
    let files = fs::read_dir(&folder).unwrap_or_else(|why| panic!("{}: {why}", folder.display()));
    let found = files.map(|file| fs::read(file.unwrap().path()).unwrap());
    (target.seeds)().into_iter().chain(found).collect()
}

/// One change of some bytes.
#[derive(Clone, Copy, Debug)]
enum Change {
    Set(u8),
    Flip(u8),
    Insert(&'static [u8]),
    Remove(usize),
    Repeat(usize),
    /// The rest comes from another input.
    Cross(prop::sample::Index, prop::sample::Index),
}

fn change() -> impl Strategy<Value = Change> {
    prop_oneof![
        any::<u8>().prop_map(Change::Set),
        (0u8..8).prop_map(Change::Flip),
        prop::sample::select(&WORDS[..]).prop_map(Change::Insert),
        (1usize..40).prop_map(Change::Remove),
        (1usize..40).prop_map(Change::Repeat),
        (any::<prop::sample::Index>(), any::<prop::sample::Index>()).prop_map(|(of, from)| Change::Cross(of, from)),
    ]
}

fn apply(bytes: &mut Vec<u8>, at: prop::sample::Index, change: Change, others: &[Vec<u8>]) {
    let at = at.index(bytes.len() + 1);
    let until = |length: usize| (at + length).min(bytes.len());
    match change {
        Change::Set(byte) => bytes.iter_mut().skip(at).take(1).for_each(|place| *place = byte),
        Change::Flip(bit) => bytes.iter_mut().skip(at).take(1).for_each(|place| *place ^= 1 << bit),
        Change::Insert(word) => drop(bytes.splice(at..at, word.iter().copied())),
        Change::Remove(length) => drop(bytes.drain(at..until(length))),
        Change::Repeat(length) => {
            let again = bytes[at..until(length)].to_vec();
            bytes.splice(at..at, again);
        }
        Change::Cross(of, from) => {
            let other = of.get(others);
            bytes.truncate(at);
            bytes.extend_from_slice(&other[from.index(other.len() + 1)..]);
        }
    }
}

/// Holds a target's law against all inputs and mutations of them. The same ones each time: a fuzzer is for more.
fn looked_through(name: &str) {
    let target = TARGETS.iter().find(|target| target.name == name).expect("a target");
    let inputs = inputs(target);
    assert!(inputs.iter().any(|input| !input.is_empty()));
    inputs.iter().for_each(|input| (target.law)(input));
    let config = Config { cases: MUTATIONS, failure_persistence: None, ..Config::default() };
    let mut runner = TestRunner::new_with_rng(config, TestRng::deterministic_rng(RngAlgorithm::ChaCha));
    let changes = prop::collection::vec((any::<prop::sample::Index>(), change()), 1..6);
    let law = |(input, changes): (prop::sample::Index, Vec<_>)| {
        let mut bytes = input.get(&inputs).clone();
        changes.into_iter().for_each(|(at, change)| apply(&mut bytes, at, change, &inputs));
        (target.law)(&bytes);
        Ok(())
    };
    runner.run(&(any::<prop::sample::Index>(), changes), law).unwrap_or_else(|why| panic!("{name}: {why}"));
}

macro_rules! targets {
    ($($name:ident)*) => {
        $(#[test]
        fn $name() {
            looked_through(stringify!($name));
        })*

        #[test]
        fn every_target_is_looked_through() {
            assert_eq!(TARGETS.map(|target| target.name), [$(stringify!($name)),*]);
        }
    };
}

targets! { piece hall gestures midi osc journal page }

#[test]
#[cfg(debug_assertions)]
#[should_panic(expected = "attempt to add with overflow")]
fn a_number_that_overflows_breaks_the_law_of_a_target() {
    std::hint::black_box(std::hint::black_box(u8::MAX) + std::hint::black_box(1));
}
