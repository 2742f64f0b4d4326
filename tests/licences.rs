//! The licences of all that the program is built of, as the program itself tells them.

use std::collections::BTreeSet;
use std::process::Command;

/// What the program prints.
fn told() -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_tenterhook")).arg("licences").output().unwrap();
    assert!(output.status.success() && output.stderr.is_empty(), "{output:?}");
    String::from_utf8(output.stdout).unwrap()
}

/// The crates that are linked into the program, on any system, as `name version`.
fn built_of() -> BTreeSet<String> {
    let mut cargo = Command::new("cargo");
    cargo.args(["tree", "--locked", "-e", "normal", "--target", "all", "--prefix", "none", "-p", "tenterhook"]);
    let output = cargo.current_dir(env!("CARGO_MANIFEST_DIR")).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let tree = String::from_utf8(output.stdout).unwrap();
    let crates = tree.lines().filter_map(|line| {
        let mut words = line.split_whitespace();
        Some(format!("{} {}", words.next()?, words.next()?.trim_start_matches('v')))
    });
    crates.filter(|name| !name.starts_with("tenterhook")).collect()
}

/// Crates of a list that have no licence or no notice in a text.
fn missing<'c>(crates: &'c BTreeSet<String>, told: &str) -> Vec<&'c String> {
    let listed: BTreeSet<&str> = told.lines().filter_map(|line| Some(line.split_once(": ")?.0)).collect();
    let heads = told.lines().filter_map(|line| line.strip_prefix("Of ")?.strip_suffix(':'));
    let noticed: BTreeSet<&str> = heads.flat_map(|names| names.split(", ")).collect();
    crates.iter().filter(|name| !listed.contains(name.as_str()) || !noticed.contains(name.as_str())).collect()
}

#[test]
fn every_dependency_is_told_with_its_licence_and_a_notice() {
    let (told, mut crates) = (told(), built_of());
    assert!(crates.len() > 200, "{}", crates.len());
    assert_eq!(missing(&crates, &told), <Vec<&String>>::new(), "run .ci/licences");
    crates.insert("stranger 1.0.0".to_owned());
    assert_eq!(missing(&crates, &told), ["stranger 1.0.0"], "a new one is missed");
}

/// Of each crate that is under one of these alone, its text must be there whole: words from the beginning, the middle and
/// the end of the Mozilla Public Licence 2.0, the BSD licences and the Unicode Licence 3.0.
#[test]
fn the_notices_that_licences_ask_for_are_there() {
    let told = told();
    let (list, notices) = told.split_once(&"=".repeat(80)).unwrap();
    for (licence, words) in [
        (
            "MPL-2.0",
            &["Mozilla Public License", "3.2. Distribution of Executable Form", "Incompatible With Secondary Licenses"]
                [..],
        ),
        ("BSD-3-Clause", &["Redistributions in binary form must reproduce", "Neither the name of", "SUCH DAMAGE"]),
        ("BSD-2-Clause", &["Redistributions of source code must retain", "SUCH DAMAGE"]),
        ("Unicode-3.0", &["UNICODE LICENSE V3", "Unicode, Inc."]),
    ] {
        let under = |line: &&str| line.contains(licence) && !line.contains(" OR ");
        for line in list.lines().filter(under) {
            let name = line.split_once(": ").unwrap().0;
            let own: Vec<_> = notices
                .split(&"=".repeat(80))
                .filter(|notice| notice.lines().nth(1).is_some_and(|head| head.contains(name)))
                .collect();
            let own = own.join("\n").split_whitespace().collect::<Vec<_>>().join(" ");
            for words in words {
                assert!(own.contains(words), "{name}: no {words:?}");
            }
        }
        assert!(list.contains(licence), "{licence}");
    }
    assert!(list.contains("https://github.com/pdeljanov/Symphonia"), "where the source is to be had");
}
