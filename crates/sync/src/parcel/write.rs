//! Writing a parcel.

use super::{
    IndexRow, PARCEL_MAGIC, PARCEL_TILES_MAX, PARCEL_VERSION, ParcelHeader, ParcelSeal, ParcelTerms, hasher,
    kind,
};
use crate::block::append;
use crate::framing::framed;
use leadline_logbook::{CodecError, DeviceKey, Hasher, Limits, Signs, encode, pack};
use std::io::Write;

/// Bytes of entries that make one frame, before packing: the more, the better they pack.
const ENTRIES_BYTES: usize = 256 << 10;
/// Bytes of strips that make one frame: a cut loses no more than that.
const STRIPS_BYTES: usize = 64 << 10;

/// Why a parcel could not be written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ParcelWriteError {
    /// The place it is written to failed.
    #[error("the parcel could not be written: {0}")]
    Io(#[from] std::io::Error),
    /// An item or the header is over the limits.
    #[error("the parcel could not be written: {0}")]
    Codec(#[from] CodecError),
    /// More frames than an index can list.
    #[error("the content is too large for one parcel: write it in parts")]
    TooLarge,
}

/// Writes a parcel in one go. The same input gives the same bytes.
#[derive(Debug)]
pub struct ParcelWriter<W> {
    out: W,
    limits: Limits,
    hasher: Hasher,
    written: u64,
    index: Vec<IndexRow>,
    batch: Batch,
    entries: u64,
    strips: u64,
}

#[derive(Debug, Default)]
struct Batch {
    kind: u8,
    items: u32,
    block: Vec<u8>,
}

impl<W: Write> ParcelWriter<W> {
    /// Writes the header. Tiles beyond the limit are left out of it.
    pub fn begin(out: W, mut header: ParcelHeader, limits: Limits) -> Result<Self, ParcelWriteError> {
        header.holds.tiles.truncate(PARCEL_TILES_MAX);
        let mut writer = Self {
            out,
            limits,
            hasher: hasher(),
            written: 0,
            index: Vec::new(),
            batch: Batch::default(),
            entries: 0,
            strips: 0,
        };
        writer.put(PARCEL_MAGIC)?;
        writer.put(&PARCEL_VERSION.to_le_bytes())?;
        let body = encode(&header, limits.frame - 1)?;
        writer.frame(kind::HEADER, &body)?;
        Ok(writer)
    }

    /// Writes header and terms.
    pub fn begin_with(
        out: W,
        header: ParcelHeader,
        terms: &ParcelTerms,
        limits: Limits,
    ) -> Result<Self, ParcelWriteError> {
        let mut writer = Self::begin(out, header, limits)?;
        let body = encode(terms, limits.frame - 1)?;
        writer.frame(kind::TERMS, &body)?;
        Ok(writer)
    }

    /// Adds an entry, exact bytes.
    pub fn entry(&mut self, bytes: &[u8]) -> Result<(), ParcelWriteError> {
        if bytes.len() > self.limits.entry {
            return Err(CodecError::Oversize(self.limits.entry).into());
        }
        self.entries += 1;
        self.add(kind::ENTRIES, bytes)
    }

    /// Adds a packed strip.
    pub fn strip(&mut self, packed: &[u8]) -> Result<(), ParcelWriteError> {
        if packed.len() > self.limits.strip_packed {
            return Err(CodecError::Oversize(self.limits.strip_packed).into());
        }
        self.strips += 1;
        self.add(kind::STRIPS, packed)
    }

    /// Writes index and seal, and gives the output back; the caller makes it durable.
    pub fn finish(mut self, key: &DeviceKey) -> Result<(W, ParcelSeal), ParcelWriteError> {
        self.flush_batch()?;
        let index_at = self.written;
        let index = encode(&self.index, self.limits.frame - 1).map_err(|_| ParcelWriteError::TooLarge)?;
        self.frame(kind::INDEX, &index)?;
        let digest = self.hasher.finish();
        let (entries, strips) = (self.entries, self.strips);
        let mut seal = ParcelSeal { entries, strips, index_at, digest, signature: Vec::new() };
        seal.signature = key.sign(Signs::Parcel, &[&seal.text()]).to_vec();
        let body = encode(&seal, self.limits.frame - 1)?;
        self.frame(kind::SEAL, &body)?;
        self.out.flush()?;
        Ok((self.out, seal))
    }

    fn add(&mut self, kind: u8, item: &[u8]) -> Result<(), ParcelWriteError> {
        let most = if kind == kind::STRIPS { STRIPS_BYTES } else { ENTRIES_BYTES };
        let full = self.batch.block.len() + item.len() > most;
        if self.batch.items > 0 && (full || self.batch.kind != kind) {
            self.flush_batch()?;
        }
        self.batch.kind = kind;
        self.batch.items += 1;
        append(&mut self.batch.block, item);
        Ok(())
    }

    fn flush_batch(&mut self) -> Result<(), ParcelWriteError> {
        let Batch { kind, items, block } = std::mem::take(&mut self.batch);
        if items == 0 {
            return Ok(());
        }
        self.index.push(IndexRow { at: self.written, kind, items });
        let body = if kind == kind::ENTRIES { pack(&block)? } else { block };
        self.frame(kind, &body)
    }

    fn frame(&mut self, kind: u8, body: &[u8]) -> Result<(), ParcelWriteError> {
        let mut frame = vec![kind];
        frame.extend_from_slice(body);
        self.put(&framed(&frame))
    }

    fn put(&mut self, bytes: &[u8]) -> Result<(), ParcelWriteError> {
        self.out.write_all(bytes)?;
        self.hasher.update(bytes);
        self.written += bytes.len() as u64;
        Ok(())
    }
}
