//! One recording, one kind of log: what a source speaks is found out before its lines are laid into the journal.
//!
//! All sources are one log, and a log is read as what it begins with. A source that speaks another kind would be read
//! as damaged lines; so it is refused, and said. Only where there are several sources are lines held back for this, at
//! most until a sample is full; a sentence with a right checksum decides at once.

use leadline_ingest::{Format, Importer, Options};

/// What a source's lines are, as far as is known.
#[derive(Default)]
pub(crate) struct Kinds {
    /// The kind of the recording.
    of: Option<Format>,
    sources: Vec<Source>,
}

enum Source {
    /// Its first lines, and what looks at them.
    Unknown(Vec<u8>, Box<Importer>),
    /// They are laid.
    Taken,
    /// They are not.
    Refused,
}

/// What is to be done with lines.
#[derive(Debug, PartialEq, Eq)]
pub(crate) enum Verdict {
    /// Lay these, the held ones first.
    Lay(Vec<u8>),
    /// Nothing yet.
    Hold,
    /// Refused now, for the first time: its kind, and that of the recording.
    Refuse(Format, Format),
    /// Refused before.
    Drop,
}

impl Kinds {
    /// Of so many sources; `known`: what a recording that goes on holds already.
    pub(crate) fn new(sources: usize, known: Option<Format>) -> Self {
        let one = || Source::Unknown(Vec::new(), Box::new(Importer::new(Options::default())));
        // A single source is what the recording is.
        let sources = (0..sources).map(|_| if sources == 1 { Source::Taken } else { one() }).collect();
        Self { of: known.filter(|f| is_live(*f)), sources }
    }

    /// Lines of source number `source` have come.
    pub(crate) fn take(&mut self, source: usize, lines: &[u8]) -> Verdict {
        match self.sources.get_mut(source) {
            Some(Source::Unknown(held, importer)) => {
                held.extend_from_slice(lines);
                importer.push(lines, &mut Vec::new());
                match importer.format() {
                    None => Verdict::Hold,
                    Some(format) => self.decide(source, format),
                }
            }
            Some(Source::Refused) => Verdict::Drop,
            _ => Verdict::Lay(lines.to_vec()),
        }
    }

    /// What is held back of a source that has ended, or of a recording that ends.
    pub(crate) fn rest(&mut self, source: usize) -> Vec<u8> {
        match self.sources.get_mut(source) {
            Some(Source::Unknown(held, _)) => std::mem::take(held),
            _ => Vec::new(),
        }
    }

    /// All that is held back, by source.
    pub(crate) fn rests(&mut self) -> Vec<(usize, Vec<u8>)> {
        let all: Vec<_> = (0..self.sources.len()).map(|i| (i, self.rest(i))).collect();
        all.into_iter().filter(|(_, lines)| !lines.is_empty()).collect()
    }

    fn decide(&mut self, source: usize, format: Format) -> Verdict {
        let Some(slot) = self.sources.get_mut(source) else { return Verdict::Drop };
        if let Some(of) = self.of.filter(|of| is_live(format) && *of != format) {
            *slot = Source::Refused;
            return Verdict::Refuse(format, of);
        }
        if is_live(format) {
            self.of = Some(format);
        }
        match std::mem::replace(slot, Source::Taken) {
            Source::Unknown(held, _) => Verdict::Lay(held),
            _ => Verdict::Drop,
        }
    }
}

/// Kinds that instruments speak; what is none of them is laid, and told by what is made of the whole.
fn is_live(format: Format) -> bool {
    matches!(format, Format::Nmea0183 | Format::Nmea2000 | Format::SignalK)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 64 bytes are the least that decide.
    const SENTENCE: &[u8] =
        b"$SDDPT,5.3,0.4,*79\n$SDDPT,5.3,0.4,*79\n$SDDPT,5.3,0.4,*79\n$SDDPT,5.3,0.4,*79\n";

    fn frames() -> Vec<u8> {
        b"(1436454509.053905) can0 09F8027F#36FC8A360400FFFF\n".repeat(100)
    }

    #[test]
    fn another_kind_is_refused_and_the_same_is_laid() {
        let mut kinds = Kinds::new(3, None);
        assert_eq!(kinds.take(0, b"# remark\n"), Verdict::Hold);
        assert_eq!(kinds.take(0, SENTENCE), Verdict::Lay([b"# remark\n", SENTENCE].concat()));
        assert_eq!(kinds.take(1, SENTENCE), Verdict::Lay(SENTENCE.to_vec()));
        assert_eq!(kinds.take(2, &frames()), Verdict::Refuse(Format::Nmea2000, Format::Nmea0183));
        assert_eq!(kinds.take(2, &frames()), Verdict::Drop);
        assert_eq!(kinds.take(0, SENTENCE), Verdict::Lay(SENTENCE.to_vec()));
    }

    #[test]
    fn what_goes_on_keeps_its_kind_and_what_is_held_is_not_lost() {
        let mut kinds = Kinds::new(2, Some(Format::Nmea2000));
        assert_eq!(kinds.take(1, SENTENCE), Verdict::Refuse(Format::Nmea0183, Format::Nmea2000));
        assert_eq!(kinds.take(0, b"half a line"), Verdict::Hold);
        assert_eq!(kinds.rests(), [(0, b"half a line".to_vec())]);
        let mut one = Kinds::new(1, Some(Format::Nmea2000));
        assert_eq!(one.take(0, SENTENCE), Verdict::Lay(SENTENCE.to_vec()), "a single source is what it is");
    }
}
