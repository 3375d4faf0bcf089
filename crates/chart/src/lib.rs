//! Cells to surfaces, contours, depth areas, chart pictures and exports.
//!
//! Everything here is a pure function: cells come in as values, bytes go out into a `String`, a `Vec` or any
//! `io::Write`; the same cells in any order give the same bytes on every machine. It knows no file, no clock
//! and no survey store, and it reduces and grades nothing: cells arrive on the survey's sounding datum.
//!
//! [`Surface`] is the entry point: a triangulation of the cells, blank where soundings are too far apart, with
//! the *best* depths (and their uncertainty) and the *safe* ones that contours are drawn from. [`Levels`]
//! chooses contour levels, [`chart_svg`] and [`chart_png`] draw, the `*_geojson` and [`cells_csv`] functions
//! export.
//!
//! ```
//! use leadline_chart::{Surface, SurfaceSettings};
//! let nothing = Surface::new(&[], &SurfaceSettings::default());
//! assert!(nothing.blank_reason().is_some());
//! ```

mod bed;
mod blocks;
mod contour;
mod coverage;
mod csv;
mod error;
mod fabric;
mod geojson;
mod grain;
mod ground;
mod held;
mod info;
mod krige;
mod levels;
mod locate;
mod mesh;
mod near;
mod nodes;
mod palette;
mod picture;
mod plan;
mod png;
mod shore;
mod smooth;
mod spread;
mod structure;
mod support;
mod surface;
mod tracks;
mod units;
mod volume;
mod water;

pub use contour::{Contour, ContourLine, DepthArea};
pub use coverage::{
    Coverage, CoverageSettings, Gaps, Lines, Weak, Weakness, allowed_spacing_m, footprint_m,
    planned_footprint_share,
};
pub use csv::cells_csv;
pub use error::{BlankReason, ChartError};
pub use geojson::{areas_geojson, cells_geojson, contours_geojson};
pub use held::HeldChart;
pub use info::{ChartInfo, Touch};
pub use levels::{Levels, MAX_LEVELS};
pub use palette::{Colour, DEEP, DRYING, INK, PAPER, contrast, depth_colour, ink_on};
pub use picture::{chart_svg, coverage_svg, plan_svg, structure_svg, volume_svg};
pub use plan::{Leg, LegKind, MAX_PLAN_LINES, NotReached, Plan, PlanError, PlanSettings, Task};
pub use png::{DEFAULT_LONG_SIDE_PX, MAX_LONG_SIDE_PX, chart_png};
pub use shore::Shore;
pub use structure::{
    BedShape, Doubt, Form, FormKind, Scale, Structure, Wanted, bed_shape, numbered, structure,
};
pub use surface::{Basis, Between, Estimate, Surface, SurfaceSettings};
pub use units::Units;
pub use volume::{Banded, MAX_STAGES, StageRow, VolumeTable, rules, stages, volume_csv, volume_table};
pub use water::Water;
