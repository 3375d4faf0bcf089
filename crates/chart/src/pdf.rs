//! A picture as one page of PDF: vectors stay vectors, text stays text in an embedded font.
//!
//! Source: ISO 32000-1:2008. Paths and colours are §8, text and composite fonts §9, the map from glyphs to letters §9.10.

mod font;
mod page;

use crate::ChartError;
use crate::png::parse;
use font::Font;
use leadline_model::PRODUCT;
use miniz_oxide::deflate::compress_to_vec_zlib;
use page::Page;
use pdf_writer::{Filter, Finish, Name, Pdf, Rect, Ref, TextStr};

/// Points of PDF in a CSS pixel: 72 to 96 in an inch (CSS Values and Units 3, §6.2).
const POINTS: f32 = 0.75;
/// Good, and fast enough for a page.
const LEVEL: u8 = 6;

/// Numbers of the file's objects.
struct Objects {
    catalog: Ref,
    pages: Ref,
    page: Ref,
    content: Ref,
    info: Ref,
    font: font::Objects,
}

/// Draws `svg` (as [`crate::chart_sheet`] writes it) as one page of its own size. `title` and `about` are what a reader
/// of PDF shows as the document's title and subject.
///
/// # Errors
/// An SVG that does not parse, or a font that cannot be cut down to the letters used: defects both.
pub fn chart_pdf(svg: &str, title: &str, about: &str) -> Result<Vec<u8>, ChartError> {
    let tree = parse(svg)?;
    let font = Font::of(&tree)?;
    let mut page = Page::new(&font);
    page.draw(tree.root());
    let size = tree.size();
    let (width, height) = (size.width() * POINTS, size.height() * POINTS);
    let (opacities, drawn) = page.finish([POINTS, 0.0, 0.0, -POINTS, 0.0, height]);

    let at = Objects {
        catalog: Ref::new(1),
        pages: Ref::new(2),
        page: Ref::new(3),
        content: Ref::new(4),
        info: Ref::new(5),
        font: font::Objects::from(6),
    };
    let mut pdf = Pdf::new();
    catalog(&mut pdf, &at);
    let mut leaf = pdf.page(at.page);
    leaf.media_box(Rect::new(0.0, 0.0, width, height)).parent(at.pages).contents(at.content);
    let mut resources = leaf.resources();
    resources.fonts().pair(Name(b"F"), at.font.whole);
    let mut states = resources.ext_g_states();
    for (i, (fill, stroke)) in opacities.iter().enumerate() {
        let name = page::state_name(i);
        states
            .insert(Name(name.as_bytes()))
            .start::<pdf_writer::writers::ExtGraphicsState<'_>>()
            .non_stroking_alpha(*fill)
            .stroking_alpha(*stroke);
    }
    states.finish();
    resources.finish();
    leaf.finish();
    pdf.stream(at.content, &compress_to_vec_zlib(&drawn, LEVEL)).filter(Filter::FlateDecode);
    font.write(&mut pdf, &at.font);
    pdf.document_info(at.info).title(TextStr(title)).subject(TextStr(about)).producer(TextStr(PRODUCT));
    Ok(pdf.finish())
}

fn catalog(pdf: &mut Pdf, at: &Objects) {
    let mut catalog = pdf.catalog(at.catalog);
    catalog.pages(at.pages).lang(TextStr("en"));
    catalog.viewer_preferences().display_doc_title(true);
    catalog.finish();
    pdf.pages(at.pages).kids([at.page]).count(1);
}
