//! What a hello says besides its frozen layout: items behind a tag and a length. Whoever does not know a tag skips it.

use crate::wants::AREAS_TOLD;
use crate::{Config, Part, TileArea, Wants};
use leadline_logbook::CodecError;
use leadline_model::UtcMillis;

/// All items of one hello, bytes.
pub(crate) const ITEMS_LIMIT: usize = 512;

mod tag {
    pub(super) const STAY: u16 = 1;
    pub(super) const WANTS: u16 = 2;
    pub(super) const SECRET: u16 = 3;
    pub(super) const CLOCK: u16 = 4;
}

/// Bytes of one area.
const AREA: usize = 5;

/// The items this program knows.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Items {
    /// The sender stays on when all is done.
    pub(crate) stay: bool,
    /// The areas and dates whose strips it wants, if not all.
    pub(crate) wants: Option<Part>,
    /// Which change of the survey's secret it knows, 0 = the first secret.
    pub(crate) secret_generation: Option<u32>,
    /// What its clock says. To be shown; nothing may depend on it.
    pub(crate) clock: Option<UtcMillis>,
}

impl Items {
    pub(crate) fn of(cfg: &Config) -> Self {
        let wants = match &cfg.wants {
            Wants::Part(part) => Some(part.told()),
            _ => None,
        };
        Self { stay: cfg.stay, wants, secret_generation: cfg.secret_generation, clock: cfg.clock }
    }

    /// Ascending by tag.
    pub(crate) fn write(&self) -> Vec<u8> {
        let mut out = Vec::new();
        if self.stay {
            put(&mut out, tag::STAY, &[]);
        }
        if let Some(part) = &self.wants {
            put(&mut out, tag::WANTS, &write_part(part));
        }
        if let Some(generation) = self.secret_generation {
            put(&mut out, tag::SECRET, &generation.to_le_bytes());
        }
        if let Some(clock) = self.clock {
            put(&mut out, tag::CLOCK, &clock.0.to_le_bytes());
        }
        out
    }

    /// Tags must ascend, so that each stands once.
    pub(crate) fn read(mut bytes: &[u8]) -> Result<Self, CodecError> {
        if bytes.len() > ITEMS_LIMIT {
            return Err(CodecError::TooLong { got: bytes.len(), limit: ITEMS_LIMIT });
        }
        let (mut items, mut last) = (Self::default(), None);
        while !bytes.is_empty() {
            let (tag, item, rest) = take(bytes).ok_or(CodecError::Layout)?;
            if last.is_some_and(|l| l >= tag) {
                return Err(CodecError::Layout);
            }
            items.note(tag, item).ok_or(CodecError::Layout)?;
            (last, bytes) = (Some(tag), rest);
        }
        Ok(items)
    }

    fn note(&mut self, tag: u16, item: &[u8]) -> Option<()> {
        match tag {
            tag::STAY => self.stay = item.is_empty().then_some(true)?,
            tag::WANTS => self.wants = Some(read_part(item)?),
            tag::SECRET => self.secret_generation = Some(u32::from_le_bytes(item.try_into().ok()?)),
            tag::CLOCK => self.clock = Some(UtcMillis(i64::from_le_bytes(item.try_into().ok()?))),
            _ => {}
        }
        Some(())
    }
}

fn put(out: &mut Vec<u8>, tag: u16, item: &[u8]) {
    // The largest item is a few hundred bytes.
    let len = u16::try_from(item.len()).unwrap_or(u16::MAX);
    out.extend(tag.to_le_bytes());
    out.extend(len.to_le_bytes());
    out.extend(item);
}

fn take(bytes: &[u8]) -> Option<(u16, &[u8], &[u8])> {
    let (tag, rest) = bytes.split_first_chunk::<2>()?;
    let (len, rest) = rest.split_first_chunk::<2>()?;
    let (item, rest) = rest.split_at_checked(u16::from_le_bytes(*len).into())?;
    Some((u16::from_le_bytes(*tag), item, rest))
}

/// From and to (the least and the greatest number where they are open), then the areas.
fn write_part(part: &Part) -> Vec<u8> {
    let mut out = part.from.map_or(i64::MIN, |t| t.0).to_le_bytes().to_vec();
    out.extend(part.to.map_or(i64::MAX, |t| t.0).to_le_bytes());
    for area in &part.areas {
        let (digits, x, y) = area.parts();
        out.push(digits);
        out.extend(x.to_le_bytes());
        out.extend(y.to_le_bytes());
    }
    out
}

fn read_part(item: &[u8]) -> Option<Part> {
    let (from, rest) = item.split_first_chunk::<8>()?;
    let (to, rest) = rest.split_first_chunk::<8>()?;
    let (from, to) = (i64::from_le_bytes(*from), i64::from_le_bytes(*to));
    let (areas, rest) = rest.as_chunks::<AREA>();
    if !rest.is_empty() || areas.len() > AREAS_TOLD {
        return None;
    }
    let area = |[digits, x0, x1, y0, y1]: &[u8; AREA]| {
        TileArea::new(*digits, u16::from_le_bytes([*x0, *x1]), u16::from_le_bytes([*y0, *y1]))
    };
    Some(Part {
        areas: areas.iter().map(area).collect::<Option<_>>()?,
        from: (from != i64::MIN).then_some(UtcMillis(from)),
        to: (to != i64::MAX).then_some(UtcMillis(to)),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn full() -> Items {
        let areas = (0..AREAS_TOLD as u16).filter_map(|n| TileArea::new(15, n, 2 * n)).collect();
        Items {
            stay: true,
            wants: Some(Part { areas, from: Some(UtcMillis(5)), to: None }),
            secret_generation: Some(3),
            clock: Some(UtcMillis(1_780_000_000_000)),
        }
    }

    #[test]
    fn all_items_come_back_and_fit() {
        for items in [full(), Items::default()] {
            let bytes = items.write();
            assert!(bytes.len() <= ITEMS_LIMIT);
            assert_eq!(Items::read(&bytes), Ok(items));
        }
    }

    #[test]
    fn unknown_tags_are_skipped_and_disorder_is_refused() {
        let known = Items { stay: true, ..Items::default() };
        let mut bytes = known.write();
        put(&mut bytes, 900, b"of a later version");
        assert_eq!(Items::read(&bytes), Ok(known));
        let twice = [full().write(), full().write()].concat();
        assert!(
            Items::read(&twice[..ITEMS_LIMIT]).is_err() && Items::read(&[1, 0, 0, 0, 1, 0, 0, 0]).is_err()
        );
        // A length beyond the end, a stay with content, a clock of three bytes, an area beyond the world.
        for wrong in [&[1, 0, 1, 0][..], &[1, 0, 1, 0, 9], &[4, 0, 3, 0, 1, 1, 1], &[1, 0, 0]] {
            assert_eq!(Items::read(wrong), Err(CodecError::Layout), "{wrong:?}");
        }
        let mut area = vec![2, 0, 21, 0];
        area.extend([0; 16]);
        area.extend([1, 2, 0, 0, 0]);
        assert_eq!(Items::read(&area), Err(CodecError::Layout));
        assert!(Items::read(&vec![0; ITEMS_LIMIT + 1]).is_err());
    }

    proptest! {
        #[test]
        fn any_bytes_are_read_or_refused(bytes in proptest::collection::vec(any::<u8>(), 0..600)) {
            if let Ok(items) = Items::read(&bytes) {
                prop_assert_eq!(Items::read(&items.write()), Ok(items));
            }
        }
    }
}
