//! A cell for tests: sounded once, sure, nothing unusual. What a test is about is written over it.

use leadline_model::{Cell, Grade, GridPos, UtcMillis};

/// One sounding of `depth_m` at a place.
pub(crate) fn cell(at: GridPos, depth_m: f64) -> Cell {
    Cell {
        id: at.cell(),
        at,
        depth_m,
        tvu95_m: 0.2,
        shoalest_m: depth_m,
        grade: Grade::Sure,
        soundings: 1,
        passes: 1,
        devices: 1,
        main_pass: 0,
        newest: UtcMillis(0),
        disputed: false,
    }
}
