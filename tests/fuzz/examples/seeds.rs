//! Writes each target's first inputs to FOLDER/TARGET, for a fuzzer to begin with.

use std::path::PathBuf;

fn main() -> std::io::Result<()> {
    let folder = std::env::args_os().nth(1).map(PathBuf::from).ok_or_else(|| std::io::Error::other("name a folder"))?;
    for target in &tenterhook_fuzz::TARGETS {
        let folder = folder.join(target.name);
        std::fs::create_dir_all(&folder)?;
        for (n, seed) in (target.seeds)().iter().enumerate() {
            std::fs::write(folder.join(n.to_string()), seed)?;
        }
    }
    Ok(())
}
