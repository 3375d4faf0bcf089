//! One stream of depths out of several sentences that state the same reading.
//!
//! A reading is a duplicate if a better-ranked one lies within 1.5 s of it. This looks at nothing but the
//! neighbours in time, so a cut log gives the same answer.

use crate::legs::Stream;
use crate::nmea::DepthKind;
use leadline_model::{Flags, Sounding};

/// A sounding, its stream and its line.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Placed {
    pub(crate) sounding: Sounding,
    pub(crate) stream: Stream,
    pub(crate) line: u64,
    /// A better-ranked reading says it already.
    pub(crate) duplicate: bool,
}

/// Readings this close state the same, ms.
const SAME_READING_MS: i64 = 1_500;
/// A duplicate is judged when its last neighbour can have come; its neighbours are kept until then.
const HOLD_MS: i64 = 2 * SAME_READING_MS;
/// Readings handed out before the list is moved up.
const COMPACT: usize = 256;
/// Feet and metres are rounded separately: less is no disagreement, mm.
const DISAGREES_MM: i32 = 100;

/// Rank of a depth sentence: DPT, DBT, DBS, DBK, then the talker.
pub(crate) fn stream_of(kind: DepthKind, talker: [u8; 2]) -> Stream {
    (kind as u32) << 16 | u32::from(u16::from_be_bytes(talker))
}

/// Rank of a depth of a source that has a number: the bus address of an NMEA 2000 device.
pub(crate) fn numbered_stream(kind: DepthKind, number: u8) -> Stream {
    (kind as u32) << 16 | u32::from(number)
}

/// `NMEA 0183 SD/DPT`, `NMEA 2000 35/128267`, `Signal K belowTransducer`.
pub(crate) fn stream_name(stream: Stream) -> String {
    let Some(kind) = DepthKind::ALL.get((stream >> 16) as usize) else { return "?".to_owned() };
    let source = stream.to_be_bytes();
    match kind {
        DepthKind::Pgn128267 => format!("NMEA 2000 {}/{}", source[3], kind.formatter()),
        DepthKind::BelowTransducer | DepthKind::BelowSurface | DepthKind::BelowKeel => {
            format!("Signal K {}", kind.formatter())
        }
        _ => {
            let talker: String = source[2..].iter().map(|c| char::from(*c)).collect();
            format!("NMEA 0183 {talker}/{}", kind.formatter())
        }
    }
}

#[derive(Default)]
pub(crate) struct Streams {
    /// From `first` on; those before are handed out and dropped now and then.
    held: Vec<Placed>,
    first: usize,
    /// The first that is not judged yet.
    judged: usize,
}

impl Streams {
    /// Takes readings in time order; hands out those that no later one can touch.
    pub(crate) fn push(&mut self, mut new: Placed, mut out: impl FnMut(Placed)) {
        let now = new.sounding.time.0;
        self.judge(now);
        while let Some(old) = self.held.get(self.first).filter(|h| now - h.sounding.time.0 > HOLD_MS) {
            out(*old);
            self.first += 1;
        }
        for h in self.held[self.first..].iter_mut().rev() {
            if now - h.sounding.time.0 > SAME_READING_MS {
                break;
            }
            h.duplicate |= h.stream > new.stream;
            new.duplicate |= h.stream < new.stream;
        }
        if self.first >= COMPACT {
            self.held.drain(..self.first);
            self.judged -= self.first;
            self.first = 0;
        }
        self.held.push(new);
    }

    /// Hands out everything: no later reading belongs to these.
    pub(crate) fn drain(&mut self, out: impl FnMut(Placed)) {
        self.judge(i64::MAX);
        self.held.drain(..).skip(self.first).for_each(out);
        (self.first, self.judged) = (0, 0);
    }

    pub(crate) fn iter_mut(&mut self) -> impl Iterator<Item = &mut Sounding> {
        self.held[self.first..].iter_mut().map(|h| &mut h.sounding)
    }

    fn judge(&mut self, now: i64) {
        while let Some(x) = self.held.get(self.judged) {
            if now.saturating_sub(x.sounding.time.0) <= SAME_READING_MS {
                break;
            }
            if x.duplicate {
                self.compare(self.judged);
            }
            self.judged += 1;
        }
    }

    /// Flags the nearest better reading if the duplicate at `i` lies outside what its better neighbours span:
    /// over a slope they differ without anything being wrong.
    fn compare(&mut self, i: usize) {
        let x = self.held[i];
        let distance = |h: &Placed| (h.sounding.time.0 - x.sounding.time.0).abs();
        let before = (self.first..i).rev().take_while(|j| distance(&self.held[*j]) <= SAME_READING_MS);
        let after = (i + 1..self.held.len()).take_while(|j| distance(&self.held[*j]) <= SAME_READING_MS);
        let (mut low, mut high, mut nearest) = (i32::MAX, i32::MIN, None);
        for j in before.chain(after) {
            let h = &self.held[j];
            if h.stream >= x.stream || h.sounding.from != x.sounding.from {
                continue;
            }
            (low, high) = (low.min(h.sounding.depth_mm), high.max(h.sounding.depth_mm));
            if !h.duplicate && nearest.is_none_or(|(n, _)| distance(h) < n) {
                nearest = Some((distance(h), j));
            }
        }
        let Some((_, j)) = nearest else { return };
        let depth = x.sounding.depth_mm;
        if depth < low.saturating_sub(DISAGREES_MM) || depth > high.saturating_add(DISAGREES_MM) {
            let flags = &mut self.held[j].sounding.flags;
            *flags = flags.with(Flags::DISAGREES);
        }
    }
}
