//! What the computation gives back: reduced soundings and the cells made of them.

use crate::{CellId, Grade, GridPos, UtcMillis, VoidReason};

/// One sounding on the survey's datum with its uncertainty and grade.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReducedSounding {
    /// When.
    pub time: UtcMillis,
    /// Where.
    pub at: GridPos,
    /// Depth below the sounding datum in metres, negative = dries. Meaningless where `void` is set and no depth was given.
    pub depth_m: f64,
    /// Total vertical uncertainty, 95 %, metres.
    pub tvu95_m: f64,
    /// Total horizontal uncertainty, 95 %, metres.
    pub thu95_m: f64,
    /// Its grade.
    pub grade: Grade,
    /// Why it is void, if it is.
    pub void: Option<VoidReason>,
    /// Index of its pass in the result's list of passes.
    pub pass: u32,
}

/// One cell with at least one accepted sounding.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cell {
    /// Which.
    pub id: CellId,
    /// Mean position of the accepted soundings.
    pub at: GridPos,
    /// Depth below the sounding datum in metres.
    pub depth_m: f64,
    /// Total vertical uncertainty of `depth_m`, 95 %, metres.
    pub tvu95_m: f64,
    /// Shoalest accepted sounding, metres below the sounding datum.
    pub shoalest_m: f64,
    /// Grade of the cell.
    pub grade: Grade,
    /// Accepted soundings.
    pub soundings: u32,
    /// Passes they come from.
    pub passes: u32,
    /// Devices that claim them.
    pub devices: u32,
    /// Index of the pass that gave most of them.
    pub main_pass: u32,
    /// Newest of them.
    pub newest: UtcMillis,
    /// The visits disagree beyond their uncertainty.
    pub disputed: bool,
}
