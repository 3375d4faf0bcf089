//! Strips: the soundings of one leg on one tile, packed as columns and named by their content.
//!
//! The digest is of the canonical columns, which nobody sends: varints of version, tile column and row, window,
//! count, then each column's first differences (docs/format.md). What is kept and sent is packed: each column in
//! the way that takes the fewest bits, behind an adaptive coder (docs/decisions/0003-strip-columns.md). A better packer
//! later changes no digest.

mod coder;
mod columns;
mod packing;

use crate::sound::plausible;
use crate::{CodecError, Domain, Limits, StripRef};
use columns::{Columns, put_varint, take_varint, zigzag};
use leadline_model::{LegWindow, Sounding, StripDigest, TileId, UtcMillis};

/// Layout of the canonical columns.
const VERSION: u64 = 1;
/// Layout of the packed bytes.
const PACKING: u8 = 1;

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
    /// The packed columns.
    pub packed: Vec<u8>,
}

/// Why bytes are not a strip.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum StripError {
    /// Over a size limit.
    #[error("strip: {0}")]
    Codec(#[from] CodecError),
    /// The columns hash to another digest.
    #[error("the strip's content does not match its digest")]
    Digest,
    /// A newer packing.
    #[error("strip packing version {0} is unknown to this program: update it")]
    Version(u64),
    /// Another tile, window, count or span than the claim says.
    #[error("the strip is not what its claim says")]
    Claim,
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
    /// Packs soundings that all lie on `tile` and in one window, in canonical order and without twins.
    pub fn of(tile: TileId, soundings: &[Sounding], limits: &Limits) -> Result<Self, StripError> {
        let (Some(first), Some(last)) = (soundings.first(), soundings.last()) else {
            return Err(StripError::Count { got: 0, limit: limits.strip_soundings });
        };
        if soundings.len() > limits.strip_soundings {
            return Err(StripError::Count { got: soundings.len() as u64, limit: limits.strip_soundings });
        }
        if soundings.iter().any(|s| s.at.tile() != tile) {
            return Err(StripError::Columns);
        }
        let window = window_of(soundings).ok_or(StripError::Columns)?;
        let columns = columns::split(window, soundings);
        let packed = packing::pack(head(PACKING.into(), tile, window, soundings.len()), &columns);
        if packed.len() > limits.strip_packed {
            return Err(CodecError::Oversize(limits.strip_packed).into());
        }
        Ok(Self {
            tile,
            digest: digest_of(tile, window, &columns),
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
    let strip = read(packed, limits)?;
    if digest_of(strip.tile, strip.window, &strip.columns) != *digest {
        return Err(StripError::Digest);
    }
    Ok((strip.tile, strip.soundings))
}

/// The digest of a packed strip's content.
pub fn strip_digest(packed: &[u8], limits: &Limits) -> Result<StripDigest, StripError> {
    let strip = read(packed, limits)?;
    Ok(digest_of(strip.tile, strip.window, &strip.columns))
}

/// Unpacks a strip and proves that it is all that a claim says of it: content, tile, window, count and span.
pub fn unpack_claimed(
    packed: &[u8],
    window: LegWindow,
    claimed: &StripRef,
    limits: &Limits,
) -> Result<Vec<Sounding>, StripError> {
    let (tile, soundings) = unpack_strip(packed, &claimed.digest, limits)?;
    let since = |s: Option<&Sounding>| s.and_then(|s| u32::try_from(s.time.0 - window.start().0).ok());
    let fits = tile == claimed.tile
        && soundings.len() == claimed.count as usize
        && since(soundings.first()) == Some(claimed.first_ms)
        && since(soundings.last()) == Some(claimed.last_ms);
    if fits { Ok(soundings) } else { Err(StripError::Claim) }
}

/// The canonical columns of soundings on one tile and in one window: what the digest is of.
pub fn canonical(tile: TileId, soundings: &[Sounding]) -> Vec<u8> {
    let window = soundings.first().map_or(LegWindow(0), |s| s.time.leg_window());
    canonical_of(tile, window, &columns::split(window, soundings))
}

struct Strip {
    tile: TileId,
    window: LegWindow,
    columns: Columns,
    soundings: Vec<Sounding>,
}

fn read(packed: &[u8], limits: &Limits) -> Result<Strip, StripError> {
    if packed.len() > limits.strip_packed {
        return Err(CodecError::TooLong { got: packed.len(), limit: limits.strip_packed }.into());
    }
    let mut rest = packed;
    let mut next = || take_varint(&mut rest).ok_or(StripError::Columns);
    let packing = next()?;
    if packing != u64::from(PACKING) {
        return Err(StripError::Version(packing));
    }
    let (x, y, window, count) = (next()?, next()?, next()?, next()?);
    // The columns of so many soundings are all that is ever allocated, whatever the bytes say.
    let size = (count as usize).saturating_mul(columns::COLUMNS * size_of::<i64>());
    if count == 0 || count > limits.strip_soundings as u64 || size > limits.strip_inflated {
        return Err(StripError::Count { got: count, limit: limits.strip_soundings });
    }
    read_columns(rest, (x, y), window, count as usize).ok_or(StripError::Columns)
}

fn read_columns(rest: &[u8], (x, y): (u64, u64), window: u64, count: usize) -> Option<Strip> {
    let tile = TileId::new(u32::try_from(x).ok()?, u32::try_from(y).ok()?).ok()?;
    let window = LegWindow(i64::try_from(window).ok()?);
    let columns = packing::unpack(rest, count)?;
    let soundings = columns::join(window, tile, &columns)?;
    (window_of(&soundings)? == window).then_some(Strip { tile, window, columns, soundings })
}

/// The window all soundings lie in, if they are in canonical order and their time can be true.
fn window_of(soundings: &[Sounding]) -> Option<LegWindow> {
    let window = soundings.first()?.time.leg_window();
    let one = soundings.last()?.time.leg_window() == window;
    let in_order = soundings.windows(2).all(|w| w[0] < w[1]);
    (one && in_order && plausible(window.start())).then_some(window)
}

fn head(version: u64, tile: TileId, window: LegWindow, count: usize) -> Vec<u8> {
    let mut out = Vec::new();
    for n in [version, tile.x().into(), tile.y().into(), window.0.unsigned_abs(), count as u64] {
        put_varint(&mut out, n);
    }
    out
}

fn canonical_of(tile: TileId, window: LegWindow, columns: &Columns) -> Vec<u8> {
    let count = columns[0].len();
    let mut out = head(VERSION, tile, window, count);
    out.reserve(count * 16);
    for column in columns {
        let mut last = 0;
        for v in column {
            put_varint(&mut out, zigzag(v - last));
            last = *v;
        }
    }
    out
}

fn digest_of(tile: TileId, window: LegWindow, columns: &Columns) -> StripDigest {
    StripDigest(Domain::Strip.digest(&[&canonical_of(tile, window, columns)]).0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use leadline_model::{DepthFrom, FixClass, Flags, GridPos};
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

    fn spoil() -> impl Strategy<Value = i64> {
        // The coder carries 40 bits; more cannot be packed, only written by hand (tests/mutants.rs).
        prop_oneof![
            -3i64..300,
            -(1i64 << 36)..(1 << 36),
            Just(i64::from(u32::MAX) * 2 + 1),
            Just(600_000),
            Just(65_536)
        ]
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

        /// Columns that no honest device would write, packed as its own program would: refused, or as sound as any.
        #[test]
        fn hostile_columns_are_refused_or_sound(
            mut s in proptest::collection::vec(sounding(), 2..40),
            spoilt in proptest::collection::vec((0usize..columns::COLUMNS, any::<proptest::sample::Index>(), spoil()), 1..4),
            lie in 0u8..6,
        ) {
            s.sort();
            s.dedup();
            let (limits, window) = (Limits::default(), s[0].time.leg_window());
            let mut columns = columns::split(window, &s);
            for (column, at, value) in spoilt {
                let at = at.index(s.len());
                columns[column][at] = value;
            }
            let (window, count) = match lie {
                0 => (LegWindow(window.0 + 1), s.len()),
                1 => (LegWindow(0), s.len()),
                2 => (window, s.len() + 1),
                3 => (window, s.len() - 1),
                _ => (window, s.len()),
            };
            let packed = packing::pack(head(1, tile(), window, count), &columns);
            let read = strip_digest(&packed, &limits);
            if let Ok(digest) = read {
                let (tile, soundings) = unpack_strip(&packed, &digest, &limits).expect("its own digest");
                prop_assert!(soundings.iter().all(|s| s.at.tile() == tile && s.time.leg_window() == window));
                prop_assert_eq!(PackedStrip::of(tile, &soundings, &limits).map(|s| s.digest), Ok(digest));
            }
            prop_assert!(lie != 1 || read.is_err(), "a window before satellites");
        }

        #[test]
        fn random_bytes_never_panic(bytes in proptest::collection::vec(any::<u8>(), 0..200), count in 1u8..100) {
            let mut packed = head(1, tile(), LegWindow(2_980_000), count.into());
            packed.extend(bytes);
            let _ = strip_digest(&packed, &Limits::default());
        }
    }

    #[test]
    fn order_twins_tile_and_digest_are_checked() {
        let limits = Limits::default();
        let a = Sounding {
            time: UtcMillis(1_788_000_000_005),
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
        let b = Sounding { time: UtcMillis(1_788_000_000_006), ..a };
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
            time: UtcMillis(1_788_000_000_300),
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
        let golden = [1, 1, 2, 0xa0, 0xf1, 0xb5, 1, 1, 0xd8, 4, 20, 40, 0xc0, 37, 2, 4, 14, 0, 4, 38, 0, 4];
        assert_eq!(bytes, golden);
    }
}
