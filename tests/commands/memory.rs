//! What does not fit into memory is refused before it is built.

use std::process::{Command, Stdio};

use super::room::{PIECE, Room, limited};

/// 1.5 GB of addresses, in kB.
const MEMORY: &str = "ulimit -v 1500000";

#[test]
fn a_hundred_thousand_scenes_take_no_half_gigabyte() {
    let room = Room::new();
    let scenes: String = (0..100_000).map(|n| format!("[[scene]]\nmark = \"{n}\"\nbar = {n}\n")).collect();
    room.write("long.toml", format!("mics = {{ a = 1 }}\noutputs = {{ l = 1 }}\n{scenes}"));
    // bash's limit of memory is in kilobytes of addresses.
    let limited = limited(&room, "ulimit -v 500000", "check long.toml");
    let said = String::from_utf8(limited.stderr).unwrap();
    assert!(limited.status.code() == Some(2) && said.contains("more than 1000 scenes"), "{said}");
}

/// A piece of some 2 GB: sixteen groups, each with two minutes to be stretched.
fn many() -> String {
    let each = |what: &dyn Fn(usize) -> String| (1..=16).map(what).collect::<String>();
    let groups = each(&|n| format!("g{n} = [\"voice\"]\n"));
    let hands = each(&|n| format!("c{n} = {{}}\n"));
    let effects = each(&|n| format!("mic.g{n}.stretch = {{ by = \"c{n}\", memory = \"120 s\" }}\n"));
    format!(
        "mics = {{ voice = 1 }}\noutputs = {{ left = 1 }}\n[groups]\n{groups}[controllers]\n{hands}[[scene]]\nmark = \"A\"\n\
         {effects}"
    )
}

#[test]
fn a_piece_that_does_not_fit_into_memory_is_refused_by_every_command_that_plays() {
    let room = Room::new();
    room.write("many.toml", many());
    // It takes some 2 GB, and would be built until the system gives no more.
    for asked in [
        "rehearse many.toml --mics mics.wav --out out.wav",
        "load many.toml --runs 1",
        "play many.toml --host clock --no-page",
        "soundcheck many.toml --host clock --no-page",
    ] {
        let output = limited(&room, MEMORY, asked);
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{asked}: {said}");
        for part in
            ["error: ", "MB of memory", "this process may still take", "stretch on 16 sources", "shorter `memory`"]
        {
            assert!(said.contains(part), "{asked}: {said}");
        }
        assert!(!said.contains("panicked"), "{said}");
    }
    assert!(!room.names().iter().any(|name| name == "out.wav"), "{:?}", room.names());
    let output = limited(&room, MEMORY, "check many.toml");
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(
        output.status.success() && said.contains("caution: ") && said.contains("would not be played here"),
        "{said}"
    );
    let output = limited(&room, MEMORY, "check many.toml --json");
    let told: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert!(told["memory"]["bytes"].as_u64().is_some_and(|bytes| bytes > 1 << 30), "{told}");
    assert_eq!(told["memory"]["fits"], false);
    // One that fits is stated, and not worth a word of caution where enough is free.
    let output = limited(&room, MEMORY, "check piece.toml");
    let said = String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    assert!(said.contains("MB of memory") && !said.contains("half of the"), "{said}");
}

#[test]
fn a_saved_version_that_does_not_fit_into_memory_leaves_the_one_before_playing() {
    use std::io::{BufRead, BufReader};
    let room = Room::new();
    let line = format!(
        "ulimit -v 1500000; exec {} play piece.toml --follow --host clock --no-page --json --no-journal",
        env!("CARGO_BIN_EXE_tenterhook")
    );
    let mut child = Command::new("sh")
        .args(["-c", &line])
        .current_dir(room.0.path())
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let mut until = |event: &str| -> serde_json::Value {
        loop {
            let line = lines.next().unwrap_or_else(|| panic!("it ended before it said {event}")).unwrap();
            let told: serde_json::Value = serde_json::from_str(&line).unwrap();
            if told["event"] == event {
                return told;
            }
        }
    };
    until("started");
    room.write("piece.toml", many());
    let told = until("broken");
    assert!(told["found"].to_string().contains("MB of memory"), "{told}");
    // The next save that fits takes over.
    room.write("piece.toml", PIECE.replace("mark = \"A\"", "mark = \"B\""));
    until("changed");
    child.kill().unwrap();
    child.wait().unwrap();
}
