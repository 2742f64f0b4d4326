//! The real-time law, by RealtimeSanitizer: `process` is marked "nonblocking", and whatever allocates, frees, waits or
//! calls the system below it ends the program with status 43. It exists on nightly Rust only, and cannot see a lock that
//! nobody holds, nor a clock that is read: these are banned by the `.clippy.toml` that `fence.rs` checks.
//!
//! These build the engine twice more, so they have a command of their own: `.ci/sanitizers`.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::LazyLock;

/// The status with which the sanitizer ends a program (LLVM, "RealtimeSanitizer", `exitcode`).
const CAUGHT: i32 = 43;

/// A program of the nightly toolchain, free of what this test's own cargo has set for its children.
fn nightly(program: &str) -> Command {
    let mut command = Command::new("rustup");
    command.args(["run", "nightly", program]).current_dir(env!("CARGO_MANIFEST_DIR"));
    for (name, _) in std::env::vars() {
        if ["CARGO", "RUST"].iter().any(|prefix| name.starts_with(prefix))
            && !["CARGO_HOME", "RUSTUP_HOME"].contains(&&*name)
        {
            command.env_remove(name);
        }
    }
    command
}

fn run(command: &mut Command, remedy: &str) -> Output {
    let output = command.output().unwrap_or_else(|why| panic!("cannot run {command:?} ({why}): is rustup installed?"));
    let told = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{command:?} failed: {remedy}\n{told}");
    output
}

/// With these flags whatever is marked "nonblocking" is watched.
const REALTIME: &str = "-Zsanitizer=realtime --cfg rtsan";
/// The laws of the engine crate.
const ENGINE: &[&str] = &["--lib", "-p", "tenterhook-rt"];
/// The live path: the server's callback with all that goes with it.
const LIVE: &[&str] = &["--test", "live", "-p", "tenterhook-io"];

/// The laws of the engine crate, built with RealtimeSanitizer: its test program.
static LAWS: LazyLock<PathBuf> = LazyLock::new(|| build(ENGINE, REALTIME, "rtsan"));

/// Builds a test program with these flags, in a folder of their own.
fn build(tests: &[&str], flags: &str, folder: &str) -> PathBuf {
    let version = String::from_utf8(
        run(nightly("rustc").arg("-vV"), "this test needs nightly Rust, `rustup toolchain install nightly`").stdout,
    )
    .unwrap();
    let host = version.lines().find_map(|line| line.strip_prefix("host: ")).expect("rustc names its host");
    // A folder of its own, beside what cargo builds otherwise: other flags would build everything anew each time.
    let target = Path::new(env!("CARGO_TARGET_TMPDIR")).with_file_name(folder);
    let mut build = nightly("cargo");
    build
        .args(["test", "--no-run", "--message-format=json", "--target", host])
        .args(tests)
        .arg("--target-dir")
        .arg(target)
        .env("RUSTFLAGS", flags);
    let told = String::from_utf8(run(&mut build, "it must build on nightly Rust").stdout).unwrap();
    let messages = told.lines().filter_map(|line| serde_json::from_str::<serde_json::Value>(line).ok());
    let program = messages.filter_map(|message| message["executable"].as_str().map(PathBuf::from)).next_back();
    program.expect("cargo names the program that it built")
}

/// Runs these laws and gives the exit status and all that was said.
fn laws(arguments: &[&str]) -> (Option<i32>, String) {
    let output = Command::new(&*LAWS).args(arguments).env_remove("RTSAN_OPTIONS").output().unwrap();
    (output.status.code(), String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned())
}

#[test]
#[ignore = "builds on nightly Rust: run `.ci/sanitizers`"]
fn whole_runs_do_nothing_on_the_audio_thread_that_may_wait() {
    // All laws but the measure of clicks and the cut into blocks, whose runs are others' too, and the saboteurs, whose
    // panics allocate (`tests/counted.rs` counts that): every scene, every controller, hush, levels, mutes, swaps, random
    // gestures and hostile sound.
    let skipped = ["--skip", "laws::clicks", "--skip", "laws::blocks", "--skip", "laws::saboteurs"];
    let (status, told) = laws(&[&["laws::"][..], &skipped].concat());
    assert_eq!(status, Some(0), "{told}");
    let ran = |law: &str| told.contains(&format!("{law} ... ok"));
    assert!(ran("laws::a_changed_piece_that_changes_nothing_is_not_heard"), "{told}");
    assert!(ran("laws::whatever_happens_the_output_is_finite_and_under_its_ceiling"), "{told}");
}

#[test]
#[ignore = "builds on nightly Rust: run `.ci/sanitizers`"]
fn the_live_path_does_nothing_on_the_audio_thread_that_may_wait() {
    // The server's callback itself: ports, MIDI, the player, log and recent sounds, with every scene and every controller
    // of the bundled pieces, changed pieces that take over, and a server that is lost and found.
    let program = build(LIVE, REALTIME, "rtsan");
    let output = Command::new(program).arg("--nocapture").env_remove("RTSAN_OPTIONS").output().unwrap();
    let told = String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned();
    assert_eq!(output.status.code(), Some(0), "{told}");
    assert!(told.contains("blocks"), "it did play: {told}");
    assert!(told.contains("a_server_that_stands_still_is_left_and_taken_up_again ... ok"), "{told}");
    // The control: the sanitizer is in the program, and watches the callback.
    let output = Command::new(build(LIVE, REALTIME, "rtsan"))
        .args(["--exact", "what_the_callback_must_not_do_is_seen", "--ignored", "--nocapture"])
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(CAUGHT), "{told}");
    assert!(told.contains("RealtimeSanitizer") && told.contains("malloc"), "{told}");
}

#[test]
#[ignore = "builds on nightly Rust: run `.ci/sanitizers`"]
fn the_sanitizer_sees_an_allocation_a_free_and_a_lock_that_is_held() {
    for (control, seen) in [
        ("an_allocation_ends_the_program", "malloc"),
        ("a_free_ends_the_program", "free"),
        ("a_lock_that_is_held_ends_the_program", "futex"),
    ] {
        let (status, told) = laws(&["--exact", &format!("laws::sanitized::{control}"), "--ignored", "--nocapture"]);
        assert_eq!(status, Some(CAUGHT), "{control}: {told}");
        assert!(told.contains("RealtimeSanitizer") && told.contains(seen), "{control}: {told}");
    }
}

#[test]
#[ignore = "builds on nightly Rust: run `.ci/sanitizers`"]
fn the_unsafe_place_of_the_engine_is_clean_under_address_sanitizer() {
    // Setting the flush mode is the one thing here that the compiler cannot check; a whole run is made in it.
    let law = "laws::the_flush_mode_of_the_processor_is_no_matter";
    let program = build(ENGINE, "-Zsanitizer=address", "asan");
    let run = |arguments: &[&str]| {
        let output = Command::new(&program).args(arguments).output().unwrap();
        (output.status.success(), String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned())
    };
    let (passed, told) = run(&["--exact", law]);
    assert!(passed && told.contains("1 passed"), "{told}");
    // The control: the runtime is in the program, and says so when it is asked.
    let output = Command::new(&program).arg("--list").env("ASAN_OPTIONS", "help=1").output().unwrap();
    assert!(String::from_utf8_lossy(&output.stderr).contains("AddressSanitizer"), "the sanitizer is not built in");
}
