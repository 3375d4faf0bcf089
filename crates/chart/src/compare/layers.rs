//! A comparison as layers for other programs: squares, patches, and what may have moved.

use super::{Comparison, Patch, Sides, Square};
use crate::{Column, Kind, Layer, Shape, Value};
use leadline_model::GridPos;

const METRES: Kind = Kind::Number { decimals: 3 };
const WHOLE_METRES: Kind = Kind::Number { decimals: 1 };

const SQUARES: [Column; 6] = [
    Column::new("before_m", METRES, "earlier best depth at the stage, metres"),
    Column::new("after_m", METRES, "later best depth at the stage, metres"),
    Column::new("change_m", METRES, "later less earlier, positive = deeper, metres"),
    Column::new("change95_m", METRES, "uncertainty of the change, 95 %, metres"),
    Column::new(
        "proven",
        Kind::Text,
        "scour or fill where the change is more than its uncertainty, else none",
    ),
    Column::new("patch", Kind::Whole, "number of the patch it belongs to, from 1"),
];

const PATCHES: [Column; 13] = [
    Column::new("patch", Kind::Whole, "number, largest volume first"),
    Column::new("kind", Kind::Text, "scour (deeper) or fill (shoaler)"),
    Column::new("area_m2", WHOLE_METRES, "area, m²"),
    Column::new("proven_m2", WHOLE_METRES, "area of squares whose change is proven one by one, m²"),
    Column::new("volume_m3", WHOLE_METRES, "ground moved, m³"),
    Column::new("volume_low_m3", WHOLE_METRES, "low end of its 95 % band, m³"),
    Column::new("volume_high_m3", WHOLE_METRES, "high end, m³"),
    Column::new("mean_m", METRES, "mean change, metres"),
    Column::new("most_m", METRES, "largest proven change, metres"),
    Column::new("most95_m", METRES, "its uncertainty, 95 %, metres"),
    Column::new("shoalest_after_m", METRES, "shoalest later best depth at the stage, metres"),
    Column::new("notable", Kind::Flag, "reaches the threshold of chart comparison of IHO C-13 Annex H"),
    Column::new("goes_with_shift", Kind::Flag, "mostly not proven without the shift common to all squares"),
];

const MOVED: [Column; 4] = [
    Column::new("from_patch", Kind::Whole, "number of the scour patch"),
    Column::new("to_patch", Kind::Whole, "number of the fill patch"),
    Column::new("distance_m", WHOLE_METRES, "between their centres, metres"),
    Column::new("toward_deg", WHOLE_METRES, "from the one to the other, degrees from true north"),
];

/// Squares as points; patches as areas; from each patch that may have moved a line to where it may be. Depths at
/// `stage_m`.
pub fn change_layers(change: &Comparison, sides: &Sides, stage_m: f64) -> Vec<Layer> {
    let off = if change.shift_off { ", the shift common to all of it taken off" } else { "" };
    let what = format!("change of depth, {}, less {}{off}", sides.after, sides.before);
    let squares = Layer { title: what, ..squares(change, stage_m) };
    vec![squares, patches(change, stage_m), moved(change)]
}

fn number(index: usize) -> Value {
    Value::Whole(i64::try_from(index).unwrap_or(i64::MAX - 1) + 1)
}

fn squares(change: &Comparison, stage_m: f64) -> Layer {
    let mut layer = Layer::new("change", "change of depth, square by square", &SQUARES);
    let one = |s: &Square| {
        vec![
            Value::Number(s.before_m + stage_m),
            Value::Number(s.after_m + stage_m),
            Value::Number(s.change_m),
            Value::Number(s.change95_m),
            Value::Text(s.proven().map_or("none", |c| c.word()).to_owned()),
            s.patch.map_or(Value::Unknown, number),
        ]
    };
    change.squares.iter().for_each(|s| layer.push(Shape::place(s.at), one(s)));
    layer
}

fn patches(change: &Comparison, stage_m: f64) -> Layer {
    let mut layer = Layer::new("patches", "where the bed changed", &PATCHES);
    let frame = change.frame();
    let one = |i: usize, p: &Patch| {
        vec![
            number(i),
            Value::Text(p.kind.word().to_owned()),
            Value::Number(p.area_m2),
            Value::Number(p.proven_m2),
            Value::Number(p.volume_m3.best),
            Value::Number(p.volume_m3.low),
            Value::Number(p.volume_m3.high),
            Value::Number(p.mean_m),
            Value::Number(p.most_m),
            Value::Number(p.most95_m),
            Value::Number(p.shoalest_after_m + stage_m),
            Value::Flag(p.notable),
            Value::Flag(p.goes_with_shift),
        ]
    };
    for (i, p) in change.patches.iter().enumerate() {
        layer.push(Shape::areas(&frame, &change.outline(&frame, p)), one(i, p));
    }
    layer
}

fn moved(change: &Comparison) -> Layer {
    let mut layer = Layer::new("moved", "bars that may have moved", &MOVED);
    let centre = |i: usize| change.patches.get(i).map(|p| GridPos::lonlat(p.centre));
    for m in &change.moved {
        let values =
            vec![number(m.from), number(m.to), Value::Number(m.distance_m), Value::Number(m.toward_deg)];
        if let (Some(a), Some(b)) = (centre(m.from), centre(m.to)) {
            layer.push(Shape::track(&[a, b]), values);
        }
    }
    layer
}
