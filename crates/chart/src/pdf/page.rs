//! Paths and text of a picture as the operators of a page.

use super::font::{Font, advance, id, units_per_em};
use pdf_writer::types::{LineCapStyle, LineJoinStyle, TextRenderingMode};
use pdf_writer::{Content, Name, Str};
use resvg::tiny_skia::{Path, PathSegment, Point, Transform};
use resvg::usvg::{
    self, Color, Fill, FillRule, Group, LineCap, LineJoin, Node, Paint, PaintOrder, Stroke, Text,
};

/// Glyphs whose place is within this of where the pen stands, in px, are shown in one go.
const SAME: f32 = 0.02;

/// A page being drawn.
pub(super) struct Page<'a> {
    font: &'a Font,
    content: Content,
    /// Opacity of fills and strokes of each graphics state in use.
    states: Vec<(f32, f32)>,
}

/// Name of a graphics state in the page's resources.
pub(super) fn state_name(i: usize) -> String {
    format!("S{i}")
}

impl<'a> Page<'a> {
    pub(super) fn new(font: &'a Font) -> Self {
        Self { font, content: Content::new(), states: Vec::new() }
    }

    /// The opacities used and the operators, everything put through `matrix`.
    pub(super) fn finish(self, matrix: [f32; 6]) -> (Vec<(f32, f32)>, Vec<u8>) {
        let mut head = Content::new();
        head.transform(matrix);
        let mut bytes = head.finish().into_vec();
        bytes.push(b'\n');
        bytes.extend_from_slice(&self.content.finish());
        (self.states, bytes)
    }

    pub(super) fn draw(&mut self, group: &Group) {
        self.content.save_state();
        if let Some(clip) = group.clip_path() {
            let at = group.abs_transform().pre_concat(clip.transform());
            let mut rule = None;
            self.clip(clip.root(), at, &mut rule);
            match rule {
                Some(FillRule::EvenOdd) => self.content.clip_even_odd(),
                _ => self.content.clip_nonzero(),
            };
            self.content.end_path();
        }
        for node in group.children() {
            match node {
                Node::Group(g) => self.draw(g),
                Node::Path(p) if p.is_visible() => self.path(p, p.fill(), p.stroke(), p.paint_order()),
                Node::Text(t) => self.text(t),
                Node::Path(_) | Node::Image(_) => {}
            }
        }
        self.content.restore_state();
    }

    /// Adds the outlines of a clip path.
    fn clip(&mut self, group: &Group, at: Transform, rule: &mut Option<FillRule>) {
        for node in group.children() {
            match node {
                Node::Group(g) => self.clip(g, at, rule),
                Node::Path(p) => {
                    *rule = p.fill().map(Fill::rule).or(*rule);
                    self.outline(p.data(), at.pre_concat(p.abs_transform()));
                }
                Node::Text(_) | Node::Image(_) => {}
            }
        }
    }

    fn path(&mut self, path: &usvg::Path, fill: Option<&Fill>, stroke: Option<&Stroke>, order: PaintOrder) {
        let (fill, stroke) = (fill.filter(|f| plain(f.paint())), stroke.filter(|s| plain(s.paint())));
        if fill.is_none() && stroke.is_none() {
            return;
        }
        self.content.save_state().transform(matrix(path.abs_transform()));
        self.opacity(fill.map_or(1.0, |f| f.opacity().get()), stroke.map_or(1.0, |s| s.opacity().get()));
        if let Some(f) = fill {
            let [r, g, b] = rgb(f.paint());
            self.content.set_fill_rgb(r, g, b);
        }
        if let Some(s) = stroke {
            self.pen(s);
        }
        let even_odd = fill.is_some_and(|f| f.rule() == FillRule::EvenOdd);
        if order == PaintOrder::StrokeAndFill && stroke.is_some() && fill.is_some() {
            self.outline(path.data(), Transform::identity());
            self.content.stroke();
        }
        self.outline(path.data(), Transform::identity());
        let both = stroke.is_some() && order == PaintOrder::FillAndStroke;
        match (fill.is_some(), both, even_odd) {
            (true, true, true) => self.content.fill_even_odd_and_stroke(),
            (true, true, false) => self.content.fill_nonzero_and_stroke(),
            (true, false, true) => self.content.fill_even_odd(),
            (true, false, false) => self.content.fill_nonzero(),
            (false, ..) => self.content.stroke(),
        };
        self.content.restore_state();
    }

    /// Width, joints, dashes and colour of the strokes that follow.
    fn pen(&mut self, s: &Stroke) {
        let [r, g, b] = rgb(s.paint());
        self.content.set_stroke_rgb(r, g, b).set_line_width(s.width().get());
        self.content.set_line_cap(match s.linecap() {
            LineCap::Butt => LineCapStyle::ButtCap,
            LineCap::Round => LineCapStyle::RoundCap,
            LineCap::Square => LineCapStyle::ProjectingSquareCap,
        });
        self.content.set_line_join(match s.linejoin() {
            LineJoin::Round => LineJoinStyle::RoundJoin,
            LineJoin::Bevel => LineJoinStyle::BevelJoin,
            LineJoin::Miter | LineJoin::MiterClip => LineJoinStyle::MiterJoin,
        });
        if let Some(dashes) = s.dasharray() {
            self.content.set_dash_pattern(dashes.iter().copied(), s.dashoffset());
        }
    }

