//! Fast packets: messages of up to 223 bytes in frames of 8.
//!
//! Byte 0 of each frame: 3 bits of sequence, 5 bits of frame number. Frame 0 has the whole length in byte 1 and 6
//! bytes of the message; each later frame has 7 (from memory; the worked logs agree).

use super::line::{BusLine, MAX_MESSAGE};
use crate::Problem;

/// Messages that grow at the same time; a device sends its frames together.
const OPEN_MAX: usize = 16;

/// A message that is whole.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Message {
    pub(crate) pgn: u32,
    pub(crate) source: u8,
    pub(crate) data: Vec<u8>,
}

struct Open {
    pgn: u32,
    source: u8,
    sequence: u8,
    next: u8,
    len: usize,
    data: Vec<u8>,
}

/// Puts frames together.
#[derive(Default)]
pub(crate) struct Assembler {
    /// Oldest first.
    open: Vec<Open>,
}

impl Assembler {
    /// Takes a frame of a fast packet: the message if it is the last one.
    ///
    /// # Errors
    /// [`Problem::TornLine`] for a frame whose beginning is missing or that does not follow.
    pub(crate) fn take(&mut self, frame: &BusLine) -> Result<Option<Message>, Problem> {
        let (&first, rest) = frame.data().split_first().ok_or(Problem::TornLine)?;
        let (sequence, number) = (first >> 5, first & 0x1f);
        let same = |o: &Open| (o.pgn, o.source, o.sequence) == (frame.pgn, frame.source, sequence);
        let place = self.open.iter().position(same);
        if number == 0 {
            if let Some(i) = place {
                self.open.remove(i);
            }
            return self.begin(frame, sequence, rest);
        }
        let i = place.ok_or(Problem::TornLine)?;
        if self.open[i].next != number {
            self.open.remove(i);
            return Err(Problem::TornLine);
        }
        let open = &mut self.open[i];
        open.data.extend(rest.iter().take(open.len - open.data.len()));
        open.next += 1;
        Ok((open.data.len() == open.len).then(|| whole(self.open.remove(i))))
    }

    fn begin(&mut self, frame: &BusLine, sequence: u8, rest: &[u8]) -> Result<Option<Message>, Problem> {
        let (&len, rest) = rest.split_first().ok_or(Problem::TornLine)?;
        let len = usize::from(len);
        if !(1..=MAX_MESSAGE).contains(&len) {
            return Err(Problem::TornLine);
        }
        let data = rest.iter().copied().take(len).collect::<Vec<_>>();
        let open = Open { pgn: frame.pgn, source: frame.source, sequence, next: 1, len, data };
        if open.data.len() == len {
            return Ok(Some(whole(open)));
        }
        if self.open.len() >= OPEN_MAX {
            self.open.remove(0);
        }
        self.open.push(open);
        Ok(None)
    }
}

fn whole(open: Open) -> Message {
    Message { pgn: open.pgn, source: open.source, data: open.data }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(id: u32, data: &[u8]) -> BusLine {
        let hex: String = data.iter().map(|b| format!("{b:02X}")).collect();
        BusLine::of(format!("(1.0) can0 {id:08X}#{hex}").as_bytes()).expect("a frame")
    }

    #[test]
    fn frames_become_a_message_and_gaps_do_not() {
        let body: Vec<u8> = (0..43).collect();
        let mut frames = vec![[&[0x40, 43][..], &body[..6]].concat()];
        for (i, part) in body[6..].chunks(7).enumerate() {
            let mut f = vec![0x40 | (i as u8 + 1)];
            f.extend(part);
            f.resize(8, 0xff);
            frames.push(f);
        }
        assert_eq!(frames.len(), 7);
        let id = 0x0DF8_0523;
        let mut a = Assembler::default();
        let mut out: Vec<_> = frames.iter().map(|f| a.take(&frame(id, f))).collect();
        let last = out.pop().expect("seven");
        assert!(out.iter().all(|o| *o == Ok(None)));
        assert_eq!(last, Ok(Some(Message { pgn: 129_029, source: 35, data: body })));
        // Without the third frame nothing comes, and each frame after the gap is named.
        let mut a = Assembler::default();
        let torn: Vec<_> =
            frames.iter().enumerate().filter(|(i, _)| *i != 2).map(|(_, f)| a.take(&frame(id, f))).collect();
        assert_eq!(torn.iter().filter(|o| **o == Err(Problem::TornLine)).count(), 4);
        assert!(torn.iter().all(|o| !matches!(o, Ok(Some(_)))));
    }

    #[test]
    fn two_devices_may_interleave_and_many_are_bounded() {
        let mut a = Assembler::default();
        let start = |source: u32| frame(0x0DF8_0500 | source, &[0, 9, 1, 2, 3, 4, 5, 6]);
        let end = |source: u32| frame(0x0DF8_0500 | source, &[1, 7, 8, 9, 0xff, 0xff, 0xff, 0xff]);
        assert_eq!((a.take(&start(1)), a.take(&start(2))), (Ok(None), Ok(None)));
        let got = a.take(&end(1)).expect("follows").expect("whole");
        assert_eq!(got.data, [1, 2, 3, 4, 5, 6, 7, 8, 9]);
        assert!(a.take(&end(2)).expect("follows").is_some());
        for source in 0..200 {
            assert_eq!(a.take(&start(source)), Ok(None));
        }
        assert_eq!(a.open.len(), OPEN_MAX);
        assert_eq!(a.take(&end(1)), Err(Problem::TornLine));
    }
}
