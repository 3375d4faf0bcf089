//! Strips: the soundings of one leg on one tile, packed as columns and named by their content.
//!
//! Canonical columns (version 1), all integers as LEB128 varints, signed ones zigzag-mapped:
//! version, tile column, tile row, count, depth step (greatest common divisor of all depths, mm), then one after
//! the other the columns time (differences of differences, ms), u, v (places in the tile; differences), depth
//! (differences, steps), from, offset, speed, HDOP, fix, satellites, temperature, flags (differences; an absent
//! value is 0, a present one its mapped value + 1). The digest is of these bytes, before zstd.

mod columns;

use crate::{CodecError, Domain, Limits, pack, unpack};
use columns::{Reader, Writer};
use leadline_model::{DepthFrom, FixClass, Flags, GridPos, Sounding, StripDigest, TileId, UtcMillis};

const VERSION: u64 = 1;

/// One strip, packed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PackedStrip {
    /// Where its soundings lie.
    pub tile: TileId,
    /// Digest of the canonical columns.
    pub digest: StripDigest,
    /// Soundings in it.
    pub count: u32,
    /// Time of the first sounding.
    pub first: UtcMillis,
    /// Time of the last sounding.
    pub last: UtcMillis,
    /// The columns under zstd.
    pub packed: Vec<u8>,
}

/// Why bytes are not a strip.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum StripError {
    /// Over a size limit, or no zstd frame.
    #[error("strip: {0}")]
    Codec(#[from] CodecError),
    /// The columns hash to another digest.
    #[error("the strip's content does not match its digest")]
    Digest,
    /// A newer layout.
    #[error("strip layout version {0} is newer than this program")]
    Version(u64),
    /// Columns cut short, left over, out of range or out of order.
    #[error("the strip's columns are damaged")]
    Columns,
    /// More soundings than one strip may hold, or none.
    #[error("a strip holds 1 to {limit} soundings, not {got}")]
    Count {
        /// Soundings stated.
        got: u64,
        /// Soundings allowed.
        limit: usize,
    },
}

impl PackedStrip {
    /// Packs soundings that all lie on `tile`, in canonical order and without twins.
    pub fn of(tile: TileId, soundings: &[Sounding], limits: &Limits) -> Result<Self, StripError> {
        let (Some(first), Some(last)) = (soundings.first(), soundings.last()) else {
            return Err(StripError::Count { got: 0, limit: limits.strip_soundings });
        };
        if soundings.len() > limits.strip_soundings {
            return Err(StripError::Count { got: soundings.len() as u64, limit: limits.strip_soundings });
        }
        if soundings.windows(2).any(|w| w[0] >= w[1]) || soundings.iter().any(|s| s.at.tile() != tile) {
            return Err(StripError::Columns);
        }
        let columns = canonical(tile, soundings);
        let packed = pack(&columns)?;
        if packed.len() > limits.strip_packed {
            return Err(CodecError::Oversize(limits.strip_packed).into());
        }
        Ok(Self {
            tile,
            digest: digest_of(&columns),
            count: soundings.len() as u32,
            first: first.time,
            last: last.time,
            packed,
        })
    }
}

/// Unpacks a strip and proves that it is the one named `digest`.
pub fn unpack_strip(
    packed: &[u8],
    digest: &StripDigest,
    limits: &Limits,
) -> Result<(TileId, Vec<Sounding>), StripError> {
    if packed.len() > limits.strip_packed {
        return Err(CodecError::TooLong { got: packed.len(), limit: limits.strip_packed }.into());
    }
    let columns = unpack(packed, limits.strip_inflated)?;
    if digest_of(&columns) != *digest {
        return Err(StripError::Digest);
    }
    read_canonical(&columns, limits)
}

/// The digest of a packed strip's content, without reading its columns.
pub fn strip_digest(packed: &[u8], limits: &Limits) -> Result<StripDigest, StripError> {
    if packed.len() > limits.strip_packed {
        return Err(CodecError::TooLong { got: packed.len(), limit: limits.strip_packed }.into());
    }
    Ok(digest_of(&unpack(packed, limits.strip_inflated)?))
}

