//! The boundaries between the crates: what each may depend on, what sound may touch, where `unsafe` may stand.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

const ROOT: &str = env!("CARGO_MANIFEST_DIR");

/// What cargo says to these arguments.
fn cargo(arguments: &[&str]) -> String {
    let mut command = Command::new("cargo");
    command.args(arguments).current_dir(ROOT).env_remove("RUSTFLAGS").env_remove("CARGO_ENCODED_RUSTFLAGS");
    let output = command.output().expect("cargo is there, since it runs this");
    assert!(output.status.success(), "{command:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

// ---- What each crate may depend on ----

/// What a crate may depend on, on any system: members of the workspace by themselves, other crates by any way.
struct Fence {
    name: &'static str,
    members: &'static [&'static str],
    others: Others,
}

/// Which crates that are no members.
enum Others {
    /// These, by any way.
    Only(&'static [&'static [&'static str]]),
    /// Any but what runs async code.
    NoAsync,
    /// Any but what runs async code, unless a member brings that.
    AsyncByMembers,
    /// Any.
    Any,
}

/// Fast Fourier transforms.
const FFT: &[&str] =
    &["realfft", "rustfft", "num-complex", "num-integer", "num-traits", "primal-check", "strength_reduce", "transpose"];
/// The widest vectors that a processor has.
#[rustfmt::skip]
const VECTORS: &[&str] = &[
    "pulp", "pulp-wasm-simd-flag", "bitflags", "bytemuck", "cfg-if", "libm", "num-complex", "num-traits", "paste", "raw-cpuid",
    "reborrow",
];
/// Rings between threads.
const RING: &[&str] = &["ringbuf", "crossbeam-utils"];
/// Texts: TOML, CSV, JSON, MIDI files, diagnostics.
#[rustfmt::skip]
const TEXT: &[&str] = &[
    "annotate-snippets", "anstyle", "unicode-width", "memchr",
    "csv", "csv-core", "itoa", "ryu", "serde", "serde_core", "serde_json", "zmij",
    "serde_derive", "proc-macro2", "quote", "syn", "unicode-ident",
    "midly", "strsim",
    "toml", "toml_datetime", "toml_parser", "serde_spanned", "indexmap", "equivalent", "hashbrown", "winnow",
];
/// Whose presence means that code runs async.
#[rustfmt::skip]
const ASYNC: &[&str] = &["tokio", "async-std", "smol", "async-executor", "futures-executor", "embassy-executor"];

const FENCES: [Fence; 12] = [
    Fence { name: "tenterhook-plan", members: &[], others: Others::Only(&[]) },
    Fence { name: "tenterhook-ensemble", members: &[], others: Others::Only(&[]) },
    Fence { name: "tenterhook-dsp", members: &["tenterhook-plan"], others: Others::Only(&[FFT, VECTORS]) },
    Fence { name: "tenterhook-spectra", members: &["tenterhook-plan"], others: Others::Only(&[FFT]) },
    Fence { name: "tenterhook-notes", members: &["tenterhook-plan", "tenterhook-spectra"], others: Others::NoAsync },
    Fence {
        name: "tenterhook-rt",
        members: &["tenterhook-plan", "tenterhook-dsp"],
        others: Others::Only(&[FFT, VECTORS, RING]),
    },
    Fence {
        name: "tenterhook-config",
        members: &["tenterhook-plan", "tenterhook-dsp"],
        others: Others::Only(&[FFT, VECTORS, TEXT]),
    },
    Fence {
        name: "tenterhook-io",
        members: &["tenterhook-plan", "tenterhook-rt", "tenterhook-config"],
        others: Others::NoAsync,
    },
    // The only one that runs async code.
    Fence { name: "tenterhook-page", members: &["tenterhook-plan"], others: Others::Any },
    Fence {
        name: "tenterhook",
        members: &[
            "tenterhook-plan",
            "tenterhook-dsp",
            "tenterhook-config",
            "tenterhook-rt",
            "tenterhook-io",
            "tenterhook-page",
            "tenterhook-ensemble",
            "tenterhook-spectra",
            "tenterhook-notes",
        ],
        others: Others::AsyncByMembers,
    },
    Fence {
        name: "tenterhook-quality",
        members: &["tenterhook-plan", "tenterhook-dsp", "tenterhook-config", "tenterhook-rt"],
        others: Others::NoAsync,
    },
    Fence {
        name: "tenterhook-fuzz",
        members: &[
            "tenterhook-plan",
            "tenterhook-dsp",
            "tenterhook-config",
            "tenterhook-rt",
            "tenterhook-io",
            "tenterhook-page",
        ],
        others: Others::AsyncByMembers,
    },
];

/// The names in a crate's dependency tree of this depth, itself left out.
fn tree(name: &str, depth: &str) -> BTreeSet<String> {
    let arguments = ["tree", "--locked", "-e", "normal", "--target", "all", "--prefix", "none", "--depth", depth, "-p"];
    let told = cargo(&[&arguments[..], &[name]].concat());
    let names = told.lines().filter_map(|line| line.split_whitespace().next());
    names.filter(|&found| found != name).map(str::to_owned).collect()
}

fn is_member(name: &str) -> bool {
    name.starts_with("tenterhook")
}

impl Fence {
    /// Dependencies that are not allowed.
    fn broken(&self, direct: &BTreeSet<String>, all: &BTreeSet<String>) -> Vec<String> {
        let strange = direct.iter().filter(|name| is_member(name) && !self.members.contains(&name.as_str()));
        let outside = all.iter().filter(|name| !is_member(name));
        let is_async = |name: &str| ASYNC.contains(&name);
        let refused = outside.filter(|name| match self.others {
            Others::Only(allowed) => !allowed.concat().contains(&name.as_str()),
            Others::NoAsync => is_async(name),
            Others::AsyncByMembers => is_async(name) && direct.contains(*name),
            Others::Any => false,
        });
        strange.chain(refused).cloned().collect()
    }
}

#[test]
fn each_crate_depends_on_what_it_may_and_on_nothing_else() {
    for fence in &FENCES {
        let broken = fence.broken(&tree(fence.name, "1"), &tree(fence.name, "255"));
        assert!(broken.is_empty(), "{} must not depend on {broken:?}", fence.name);
    }
}

#[test]
fn the_fence_sees_who_breaks_it() {
    let [plan, _, _, rt, ..] = &FENCES;
    // The real tree of a crate that has more, held against a narrower fence.
    let (direct, all) = (tree("tenterhook-rt", "1"), tree("tenterhook-rt", "255"));
    let broken = plan.broken(&direct, &all);
    for name in ["tenterhook-dsp", "tenterhook-plan", "ringbuf", "rustfft"] {
        assert!(broken.iter().any(|broken| broken == name), "{name} among {broken:?}");
    }
    let io = FENCES.iter().find(|fence| fence.name == "tenterhook-io").unwrap();
    let with_async = ["tenterhook-rt", "tokio"].map(str::to_owned).into();
    assert_eq!(io.broken(&BTreeSet::new(), &with_async), ["tokio"]);
    let app = FENCES.iter().find(|fence| fence.name == "tenterhook").unwrap();
    assert!(app.broken(&BTreeSet::new(), &with_async).is_empty(), "the page brings it");
    assert_eq!(app.broken(&with_async, &with_async), ["tokio"]);
    assert!(rt.broken(&["cpal".to_owned()].into(), &["cpal".to_owned()].into()) == ["cpal"]);
}

#[test]
fn every_member_is_fenced_is_tested_by_default_and_takes_the_common_lints() {
    let told: Value =
        serde_json::from_str(&cargo(&["metadata", "--locked", "--no-deps", "--format-version", "1"])).unwrap();
    let ids = |key: &str| -> BTreeSet<String> {
        told[key].as_array().unwrap().iter().map(|id| id.as_str().unwrap().to_owned()).collect()
    };
    assert_eq!(ids("workspace_default_members"), ids("workspace_members"), "name every member in `default-members`");
    let packages = told["packages"].as_array().unwrap();
    let names: BTreeSet<_> = packages.iter().map(|package| package["name"].as_str().unwrap()).collect();
    assert_eq!(names, FENCES.iter().map(|fence| fence.name).collect(), "give each crate its fence");
    for package in packages {
        let manifest = package["manifest_path"].as_str().unwrap();
        let text = fs::read_to_string(manifest).unwrap();
        assert!(text.contains("[lints]\nworkspace = true"), "{manifest} must take the workspace's lints");
    }
}

// ---- What sound may touch ----

/// The crates in which sound is made.
const SOUND: [&str; 2] = ["engine/dsp", "engine/rt"];

/// Each ban, and a line of code that it must find.
const OFFENCES: &[(&str, &str)] = &[
    ("std::fs::File", "pub fn f(_: std::fs::File) {}"),
    ("std::fs::OpenOptions", "pub fn f(_: std::fs::OpenOptions) {}"),
    ("std::net::TcpStream", "pub fn f(_: std::net::TcpStream) {}"),
    ("std::net::UdpSocket", "pub fn f(_: std::net::UdpSocket) {}"),
    ("std::process::Command", "pub fn f() { let _ = std::process::Command::new(\"x\"); }"),
    ("std::time::Instant", "pub fn f() { let _ = std::time::Instant::now(); }"),
    ("std::time::SystemTime", "pub fn f() { let _ = std::time::SystemTime::now(); }"),
    ("std::sync::Mutex", "pub fn f() { let _ = std::sync::Mutex::new(1); }"),
    ("std::sync::RwLock", "pub fn f() { let _ = std::sync::RwLock::new(1); }"),
    ("std::sync::Condvar", "pub fn f() { let _ = std::sync::Condvar::new(); }"),
    ("std::sync::Barrier", "pub fn f() { let _ = std::sync::Barrier::new(1); }"),
    ("std::sync::mpsc::Receiver", "pub fn f(_: &std::sync::mpsc::Receiver<f32>) {}"),
    ("std::thread::JoinHandle", "pub fn f(_: std::thread::JoinHandle<f32>) {}"),
    ("std::thread::Thread", "pub fn f(_: std::thread::Thread) {}"),
    ("std::fs::read", "pub fn f() { let _ = std::fs::read(\"x\"); }"),
    ("std::fs::read_to_string", "pub fn f() { let _ = std::fs::read_to_string(\"x\"); }"),
    ("std::fs::write", "pub fn f() { let _ = std::fs::write(\"x\", \"y\"); }"),
    ("std::fs::copy", "pub fn f() { let _ = std::fs::copy(\"x\", \"y\"); }"),
    ("std::fs::rename", "pub fn f() { let _ = std::fs::rename(\"x\", \"y\"); }"),
    ("std::fs::remove_file", "pub fn f() { let _ = std::fs::remove_file(\"x\"); }"),
    ("std::fs::create_dir", "pub fn f() { let _ = std::fs::create_dir(\"x\"); }"),
    ("std::fs::create_dir_all", "pub fn f() { let _ = std::fs::create_dir_all(\"x\"); }"),
    ("std::thread::spawn", "pub fn f() { let _ = std::thread::spawn(|| ()); }"),
    ("std::thread::scope", "pub fn f() { std::thread::scope(|_| ()); }"),
    ("std::thread::sleep", "pub fn f() { std::thread::sleep(std::time::Duration::ZERO); }"),
    ("std::thread::yield_now", "pub fn f() { std::thread::yield_now(); }"),
    ("std::thread::park", "pub fn f() { std::thread::park(); }"),
    ("std::thread::current", "pub fn f() { let _ = std::thread::current().id(); }"),
    ("std::io::stdin", "pub fn f() { let _ = std::io::stdin(); }"),
    ("std::io::stdout", "pub fn f() { let _ = std::io::stdout(); }"),
    ("std::io::stderr", "pub fn f() { let _ = std::io::stderr(); }"),
    ("std::print", "pub fn f() { print!(\"x\"); }"),
    ("std::println", "pub fn f() { println!(\"x\"); }"),
    ("std::eprint", "pub fn f() { eprint!(\"x\"); }"),
    ("std::eprintln", "pub fn f() { eprintln!(\"x\"); }"),
    ("std::dbg", "pub fn f() { dbg!(1); }"),
];

/// The paths that a crate's `.clippy.toml` bans.
fn bans(of: &str) -> BTreeSet<String> {
    let text = fs::read_to_string(Path::new(ROOT).join(of).join(".clippy.toml")).unwrap();
    let paths = text.split("path = \"").skip(1).filter_map(|rest| rest.split('"').next());
    paths.map(str::to_owned).collect()
}

/// What clippy finds in a crate that is banned there: the line and the message.
fn banned(manifest: &Path) -> Vec<(u64, String)> {
    let target = Path::new(env!("CARGO_TARGET_TMPDIR")).with_file_name("fence");
    let [manifest, target] = [manifest, &target].map(|path| path.to_str().expect("a path of plain letters"));
    let told = cargo(&[
        "clippy",
        "--lib",
        "--manifest-path",
        manifest,
        "--target-dir",
        target,
        "--message-format=json",
        "--offline",
    ]);
    let messages = told.lines().filter_map(|line| serde_json::from_str::<Value>(line).ok());
    let banned = messages.filter(|message| {
        message["message"]["code"]["code"].as_str().is_some_and(|code| code.starts_with("clippy::disallowed_"))
    });
    let found = |message: Value| {
        let message = &message["message"];
        let line = message["spans"][0]["line_start"].as_u64().unwrap();
        (line, message["message"].as_str().unwrap().to_owned())
    };
    banned.map(found).collect()
}

#[test]
fn sound_touches_nothing_that_is_banned() {
    assert_eq!(bans(SOUND[0]), bans(SOUND[1]), "both ban the same");
    for of in SOUND {
        assert_eq!(banned(&Path::new(ROOT).join(of).join("Cargo.toml")), []);
        // Nor is a ban lifted, but where the tests show that it holds, or print their figures.
        for file in sources(&Path::new(ROOT).join(of).join("src")) {
            let lifted = fs::read_to_string(&file).unwrap().contains("clippy::disallowed");
            let law = file.parent().is_some_and(|folder| folder.ends_with("laws"));
            assert!(!lifted || law, "{} lifts a ban", file.display());
        }
    }
}

#[test]
fn every_ban_finds_its_offence() {
    for of in SOUND {
        let listed: BTreeSet<String> = OFFENCES.iter().map(|(path, _)| (*path).to_owned()).collect();
        assert_eq!(bans(of), listed, "{of}: each ban needs its offence here");
        let dir = tempfile::tempdir().unwrap();
        let write = |name: &str, text: &str| fs::write(dir.path().join(name), text).unwrap();
        let lines =
            OFFENCES.iter().enumerate().map(|(n, (_, code))| code.replace("fn f(", &format!("fn f{n}(")) + "\n");
        fs::create_dir(dir.path().join("src")).unwrap();
        write("src/lib.rs", &lines.collect::<String>());
        write("Cargo.toml", "[package]\nname = \"offender\"\nedition = \"2024\"\n[workspace]\n");
        write(".clippy.toml", &fs::read_to_string(Path::new(ROOT).join(of).join(".clippy.toml")).unwrap());
        let found = banned(&dir.path().join("Cargo.toml"));
        for (line, (path, code)) in (1..).zip(OFFENCES) {
            let seen = found.iter().any(|(at, message)| *at == line && message.contains(&format!("`{path}`")));
            assert!(seen, "{of}: `{path}` is not found in `{code}`: {found:?}");
        }
    }
}

// ---- Where `unsafe` may stand ----

/// The files that cannot do without it.
const UNSAFE: [&str; 2] = ["engine/rt/src/laws/flush.rs", "engine/io/src/device/jack_source.rs"];

/// All Rust files below a folder, but for what is built.
fn sources(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if path.is_dir() && name != "target" && !name.starts_with('.') {
            found.extend(sources(&path));
        } else if name.ends_with(".rs") {
            found.push(path);
        }
    }
    found
}

/// The lines, counted from 1, on which the word stands as code, neither in a comment nor in a text.
fn unsafe_lines(text: &str) -> Vec<usize> {
    fn search(tokens: proc_macro2::TokenStream, lines: &mut Vec<usize>) {
        for token in tokens {
            match token {
                proc_macro2::TokenTree::Ident(word) if word == "unsafe" => lines.push(word.span().start().line),
                proc_macro2::TokenTree::Group(group) => search(group.stream(), lines),
                _ => {}
            }
        }
    }
    let mut lines = Vec::new();
    search(text.parse().expect("Rust"), &mut lines);
    lines
}

/// Whether a comment with the reason stands right above a line, an attribute may be between.
fn is_reasoned(text: &str, line: usize) -> bool {
    let above: Vec<&str> = text.lines().take(line - 1).collect();
    let near =
        above.iter().rev().map(|line| line.trim()).take_while(|line| line.starts_with("//") || line.starts_with('#'));
    near.into_iter().any(|line| line.starts_with("// SAFETY: "))
}

#[test]
fn unsafe_stands_where_it_must_with_its_reason_and_nowhere_else() {
    let files = sources(Path::new(ROOT));
    assert!(files.len() > 50, "the sources are found");
    for file in files {
        let text = fs::read_to_string(&file).unwrap();
        let here = file.strip_prefix(ROOT).unwrap();
        for line in unsafe_lines(&text) {
            assert!(UNSAFE.iter().any(|allowed| here == Path::new(allowed)), "{}:{line}: unsafe code", here.display());
            assert!(is_reasoned(&text, line), "{}:{line}: say why it is safe in `// SAFETY: …`", here.display());
        }
    }
    for file in UNSAFE {
        let text = fs::read_to_string(Path::new(ROOT).join(file)).unwrap();
        assert!(!unsafe_lines(&text).is_empty(), "{file} does without by now: strike it off");
    }
}

#[test]
fn unsafe_is_seen_in_code_only() {
    let text = "// unsafe\nfn f() { \"unsafe\"; }\n#[allow(unsafe_code)]\nfn g() {\n    // SAFETY: so.\n    unsafe { h() }\n}\n\
                unsafe impl Send for F {}\n";
    assert_eq!(unsafe_lines(text), [6, 8]);
    assert!(is_reasoned(text, 6));
    assert!(!is_reasoned(text, 8));
}
