//! Cutting what was chosen into parts that keep to a size. Each part is a whole parcel in itself.

use super::choice::{Chosen, Strip, Unit};
use crate::{Error, Store};
use leadline_logbook::encode;
use leadline_model::{StripDigest, TileId};
use std::collections::BTreeSet;

/// Smallest size of a part, bytes: the crew's entries and one strip have to fit.
pub const LEAST_PART_BYTES: u64 = 64 << 10;

/// Entries (by their number in what was chosen) and strips of one part.
#[derive(Default)]
pub(super) struct Part {
    pub(super) entries: Vec<usize>,
    pub(super) strips: Vec<Strip>,
}

/// One part with everything.
pub(super) fn whole(chosen: &Chosen) -> Vec<Part> {
    let entries = (0..chosen.units.len()).collect();
    let strips = chosen.units.iter().flat_map(|u| u.strips.iter().copied()).collect();
    vec![Part { entries, strips }]
}

/// Parts of at most `most` bytes each, as few as one after the other gives.
pub(super) fn split(store: &Store, chosen: &Chosen, most: u64) -> Result<Vec<Part>, Error> {
    if most < LEAST_PART_BYTES {
        return Err(Error::Request(format!(
            "parts of {most} bytes are too small; give at least {LEAST_PART_BYTES}"
        )));
    }
    let mut cutter = Cutter {
        most,
        fixed: fixed(store, chosen)?,
        part: Part::default(),
        used: Used::default(),
        done: Vec::new(),
    };
    for (number, unit) in chosen.units.iter().enumerate() {
        cutter.add_unit(store, number, unit)?;
    }
    if !cutter.part.entries.is_empty() || cutter.done.is_empty() {
        cutter.done.push(cutter.part);
    }
    Ok(cutter.done)
}

/// Bytes of a part beside its own entries and strips: header, terms, seal, the crew's entries.
fn fixed(store: &Store, chosen: &Chosen) -> Result<Used, Error> {
    let have = match &chosen.presupposes {
        Some(have) => encode(have, store.limits().frame)?.len() as u64,
        None => 0,
    };
    // Texts of at most 256 bytes each, ids, a signature; 16 bytes and a header of a lock.
    let mut used = Used { bytes: 2_048 + have, entry_bytes: 0, tiles: BTreeSet::new() };
    for entry in &chosen.crew {
        used.add_entry(entry.bytes().len());
    }
    Ok(used)
}

/// What a part holds so far.
#[derive(Clone, Default)]
struct Used {
    bytes: u64,
    entry_bytes: u64,
    tiles: BTreeSet<TileId>,
}

impl Used {
    fn add_entry(&mut self, len: usize) {
        self.entry_bytes += len as u64 + 4;
    }

    fn add_strip(&mut self, tile: TileId, len: usize) {
        self.bytes += len as u64 + 4;
        self.tiles.insert(tile);
    }

    /// Never less than the file will have.
    fn total(&self) -> u64 {
        // Entries are packed, which at worst adds a little; two frames in a row hold at least 64 KiB together, and
        // each has 5 bytes before it and 13 in the index; a lock adds 16 bytes to every 64 KiB.
        let content = self.bytes + self.entry_bytes + self.entry_bytes / 128 + 8 * self.tiles.len() as u64;
        let frames = content / (32 << 10) + 4;
        let open = content + frames * (18 + 64);
        open + (open / (64 << 10) + 1) * 16
    }
}

struct Cutter {
    most: u64,
    fixed: Used,
    part: Part,
    used: Used,
    done: Vec<Part>,
}

impl Cutter {
    fn add_unit(&mut self, store: &Store, number: usize, unit: &Unit) -> Result<(), Error> {
        let mut sizes = Vec::with_capacity(unit.strips.len());
        for strip in &unit.strips {
            sizes.push(packed_len(store, &strip.of.digest)?);
        }
        // A leg goes into one part if it fits; else strip by strip.
        let mut all = self.now();
        all.add_entry(unit.entry.bytes().len());
        unit.strips.iter().zip(&sizes).for_each(|(s, n)| all.add_strip(s.of.tile, *n));
        if all.total() > self.most && !self.part.entries.is_empty() {
            self.close();
        }
        self.add_entry(number, unit)?;
        for (strip, len) in unit.strips.iter().zip(sizes) {
            let mut next = self.used.clone();
            next.add_strip(strip.of.tile, len);
            if next.total() > self.most {
                if self.part.strips.is_empty() {
                    return Err(self.too_small(next.total()));
                }
                self.close();
                self.add_entry(number, unit)?;
                next = self.used.clone();
                next.add_strip(strip.of.tile, len);
                if next.total() > self.most {
                    return Err(self.too_small(next.total()));
                }
            }
            self.used = next;
            self.part.strips.push(*strip);
        }
        Ok(())
    }

    fn now(&self) -> Used {
        if self.part.entries.is_empty() { self.fixed.clone() } else { self.used.clone() }
    }

    fn add_entry(&mut self, number: usize, unit: &Unit) -> Result<(), Error> {
        let mut next = self.now();
        next.add_entry(unit.entry.bytes().len());
        if next.total() > self.most {
            return Err(self.too_small(next.total()));
        }
        self.used = next;
        self.part.entries.push(number);
        Ok(())
    }

    fn close(&mut self) {
        self.done.push(std::mem::take(&mut self.part));
        self.used = self.fixed.clone();
    }

    fn too_small(&self, need: u64) -> Error {
        Error::Request(format!(
            "parts of {} bytes are too small: every part carries the crew's entries, and the largest piece needs {need} bytes; give more to --split",
            self.most
        ))
    }
}

fn packed_len(store: &Store, digest: &StripDigest) -> Result<usize, Error> {
    Ok(store.packed_strip(digest)?.map_or(0, |p| p.len()))
}