/// The canonical columns of soundings on one tile, for measurements of packing.
pub fn canonical(tile: TileId, soundings: &[Sounding]) -> Vec<u8> {
    let step = soundings.iter().fold(0, |g, s| gcd(g, s.depth_mm.unsigned_abs())).max(1);
    let mut w = Writer::with_capacity(soundings.len() * 12 + 32);
    for n in [VERSION, u64::from(tile.x()), u64::from(tile.y()), soundings.len() as u64, u64::from(step)] {
        w.unsigned(n);
    }
    w.second_differences(soundings.iter().map(|s| s.time.0));
    w.differences(soundings.iter().map(|s| i64::from(s.at.offset().0)));
    w.differences(soundings.iter().map(|s| i64::from(s.at.offset().1)));
    w.differences(soundings.iter().map(|s| i64::from(s.depth_mm) / i64::from(step)));
    w.differences(soundings.iter().map(|s| s.from as i64));
    w.differences(soundings.iter().map(|s| optional(s.offset_mm.map(i64::from))));
    w.differences(soundings.iter().map(|s| optional(s.speed_mm_s.map(i64::from))));
    w.differences(soundings.iter().map(|s| optional(s.hdop_centi.map(i64::from))));
    w.differences(soundings.iter().map(|s| s.fix as i64));
    w.differences(soundings.iter().map(|s| optional(s.sats.map(i64::from))));
    w.differences(soundings.iter().map(|s| optional(s.temp_centi.map(i64::from))));
    w.differences(soundings.iter().map(|s| i64::from(s.flags.0)));
    w.finish()
}

fn read_canonical(columns: &[u8], limits: &Limits) -> Result<(TileId, Vec<Sounding>), StripError> {
    let mut r = Reader::new(columns);
    let mut head = || r.unsigned().ok_or(StripError::Columns);
    let version = head()?;
    if version != VERSION {
        return Err(StripError::Version(version));
    }
    let (x, y, count, step) = (head()?, head()?, head()?, head()?);
    if count == 0 || count > limits.strip_soundings as u64 {
        return Err(StripError::Count { got: count, limit: limits.strip_soundings });
    }
    let tile =
        narrow(x).zip(narrow(y)).and_then(|(x, y)| TileId::new(x, y).ok()).ok_or(StripError::Columns)?;
    let soundings = read_soundings(&mut r, tile, count as usize, step).ok_or(StripError::Columns)?;
    let in_order = soundings.windows(2).all(|w| w[0] < w[1]);
    if r.is_done() && in_order { Ok((tile, soundings)) } else { Err(StripError::Columns) }
}

fn read_soundings(r: &mut Reader<'_>, tile: TileId, n: usize, step: u64) -> Option<Vec<Sounding>> {
    let step = i64::try_from(step).ok()?;
    let time = r.second_differences(n)?;
    let (u, v, depth) = (r.differences(n)?, r.differences(n)?, r.differences(n)?);
    let (from, offset, speed, hdop) =
        (r.differences(n)?, r.differences(n)?, r.differences(n)?, r.differences(n)?);
    let (fix, sats, temp, flags) =
        (r.differences(n)?, r.differences(n)?, r.differences(n)?, r.differences(n)?);
    (0..n)
        .map(|i| {
            let at = GridPos::in_tile(tile, u16::try_from(u[i]).ok()?, u16::try_from(v[i]).ok()?);
            Some(Sounding {
                time: UtcMillis(time[i]),
                at,
                depth_mm: i32::try_from(depth[i].checked_mul(step)?).ok()?,
                from: *DepthFrom::ALL.get(usize::try_from(from[i]).ok()?)?,
                offset_mm: present(offset[i])?,
                speed_mm_s: present(speed[i])?,
                hdop_centi: present(hdop[i])?,
                fix: *FixClass::ALL.get(usize::try_from(fix[i]).ok()?)?,
                sats: present(sats[i])?,
                temp_centi: present(temp[i])?,
                flags: Flags(u8::try_from(flags[i]).ok()?),
            })
        })
        .collect()
}

/// Absent = 0, present = zigzag + 1, so that a column of absents is a column of zeros.
fn optional(v: Option<i64>) -> i64 {
    v.map_or(0, |v| columns::zigzag(v) as i64 + 1)
}

/// Outer `None`: not a value of this type.
fn present<T: TryFrom<i64>>(code: i64) -> Option<Option<T>> {
    match u64::try_from(code).ok()? {
        0 => Some(None),
        n => T::try_from(columns::unzigzag(n - 1)).ok().map(Some),
    }
}

fn narrow(n: u64) -> Option<u32> {
    u32::try_from(n).ok()
}

