//! How the sheet is divided: title, map frame, a panel beside or below it, and the caution across the foot.

use super::extent::Extent;
use super::paper::{PaperSize, SheetSettings, Turn};

/// White around everything.
pub(super) const MARGIN: f64 = 44.0;
/// Height of the title.
const TITLE: f64 = 100.0;
/// Room for the graticule's figures outside the map frame.
pub(super) const FIGURES: f64 = 28.0;
const GUTTER: f64 = 36.0;
/// Least share of the sheet's height that a map above its panel keeps.
const LEAST_MAP: f64 = 0.4;
/// Width of a panel beside the map, as a share of the paper's short side, and its limits.
const BESIDE: (f64, f64, f64) = (0.29, 350.0, 430.0);
/// Least width of a column below the map.
const COLUMN: f64 = 400.0;

/// A rectangle: left, top, width, height.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Rect {
    pub(super) x: f64,
    pub(super) y: f64,
    pub(super) w: f64,
    pub(super) h: f64,
}

/// A paper, turned, with the panel beside or below the map.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Plan {
    pub(super) width: f64,
    pub(super) height: f64,
    beside: bool,
    columns: usize,
    column: f64,
}

impl Plan {
    /// The ways to divide the paper, the one that is turned as asked first.
    pub(super) fn all(settings: &SheetSettings) -> [Self; 4] {
        let (short, long) = settings.paper.px();
        let wide = [Self::beside(long, short), Self::below(long, short)];
        let tall = [Self::below(short, long), Self::beside(short, long)];
        let ([a, b], [c, d]) =
            if settings.turn == Some(Turn::Portrait) { (tall, wide) } else { (wide, tall) };
        [a, b, c, d]
    }

    pub(super) fn turn(&self) -> Turn {
        if self.width > self.height { Turn::Landscape } else { Turn::Portrait }
    }

    fn beside(width: f64, height: f64) -> Self {
        let (share, least, most) = BESIDE;
        let column = (share * width.min(height)).clamp(least, most);
        Self { width, height, beside: true, columns: 1, column }
    }

    fn below(width: f64, height: f64) -> Self {
        let room = width - 2.0 * MARGIN;
        let n = (libm::floor((room + GUTTER) / (COLUMN + GUTTER)) as usize).clamp(1, 4);
        let column = (room - (n - 1) as f64 * GUTTER) / n as f64;
        Self { width, height, beside: false, columns: n, column }
    }

    /// Columns of the panel and their width.
    pub(super) fn columns(&self) -> (usize, f64) {
        (self.columns, self.column)
    }

    /// Divides the sheet for a panel that needs `panel` and a foot that needs `foot`, px of height. A panel that is too
    /// tall is drawn smaller.
    pub(super) fn divide(&self, panel: f64, foot: f64) -> Layout {
        let (top, left) = (MARGIN + TITLE, MARGIN + FIGURES);
        let foot_y = self.height - MARGIN - foot;
        let bottom = foot_y - GUTTER * 0.6;
        let sheet = |map: Rect, columns, shrink: f64| Layout { plan: *self, map, columns, shrink, foot_y };
        if self.beside {
            let x = self.width - MARGIN - self.column;
            let shrink = ((bottom - top) / panel).min(1.0);
            let map = Rect { x: left, y: top, w: x - GUTTER - FIGURES - left, h: bottom - top - FIGURES };
            return sheet(map, vec![(x, top)], shrink);
        }
        let most = bottom - top - FIGURES - GUTTER - LEAST_MAP * self.height;
        let shrink = (most / panel).min(1.0);
        let y = bottom - panel * shrink;
        let columns = (0..self.columns).map(|i| (MARGIN + i as f64 * (self.column + GUTTER), y)).collect();
        let map = Rect {
            x: left,
            y: top,
            w: self.width - left - MARGIN - FIGURES,
            h: y - GUTTER * 0.8 - FIGURES - top,
        };
        sheet(map, columns, shrink)
    }
}

/// The divided sheet.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Layout {
    pub(super) plan: Plan,
    pub(super) map: Rect,
    /// Left top corner of each panel column.
    pub(super) columns: Vec<(f64, f64)>,
    /// The panel is drawn at this share of its size.
    pub(super) shrink: f64,
    /// Top of the foot.
    pub(super) foot_y: f64,
}

impl Layout {
    /// How good it is for a water: the larger the map, and the less the panel is shrunk, the better.
    pub(super) fn merit(&self, extent: &Extent) -> f64 {
        let fit = (self.map.w / extent.width()).min(self.map.h / extent.height());
        fit * self.shrink * self.shrink
    }
}

impl PaperSize {
    /// Short and long side in px of the sheet.
    fn px(self) -> (f64, f64) {
        let (w, h) = self.millimetres();
        (w * super::paper::PX_PER_MM, h * super::paper::PX_PER_MM)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_sheet_is_divided_without_overlap() {
        for paper in [PaperSize::A3, PaperSize::A4, PaperSize::Letter] {
            let settings = SheetSettings { paper, ..SheetSettings::default() };
            for plan in Plan::all(&settings) {
                for panel in [50.0, 400.0, 900.0, 4000.0] {
                    let l = plan.divide(panel, 80.0);
                    assert!(l.map.w > 300.0 && l.map.h > 300.0, "{l:?}");
                    assert!(l.map.y + l.map.h + FIGURES <= l.foot_y, "{l:?}");
                    for (x, y) in &l.columns {
                        assert!(*x >= MARGIN && x + plan.column <= plan.width - MARGIN + 1e-9, "{l:?}");
                        assert!(y + panel * l.shrink <= l.foot_y, "{l:?}");
                        let clear = if plan.beside { *x > l.map.x + l.map.w } else { *y > l.map.y + l.map.h };
                        assert!(clear, "{l:?}");
                    }
                }
            }
        }
    }
}
