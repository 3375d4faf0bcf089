//! What a chart says about itself.

use crate::Units;
use leadline_model::{Mark, Pass, StageReading, UtcMillis};

/// A boat's own touch area.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Touch {
    /// Draft of the boat, metres.
    pub draft_m: f64,
    /// Safety margin below it, metres.
    pub margin_m: f64,
}

/// Everything on the sheet that is not a depth. All texts are taken as hostile and escaped.
#[derive(Clone, Debug, Default)]
pub struct ChartInfo {
    /// Name of the survey.
    pub survey: String,
    /// The sounding datum in words.
    pub datum: String,
    /// Stage the depths are charted at: metres above the sounding datum.
    pub stage_m: f64,
    /// Where the stage comes from, e.g. "no stage given: sounding datum".
    pub stage_text: String,
    /// Hatch where this boat would touch.
    pub touch: Option<Touch>,
    /// Stage readings named in the caption.
    pub readings: Vec<StageReading>,
    /// Passes; the cells' `main_pass` is an index into them.
    pub passes: Vec<Pass>,
    /// Marks to draw; those that a boat can hit are drawn whatever else is.
    pub marks: Vec<Mark>,
    /// Newest sounding: the date of everything made from them.
    pub newest: Option<UtcMillis>,
    /// Unit of the picture's depths.
    pub units: Units,
    /// Draw a fine dot for each cell.
    pub tracks: bool,
}

impl ChartInfo {
    /// The boats of all passes, sorted, each once.
    pub(crate) fn boats(&self) -> Vec<&str> {
        let mut boats: Vec<&str> = self.passes.iter().map(|p| p.boat.as_str()).collect();
        boats.sort_unstable();
        boats.dedup();
        boats
    }

    /// Index into [`Self::boats`] of the boat of pass `pass`.
    pub(crate) fn boat_of(&self, pass: u32, boats: &[&str]) -> Option<usize> {
        let name = self.passes.get(pass as usize)?.boat.as_str();
        boats.binary_search(&name).ok()
    }
}
