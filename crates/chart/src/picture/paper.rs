//! Papers, and how a sheet is asked for.

use crate::Theme;
use leadline_model::GridPos;

/// Pixels of the sheet for a millimetre of paper: text of 15 px is 3 mm high, 8.5 points.
pub(crate) const PX_PER_MM: f64 = 5.0;
/// Scales a sheet may be asked for: one in this, at least and at most (judgement: a pond to a sea).
pub const SCALES: (f64, f64) = (50.0, 1_000_000.0);

/// Paper to print on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum PaperSize {
    /// 297 × 420 mm (ISO 216).
    #[default]
    A3,
    /// 210 × 297 mm (ISO 216).
    A4,
    /// 8.5 × 11 inches (ANSI/ASME Y14.1).
    Letter,
}

impl PaperSize {
    /// Short and long side, mm.
    pub fn millimetres(self) -> (f64, f64) {
        match self {
            Self::A3 => (297.0, 420.0),
            Self::A4 => (210.0, 297.0),
            Self::Letter => (215.9, 279.4),
        }
    }

    /// As people say it.
    pub fn word(self) -> &'static str {
        match self {
            Self::A3 => "A3",
            Self::A4 => "A4",
            Self::Letter => "letter",
        }
    }
}

/// Which way the paper is turned.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Turn {
    /// Higher than wide.
    Portrait,
    /// Wider than high.
    Landscape,
}

/// How a sheet is made.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SheetSettings {
    /// The paper it fills.
    pub paper: PaperSize,
    /// Without it, the way that shows the water larger.
    pub turn: Option<Turn>,
    /// Colours.
    pub theme: Theme,
    /// One in this when printed at full size; without it, as large as fits.
    pub scale: Option<f64>,
    /// Of waters too far apart for one sheet, the one nearest to this; without it, the one with the most cells.
    pub near: Option<GridPos>,
}
