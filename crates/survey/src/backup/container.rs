//! A backup's bytes: `LEADBACK`, format version (u16), then sections. A section is a number of chunks (kind u8, length
//! u32, bytes) and one of length 0. The last section is the seal: digest of all bytes before it, and the signature of
//! the device that made it. Written and read from start to end, so that it can be locked as it is.

use leadline_logbook::{DeviceKey, Domain, Hasher, SIGNATURE_BYTES, Signs, verify};
use leadline_model::{DeviceId, Digest};
use std::io::{Error, ErrorKind, Read, Result, Write};

/// First bytes of every backup.
pub(super) const MAGIC: &[u8; 8] = b"LEADBACK";
/// Version of the format this program writes, and the newest it reads.
pub(super) const VERSION: u16 = 1;
/// Bytes of a chunk at most.
const CHUNK_MAX: usize = 64 << 10;

/// What a section is. From 128 on one may be skipped by whoever does not know it.
pub(super) mod kind {
    /// What the backup says of itself.
    pub(in crate::backup) const HEAD: u8 = 1;
    /// What is in no parcel.
    pub(in crate::backup) const PRIVATE: u8 = 2;
    /// One survey's entries and strips: a parcel.
    pub(in crate::backup) const PARCEL: u8 = 3;
    /// The device's key and the surveys' secrets.
    pub(in crate::backup) const KEYS: u8 = 4;
    /// The seal.
    pub(in crate::backup) const SEAL: u8 = 127;
    pub(in crate::backup) const SKIPPABLE: u8 = 128;
}

/// Writes sections.
pub(super) struct Sections<W> {
    out: W,
    hasher: Hasher,
}

impl<W: Write> Sections<W> {
    pub(super) fn begin(out: W) -> Result<Self> {
        let mut new = Self { out, hasher: Domain::Backup.hasher() };
        new.put(MAGIC)?;
        new.put(&VERSION.to_le_bytes())?;
        Ok(new)
    }

    /// A section that is at hand.
    pub(super) fn section(&mut self, kind: u8, bytes: &[u8]) -> Result<()> {
        let mut section = self.open(kind);
        section.write_all(bytes)?;
        section.close()
    }

    /// A section that comes in pieces.
    pub(super) fn open(&mut self, kind: u8) -> Section<'_, W> {
        Section { to: self, kind, chunk: Vec::with_capacity(CHUNK_MAX) }
    }

    /// Seals it and gives the output back, with the digest.
    pub(super) fn seal(mut self, key: &DeviceKey) -> Result<(W, Digest)> {
        let digest = self.hasher.finish();
        let signature = key.sign(Signs::Backup, &[&digest.0]);
        self.section(kind::SEAL, &[&digest.0[..], &signature].concat())?;
        Ok((self.out, digest))
    }

    fn put(&mut self, bytes: &[u8]) -> Result<()> {
        self.hasher.update(bytes);
        self.out.write_all(bytes)
    }
}

/// A section that is being written.
pub(super) struct Section<'a, W> {
    to: &'a mut Sections<W>,
    kind: u8,
    chunk: Vec<u8>,
}

impl<W: Write> Section<'_, W> {
    /// Ends it.
    pub(super) fn close(mut self) -> Result<()> {
        self.give()?;
        self.to.put(&[self.kind])?;
        self.to.put(&0u32.to_le_bytes())
    }

    fn give(&mut self) -> Result<()> {
        if !self.chunk.is_empty() {
            self.to.put(&[self.kind])?;
            self.to.put(&u32::try_from(self.chunk.len()).unwrap_or(u32::MAX).to_le_bytes())?;
            self.to.put(&self.chunk)?;
            self.chunk.clear();
        }
        Ok(())
    }
}

impl<W: Write> Write for Section<'_, W> {
    fn write(&mut self, bytes: &[u8]) -> Result<usize> {
        let n = bytes.len().min(CHUNK_MAX - self.chunk.len());
        self.chunk.extend_from_slice(bytes.get(..n).unwrap_or_default());
        if self.chunk.len() == CHUNK_MAX {
            self.give()?;
        }
        Ok(n)
    }

    fn flush(&mut self) -> Result<()> {
        Ok(())
    }
}

/// What comes out of a backup.
pub(super) enum Piece<'a> {
    /// Bytes of a section of this kind.
    Bytes(u8, &'a [u8]),
    /// That section has ended.
    End(u8),
}

/// How a backup ended.
pub(super) struct Ended {
    /// Digest of what came.
    pub(super) digest: Digest,
    /// The seal's digest and signature.
    seal: Vec<u8>,
}

impl Ended {
    /// Whether the seal fits what came, and is `maker`'s.
    pub(super) fn is_sealed_by(&self, maker: &DeviceId) -> bool {
        let Some((digest, signature)) = self.seal.split_first_chunk::<32>() else { return false };
        *digest == self.digest.0
            && <&[u8; SIGNATURE_BYTES]>::try_from(signature)
                .is_ok_and(|s| verify(maker, Signs::Backup, &[digest], s))
    }
}

