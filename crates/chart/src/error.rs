//! What can go wrong, and why a surface is empty.

/// Why a chart or export was refused.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ChartError {
    /// A level that is no number.
    #[error("contour level {0} is not a finite number of metres; give levels like 1,2,5,10")]
    LevelNotFinite(f64),
    /// A step that is no positive number.
    #[error("a step of {0} m leads nowhere; give a positive number of metres")]
    Step(f64),
    /// A chart scale out of reason.
    #[error("a scale of 1 : {0} is not that of a chart; give its denominator, 100 to 10000000")]
    Scale(f64),
    /// More levels than [`crate::MAX_LEVELS`].
    #[error("{given} contour levels asked for; at most {max} can be drawn, so take a larger step")]
    TooManyLevels {
        /// How many were given.
        given: usize,
        /// How many are allowed.
        max: usize,
    },
    /// A picture size of zero or over the limit.
    #[error("a picture of {0} pixels cannot be drawn; ask for 1 to {max} on the long side", max = crate::MAX_LONG_SIDE_PX)]
    PictureSize(u32),
    /// The SVG could not be parsed.
    #[error("the chart's SVG cannot be read back: {0}; this is a defect, please report it")]
    Svg(#[from] resvg::usvg::Error),
    /// The PNG could not be encoded.
    #[error("the chart's PNG cannot be encoded: {0}; this is a defect, please report it")]
    Png(String),
}

/// Why there is no surface.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum BlankReason {
    /// No accepted sounding at all.
    #[error("no surface: there are no accepted soundings yet; import a log with depths and positions")]
    NoCells,
    /// One or two places.
    #[error("no surface: soundings in only {0} place(s), a surface needs three; drive more of the water")]
    TooFew(usize),
    /// All on one straight line.
    #[error("no surface: all soundings lie on one straight line; drive a second line beside it")]
    Collinear,
    /// No three neighbours are close enough together.
    #[error(
        "no surface: neighbouring soundings are more than the largest gap apart; drive lines closer together or allow a larger gap"
    )]
    TooFarApart,
}
