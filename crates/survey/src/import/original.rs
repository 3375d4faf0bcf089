//! The log as it came, compressed, kept among the originals: a safety net for whatever is not read of it today.

use crate::Error;
use crate::durable::{make_folder, sweep_leftovers, sync_folder_of};
use leadline_model::{Digest, Epoch};
use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::mpsc;

/// Under a temporary name until its legs are known to be new; gone when it is dropped before.
pub(super) struct Original {
    temp: PathBuf,
    dir: PathBuf,
}

impl Drop for Original {
    fn drop(&mut self) {
        drop(std::fs::remove_file(&self.temp));
    }
}

impl Original {
    /// Compresses what `read` hands on, on a thread of its own.
    pub(super) fn made_while<T>(
        dir: &Path,
        read: impl FnOnce(&mut dyn FnMut(Vec<u8>)) -> Result<T, Error>,
    ) -> Result<(T, Self), Error> {
        make_folder(dir)?;
        sweep_leftovers(dir, |_| true);
        let name = format!("{}-{}.tmp", std::process::id(), Epoch(crate::home::random()));
        let original = Self { temp: dir.join(name), dir: dir.to_owned() };
        let temp = File::create(&original.temp).map_err(Error::file(&original.temp))?;
        std::thread::scope(|scope| {
            let (to_keep, chunks) = mpsc::sync_channel::<Vec<u8>>(4);
            let keeper = scope.spawn(move || compress(temp, chunks));
            // A closed channel means that the other side failed; its error is taken at the end.
            let read = read(&mut |chunk| drop(to_keep.send(chunk)));
            drop(to_keep);
            let kept = keeper.join().expect("the thread does not panic");
            let read = read?;
            kept.map_err(Error::file(&original.temp))?;
            Ok((read, original))
        })
    }

    /// Keeps it under the digest of its bytes.
    pub(super) fn keep_as(&self, source: Digest) -> Result<(), Error> {
        let name = self.dir.join(format!("{source}.zst"));
        std::fs::rename(&self.temp, &name).and_then(|()| sync_folder_of(&name)).map_err(Error::file(&name))
    }
}

fn compress(temp: File, chunks: mpsc::Receiver<Vec<u8>>) -> std::io::Result<()> {
    // Level 1: not worth an import's time.
    let mut out = zstd::stream::write::Encoder::new(temp, 1)?;
    for c in chunks {
        out.write_all(&c)?;
    }
    out.finish()?.sync_all()
}
