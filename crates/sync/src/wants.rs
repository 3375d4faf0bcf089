//! What a device asks its peers for: all strips, none, or those of some areas and dates.

use leadline_model::{TileId, UtcMillis};

/// Areas that are told to the peer; more are told as fewer and larger ones.
pub(crate) const AREAS_TOLD: usize = 64;
/// Digits of a whole quadkey: the zoom level of a tile.
const DIGITS: u8 = 15;

/// What a device asks its peers for. Entries are always taken: every member may hold every one.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
#[non_exhaustive]
pub enum Wants {
    /// All strips.
    #[default]
    Everything,
    /// No strips.
    EntriesOnly,
    /// The strips of some areas and dates.
    Part(Box<Part>),
}

/// Some areas and dates.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Part {
    /// Where; nothing here means everywhere.
    pub areas: Vec<TileArea>,
    /// From this time on.
    pub from: Option<UtcMillis>,
    /// Before this time.
    pub to: Option<UtcMillis>,
}

/// All tiles whose quadkey begins with the same digits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct TileArea {
    digits: u8,
    x: u16,
    y: u16,
}

impl Wants {
    /// Whether a strip on `tile`, with soundings from `first` to `last`, is wanted.
    pub fn want(&self, tile: TileId, first: UtcMillis, last: UtcMillis) -> bool {
        match self {
            Self::Everything => true,
            Self::EntriesOnly => false,
            Self::Part(part) => part.covers(tile, first, last),
        }
    }
}

impl Part {
    /// Whether something on `tile` from `first` to `last` lies at least partly inside.
    pub fn covers(&self, tile: TileId, first: UtcMillis, last: UtcMillis) -> bool {
        let here = self.areas.is_empty() || self.areas.iter().any(|a| a.covers(tile));
        here && self.from.is_none_or(|from| last >= from) && self.to.is_none_or(|to| first < to)
    }

    /// The same, or more, in at most [`AREAS_TOLD`] areas.
    pub(crate) fn told(&self) -> Self {
        let mut areas = self.areas.clone();
        areas.sort_unstable();
        areas.dedup();
        while areas.len() > AREAS_TOLD {
            areas = areas.into_iter().map(TileArea::parent).collect();
            areas.sort_unstable();
            areas.dedup();
        }
        Self { areas, ..*self }
    }
}

impl TileArea {
    /// From 0 to 15 digits of 0 … 3, as a quadkey begins; `None` for anything else.
    pub fn of_quadkey(quadkey: &str) -> Option<Self> {
        let mut area = Self { digits: 0, x: 0, y: 0 };
        for c in quadkey.chars() {
            let digit = c.to_digit(4).filter(|_| area.digits < DIGITS)? as u16;
            area = Self { digits: area.digits + 1, x: area.x << 1 | digit & 1, y: area.y << 1 | digit >> 1 };
        }
        Some(area)
    }

    /// How many digits, and the column and row among the areas of so many digits; `None` beyond the last.
    pub(crate) fn new(digits: u8, x: u16, y: u16) -> Option<Self> {
        let inside = |n: u16| u32::from(n) >> digits == 0;
        (digits <= DIGITS && inside(x) && inside(y)).then_some(Self { digits, x, y })
    }

    pub(crate) fn parts(self) -> (u8, u16, u16) {
        (self.digits, self.x, self.y)
    }

    /// Whether `tile` lies in it.
    pub fn covers(self, tile: TileId) -> bool {
        let up = DIGITS - self.digits;
        tile.x() >> up == u32::from(self.x) && tile.y() >> up == u32::from(self.y)
    }

    fn parent(self) -> Self {
        match self.digits {
            0 => self,
            digits => Self { digits: digits - 1, x: self.x >> 1, y: self.y >> 1 },
        }
    }
}

impl From<TileId> for TileArea {
    fn from(tile: TileId) -> Self {
        // A tile's column and row have fifteen bits.
        Self { digits: DIGITS, x: tile.x() as u16, y: tile.y() as u16 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tile(quadkey: &str) -> TileId {
        quadkey.parse().expect("a quadkey")
    }

    /// The published description of quadkeys (Bing Maps Tile System) has tile (3, 5) of level 3 = "213".
    #[test]
    fn a_prefix_is_an_area() {
        assert_eq!(TileArea::of_quadkey("213").map(TileArea::parts), Some((3, 3, 5)));
        let area = TileArea::of_quadkey("120").expect("digits");
        assert!(area.covers(tile("120333333333333")) && !area.covers(tile("121000000000000")));
        assert!(TileArea::of_quadkey("").expect("everywhere").covers(tile("333333333333333")));
        assert_eq!(
            TileArea::from(tile("120333333333333")),
            TileArea::of_quadkey("120333333333333").expect("15")
        );
        for wrong in ["4", "12a", "1203333333333333"] {
            assert_eq!(TileArea::of_quadkey(wrong), None, "{wrong}");
        }
        assert_eq!(TileArea::new(3, 8, 0), None);
        assert_eq!(TileArea::new(16, 0, 0), None);
    }

    #[test]
    fn dates_are_half_open_and_a_strip_that_reaches_in_is_wanted() {
        let part = Part { from: Some(UtcMillis(100)), to: Some(UtcMillis(200)), ..Part::default() };
        let covers = |first, last| part.covers(tile("120333333333333"), UtcMillis(first), UtcMillis(last));
        assert!(covers(50, 100) && covers(199, 300) && covers(120, 130));
        assert!(!covers(50, 99) && !covers(200, 300));
    }

    #[test]
    fn many_areas_are_told_as_fewer_that_cover_them() {
        let areas: Vec<_> =
            (0..300).map(|n| TileArea::from(TileId::new(n * 7, n).expect("a tile"))).collect();
        let part = Part { areas, ..Part::default() };
        let told = part.told();
        assert!((1..=AREAS_TOLD).contains(&told.areas.len()));
        let t = UtcMillis(0);
        assert!((0..300).all(|n| told.covers(TileId::new(n * 7, n).expect("a tile"), t, t)));
    }
}
