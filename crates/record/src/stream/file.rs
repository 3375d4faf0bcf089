//! A file that another program writes on.
//!
//! It is a live source: what stands in it when recording begins is not read (that is for `import`); a file that comes
//! into being later, or is begun anew, is read from its start.

use super::lines::Lines;
use super::{BackOff, Brought, CHUNK, Outlet};
use std::io::SeekFrom;
use std::path::Path;
use std::time::Duration;
use tokio::fs::File;
use tokio::io::{AsyncReadExt, AsyncSeekExt};

/// How often it is looked at.
const LOOK: Duration = Duration::from_millis(200);

pub(super) async fn follow(path: &Path, out: &Outlet) {
    let mut back_off = BackOff::new();
    let mut from_end = true;
    loop {
        let why = match File::open(path).await {
            Ok(file) => {
                back_off.worked();
                match read_on(path, file, from_end, out).await {
                    Ok(true) => "it was replaced or cut".to_owned(),
                    Ok(false) => return,
                    Err(e) => e.to_string(),
                }
            }
            Err(e) => e.to_string(),
        };
        from_end = false;
        if !back_off.wait(why, out).await {
            return;
        }
    }
}

/// Reads until the file is another one (true) or nobody listens (false).
async fn read_on(path: &Path, mut file: File, from_end: bool, out: &Outlet) -> std::io::Result<bool> {
    let mut at = if from_end { file.seek(SeekFrom::End(0)).await? } else { 0 };
    if !out.give(Brought::Up(format!("following from byte {at}"))).await {
        return Ok(false);
    }
    let (mut lines, mut chunk) = (Lines::default(), vec![0; CHUNK]);
    loop {
        let n = file.read(&mut chunk).await?;
        at += n as u64;
        if n > 0 {
            if !out.lines(lines.push(&chunk[..n])).await {
                return Ok(false);
            }
            continue;
        }
        if out.to.is_closed() {
            return Ok(false);
        }
        if is_another(path, &file, at).await {
            out.lines(lines.rest()).await;
            return Ok(true);
        }
        tokio::time::sleep(LOOK).await;
    }
}

/// Whether the name means another file now, or this one was cut.
async fn is_another(path: &Path, file: &File, at: u64) -> bool {
    let Ok(now) = tokio::fs::metadata(path).await else { return true };
    if now.len() < at {
        return true;
    }
    #[cfg(unix)]
    {
        use std::os::unix::fs::MetadataExt;
        return file.metadata().await.is_ok_and(|held| (held.dev(), held.ino()) != (now.dev(), now.ino()));
    }
    #[cfg(not(unix))]
    {
        let _ = file;
        false
    }
}
