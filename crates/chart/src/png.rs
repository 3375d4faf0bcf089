//! The SVG chart as pixels, with the font that travels with the program.

use crate::ChartError;
use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{Options, Tree, fontdb};
use std::sync::Arc;

/// Pixels on the longer side unless asked otherwise.
pub const DEFAULT_LONG_SIDE_PX: u32 = 2000;
/// Largest picture: 8000 x 8000 x 4 bytes = 256 MB.
pub const MAX_LONG_SIDE_PX: u32 = 8000;

/// DejaVu Sans, unmodified; licence beside it.
pub(crate) static FONT: &[u8] = include_bytes!("../fonts/DejaVuSans.ttf");
pub(crate) const FONT_FAMILY: &str = "DejaVu Sans";

/// Draws `svg` (as [`crate::chart_svg`] writes it) into a PNG whose longer side has `long_side_px` pixels.
/// No font of the machine is used.
///
/// # Errors
/// A size of zero or over [`MAX_LONG_SIDE_PX`], or an SVG that does not parse.
pub fn chart_png(svg: &str, long_side_px: u32) -> Result<Vec<u8>, ChartError> {
    if !(1..=MAX_LONG_SIDE_PX).contains(&long_side_px) {
        return Err(ChartError::PictureSize(long_side_px));
    }
    let tree = parse(svg)?;
    let size = tree.size();
    let scale = long_side_px as f32 / size.width().max(size.height());
    let px = |v: f32| ((v * scale).round() as u32).clamp(1, MAX_LONG_SIDE_PX);
    let mut map =
        Pixmap::new(px(size.width()), px(size.height())).ok_or(ChartError::PictureSize(long_side_px))?;
    resvg::render(&tree, Transform::from_scale(scale, scale), &mut map.as_mut());
    map.encode_png().map_err(|e| ChartError::Png(e.to_string()))
}

pub(crate) fn parse(svg: &str) -> Result<Tree, ChartError> {
    let mut fonts = fontdb::Database::new();
    fonts.load_font_source(fontdb::Source::Binary(Arc::new(FONT)));
    fonts.set_sans_serif_family(FONT_FAMILY);
    let options =
        Options { font_family: FONT_FAMILY.to_owned(), fontdb: Arc::new(fonts), ..Options::default() };
    Ok(Tree::from_str(svg, &options)?)
}