/// Gives out a backup piece by piece. An end before the seal is an error of the kind `UnexpectedEof`, bytes that no
/// backup has one of `InvalidData`, a newer version one of `Unsupported`; `take` may end it with an error of its own.
pub(super) fn read(mut from: impl Read, mut take: impl FnMut(Piece<'_>) -> Result<()>) -> Result<Ended> {
    let mut hasher = Domain::Backup.hasher();
    let mut start = [0; MAGIC.len() + 2];
    from.read_exact(&mut start)?;
    let (magic, version) = start.split_at(MAGIC.len());
    if magic != MAGIC {
        return Err(bad("this is not a backup: it does not begin with LEADBACK"));
    }
    if version != VERSION.to_le_bytes() {
        return Err(Error::new(ErrorKind::Unsupported, "it was made by a newer program: update this one"));
    }
    hasher.update(&start);
    let (mut chunk, mut open, mut seal) = (vec![0; CHUNK_MAX], None, Vec::new());
    loop {
        let mut prefix = [0; 5];
        from.read_exact(&mut prefix)?;
        let [kind, length @ ..] = prefix;
        let length = u32::from_le_bytes(length) as usize;
        if open.is_some_and(|o| o != kind) || length > CHUNK_MAX {
            return Err(bad("a length or the order of its sections is damaged"));
        }
        let part = chunk.get_mut(..length).unwrap_or_default();
        from.read_exact(part)?;
        if kind == kind::SEAL {
            if length == 0 {
                return ended(from, hasher, seal);
            }
            if seal.len() + length > 32 + SIGNATURE_BYTES {
                return Err(bad("its seal is damaged"));
            }
            seal.extend_from_slice(part);
            open = Some(kind);
            continue;
        }
        hasher.update(&prefix);
        hasher.update(part);
        match kind {
            kind::HEAD..=kind::KEYS | kind::SKIPPABLE.. => {}
            _ => return Err(bad("it has a section that this program does not know")),
        }
        take(if length == 0 { Piece::End(kind) } else { Piece::Bytes(kind, part) })?;
        open = (length > 0).then_some(kind);
    }
}

fn ended(mut from: impl Read, hasher: Hasher, seal: Vec<u8>) -> Result<Ended> {
    // To the end of the file: a lock's last piece is proven only there.
    match from.read(&mut [0])? {
        0 => Ok(Ended { digest: hasher.finish(), seal }),
        _ => Err(bad("there are bytes after its end")),
    }
}

fn bad(why: &str) -> Error {
    Error::new(ErrorKind::InvalidData, why)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn made() -> (Vec<u8>, DeviceKey) {
        let key = DeviceKey::from_seed(&[5; 32]);
        let mut s = Sections::begin(Vec::new()).expect("memory");
        s.section(kind::HEAD, b"head").expect("memory");
        s.section(kind::PARCEL, &vec![7; 200_000]).expect("memory");
        s.section(kind::PRIVATE, b"").expect("memory");
        (s.seal(&key).expect("memory").0, key)
    }

    fn sizes(bytes: &[u8]) -> Result<(Vec<(u8, usize)>, Ended)> {
        let (mut all, mut size) = (Vec::new(), 0);
        let end = read(bytes, |p| {
            match p {
                Piece::Bytes(_, b) => size += b.len(),
                Piece::End(kind) => all.push((kind, std::mem::take(&mut size))),
            }
            Ok(())
        })?;
        Ok((all, end))
    }

    #[test]
    fn comes_back_as_it_was() {
        let (bytes, key) = made();
        let (all, end) = sizes(&bytes).expect("whole");
        assert_eq!(all, [(kind::HEAD, 4), (kind::PARCEL, 200_000), (kind::PRIVATE, 0)]);
        assert!(end.is_sealed_by(&key.id()));
        assert!(!end.is_sealed_by(&DeviceKey::from_seed(&[6; 32]).id()));
    }

    #[test]
    fn every_flipped_byte_and_every_cut_shows() {
        let (bytes, key) = made();
        let whole = |b: &[u8]| sizes(b).is_ok_and(|(_, end)| end.is_sealed_by(&key.id()));
        assert!(whole(&bytes));
        // All of the frame around the long run of content, and some of that run.
        let places =
            (0..200).chain((200..bytes.len() - 200).step_by(1009)).chain(bytes.len() - 200..bytes.len());
        for at in places {
            let mut flipped = bytes.clone();
            flipped[at] ^= 0x10;
            assert!(!whole(&flipped), "byte {at}");
            assert!(!whole(&bytes[..at]), "cut at {at}");
        }
        assert!(!whole(&[&bytes[..], b"x"].concat()));
    }

    #[test]
    fn a_length_of_the_impossible_costs_nothing() {
        let bytes = [&MAGIC[..], &VERSION.to_le_bytes(), &[kind::HEAD], &u32::MAX.to_le_bytes()].concat();
        assert_eq!(sizes(&bytes).err().map(|e| e.kind()), Some(ErrorKind::InvalidData));
        let newer = [&MAGIC[..], &2u16.to_le_bytes()].concat();
        assert_eq!(sizes(&newer).err().map(|e| e.kind()), Some(ErrorKind::Unsupported));
    }

    #[test]
    fn a_section_of_a_later_program_is_skipped_if_it_says_so() {
        let key = DeviceKey::from_seed(&[5; 32]);
        for (kind, read) in [(kind::SKIPPABLE, true), (kind::KEYS + 1, false)] {
            let mut s = Sections::begin(Vec::new()).expect("memory");
            s.section(kind, b"later").expect("memory");
            assert_eq!(sizes(&s.seal(&key).expect("memory").0).is_ok(), read);
        }
    }
}
