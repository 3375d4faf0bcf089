//! The layer of marks.

use crate::{Column, Kind, Layer, Shape, Value};
use leadline_model::{Mark, MarkKind};

const COLUMNS: [Column; 5] = [
    Column::new("name", Kind::Text, "what people call it"),
    Column::new("kind", Kind::Text, "hazard, landing, stump or waypoint"),
    Column::new(
        "depth_m",
        Kind::Number { decimals: 3 },
        "depth over it at the stage, metres; nothing = not known",
    ),
    Column::new("note", Kind::Text, "more words"),
    Column::new("shared", Kind::Flag, "the crew has it; else it is on this device alone"),
];

/// The marks as points: by place, kind and name. Each comes with its note and whether the crew has it.
pub fn marks_layer<'a>(
    marks: impl IntoIterator<Item = (&'a Mark, Option<&'a str>, bool)>,
    stage_m: f64,
) -> Layer {
    let mut all: Vec<_> = marks.into_iter().collect();
    all.sort();
    let mut layer = Layer::new("marks", "marks", &COLUMNS);
    for (mark, note, shared) in all {
        let kind = match mark.kind {
            MarkKind::Hazard => "hazard",
            MarkKind::Landing => "landing",
            MarkKind::Stump => "stump",
            MarkKind::Waypoint => "waypoint",
        };
        let depth = mark.depth_mm.map(|mm| f64::from(mm) / 1000.0 + stage_m);
        let values = vec![
            Value::Text(mark.name.as_str().to_owned()),
            Value::Text(kind.to_owned()),
            depth.map_or(Value::Unknown, Value::Number),
            note.map_or(Value::Unknown, |n| Value::Text(n.to_owned())),
            Value::Flag(shared),
        ];
        layer.push(Shape::place(mark.place), values);
    }
    layer
}
