//! What tests bring along of other people's: packages of Python, fetched the first time into `target/`.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

/// A folder of its own, `target/NAME`, with the Python packages that a list in `tests/NAME/requirements.txt` names. Its
/// `bin/python` sees them. `more`: what pip is told besides.
pub fn python(name: &str, more: &[&str]) -> PathBuf {
    let wanted = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests").join(name).join("requirements.txt");
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).with_file_name(name);
    let there = folder.join("requirements.txt");
    if fs::read(&there).ok() != fs::read(&wanted).ok() {
        let run = |command: &mut Command| {
            let done = command.output().unwrap_or_else(|why| panic!("{command:?}: {why}: install python3-venv"));
            assert!(done.status.success(), "{command:?}: {}", String::from_utf8_lossy(&done.stderr));
        };
        run(Command::new("python3").args(["-m", "venv", "--clear"]).arg(&folder));
        let install = ["-m", "pip", "install", "-q", "--disable-pip-version-check"];
        run(Command::new(folder.join("bin/python")).args(install).args(more).arg("-r").arg(&wanted));
        // Copied last: its being there says that all of it is.
        fs::copy(&wanted, &there).unwrap();
    }
    folder
}
