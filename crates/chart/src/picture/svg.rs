//! Writing SVG text: numbers, paths, escaped words and their widths.

use crate::palette::Colour;
use crate::png::FONT_FAMILY;
use crate::units::fixed;
pub(super) use crate::xml::xml;
use leadline_model::escaped;
use std::fmt::Write;

/// Advance widths of ASCII 32 to 126 in DejaVu Sans, in 1/2048 em (from its `hmtx` table).
#[rustfmt::skip]
const WIDTHS: [u16; 95] = [
    651, 821, 942, 1716, 1303, 1946, 1597, 563, 799, 799, 1024, 1716, 651, 739, 651, 690, 1303, 1303, 1303, 1303,
    1303, 1303, 1303, 1303, 1303, 1303, 690, 690, 1716, 1716, 1716, 1087, 2048, 1401, 1405, 1430, 1577, 1294, 1178,
    1587, 1540, 604, 604, 1343, 1141, 1767, 1532, 1612, 1235, 1612, 1423, 1300, 1251, 1499, 1401, 2025, 1403, 1251,
    1403, 799, 690, 799, 1716, 1024, 1024, 1255, 1300, 1126, 1300, 1260, 721, 1300, 1298, 569, 569, 1186, 569, 1995,
    1298, 1253, 1300, 1300, 842, 1067, 803, 1298, 1212, 1675, 1212, 1212, 1075, 1303, 690, 1303, 1716,
];
/// Letters outside ASCII: mean of Latin-1 and Latin Extended-A is 1243; wide scripts fill the em.
const OTHER: u16 = 1300;
const WIDE: u16 = 2048;

/// Width of `text` at `size` px.
pub(super) fn width(text: &str, size: f64) -> f64 {
    let one = |c: char| match c as u32 {
        n @ 32..=126 => WIDTHS[n as usize - 32],
        n if n >= 0x1100 => WIDE,
        _ => OTHER,
    };
    text.chars().map(|c| f64::from(one(c))).sum::<f64>() / 2048.0 * size
}

