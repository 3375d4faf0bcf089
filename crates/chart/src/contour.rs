//! Depth contours and depth areas of a surface.
//!
//! Marching over triangles with exact linear interpolation. A vertex is on the deep side of a level when its
//! depth is at or below it in the water (depth >= level), so a level that hits a vertex exactly is no special
//! case. Crossings have names (edge, level) and corners have names (vertex); pieces are joined by name, so
//! lines close exactly and the areas of all bands tile the surface.

mod chain;
mod trace;

use geo::{LineString, Polygon};

/// All lines of one level.
#[derive(Clone, Debug, PartialEq)]
pub struct Contour {
    /// Charted depth, metres (reduced depth + stage).
    pub depth_m: f64,
    /// Its lines in canonical order.
    pub lines: Vec<ContourLine>,
}

/// One line in metres of the surface's frame, the deep side on its left.
#[derive(Clone, Debug, PartialEq)]
pub struct ContourLine {
    /// At least two points; the first is repeated at the end of a closed line.
    pub points: LineString<f64>,
    /// Closed in itself, else it ends at the surface's edge.
    pub closed: bool,
}

/// The part of the surface with from <= depth < to.
#[derive(Clone, Debug, PartialEq)]
pub struct DepthArea {
    /// Shoal limit in metres of charted depth; `None` = no limit.
    pub from_m: Option<f64>,
    /// Deep limit; `None` = no limit.
    pub to_m: Option<f64>,
    /// Outer rings counter-clockwise, holes clockwise, metres of the surface's frame.
    pub polygons: Vec<Polygon<f64>>,
}

pub(crate) use chain::{Chain, Named, Walk, polyline};
pub(crate) use trace::{areas, band_of, contours, crossing, pieces};
