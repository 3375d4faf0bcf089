//! Pixels as a PNG with a palette (or without one, should there be more than 256 colours).
//!
//! Source: PNG Specification (Third Edition), W3C.

use super::deflate::{crc32, zlib};
use std::collections::BTreeMap;

/// Bytes of a PNG of `width` pixels a row; `texts` are keyword (Latin letters) and text in UTF-8.
pub(crate) fn png(width: usize, pixels: &[[u8; 4]], texts: &[(&str, &str)]) -> Vec<u8> {
    let height = pixels.len() / width.max(1);
    let palette = palette(pixels);
    let mut out = b"\x89PNG\r\n\x1a\n".to_vec();
    let mut head = Vec::new();
    head.extend((width as u32).to_be_bytes());
    head.extend((height as u32).to_be_bytes());
    // Eight bits; colour type 3 = palette, 6 = red, green, blue, opacity; no interlace.
    head.extend([8, if palette.is_some() { 3 } else { 6 }, 0, 0, 0]);
    chunk(&mut out, b"IHDR", &head);
    if let Some(palette) = &palette {
        let colours: Vec<u8> = palette.keys().flat_map(|c| [c[1], c[2], c[3]]).collect();
        chunk(&mut out, b"PLTE", &colours);
        // Colours are in order of opacity: the list may end with the last that is not opaque.
        let opacities: Vec<u8> = palette.keys().map(|c| c[0]).take_while(|a| *a < 255).collect();
        if !opacities.is_empty() {
            chunk(&mut out, b"tRNS", &opacities);
        }
    }
    for (keyword, text) in texts {
        // Keyword, not compressed, no language, no translation.
        let body = [keyword.as_bytes(), &[0, 0, 0, 0, 0], text.as_bytes()].concat();
        chunk(&mut out, b"iTXt", &body);
    }
    let mut rows = Vec::with_capacity(pixels.len() + height);
    for row in pixels.chunks_exact(width.max(1)) {
        rows.push(0); // no filter: flat colours pack best as they are
        match &palette {
            Some(palette) => rows.extend(row.iter().map(|p| palette.get(&key(p)).copied().unwrap_or(0))),
            None => rows.extend(row.iter().flatten()),
        }
    }
    chunk(&mut out, b"IDAT", &zlib(&rows));
    chunk(&mut out, b"IEND", &[]);
    out
}

/// Opacity first, so that transparent colours lead.
fn key(p: &[u8; 4]) -> [u8; 4] {
    [p[3], p[0], p[1], p[2]]
}

/// Every colour with its number, or `None` if there are more than 256.
fn palette(pixels: &[[u8; 4]]) -> Option<BTreeMap<[u8; 4], u8>> {
    let mut colours = BTreeMap::new();
    let mut last = None;
    for p in pixels {
        if last != Some(p) {
            colours.insert(key(p), 0);
            last = Some(p);
        }
        if colours.len() > 256 {
            return None;
        }
    }
    colours.values_mut().enumerate().for_each(|(i, v)| *v = i as u8);
    Some(colours)
}

/// One chunk of a PNG: length, name, content, CRC (PNG specification, third edition, §5.3).
pub(crate) fn chunk(out: &mut Vec<u8>, kind: &[u8; 4], body: &[u8]) {
    out.extend((body.len() as u32).to_be_bytes());
    out.extend(kind);
    out.extend(body);
    out.extend(crc32(&[kind, body]).to_be_bytes());
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Read back by the library that resvg brings, with a palette and without.
    #[test]
    fn pixels_come_back() {
        let few: Vec<[u8; 4]> =
            (0..60u8).map(|i| [i % 7, 200, i % 3, if i % 5 == 0 { 0 } else { 255 }]).collect();
        let many: Vec<[u8; 4]> = (0..1000u32).map(|i| [i as u8, (i >> 8) as u8, 9, 255]).collect();
        for (width, pixels) in [(10, few), (25, many)] {
            let bytes = png(width, &pixels, &[("Description", "depths, ü")]);
            let read = resvg::tiny_skia::Pixmap::decode_png(&bytes).expect("a PNG");
            assert_eq!((read.width() as usize, read.height() as usize), (width, pixels.len() / width));
            for (p, q) in pixels.iter().zip(read.pixels()) {
                let q = q.demultiply();
                assert_eq!(p[3], q.alpha());
                assert!(p[3] == 0 || p[..3] == [q.red(), q.green(), q.blue()]);
            }
        }
    }
}
