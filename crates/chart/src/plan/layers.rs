//! A plan as layers for other programs.

use super::{Leg, Plan};
use crate::layer::{Column, Kind, Layer, Shape, Value};

const METRES: Kind = Kind::Number { decimals: 1 };
const DEPTH: Kind = Kind::Number { decimals: 2 };

/// The whole drive as one line (a route in GPX), its legs, and what it does not reach as points.
pub fn plan_layers(plan: &Plan) -> Vec<Layer> {
    vec![drive(plan), legs(plan), not_reached(plan)]
}

fn drive(plan: &Plan) -> Layer {
    let columns = [
        Column::new("name", Kind::Text, "what to call it"),
        Column::new("length_m", METRES, "true length"),
        Column::new("minutes", METRES, "at the planned speed; turns are not slowed for"),
        Column::new("turns", Kind::Whole, "changes of course of more than 30°"),
        Column::new("least_depth_m", DEPTH, "least safe charted depth known on it"),
        Column::new("unknown_m", METRES, "length over water of which nothing is known"),
        Column::new("needs_m", DEPTH, "charted depth that this boat needs: draft and margin"),
    ];
    let mut out = Layer::new("plan", "What to drive, in order", &columns);
    out.push(
        Shape::lines(&plan.frame, [&plan.drive()]),
        vec![
            Value::Text("the whole drive".to_owned()),
            Value::Number(plan.total_m()),
            Value::Number(plan.seconds() / 60.0),
            Value::Whole(plan.turns as i64),
            plan.least_depth_m().map_or(Value::Unknown, Value::Number),
            Value::Number(plan.unknown_m()),
            Value::Number(plan.settings.draft_m + plan.settings.margin_m),
        ],
    );
    out
}

fn legs(plan: &Plan) -> Layer {
    let columns = [
        Column::new("name", Kind::Text, "number in driving order, and kind"),
        Column::new("leg", Kind::Whole, "place in the drive, ways counted"),
        Column::new("kind", Kind::Text, "main line, cross line, touch-up or way"),
        Column::new("length_m", METRES, "true length"),
        Column::new("minutes", METRES, "at the planned speed"),
        Column::new("least_depth_m", DEPTH, "least safe charted depth known on it"),
        Column::new("unknown_m", METRES, "length over water of which nothing is known: go slow, look out"),
    ];
    let mut out = Layer::new("plan_legs", "Lines and the ways between them", &columns);
    for (i, l) in plan.legs.iter().enumerate() {
        out.push(Shape::lines(&plan.frame, [&l.points]), values(i + 1, l, plan.settings.speed_m_s));
    }
    out
}

fn values(place: usize, l: &Leg, speed_m_s: f64) -> Vec<Value> {
    let name = l.number.map_or_else(|| l.kind.word().to_owned(), |n| format!("{n} {}", l.kind.word()));
    vec![
        Value::Text(name),
        Value::Whole(place as i64),
        Value::Text(l.kind.word().to_owned()),
        Value::Number(l.length_m),
        Value::Number(l.length_m / speed_m_s / 60.0),
        l.least_depth_m.map_or(Value::Unknown, Value::Number),
        Value::Number(l.unknown_m),
    ]
}

fn not_reached(plan: &Plan) -> Layer {
    let columns =
        [Column::new("name", Kind::Text, "what is not reached"), Column::new("why", Kind::Text, "why not")];
    let mut out = Layer::new("not_reached", "What the drive does not reach", &columns);
    for n in &plan.not_reached {
        out.push(Shape::place(n.at), vec![Value::Text(n.what.clone()), Value::Text(n.why.clone())]);
    }
    out
}
