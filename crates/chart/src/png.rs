//! The SVG chart as pixels, with the font that travels with the program.

use crate::ChartError;
use crate::raster::chunk;
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
    let png = map.encode_png().map_err(|e| ChartError::Png(e.to_string()))?;
    Ok(with_resolution(&png, scale))
}

/// Says how many pixels a metre of paper has, so that the sheet prints at its size: `scale` pixels a CSS pixel, of
/// which an inch has 96 (CSS Values 4 §6.2). The chunk pHYs stands before the first IDAT (PNG specification §11.3.4.3).
fn with_resolution(png: &[u8], scale: f32) -> Vec<u8> {
    let per_metre = (f64::from(scale) * 96.0 / 0.0254).round().max(1.0) as u32;
    // Signature, then IHDR, which is 25 bytes long.
    let (head, rest) = png.split_at(png.len().min(33));
    let mut out = head.to_vec();
    let body = [&per_metre.to_be_bytes()[..], &per_metre.to_be_bytes(), &[1]].concat();
    chunk(&mut out, b"pHYs", &body);
    out.extend(rest);
    out
}

pub(crate) fn parse(svg: &str) -> Result<Tree, ChartError> {
    let mut fonts = fontdb::Database::new();
    fonts.load_font_source(fontdb::Source::Binary(Arc::new(FONT)));
    fonts.set_sans_serif_family(FONT_FAMILY);
    let options =
        Options { font_family: FONT_FAMILY.to_owned(), fontdb: Arc::new(fonts), ..Options::default() };
    Ok(Tree::from_str(svg, &options)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An inch of 96 CSS pixels drawn with 192 pixels: 192 / 0.0254 = 7559 pixels a metre.
    #[test]
    fn a_picture_knows_its_size_on_paper() {
        let svg = r##"<svg xmlns="http://www.w3.org/2000/svg" width="1in" height="48" viewBox="0 0 96 48"><rect width="9" height="9"/></svg>"##;
        let png = chart_png(svg, 192).expect("drawn");
        assert_eq!(png[37..41], *b"pHYs");
        assert_eq!(u32::from_be_bytes([png[41], png[42], png[43], png[44]]), 7559);
        let back = Pixmap::decode_png(&png).expect("still a PNG");
        assert_eq!((back.width(), back.height()), (192, 96));
    }
}
