//! Frames on a byte stream: each behind its length (u32, little-endian).

/// Bytes that framing adds to a frame.
pub const FRAME_PREFIX: usize = 4;

/// A stream that announces a frame larger than the limit; nothing after it can be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("a frame of {got} bytes was announced where at most {limit} are allowed")]
pub struct FrameTooLong {
    /// Bytes announced.
    pub got: u32,
    /// Bytes allowed.
    pub limit: usize,
}

/// `frame` with its length before it.
pub fn framed(frame: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(frame.len() + FRAME_PREFIX);
    crate::block::append(&mut out, frame);
    out
}

/// Cuts a stream that comes in pieces into frames.
#[derive(Debug)]
pub struct Deframer {
    limit: usize,
    held: Vec<u8>,
    /// Bytes at the front of `held` that have been given out.
    read: usize,
}

impl Deframer {
    /// For frames of at most `limit` bytes.
    pub fn new(limit: usize) -> Self {
        Self { limit, held: Vec::new(), read: 0 }
    }

    /// Adds bytes of the stream. Take out the frames before adding more: what is held is bounded only so.
    pub fn push(&mut self, bytes: &[u8]) {
        self.held.drain(..self.read);
        self.read = 0;
        self.held.extend_from_slice(bytes);
    }

    /// The next whole frame.
    pub fn frame(&mut self) -> Result<Option<Vec<u8>>, FrameTooLong> {
        let Some((prefix, rest)) = self.rest().split_first_chunk::<FRAME_PREFIX>() else { return Ok(None) };
        let got = u32::from_le_bytes(*prefix);
        let len = usize::try_from(got).unwrap_or(usize::MAX);
        if len > self.limit {
            return Err(FrameTooLong { got, limit: self.limit });
        }
        let frame = rest.get(..len).map(<[u8]>::to_vec);
        if frame.is_some() {
            self.read += FRAME_PREFIX + len;
        }
        Ok(frame)
    }

    /// Bytes that have come and are not part of a whole frame yet.
    pub fn rest(&self) -> &[u8] {
        self.held.get(self.read..).unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn any_chunking_gives_the_same_frames() {
        let stream = [framed(b"abc"), framed(b""), framed(&[7; 300])].concat();
        for size in [1, 2, 3, 7, 400] {
            let mut d = Deframer::new(300);
            let mut frames = Vec::new();
            for chunk in stream.chunks(size) {
                d.push(chunk);
                while let Some(f) = d.frame().expect("within the limit") {
                    frames.push(f);
                }
            }
            assert_eq!(frames, vec![b"abc".to_vec(), vec![], vec![7; 300]], "chunks of {size}");
            assert!(d.rest().is_empty());
        }
    }

    #[test]
    fn an_endless_frame_is_refused_before_it_comes() {
        let mut d = Deframer::new(300);
        d.push(&[0xff; 4]);
        assert_eq!(d.frame(), Err(FrameTooLong { got: u32::MAX, limit: 300 }));
    }
}
