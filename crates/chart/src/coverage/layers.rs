//! Coverage as layers for other programs.

use super::{Coverage, Weak};
use crate::layer::{Column, Kind, Layer, Shape, Value};
use leadline_model::Grade;

const METRES: Kind = Kind::Number { decimals: 2 };
const SQUARE_METRES: Kind = Kind::Number { decimals: 1 };

/// Areas by grade, weak spots as areas, and a place inside each as points.
pub fn coverage_layers(coverage: &Coverage) -> Vec<Layer> {
    vec![grades(coverage), weak(coverage, false), weak(coverage, true)]
}

fn grades(c: &Coverage) -> Layer {
    let columns = [
        Column::new("grade", Kind::Text, "sure, fair or loose, by the limits of IHO S-44; or unknown"),
        Column::new("area_m2", SQUARE_METRES, "true area"),
    ];
    let mut out = Layer::new("coverage", "How well the water is known", &columns);
    let all = [Some(Grade::Sure), Some(Grade::Fair), Some(Grade::Loose), None];
    for (grade, area_m2) in all.into_iter().zip(c.graded_m2.into_iter().chain([c.unknown_m2])) {
        let word = grade.map_or("unknown", Grade::word).to_owned();
        let shape = Shape::areas(&c.frame, &c.grade_areas(grade));
        out.push(shape, vec![Value::Text(word), Value::Number(area_m2)]);
    }
    out
}

fn weak(c: &Coverage, points: bool) -> Layer {
    let columns = [
        Column::new("rank", Kind::Whole, "by area, within its kind"),
        Column::new("what", Kind::Text, "holiday (too far from any sounding), disputed or loose"),
        Column::new("area_m2", SQUARE_METRES, "true area"),
        Column::new("widest_m", METRES, "diameter of the largest circle without a sounding"),
        Column::new("shoalest_m", METRES, "least charted depth around it"),
        Column::new("deepest_m", METRES, "greatest charted depth around it"),
    ];
    let (name, title) = if points {
        ("weak_places", "A place inside each weak spot")
    } else {
        ("weak_spots", "Holidays, disputed and loose spots")
    };
    let mut out = Layer::new(name, title, &columns);
    for kind in c.weak.chunk_by(|a, b| a.what == b.what) {
        for (i, w) in kind.iter().enumerate() {
            let shape = if points {
                Shape::place(w.middle)
            } else {
                Shape::areas(&c.frame, std::slice::from_ref(&w.outline))
            };
            out.push(shape, values(i + 1, w));
        }
    }
    out
}

fn values(rank: usize, w: &Weak) -> Vec<Value> {
    let depth = |d: Option<f64>| d.map_or(Value::Unknown, Value::Number);
    let widest = if w.widest_m.is_finite() { Value::Number(w.widest_m) } else { Value::Unknown };
    vec![
        Value::Whole(rank as i64),
        Value::Text(w.what.word().to_owned()),
        Value::Number(w.area_m2),
        widest,
        depth(w.depths_m.map(|d| d.0)),
        depth(w.depths_m.map(|d| d.1)),
    ]
}
