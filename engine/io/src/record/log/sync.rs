//! Brings a log's files from the system's memory to the disk, on a thread of its own: a disk that takes seconds for it
//! keeps nobody from writing on.

use super::LogError;
use crossbeam_channel::{Sender, bounded};
use std::fs::File;
use std::io;
use std::sync::{Arc, Mutex, PoisonError, Weak};
use std::thread::JoinHandle;

/// Waits until the disk has what was written to a file.
pub(super) type Sync = fn(&File) -> io::Result<()>;

pub(super) struct Syncer {
    files: Arc<Mutex<Vec<Weak<File>>>>,
    trouble: Arc<Mutex<Option<io::Error>>>,
    // `None` only while it ends.
    wake: Option<Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

impl Syncer {
    /// Starts the thread that brings files to the disk.
    pub fn start(sync: Sync) -> Result<Self, LogError> {
        // One that waits is enough: it brings all that was written until it is heard.
        let (wake, woken) = bounded::<()>(1);
        let (files, trouble) = (Arc::<Mutex<Vec<Weak<File>>>>::default(), Arc::<Mutex<Option<io::Error>>>::default());
        let (kept, told) = (Arc::clone(&files), Arc::clone(&trouble));
        let run = move || {
            for () in woken {
                // Whoever writes never waits for this list.
                let files: Vec<_> = kept.lock().unwrap_or_else(PoisonError::into_inner).clone();
                let result = files.iter().filter_map(Weak::upgrade).try_for_each(|file| sync(&file));
                *told.lock().unwrap_or_else(PoisonError::into_inner) = result.err();
            }
        };
        let thread = std::thread::Builder::new().name("log-sync".to_owned()).spawn(run);
        let thread = Some(thread.map_err(|why| LogError::Thread { why })?);
        Ok(Self { files, trouble, wake: Some(wake), thread })
    }

    /// From now on this file is brought to the disk as well, for as long as somebody holds it.
    pub fn add(&self, file: &Arc<File>) {
        let mut files = self.files.lock().unwrap_or_else(PoisonError::into_inner);
        files.retain(|file| file.strong_count() > 0);
        files.push(Arc::downgrade(file));
    }

    /// Brings all to the disk that was written until now. Does not wait.
    pub fn now(&self) {
        if let Some(wake) = &self.wake {
            // One that waits already does it.
            let _ = wake.try_send(());
        }
    }

    /// What the system said, if the last time was in vain.
    pub fn trouble(&self) -> Option<String> {
        self.trouble.lock().unwrap_or_else(PoisonError::into_inner).as_ref().map(ToString::to_string)
    }
}

impl Drop for Syncer {
    fn drop(&mut self) {
        self.wake = None;
        if let Some(thread) = self.thread.take() {
            // It has no way to panic; were there one, there would be nothing to do here.
            let _ = thread.join();
        }
    }
}