    fn opacity(&mut self, fill: f32, stroke: f32) {
        if fill >= 1.0 && stroke >= 1.0 {
            return;
        }
        let i = self.states.iter().position(|s| *s == (fill, stroke)).unwrap_or_else(|| {
            self.states.push((fill, stroke));
            self.states.len() - 1
        });
        self.content.set_parameters(Name(state_name(i).as_bytes()));
    }

    fn outline(&mut self, path: &Path, at: Transform) {
        let put = |mut p: Point| {
            at.map_point(&mut p);
            (p.x, p.y)
        };
        let mut pen = Point::zero();
        for segment in path.segments() {
            match segment {
                PathSegment::MoveTo(p) => {
                    let (x, y) = put(p);
                    self.content.move_to(x, y);
                    pen = p;
                }
                PathSegment::LineTo(p) => {
                    let (x, y) = put(p);
                    self.content.line_to(x, y);
                    pen = p;
                }
                PathSegment::QuadTo(c, p) => {
                    // The same curve with two handles, two thirds of the way to the one.
                    let toward = |q: Point| Point::from_xy(q.x + (c.x - q.x) / 1.5, q.y + (c.y - q.y) / 1.5);
                    let ((a, b), (c, d), (x, y)) = (put(toward(pen)), put(toward(p)), put(p));
                    self.content.cubic_to(a, b, c, d, x, y);
                    pen = p;
                }
                PathSegment::CubicTo(c, d, p) => {
                    let ((ax, ay), (bx, by), (x, y)) = (put(c), put(d), put(p));
                    self.content.cubic_to(ax, ay, bx, by, x, y);
                    pen = p;
                }
                PathSegment::Close => {
                    self.content.close_path();
                }
            }
        }
    }

    /// Halos are drawn as outlines, so that the text is there once.
    fn text(&mut self, text: &Text) {
        self.halos(text.flattened());
        for span in text.layouted().iter().filter(|s| s.visible) {
            let Some(fill) = span.fill.as_ref().filter(|f| plain(f.paint())) else { continue };
            let [r, g, b] = rgb(fill.paint());
            self.content.save_state();
            self.opacity(fill.opacity().get(), 1.0);
            self.content.set_fill_rgb(r, g, b).begin_text();
            self.content.set_font(Name(b"F"), 1.0).set_text_rendering_mode(TextRenderingMode::Fill);
            let mut run: Vec<u8> = Vec::new();
            let mut pen: Option<Transform> = None;
            for glyph in &span.positioned_glyphs {
                let em = units_per_em();
                let units = text.abs_transform().pre_concat(glyph.outline_transform());
                let at = units.pre_concat(Transform::from_scale(em, em));
                if !pen.is_some_and(|p| same(p, at)) {
                    self.show(&mut run);
                    self.content.set_text_matrix(matrix(at));
                }
                run.extend(self.font.number(id(glyph)).to_be_bytes());
                pen = Some(at.pre_concat(Transform::from_translate(advance(id(glyph)) / em, 0.0)));
            }
            self.show(&mut run);
            self.content.end_text().restore_state();
        }
    }

    fn show(&mut self, run: &mut Vec<u8>) {
        if !run.is_empty() {
            self.content.show(Str(run));
            run.clear();
        }
    }

    fn halos(&mut self, group: &Group) {
        for node in group.children() {
            match node {
                Node::Group(g) => self.halos(g),
                Node::Path(p) => self.path(p, None, p.stroke(), PaintOrder::FillAndStroke),
                Node::Text(_) | Node::Image(_) => {}
            }
        }
    }
}

/// Whether two pens write the next glyph at the same place.
fn same(a: Transform, b: Transform) -> bool {
    let near = |x: f32, y: f32| (x - y).abs() < SAME;
    near(a.tx, b.tx)
        && near(a.ty, b.ty)
        && near(a.sx, b.sx)
        && near(a.sy, b.sy)
        && near(a.kx, b.kx)
        && near(a.ky, b.ky)
}

fn matrix(t: Transform) -> [f32; 6] {
    [t.sx, t.ky, t.kx, t.sy, t.tx, t.ty]
}

/// Pictures of charts have no gradients.
fn plain(paint: &Paint) -> bool {
    matches!(paint, Paint::Color(_))
}

fn rgb(paint: &Paint) -> [f32; 3] {
    let Color { red, green, blue } = match paint {
        Paint::Color(c) => *c,
        _ => Color::black(),
    };
    [red, green, blue].map(|v| f32::from(v) / 255.0)
}
