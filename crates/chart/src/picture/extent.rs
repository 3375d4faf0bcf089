//! From metres to the sheet: what is shown, and at which scale.

use super::layout::Rect;
use super::paper::PX_PER_MM;
use crate::nodes::Node;
use geo::Coord;
use leadline_model::{LocalFrame, scale_factors};

/// Bounding box in frame metres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Extent {
    pub(super) low: [f64; 2],
    pub(super) high: [f64; 2],
}

impl Extent {
    /// Of the nodes with a small border; at least 40 m a side.
    pub(super) fn of(nodes: &[Node]) -> Self {
        let bare = Self::bare(nodes);
        let border = (0.035 * bare.width().max(bare.height())).max(20.0);
        Self { low: bare.low.map(|v| v - border), high: bare.high.map(|v| v + border) }
    }

    /// Of the nodes alone.
    pub(super) fn bare(nodes: &[Node]) -> Self {
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
        e
    }

    pub(super) fn width(&self) -> f64 {
        self.high[0] - self.low[0]
    }

    pub(super) fn height(&self) -> f64 {
        self.high[1] - self.low[1]
    }

    pub(super) fn middle(&self) -> [f64; 2] {
        [0, 1].map(|k| (self.low[k] + self.high[k]) / 2.0)
    }
}

/// Frame metres to pixels, one scale both ways, north up.
#[derive(Clone, Copy, Debug)]
pub(super) struct View {
    /// Pixels a metre of the frame.
    pub(super) scale: f64,
    /// True metres a metre of the frame in the middle of the view: 1 unless the survey is far from its frame's origin.
    true_m: f64,
    middle: [f64; 2],
    frame: Rect,
}

impl View {
    /// Fits `extent` into `frame`.
    pub(super) fn fit(extent: &Extent, frame: &Rect) -> Self {
        let scale = (frame.w / extent.width()).min(frame.h / extent.height());
        Self { scale, true_m: 1.0, middle: extent.middle(), frame: *frame }
    }

    /// With true metres by the middle of the view.
    pub(super) fn placed(self, local: &LocalFrame) -> Self {
        let [e, n] = self.middle;
        let size = |lat: f64| scale_factors(lat).0;
        let true_m = size(local.lonlat(e, n).lat) / size(local.origin().lonlat().lat);
        Self { true_m, ..self }
    }

    /// The same view at one in `denominator`.
    pub(super) fn at_scale(self, denominator: f64) -> Self {
        Self { scale: 1000.0 * PX_PER_MM * self.true_m / denominator, ..self }
    }

    /// One metre on the paper shows this many metres of water.
    pub(super) fn denominator(&self) -> f64 {
        1000.0 * PX_PER_MM / self.px_a_metre()
    }

    /// Pixels a true metre.
    pub(super) fn px_a_metre(&self) -> f64 {
        self.scale / self.true_m
    }

    /// Whether a box with these corners, in frame metres, touches the map.
    pub(super) fn shows(&self, low: [f64; 2], high: [f64; 2]) -> bool {
        let ((left, bottom), (right, top)) = (self.px(low), self.px(high));
        let f = &self.frame;
        right >= f.x && left <= f.x + f.w && bottom >= f.y && top <= f.y + f.h
    }

    pub(super) fn px(&self, p: [f64; 2]) -> (f64, f64) {
        let [e, n] = [p[0] - self.middle[0], p[1] - self.middle[1]];
        let (x, y) = self.centre();
        (x + e * self.scale, y - n * self.scale)
    }

    pub(super) fn coord(&self, c: &Coord<f64>) -> (f64, f64) {
        self.px([c.x, c.y])
    }

    /// The metres under a pixel.
    pub(super) fn metres(&self, p: (f64, f64)) -> [f64; 2] {
        let centre = self.centre();
        let (x, y) = (p.0 - centre.0, centre.1 - p.1);
        [self.middle[0] + x / self.scale, self.middle[1] + y / self.scale]
    }

    fn centre(&self) -> (f64, f64) {
        (self.frame.x + self.frame.w / 2.0, self.frame.y + self.frame.h / 2.0)
    }
}

/// The next larger number with two digits that count: 2,873 becomes 2,900.
pub(super) fn round_up(v: f64) -> f64 {
    let ten = libm::pow(10.0, libm::floor(libm::log10(v)) - 1.0);
    // The small step back keeps 2,900 from becoming 3,000 for want of a binary 2.9.
    libm::ceil(v / ten - 1e-9) * ten
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_kilometre_at_one_in_five_thousand_is_twenty_centimetres() {
        let frame = Rect { x: 0.0, y: 0.0, w: 2000.0, h: 1000.0 };
        let middle = Extent { low: [-1.0, -1.0], high: [1.0, 1.0] };
        let view = View::fit(&middle, &frame).at_scale(5000.0);
        let (a, b) = (view.px([-500.0, 0.0]), view.px([500.0, 0.0]));
        assert!(((b.0 - a.0) / PX_PER_MM - 200.0).abs() < 1e-9);
        assert!((view.denominator() - 5000.0).abs() < 1e-9);
        assert_eq!([2873.0, 2900.0, 2900.1, 99.5, 1.0].map(round_up), [2900.0, 2900.0, 3000.0, 100.0, 1.0]);
    }
}
