//! Off a planned line: how far, and on which side the line lies.

use leadline_model::{GridPos, LocalFrame};

/// A side, seen from a boat that drives along.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Left.
    Port,
    /// Right.
    Starboard,
}

impl Side {
    /// The word people and files read.
    pub fn word(self) -> &'static str {
        match self {
            Self::Port => "port",
            Self::Starboard => "starboard",
        }
    }
}

/// Where a boat is, seen from a straight line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OffLine {
    /// Metres from the line's beginning to the foot of the perpendicular; negative before it.
    pub along_m: f64,
    /// Metres the boat is off the line: positive to its right (starboard), as it runs from beginning to end.
    pub off_m: f64,
    /// Length of the line, metres.
    pub length_m: f64,
}

impl OffLine {
    /// Of a boat at `at`, and the line from `from` to `to`; plane metres around the boat, good for lines of some
    /// kilometres.
    pub fn of(at: GridPos, from: GridPos, to: GridPos) -> Self {
        let frame = LocalFrame::new(at);
        let (a, b) = (frame.metres(from), frame.metres(to));
        let (dx, dy) = (b.0 - a.0, b.1 - a.1);
        let length_m = libm::hypot(dx, dy);
        if length_m == 0.0 {
            return Self { along_m: 0.0, off_m: libm::hypot(a.0, a.1), length_m };
        }
        // The boat is the zero of the frame.
        let along_m = -(a.0 * dx + a.1 * dy) / length_m;
        let off_m = (a.1 * dx - a.0 * dy) / length_m;
        Self { along_m, off_m, length_m }
    }

    /// On which side of the boat the line lies; `None` when it is on it to within `width_m`.
    pub fn line_lies(&self, width_m: f64) -> Option<Side> {
        match self.off_m {
            m if m.abs() <= width_m => None,
            m if m > 0.0 => Some(Side::Port),
            _ => Some(Side::Starboard),
        }
    }

    /// Metres to the nearest place of the line itself.
    pub fn distance_m(&self) -> f64 {
        let beyond = (-self.along_m).max(self.along_m - self.length_m).max(0.0);
        libm::hypot(beyond, self.off_m)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use leadline_model::LonLat;

    fn at([lon, lat]: [f64; 2]) -> GridPos {
        GridPos::from_lonlat(LonLat { lon, lat }).expect("on the grid")
    }

    #[test]
    fn against_geodesics() {
        // Source: GeographicLib (Karney 2013), Python package geographiclib 2.1: from the line's beginning along its
        // azimuth, then the last number of metres at a right angle to the right; negative to the left.
        #[rustfmt::skip]
        let cases = [
            ([7.4, 48.2], [7.402_690_63, 48.203_115_33], [7.401_148_75, 48.201_114_30], 150.0, 12.0),
            ([7.4, 48.2], [7.397_309_69, 48.196_884_61], [7.397_464_32, 48.196_928_77], 390.0, -7.5),
            ([25.0, 60.0], [25.026_778_48, 59.998_823_86], [25.012_434_25, 59.999_094_16], 700.0, 40.0),
            ([151.2, -33.9], [151.198_088_79, -33.898_406_26], [151.200_611_60, -33.900_254_99], -60.0, 20.0),
            ([179.999, 0.01], [-179.995_610_11, 0.010_000_00], [-179.996_508_42, 0.010_135_66], 500.0, -15.0),
        ];
        for (from, to, boat, along, off) in cases {
            let found = OffLine::of(at(boat), at(from), at(to));
            assert!((found.along_m - along).abs() < 0.25, "{found:?} {along}");
            assert!((found.off_m - off).abs() < 0.1, "{found:?} {off}");
        }
    }

    #[test]
    fn sides_in_words() {
        // Northward, the boat east of the line: the line lies to port.
        let off = OffLine::of(at([7.4002, 48.2005]), at([7.4, 48.2]), at([7.4, 48.201]));
        assert!(off.off_m > 14.0 && off.off_m < 16.0);
        assert_eq!(off.line_lies(2.0).map(Side::word), Some("port"));
        assert_eq!(off.line_lies(20.0), None);
        let back = OffLine::of(at([7.4002, 48.2005]), at([7.4, 48.201]), at([7.4, 48.2]));
        assert_eq!(back.line_lies(2.0).map(Side::word), Some("starboard"), "the other way round");
    }

    #[test]
    fn beyond_the_ends_the_distance_is_to_the_end() {
        let off = OffLine::of(at([7.4, 48.1991]), at([7.4, 48.2]), at([7.4, 48.201]));
        // 0.0009° of latitude at 48.2° is 100.07 m (GeographicLib 2.1, computed as 111.19 m for 0.001°).
        assert!((off.along_m + 100.07).abs() < 0.2 && (off.distance_m() - 100.07).abs() < 0.2, "{off:?}");
        let point = OffLine::of(at([7.4, 48.1991]), at([7.4, 48.2]), at([7.4, 48.2]));
        assert!((point.distance_m() - 100.07).abs() < 0.2);
    }
}
