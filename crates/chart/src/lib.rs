//! Cells to surfaces, contours, depth areas, chart pictures and exports.
//!
//! Everything here is a pure function: cells come in as values, bytes go out into a `String`, a `Vec` or any
//! `io::Write`; the same cells in any order give the same bytes on every machine. It knows no file, no clock
//! and no survey store, and it reduces and grades nothing: cells arrive on the survey's sounding datum.
//!
//! [`Surface`] is the entry point: a triangulation of the cells, blank where soundings are too far apart, with
//! the *best* depths (and their uncertainty) and the *safe* ones that contours are drawn from. [`Levels`]
//! chooses contour levels, [`chart_svg`] and [`chart_png`] draw. What goes to other programs becomes a [`Layer`],
//! which the `layer_*` functions write in each format.
//!
//! ```
//! use leadline_chart::{Surface, SurfaceSettings};
//! let nothing = Surface::new(&[], &SurfaceSettings::default());
//! assert!(nothing.blank_reason().is_some());
//! ```

mod bed;
mod blocks;
mod compare;
mod contour;
mod coverage;
mod csb;
mod csv;
mod danger;
mod degrees;
mod error;
mod fabric;
mod geojson;
mod gpx;
mod grain;
mod ground;
mod held;
mod info;
mod kml;
mod krige;
mod label;
mod layer;
mod layer_text;
mod layers;
mod levels;
mod locate;
mod marks;
mod mesh;
mod near;
mod nodes;
mod palette;
mod pdf;
mod picture;
mod plan;
mod planes;
mod png;
mod raster;
#[cfg(test)]
mod sample;
mod selection;
mod shore;
mod smooth;
mod soundings;
mod spread;
mod statements;
mod steer;
mod structure;
mod support;
mod surface;
mod tracks;
mod units;
mod volume;
mod water;
mod wkb;
mod xml;
mod xyz;

pub use compare::{
    Called, Change, Comparison, Moved, Patch, Shift, Sides, Square, Total, change_layers, compare,
};
pub use contour::{Contour, ContourLine, DepthArea};
pub use coverage::{
    Coverage, CoverageSettings, Gaps, Lines, Weak, Weakness, allowed_spacing_m, coverage_layers, footprint_m,
    planned_footprint_share,
};
pub use csb::{CsbInfo, CsbSounding, csb_geojson, csb_reference};
pub use csv::{cells_csv, layer_csv};
pub use error::{BlankReason, ChartError};
pub use geojson::{layer_geojson, layers_geojson};
pub use gpx::layers_gpx;
pub use held::HeldChart;
pub use info::{ChartInfo, Touch};
pub use kml::layers_kml;
pub use layer::{Column, Feature, Kind, Layer, Shape, Value};
pub use layers::{areas_geojson, areas_layer, cells_geojson, cells_layer, contours_geojson, contours_layer};
pub use levels::{Levels, MAX_LEVELS};
pub use marks::marks_layer;
pub use palette::{Colour, DEEP, DRYING, INK, PAPER, Theme, contrast, depth_colour, ink_on};
pub use pdf::chart_pdf;
pub use picture::{
    PaperSize, SCALES, SheetSettings, SheetWords, Turn, change_svg, chart_html, chart_sheet, chart_svg,
    coverage_svg, plan_svg, sheet_words, structure_svg, volume_svg,
};
pub use plan::{Leg, LegKind, MAX_PLAN_LINES, NotReached, Plan, PlanError, PlanSettings, Task, plan_layers};
pub use planes::{DepthTiles, FINEST_TILE_ZOOM, Pick, TILE_NODES, TilePatch};
pub use png::{DEFAULT_LONG_SIDE_PX, MAX_LONG_SIDE_PX, chart_png};
pub use raster::{
    AsciiGrid, MAX_TILE_ZOOM, MapPicture, MapTiles, PixelZoom, map_picture, map_tiles, surface_ascii,
    surface_tiff,
};
pub use shore::{Shore, shore_crossing};
pub use soundings::{passes_layer, selected_soundings_layer, soundings_layer};
pub use statements::{statement_text, statements};
pub use steer::{Ahead, DRIVEN_SHARE, Heading, LOOK_SECONDS, Met, NextRun, OffLine, Run, Side, next_run};
pub use structure::{
    BedShape, Doubt, Form, FormKind, Scale, Structure, Wanted, bed_shape, numbered, structure,
};
pub use surface::{Basis, Between, Estimate, Surface, SurfaceSettings};
pub use units::Units;
pub use volume::{Banded, MAX_STAGES, StageRow, VolumeTable, rules, stages, volume_csv, volume_table};
pub use water::Water;
pub use xyz::layer_xyz;
