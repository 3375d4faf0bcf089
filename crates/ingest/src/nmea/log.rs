//! A log of sentences, line by line.

use super::frame::{Frame, frame};
use super::sentence::{Content, parse, talker};
use crate::account::Label;
use crate::kinds::Good;
use crate::pairing::{Feed, MAX_GAP_MS, stream_of};
use crate::{Options, Problem};

/// Reads a log of NMEA 0183 sentences.
pub(crate) struct NmeaLog {
    pub(crate) feed: Feed,
    /// Lines that are neither blank nor remarks.
    arrivals: u64,
    /// When each kind of sentence last had a checksum.
    checked_at: [Option<i64>; KINDS],
}

const KINDS: usize = 12;

impl NmeaLog {
    pub(crate) fn new(options: &Options) -> Self {
        Self { feed: Feed::new(options), arrivals: 0, checked_at: [None; KINDS] }
    }

    /// Takes line `number`, neither blank nor a remark; `whole` is false for a last line without its end.
    pub(crate) fn line(&mut self, number: u64, line: &[u8], whole: bool) {
        self.arrivals += 1;
        let became = frame(line).and_then(|f| self.sentence(number, f, whole));
        self.feed.note(number, line, became);
    }

    /// Counts a line that cannot be a sentence.
    pub(crate) fn refuse(&mut self, number: u64, line: &[u8], problem: Problem) {
        self.arrivals += 1;
        self.feed.refuse(number, line, problem);
    }

    /// The line's label, or `None` if it is known later.
    fn sentence(&mut self, number: u64, frame: Frame<'_>, whole: bool) -> Result<Option<Label>, Problem> {
        let parsed = parse(frame);
        let good = match &parsed {
            Ok(Content::NotNeeded) => Good::NotNeeded,
            Err(Problem::UnknownSentence) => Good::NotKnown,
            _ => Good::Used,
        };
        self.feed.sink.account.kinds.short(frame.address, good);
        let content = &parsed?;
        let checked = frame.checked;
        let kind = match content {
            Content::NotNeeded => return Ok(Some(Label::NotNeeded)),
            Content::Depth(d) => d.kind as usize,
            Content::Fix(f) => 4 + f.kind as usize,
            Content::Date(..) => 8,
            Content::Speed(_) => 9,
            Content::Dop(_) => 10,
            Content::Temperature(_) => 11,
        };
        if !checked && !whole || self.lost_its_checksum(kind, checked) {
            return Err(Problem::TornLine);
        }
        let used = if checked { Label::Used } else { Label::Problem(Problem::NoChecksum) };
        Ok(Some(match content {
            Content::Depth(depth) => {
                let stream = stream_of(depth.kind, talker(frame));
                self.feed.depth(self.arrivals, number, *depth, stream, checked);
                return Ok(None);
            }
            Content::Fix(fix) => self.feed.fix(self.arrivals, fix, checked, used),
            Content::Date(Some(time), day) => self.feed.date(*time, *day, used)?,
            Content::Speed(Some(_)) | Content::Dop(Some(_)) | Content::Temperature(Some(_)) => {
                self.feed.evidence(content, used)
            }
            _ => Label::NotNeeded,
        }))
    }

    /// Whether a sentence without checksum is a torn one: its kind had checksums within the last seconds.
    fn lost_its_checksum(&mut self, kind: usize, checked: bool) -> bool {
        let now = self.feed.now_ms();
        let Some(last) = self.checked_at.get_mut(kind) else { return false };
        if checked {
            *last = now;
            return false;
        }
        last.zip(now).is_some_and(|(last, now)| (0..=MAX_GAP_MS).contains(&(now - last)))
    }
}
