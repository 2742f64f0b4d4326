//! Whether a log's folder is still there, and has room.

use std::path::Path;

/// Bytes that must be free before a log goes on: some seconds of a large ensemble.
const ENOUGH: u64 = 64 << 20;

/// Which folder it is, by whatever name.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct FolderIdentity(u64, u64);

impl FolderIdentity {
    /// Of what has this name now; `None`: nothing has, or the system does not tell.
    pub fn of(dir: &Path) -> Option<Self> {
        #[cfg(unix)]
        {
            use std::os::unix::fs::MetadataExt;
            std::fs::metadata(dir).ok().map(|about| Self(about.dev(), about.ino()))
        }
        #[cfg(not(unix))]
        {
            std::fs::metadata(dir).ok().map(|_| Self(0, 0))
        }
    }
}

/// Whether a file in this folder can grow; where the system does not tell one has to try.
pub(super) fn is_enough(dir: &Path) -> bool {
    #[cfg(target_os = "linux")]
    {
        use rustix::process::{Resource, getrlimit};
        let free = rustix::fs::statvfs(dir).ok().map(|told| told.f_bavail.saturating_mul(told.f_frsize));
        let most = getrlimit(Resource::Fsize).current;
        free.into_iter().chain(most).all(|bytes| bytes >= ENOUGH)
    }
    #[cfg(not(target_os = "linux"))]
    {
        let _ = dir;
        true
    }
}