/// `text` in lines no wider than `limit` px; a word that is too long is cut.
pub(super) fn wrapped(text: &str, size: f64, limit: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    let mut line = String::new();
    for word in text.split_whitespace() {
        let joined = if line.is_empty() { word.to_owned() } else { format!("{line} {word}") };
        if width(&joined, size) <= limit {
            line = joined;
            continue;
        }
        if !line.is_empty() {
            lines.push(std::mem::take(&mut line));
        }
        for c in word.chars() {
            if width(&line, size) + width(c.encode_utf8(&mut [0; 4]), size) > limit && !line.is_empty() {
                lines.push(std::mem::take(&mut line));
            }
            line.push(c);
        }
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

/// `text` cut to `limit` px with an ellipsis.
pub(super) fn shortened(text: &str, size: f64, limit: f64) -> String {
    let shown = escaped(text);
    if width(&shown, size) <= limit {
        return shown;
    }
    let mut out = String::new();
    for c in shown.chars() {
        if width(&out, size) + size * 1.6 > limit {
            break;
        }
        out.push(c);
    }
    out + "…"
}

/// A pixel number with one decimal.
pub(super) fn px(v: f64) -> String {
    let text = fixed(v, 1);
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

/// Where a text is anchored.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

impl Anchor {
    fn word(self) -> &'static str {
        match self {
            Self::Start => "start",
            Self::Middle => "middle",
            Self::End => "end",
        }
    }
}

/// An SVG fragment being written.
#[derive(Default)]
pub(super) struct Svg(pub(super) String);

impl Svg {
    /// Any element text built from numbers, colours and fixed words.
    pub(super) fn raw(&mut self, text: &str) {
        self.0.push_str(text);
        self.0.push('\n');
    }

    pub(super) fn text(&mut self, at: (f64, f64), size: f64, anchor: Anchor, fill: Colour, text: &str) {
        let (x, y) = (px(at.0), px(at.1));
        let (size, anchor, words) = (px(size), anchor.word(), xml(text));
        let _ = writeln!(
            self.0,
            "<text x=\"{x}\" y=\"{y}\" font-size=\"{size}\" text-anchor=\"{anchor}\" fill=\"{fill}\">{words}</text>"
        );
    }

    /// Lines of text under each other; gives the height used.
    pub(super) fn lines(&mut self, at: (f64, f64), size: f64, limit: f64, fill: Colour, text: &str) -> f64 {
        let step = libm::round(size * 1.35);
        let lines = wrapped(&escaped(text), size, limit);
        for (i, line) in lines.iter().enumerate() {
            self.text((at.0, at.1 + step * i as f64), size, Anchor::Start, fill, line);
        }
        step * lines.len() as f64
    }

    pub(super) fn rect(&mut self, at: (f64, f64), size: (f64, f64), style: &str) {
        let (x, y, w, h) = (px(at.0), px(at.1), px(size.0), px(size.1));
        let _ = writeln!(self.0, "<rect x=\"{x}\" y=\"{y}\" width=\"{w}\" height=\"{h}\" {style}/>");
    }

    pub(super) fn path(&mut self, d: &str, style: &str) {
        if !d.is_empty() {
            let _ = writeln!(self.0, "<path d=\"{d}\" {style}/>");
        }
    }

    pub(super) fn segment(&mut self, a: (f64, f64), b: (f64, f64), style: &str) {
        let d = format!("M{} {}L{} {}", px(a.0), px(a.1), px(b.0), px(b.1));
        self.path(&d, style);
    }
}

/// `points` as path data, points nearer than `least` px to the last one dropped.
pub(super) fn path_data(points: impl Iterator<Item = (f64, f64)>, closed: bool, least: f64) -> String {
    let mut d = String::new();
    let mut last: Option<(f64, f64)> = None;
    let mut skipped: Option<(f64, f64)> = None;
    let mut n = 0;
    for p in points {
        let near = last.is_some_and(|q: (f64, f64)| (p.0 - q.0).abs() < least && (p.1 - q.1).abs() < least);
        if near {
            skipped = Some(p);
            continue;
        }
        push(&mut d, p, n == 0);
        (last, skipped, n) = (Some(p), None, n + 1);
    }
    if let Some(p) = skipped.filter(|_| !closed) {
        push(&mut d, p, n == 0);
        n += 1;
    }
    match (n, closed) {
        (0 | 1, _) | (2, true) => String::new(),
        (_, true) => d + "Z",
        (_, false) => d,
    }
}

fn push(d: &mut String, p: (f64, f64), first: bool) {
    let _ = write!(d, "{}{} {}", if first { 'M' } else { 'L' }, px(p.0), px(p.1));
}

/// Opening of a sheet of `w` x `h` px.
pub(super) fn head(w: f64, h: f64) -> String {
    let (w, h) = (px(w), px(h));
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{w}\" height=\"{h}\" viewBox=\"0 0 {w} {h}\" \
         font-family=\"'{FONT_FAMILY}', Verdana, sans-serif\">\n"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_are_measured_wrapped_and_escaped() {
        // Ten digits of 1303/2048 em.
        assert!((width("0123456789", 20.0) - 10.0 * 1303.0 / 2048.0 * 20.0).abs() < 1e-9);
        let lines = wrapped("a quiet reservoir andaverylongwordthatmustbecut", 10.0, 80.0);
        assert!(lines.len() >= 4 && lines.iter().all(|l| width(l, 10.0) <= 80.0), "{lines:?}");
        assert_eq!(xml("<b>&\"\u{7}\u{202e}"), "&lt;b&gt;&amp;&quot;\\u{7}\\u{202e}");
        assert!(shortened(&"W".repeat(300), 10.0, 100.0).ends_with('…'));
        assert_eq!(path_data([(0.0, 0.0), (0.1, 0.0), (9.0, 0.04)].into_iter(), false, 0.4), "M0 0L9 0");
    }
}
