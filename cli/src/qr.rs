//! A text as a QR code of half-block characters.

use crate::failure::Failure;
use qrcode::{Color, EcLevel, QrCode};

/// Light modules around the code: ISO/IEC 18004 asks for four.
const QUIET: usize = 4;
/// Black on white, whatever the terminal's own colours are; and back.
const COLOURS: &str = "\x1b[30;107m";
const PLAIN: &str = "\x1b[0m";

/// Two rows of modules a line. Capital letters only, where the text allows it: they take little more than half the
/// room.
pub(crate) fn picture(text: &str) -> Result<String, Failure> {
    let code = QrCode::with_error_correction_level(text, EcLevel::M)
        .map_err(|e| Failure::Input(format!("the text does not fit into a QR code: {e}")))?;
    let (width, colors) = (code.width(), code.to_colors());
    let dark = |x: usize, y: usize| {
        let inside = |v: usize| v.checked_sub(QUIET).filter(|v| *v < width);
        matches!((inside(x), inside(y)), (Some(x), Some(y)) if colors[y * width + x] == Color::Dark)
    };
    let size = width + 2 * QUIET;
    let mut out = String::new();
    for y in (0..size).step_by(2) {
        out.push_str(COLOURS);
        for x in 0..size {
            out.push(match (dark(x, y), dark(x, y + 1)) {
                (false, false) => ' ',
                (true, false) => '▀',
                (false, true) => '▄',
                (true, true) => '█',
            });
        }
        out.push_str(PLAIN);
        out.push('\n');
    }
    Ok(out)
}

/// The same as a picture of its own: SVG, black on white, one unit a module.
pub(crate) fn svg(text: &str) -> Result<String, Failure> {
    let code = QrCode::with_error_correction_level(text, EcLevel::M)
        .map_err(|e| Failure::Input(format!("the text does not fit into a QR code: {e}")))?;
    let (width, colors) = (code.width(), code.to_colors());
    let side = width + 2 * QUIET;
    let mut path = String::new();
    for (i, _) in colors.iter().enumerate().filter(|(_, c)| **c == Color::Dark) {
        path.push_str(&format!("M{},{}h1v1h-1z", i % width + QUIET, i / width + QUIET));
    }
    Ok(format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {side} {side}\" shape-rendering=\"crispEdges\"><rect width=\"{side}\" height=\"{side}\" fill=\"#fff\"/><path d=\"{path}\" fill=\"#000\"/></svg>"
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn size_finders_and_quiet_zone_are_the_standards() {
        // ISO/IEC 18004: side = 17 + 4 x version; alphanumeric capacity at level M: version 9 holds 262 characters,
        // version 8 holds 221 (table 7).
        let text = format!("LEADLINE:{}", "0123456789ABCDEFGHJKMNPQRSTVWXYZ".repeat(8));
        assert!((222..=311).contains(&text.len()), "{}", text.len());
        let version = if text.len() <= 262 { 9 } else { 10 };
        let lines: Vec<Vec<char>> = picture(&text)
            .expect("fits")
            .lines()
            .map(|l| l.trim_start_matches(COLOURS).trim_end_matches(PLAIN).chars().collect())
            .collect();
        let side = 17 + 4 * version;
        assert!(lines.iter().all(|l| l.len() == side + 2 * QUIET));
        assert_eq!(lines.len(), (side + 2 * QUIET).div_ceil(2));
        let dark = |x: usize, y: usize| {
            let c = lines[y / 2][x];
            c == '█' || c == if y.is_multiple_of(2) { '▀' } else { '▄' }
        };
        // A finder pattern in three corners: 7 x 7 ring, light ring, 3 x 3 dark.
        for (ox, oy) in [(QUIET, QUIET), (QUIET + side - 7, QUIET), (QUIET, QUIET + side - 7)] {
            for (x, y) in (0..7).flat_map(|x| (0..7).map(move |y| (x, y))) {
                let ring = (x.min(y).min(6 - x).min(6 - y)) != 1;
                assert_eq!(dark(ox + x, oy + y), ring, "{x},{y}");
            }
        }
        for i in 0..side + 2 * QUIET {
            assert!((0..QUIET).all(|q| !dark(i, q) && !dark(q, i)), "the quiet zone is light");
        }
    }
}
