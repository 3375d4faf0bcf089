//! Soundings as twelve columns of integers, and back.

use leadline_model::{DepthFrom, FixClass, Flags, GridPos, LegWindow, Sounding, TileId, UtcMillis};

/// time (ms after the window's start), u, v (places in the tile), depth (mm), from, offset, speed, HDOP, fix,
/// satellites, temperature, flags. An absent value is 0, a present one its zigzag-mapped value + 1.
pub(super) type Columns = [Vec<i64>; COLUMNS];
pub(super) const COLUMNS: usize = 12;

/// Signed to unsigned, small magnitudes to small numbers.
pub(super) fn zigzag(v: i64) -> u64 {
    ((v << 1) ^ (v >> 63)) as u64
}

pub(super) fn unzigzag(n: u64) -> i64 {
    (n >> 1) as i64 ^ -((n & 1) as i64)
}

/// Appends `n` as a LEB128 varint.
pub(super) fn put_varint(out: &mut Vec<u8>, mut n: u64) {
    while n >= 0x80 {
        out.push(n as u8 | 0x80);
        n >>= 7;
    }
    out.push(n as u8);
}

/// Takes a varint of the shortest form off the front.
pub(super) fn take_varint(bytes: &mut &[u8]) -> Option<u64> {
    let mut n = 0u64;
    for (i, b) in bytes.iter().take(10).enumerate() {
        let bits = u64::from(b & 0x7f);
        if i == 9 && bits > 1 {
            return None;
        }
        n |= bits << (7 * i);
        if b & 0x80 == 0 {
            *bytes = bytes.get(i + 1..)?;
            return (i == 0 || bits != 0).then_some(n);
        }
    }
    None
}

pub(super) fn split(window: LegWindow, soundings: &[Sounding]) -> Columns {
    let start = window.start().0;
    let column = |value: &dyn Fn(&Sounding) -> i64| soundings.iter().map(value).collect();
    [
        column(&|s| s.time.0 - start),
        column(&|s| i64::from(s.at.offset().0)),
        column(&|s| i64::from(s.at.offset().1)),
        column(&|s| i64::from(s.depth_mm)),
        column(&|s| s.from as i64),
        column(&|s| optional(s.offset_mm)),
        column(&|s| optional(s.speed_mm_s)),
        column(&|s| optional(s.hdop_centi)),
        column(&|s| s.fix as i64),
        column(&|s| optional(s.sats)),
        column(&|s| optional(s.temp_centi)),
        column(&|s| i64::from(s.flags.0)),
    ]
}

/// `None` where a value is out of its field's range. All columns have the same length.
pub(super) fn join(window: LegWindow, tile: TileId, columns: &Columns) -> Option<Vec<Sounding>> {
    let start = window.start().0;
    let [time, u, v, depth, from, offset, speed, hdop, fix, sats, temp, flags] = columns;
    (0..time.len())
        .map(|i| {
            Some(Sounding {
                time: UtcMillis(start.checked_add(time[i])?),
                at: GridPos::in_tile(tile, u16::try_from(u[i]).ok()?, u16::try_from(v[i]).ok()?),
                depth_mm: i32::try_from(depth[i]).ok()?,
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

fn optional<T: Into<i64>>(v: Option<T>) -> i64 {
    v.map_or(0, |v| zigzag(v.into()) as i64 + 1)
}

/// Outer `None`: not a value of this type.
fn present<T: TryFrom<i64>>(code: i64) -> Option<Option<T>> {
    match u64::try_from(code).ok()? {
        0 => Some(None),
        n => T::try_from(unzigzag(n - 1)).ok().map(Some),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn varints_have_one_form() {
        for n in [0, 1, 127, 128, 300, u64::from(u32::MAX), u64::MAX] {
            let mut bytes = Vec::new();
            put_varint(&mut bytes, n);
            let mut rest = &bytes[..];
            assert_eq!((take_varint(&mut rest), rest.len()), (Some(n), 0));
        }
        // Source: DWARF 5 §7.6, unsigned LEB128 of 624485 is e5 8e 26.
        assert_eq!(take_varint(&mut &[0xe5, 0x8e, 0x26][..]), Some(624_485));
        for bad in [
            &[0x80, 0][..],
            &[0x80],
            &[],
            &[0xff; 11],
            &[0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 2],
        ] {
            assert_eq!(take_varint(&mut &bad[..]), None, "{bad:x?}");
        }
        for v in [0, -1, 1, i64::MIN, i64::MAX] {
            assert_eq!(unzigzag(zigzag(v)), v);
        }
    }
}
