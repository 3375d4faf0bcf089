//! The letters of a page, as a part of the font that travels with the program.
//!
//! Tables of the font: OpenType 1.9, chapters `head`, `hhea`, `hmtx`.

use super::LEVEL;
use crate::ChartError;
use crate::png::FONT;
use miniz_oxide::deflate::compress_to_vec_zlib;
use pdf_writer::types::{CidFontType, FontFlags, SystemInfo, UnicodeCmap};
use pdf_writer::{Filter, Finish, Name, Pdf, Rect, Ref, Str};
use resvg::usvg::layout::PositionedGlyph;
use resvg::usvg::{Group, Node, Tree};
use std::collections::BTreeMap;
use subsetter::GlyphRemapper;

/// How the letters are numbered: by glyph.
const SYSTEM: SystemInfo<'static> =
    SystemInfo { registry: Str(b"Adobe"), ordering: Str(b"Identity"), supplement: 0 };

/// Numbers of the font's objects.
pub(super) struct Objects {
    pub(super) whole: Ref,
    descendant: Ref,
    descriptor: Ref,
    file: Ref,
    letters: Ref,
}

impl Objects {
    /// Five in a row.
    pub(super) fn from(first: i32) -> Self {
        let at = |i: i32| Ref::new(first + i);
        Self { whole: at(0), descendant: at(1), descriptor: at(2), file: at(3), letters: at(4) }
    }
}

/// The glyphs of a picture, renumbered.
pub(super) struct Font {
    numbers: GlyphRemapper,
    /// Letters that each glyph of the whole font stands for.
    letters: BTreeMap<u16, String>,
    bytes: Vec<u8>,
}

impl Font {
    /// All glyphs of the picture's text.
    pub(super) fn of(tree: &Tree) -> Result<Self, ChartError> {
        let mut letters = BTreeMap::new();
        collect(tree.root(), &mut letters);
        let used: Vec<u16> = letters.keys().copied().collect();
        let numbers = GlyphRemapper::new_from_glyphs_sorted(&used);
        let bytes = subsetter::subset(FONT, 0, &numbers).map_err(|e| ChartError::Font(e.to_string()))?;
        Ok(Self { numbers, letters, bytes })
    }

    /// The page's number of a glyph; 0 is the sign for a letter that the font lacks.
    pub(super) fn number(&self, glyph: u16) -> u16 {
        self.numbers.get(glyph).unwrap_or(0)
    }

    pub(super) fn write(&self, pdf: &mut Pdf, at: &Objects) {
        let name = format!("{}+DejaVuSans", self.tag());
        let name = Name(name.as_bytes());
        pdf.type0_font(at.whole)
            .base_font(name)
            .encoding_predefined(Name(b"Identity-H"))
            .descendant_font(at.descendant)
            .to_unicode(at.letters);
        let mut cid = pdf.cid_font(at.descendant);
        cid.subtype(CidFontType::Type2).base_font(name).system_info(SYSTEM).font_descriptor(at.descriptor);
        cid.default_width(0.0).cid_to_gid_map_predefined(Name(b"Identity"));
        cid.widths().consecutive(0, self.numbers.remapped_gids().map(|g| advance(g) * thousandth()));
        cid.finish();
        let [x0, y0, x1, y1] = [36, 38, 40, 42].map(|i| f32::from(signed(b"head", i)) * thousandth());
        pdf.font_descriptor(at.descriptor)
            .name(name)
            .flags(FontFlags::NON_SYMBOLIC)
            .bbox(Rect::new(x0, y0, x1, y1))
            .italic_angle(0.0)
            .ascent(f32::from(signed(b"hhea", 4)) * thousandth())
            .descent(f32::from(signed(b"hhea", 6)) * thousandth())
            .cap_height(f32::from(signed(b"hhea", 4)) * thousandth())
            .stem_v(90.0)
            .font_file2(at.file);
        let packed = compress_to_vec_zlib(&self.bytes, LEVEL);
        let length = i32::try_from(self.bytes.len()).unwrap_or(i32::MAX);
        pdf.stream(at.file, &packed).filter(Filter::FlateDecode).pair(Name(b"Length1"), length);
        let mut cmap = UnicodeCmap::new(Name(b"Letters"), SYSTEM);
        for (glyph, letters) in &self.letters {
            cmap.pair_with_multiple(self.number(*glyph), letters.chars());
        }
        pdf.cmap(at.letters, &cmap.finish());
    }

    /// Six capitals that name the part, made of its glyphs (ISO 32000-1 §9.6.4).
    fn tag(&self) -> String {
        let step = |h: u32, g: &u16| (h ^ u32::from(*g)).wrapping_mul(16_777_619);
        let mut hash = self.letters.keys().fold(2_166_136_261, step);
        let mut letter = || {
            let c = char::from(b'A' + (hash % 26) as u8);
            hash /= 26;
            c
        };
        (0..6).map(|_| letter()).collect()
    }
}

fn collect(group: &Group, letters: &mut BTreeMap<u16, String>) {
    for node in group.children() {
        match node {
            Node::Group(g) => collect(g, letters),
            Node::Text(t) => {
                for g in t.layouted().iter().flat_map(|s| &s.positioned_glyphs) {
                    letters.entry(id(g)).or_insert_with(|| g.text.clone());
                }
            }
            Node::Path(_) | Node::Image(_) => {}
        }
    }
}

/// A glyph's number in the whole font, which has fewer than 65,536.
pub(super) fn id(glyph: &PositionedGlyph) -> u16 {
    u16::try_from(glyph.id.0).unwrap_or(0)
}

/// Units of the font in an em.
pub(super) fn units_per_em() -> f32 {
    f32::from(signed(b"head", 18)).max(1.0)
}

fn thousandth() -> f32 {
    1000.0 / units_per_em()
}

/// How far a glyph moves the pen, font units.
pub(super) fn advance(glyph: u16) -> f32 {
    let last = word(b"hhea", 34).unwrap_or(1).saturating_sub(1);
    f32::from(word(b"hmtx", 4 * usize::from(glyph.min(last))).unwrap_or(0))
}

fn signed(table: &[u8; 4], at: usize) -> i16 {
    i16::from_be_bytes(word(table, at).unwrap_or(0).to_be_bytes())
}

/// Two bytes of a table of the font.
fn word(table: &[u8; 4], at: usize) -> Option<u16> {
    let two = |at: usize| FONT.get(at..at + 2).map(|b| u16::from_be_bytes([b[0], b[1]]));
    let four = |at: usize| Some((usize::from(two(at)?) << 16) | usize::from(two(at + 2)?));
    let records = (0..usize::from(two(4)?)).map(|i| 12 + 16 * i);
    let record = records.into_iter().find(|r| FONT.get(*r..r + 4) == Some(table))?;
    two(four(record + 8)? + at)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// As the font's own tables say to another reader (fontTools 4: `TTFont(...)['head'].unitsPerEm`, `['hmtx']`).
    #[test]
    fn tables_are_read() {
        assert_eq!((units_per_em(), signed(b"hhea", 4), signed(b"hhea", 6)), (2048.0, 1901, -483));
        // Glyph 19 is "zero", 54 is "S".
        assert_eq!((advance(19), advance(54)), (1303.0, 1300.0));
    }
}
