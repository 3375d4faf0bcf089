//! From what instruments said to depths on one datum: soundings, setups and stages in, screened and graded
//! cells with an honest 95 % uncertainty out.
//!
//! What it is not: it reads no file, keeps nothing and knows no clock. [`reduce`] is a pure function whose
//! result does not depend on the order of what it is given, byte for byte; its time is linear in the number
//! of soundings (apart from sorting them). `docs/method.md` explains every formula.
//!
//! ```
//! use leadline_reduce::{Input, reduce};
//! let reduced = reduce(Input::default());
//! assert_eq!(reduced.tally.given, 0);
//! ```

mod budget;
mod cells;
mod copies;
mod days;
mod depth;
mod explain;
mod fix;
mod input;
mod land;
mod level;
mod levelled;
mod limits;
mod map;
mod passes;
mod prepare;
mod river;
mod robust;
mod screen;
mod settings;
mod setups;
mod slope;
mod sound;
mod splice;
mod stage;
mod statements;
mod tally;
mod verdicts;
mod work;

pub use cells::{Dispute, Rival, Why};
pub use copies::{CopyFound, Recording};
pub use depth::{DraftSource, DraftUsed, SoundSource, SoundUsed};
pub use explain::{Basis, Term, explain};
pub use input::{Adopted, DeviceSet, Input, LegInput};
pub use land::Land;
pub use level::{
    BoatFound, DatumFound, DayFound, Differences, Equation, Found, Proposal, Robust, Spread, least_squares,
    level, robust,
};
pub use limits::{Limit, ORDER_1B, ORDER_2, grade_within};
pub use map::{Map, Refreshed};
pub use settings::{Defaults, Settings};
pub use sound::{fresh_water, sound_speed};
pub use stage::{StageHow, StageRecord, StageUsed};
pub use tally::{BoatTally, Conditions, Counts, Tally};

use leadline_model::{Cell, CellId, Pass, ReducedSounding};

/// Everything [`reduce`] finds out.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Reduced {
    /// Unbroken legs of one boat, by first sounding, then boat.
    pub passes: Vec<Pass>,
    /// Every sounding counted, void ones too: by cell (in the order of `cells`), pass, time.
    pub soundings: Vec<ReducedSounding>,
    /// Cells with at least one accepted sounding: by quadkey of the tile, then row and column.
    pub cells: Vec<Cell>,
    /// Slope of the bed at each of `cells` (metres down a metre), its own uncertainty included.
    pub slopes: Vec<f32>,
    /// Cells whose visits disagree, in the order of `cells`.
    pub disputes: Vec<Dispute>,
    /// What was recorded twice and counts once.
    pub copies: Vec<CopyFound>,
    /// Counts that add up to the input.
    pub tally: Tally,
    /// What was used for each of `passes`.
    pub conditions: Vec<Conditions>,
}

impl Reduced {
    /// The soundings of `cell`, void ones included.
    pub fn soundings_of(&self, cell: &Cell) -> &[ReducedSounding] {
        let key = cells::cell_key(cell.id);
        let from = self.soundings.partition_point(|s| cells::cell_key(s.at.cell()) < key);
        let rest = self.soundings.get(from..).unwrap_or_default();
        rest.get(..rest.partition_point(|s| cells::cell_key(s.at.cell()) == key)).unwrap_or_default()
    }

    /// The cell `id` if it has an accepted sounding.
    pub fn cell(&self, id: CellId) -> Option<&Cell> {
        self.index_of(id).and_then(|i| self.cells.get(i))
    }

    /// Slope of the bed at cell `id` (metres down a metre), if the cell has an accepted sounding.
    pub fn slope(&self, id: CellId) -> Option<f64> {
        self.index_of(id).and_then(|i| self.slopes.get(i)).map(|s| f64::from(*s))
    }

    /// Number of tiles with a sounding.
    fn tiles(&self) -> usize {
        self.soundings.chunk_by(|a, b| a.at.tile() == b.at.tile()).count()
    }

    fn index_of(&self, id: CellId) -> Option<usize> {
        self.cells.binary_search_by_key(&cells::cell_key(id), |c| cells::cell_key(c.id)).ok()
    }
}

/// Reduces, screens and grades every sounding of `input` and combines the accepted ones to cells.
pub fn reduce(input: Input) -> Reduced {
    Map::new(input).into_reduced()
}
