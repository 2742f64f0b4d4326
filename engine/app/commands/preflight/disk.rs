//! The disk to which the log goes: its room, and how fast it takes what is written.

use std::io::{Error, Write};
use std::path::{Path, PathBuf};
use std::time::Instant;

use super::{PreflightSeen, SeenMachine};

/// A long show, in hours. Common practice, no source.
const HOURS: f64 = 3.0;

/// How many times faster than the log a disk should be, since it has other work as well. Common practice, no source.
const FASTER: f64 = 4.0;

/// How much is written to see how fast that goes, in bytes.
const TRIAL: usize = 64 << 20;

const MEGA: f64 = 1e6;

/// Whether the log of a show has room.
pub fn space(machine: &SeenMachine<'_>) -> PreflightSeen {
    let folder = existing(&machine.log);
    let Some(free) = free(&folder) else {
        return PreflightSeen::Hidden(format!("the room in {} is not told", folder.display()));
    };
    room(free, machine.log_bytes)
}

/// Whether so many free bytes hold the log of a show.
fn room(free: f64, a_second: f64) -> PreflightSeen {
    let hours = free / a_second / 3600.0;
    let found = match hours < 100.0 {
        true => format!("{:.1} GB free, {hours:.1} hours of the log", free / 1e9),
        false => format!("{:.0} GB free, days of the log", free / 1e9),
    };
    if hours >= HOURS {
        PreflightSeen::Good(found)
    } else {
        PreflightSeen::Look(found, "make room, or log to another disk".to_owned())
    }
}

/// Whether the disk keeps up with the log: 64 MB are written, brought to the disk, and thrown away.
pub fn speed(machine: &SeenMachine<'_>) -> PreflightSeen {
    if machine.plays {
        return PreflightSeen::Hidden("while a piece plays nothing is written to try it".to_owned());
    }
    let folder = existing(&machine.log);
    // What fills a disk to see how fast it is does not belong before a show.
    if free(&folder).is_some_and(|free| free < 4.0 * TRIAL as f64) {
        return PreflightSeen::Hidden("too little room to try".to_owned());
    }
    match write(&folder) {
        Err(why) => PreflightSeen::Look(
            format!("nothing can be written in {} ({why})", folder.display()),
            "choose another folder with `--log DIR`, or see who may write there".to_owned(),
        ),
        Ok(speed) => judge(speed, machine.log_bytes),
    }
}

/// Whether so many bytes a second are enough.
fn judge(speed: f64, needed: f64) -> PreflightSeen {
    let found = format!("writes {:.0} MB/s, the log takes {:.1} MB/s", speed / MEGA, needed / MEGA);
    if speed >= FASTER * needed {
        PreflightSeen::Good(found)
    } else {
        PreflightSeen::Look(found, "log to a faster disk".to_owned())
    }
}

/// How many bytes a second the disk of a folder takes. The file has no name: whatever happens, nothing stays of it.
fn write(folder: &Path) -> Result<f64, Error> {
    let mut file = tempfile::tempfile_in(folder)?;
    // Not zeros, which some disks do not write at all.
    let part: Vec<u8> = (0..1u32 << 18).flat_map(|n| n.wrapping_mul(2_654_435_761).to_le_bytes()).collect();
    let start = Instant::now();
    for _ in 0..TRIAL / part.len() {
        file.write_all(&part)?;
    }
    file.sync_all()?;
    Ok(TRIAL as f64 / start.elapsed().as_secs_f64())
}

/// The folder itself, or the nearest above it that is there already: a log makes its own.
fn existing(folder: &Path) -> PathBuf {
    let there = folder.ancestors().find(|one| one.is_dir() || one.as_os_str().is_empty());
    there.filter(|one| !one.as_os_str().is_empty()).unwrap_or(Path::new(".")).to_owned()
}

/// The bytes that this user may still write there.
#[cfg(target_os = "linux")]
fn free(folder: &Path) -> Option<f64> {
    rustix::fs::statvfs(folder).ok().map(|told| told.f_bavail as f64 * told.f_frsize as f64)
}

#[cfg(not(target_os = "linux"))]
fn free(_folder: &Path) -> Option<f64> {
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_hours_of_log_must_have_room_and_the_disk_must_be_four_times_as_fast() {
        let a_second = 5.0 * 48_000.0 * 4.0;
        assert!(matches!(room(a_second * 3600.0 * 3.1, a_second), PreflightSeen::Good(_)));
        let PreflightSeen::Look(found, _) = room(a_second * 3600.0 * 2.9, a_second) else { panic!("it is too little") };
        assert_eq!(found, "10.0 GB free, 2.9 hours of the log");
        assert!(matches!(judge(4.1 * a_second, a_second), PreflightSeen::Good(_)));
        assert!(matches!(judge(3.9 * a_second, a_second), PreflightSeen::Look(..)));
    }

    #[test]
    fn a_log_that_is_not_there_yet_goes_to_the_folder_above() {
        let room = tempfile::tempdir().unwrap();
        assert_eq!(existing(&room.path().join("not/yet")), room.path());
        assert_eq!(existing(Path::new("no such folder")), Path::new("."));
        assert!(write(room.path()).unwrap() > 0.0);
        assert_eq!(std::fs::read_dir(room.path()).unwrap().count(), 0, "nothing stays");
    }
}