fn gcd(a: u32, b: u32) -> u32 {
    let (mut a, mut b) = (a, b);
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

fn digest_of(columns: &[u8]) -> StripDigest {
    StripDigest(Domain::Strip.digest(&[columns]).0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn tile() -> TileId {
        TileId::new(17_000, 11_000).expect("in range")
    }

    prop_compose! {
        fn sounding()(
            t in 0i64..600_000, u: u16, v: u16, depth_mm in -500_000..500_000i32, from in 0usize..4, offset_mm: Option<i16>,
            speed_mm_s: Option<u32>, hdop_centi: Option<u16>, fix in 0usize..10, sats: Option<u8>, temp_centi: Option<i16>, flags: u8,
        ) -> Sounding {
            Sounding {
                time: UtcMillis(1_800_000_000_000 + t), at: GridPos::in_tile(tile(), u, v), depth_mm, from: DepthFrom::ALL[from],
                offset_mm, speed_mm_s, hdop_centi, fix: FixClass::ALL[fix], sats, temp_centi, flags: Flags(flags),
            }
        }
    }

    proptest! {
        #[test]
        fn every_field_survives(mut s in proptest::collection::vec(sounding(), 1..80)) {
            s.sort();
            s.dedup();
            let limits = Limits::default();
            let strip = PackedStrip::of(tile(), &s, &limits).expect("packs");
            prop_assert_eq!(unpack_strip(&strip.packed, &strip.digest, &limits), Ok((tile(), s)));
        }

        #[test]
        fn random_columns_never_panic(bytes in proptest::collection::vec(any::<u8>(), 0..200), head in 0u8..2) {
            let mut columns = bytes;
            if head == 1 { columns.splice(0..0, [1, 1, 1, 3, 1]); }
            let _ = read_canonical(&columns, &Limits::default());
        }
    }

    #[test]
    fn order_twins_tile_and_digest_are_checked() {
        let limits = Limits::default();
        let a = Sounding {
            time: UtcMillis(5),
            at: GridPos::in_tile(tile(), 1, 2),
            depth_mm: 3000,
            from: DepthFrom::Transducer,
            offset_mm: None,
            speed_mm_s: None,
            hdop_centi: None,
            fix: FixClass::Autonomous,
            sats: None,
            temp_centi: None,
            flags: Flags(0),
        };
        let b = Sounding { time: UtcMillis(6), ..a };
        assert_eq!(PackedStrip::of(tile(), &[b, a], &limits), Err(StripError::Columns));
        assert_eq!(PackedStrip::of(tile(), &[a, a], &limits), Err(StripError::Columns));
        assert!(matches!(PackedStrip::of(tile(), &[], &limits), Err(StripError::Count { got: 0, .. })));
        assert_eq!(
            PackedStrip::of(TileId::new(0, 0).expect("tile"), &[a], &limits),
            Err(StripError::Columns)
        );
        let s = PackedStrip::of(tile(), &[a, b], &limits).expect("packs");
        assert_eq!(unpack_strip(&s.packed, &StripDigest([0; 32]), &limits), Err(StripError::Digest));
        let few = Limits { strip_soundings: 1, ..limits };
        assert_eq!(unpack_strip(&s.packed, &s.digest, &few), Err(StripError::Count { got: 2, limit: 1 }));
        let tiny = Limits { strip_packed: 5, ..limits };
        assert!(matches!(
            unpack_strip(&s.packed, &s.digest, &tiny),
            Err(StripError::Codec(CodecError::TooLong { .. }))
        ));
    }

    #[test]
    fn golden_columns() {
        // The layout is frozen with version 1: these bytes may never change.
        let s = Sounding {
            time: UtcMillis(300),
            at: GridPos::in_tile(TileId::new(1, 2).expect("tile"), 10, 20),
            depth_mm: 2400,
            from: DepthFrom::Transducer,
            offset_mm: Some(-1),
            speed_mm_s: Some(3),
            hdop_centi: None,
            fix: FixClass::Autonomous,
            sats: Some(9),
            temp_centi: None,
            flags: Flags(2),
        };
        let bytes = canonical(s.at.tile(), &[s]);
        let golden = [1, 1, 2, 1, 0xe0, 0x12, 0xd8, 4, 20, 40, 2, 2, 4, 14, 0, 4, 38, 0, 4];
        assert_eq!(bytes, golden);
    }
}
