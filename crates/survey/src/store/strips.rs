//! Checking packed strips before they are stored: the dearest part of taking in a survey, so on several threads, and
//! before the store is locked.

use leadline_logbook::{Limits, StripError, strip_digest};
use leadline_model::StripDigest;
use std::thread;

/// Threads at most: two devices may be at it on one machine, and the map wants to be drawn meanwhile.
const THREADS: usize = 4;
/// Fewer strips are not worth a thread.
const WORTH: usize = 16;

/// Unpacks each strip, which proves that it is sound, and names it by its content.
pub(super) fn named(strips: &[Vec<u8>], limits: &Limits) -> Vec<Result<StripDigest, StripError>> {
    let name = |part: &[Vec<u8>]| part.iter().map(|p| strip_digest(p, limits)).collect::<Vec<_>>();
    let threads = thread::available_parallelism().map_or(1, |n| n.get().min(THREADS));
    if threads == 1 || strips.len() < WORTH {
        return name(strips);
    }
    let parts: Vec<_> = strips.chunks(strips.len().div_ceil(threads)).collect();
    thread::scope(|scope| {
        let working: Vec<_> = parts.iter().map(|part| scope.spawn(|| name(part))).collect();
        let done = working.into_iter().zip(&parts).map(|(thread, part)| {
            // Whatever brought the thread down, these strips are not known to be sound.
            thread.join().unwrap_or_else(|_| vec![Err(StripError::Columns); part.len()])
        });
        done.flatten().collect()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_strips_are_named_as_one_by_one() {
        let limits = Limits::default();
        let strips: Vec<Vec<u8>> = (0..100u8).map(|n| vec![n; usize::from(n)]).collect();
        let one_by_one: Vec<_> = strips.iter().map(|s| strip_digest(s, &limits)).collect();
        assert_eq!(named(&strips, &limits), one_by_one);
        assert!(named(&[], &limits).is_empty());
    }
}
