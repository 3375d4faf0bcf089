//! How the sheet is divided: title, map frame, and a panel beside or below it.

use crate::nodes::Node;
use geo::Coord;

/// Pixels of the sheet's long side; short side by the ratio of A-series paper.
const LONG: f64 = 2000.0;
const SHORT: f64 = 1414.0;
/// White around everything.
pub(super) const MARGIN: f64 = 44.0;
/// Height of the title.
const TITLE: f64 = 100.0;
/// Room for the graticule's figures outside the map frame.
pub(super) const FIGURES: f64 = 28.0;
const GUTTER: f64 = 36.0;
/// Least height of a map above a tall panel.
const LEAST_MAP: f64 = 620.0;

/// A rectangle: left, top, width, height.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Rect {
    pub(super) x: f64,
    pub(super) y: f64,
    pub(super) w: f64,
    pub(super) h: f64,
}

/// Kinds of sheet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Sheet {
    /// Landscape, panel in columns below the map: waters much wider than high.
    Wide,
    /// Landscape, panel on the right.
    Square,
    /// Portrait, panel on the right: waters much higher than wide.
    Tall,
}

impl Sheet {
    pub(super) fn for_extent(extent: &Extent) -> Self {
        match extent.width() / extent.height() {
            r if r > 1.55 => Self::Wide,
            r if r < 0.75 => Self::Tall,
            _ => Self::Square,
        }
    }

    /// Columns of the panel and their width.
    pub(super) fn columns(self) -> (usize, f64) {
        match self {
            Self::Wide => (4, (LONG - 2.0 * MARGIN - 3.0 * GUTTER) / 4.0),
            Self::Square | Self::Tall => (1, 430.0),
        }
    }
}

/// The divided sheet.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Layout {
    pub(super) width: f64,
    pub(super) height: f64,
    pub(super) map: Rect,
    /// Left top corner of each panel column.
    pub(super) columns: Vec<(f64, f64)>,
}

impl Layout {
    /// Divides a sheet whose panel needs `panel_height`; the sheet grows when that is too much.
    pub(super) fn new(sheet: Sheet, panel_height: f64) -> Self {
        let (n, column) = sheet.columns();
        let top = MARGIN + TITLE;
        let left = MARGIN + FIGURES;
        if sheet == Sheet::Wide {
            let room = SHORT - top - MARGIN - 2.0 * FIGURES - GUTTER - panel_height;
            let map = Rect { x: left, y: top, w: LONG - left - MARGIN - FIGURES, h: room.max(LEAST_MAP) };
            let y = map.y + map.h + FIGURES + GUTTER;
            let columns = (0..n).map(|i| (MARGIN + i as f64 * (column + GUTTER), y)).collect();
            return Self { width: LONG, height: y + panel_height + MARGIN, map, columns };
        }
        let (width, least) = if sheet == Sheet::Tall { (SHORT, LONG) } else { (LONG, SHORT) };
        let height = least.max(top + panel_height + MARGIN);
        let panel = width - MARGIN - column;
        let w = panel - GUTTER - FIGURES - left;
        let map = Rect { x: left, y: top, w, h: height - top - FIGURES - MARGIN };
        Self { width, height, map, columns: vec![(panel, top)] }
    }
}

/// Bounding box in frame metres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Extent {
    pub(super) low: [f64; 2],
    pub(super) high: [f64; 2],
}

impl Extent {
    /// Of the nodes with a small border; at least 40 m a side.
    pub(super) fn of(nodes: &[Node]) -> Self {
        let mut e = Self { low: [f64::INFINITY; 2], high: [f64::NEG_INFINITY; 2] };
        for n in nodes {
            for k in 0..2 {
                e.low[k] = e.low[k].min(n.xy[k]);
                e.high[k] = e.high[k].max(n.xy[k]);
            }
        }
        if nodes.is_empty() {
            e = Self { low: [0.0; 2], high: [0.0; 2] };
        }
        let border = (0.035 * e.width().max(e.height())).max(20.0);
        for k in 0..2 {
            e.low[k] -= border;
            e.high[k] += border;
        }
        e
    }

    pub(super) fn width(&self) -> f64 {
        self.high[0] - self.low[0]
    }

    pub(super) fn height(&self) -> f64 {
        self.high[1] - self.low[1]
    }
}

/// Frame metres to pixels, one scale both ways, north up.
#[derive(Clone, Copy, Debug)]
pub(super) struct View {
    /// Pixels a metre.
    pub(super) scale: f64,
    middle: [f64; 2],
    centre: (f64, f64),
}

impl View {
    /// Fits `extent` into `frame`.
    pub(super) fn fit(extent: &Extent, frame: &Rect) -> Self {
        let scale = (frame.w / extent.width()).min(frame.h / extent.height());
        let mid = |k: usize| (extent.low[k] + extent.high[k]) / 2.0;
        let centre = (frame.x + frame.w / 2.0, frame.y + frame.h / 2.0);
        Self { scale, middle: [mid(0), mid(1)], centre }
    }

    pub(super) fn px(&self, p: [f64; 2]) -> (f64, f64) {
        let [e, n] = [p[0] - self.middle[0], p[1] - self.middle[1]];
        (self.centre.0 + e * self.scale, self.centre.1 - n * self.scale)
    }

    pub(super) fn coord(&self, c: &Coord<f64>) -> (f64, f64) {
        self.px([c.x, c.y])
    }

    /// The metres under a pixel.
    pub(super) fn metres(&self, p: (f64, f64)) -> [f64; 2] {
        let (x, y) = (p.0 - self.centre.0, self.centre.1 - p.1);
        [self.middle[0] + x / self.scale, self.middle[1] + y / self.scale]
    }
}
