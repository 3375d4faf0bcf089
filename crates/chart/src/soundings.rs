//! Layers of what the boats did: soundings one by one, a selection of them for a scale, and their tracks.

use crate::selection::{Spot, select};
use crate::{ChartError, ChartInfo, Column, Kind, Layer, Shape, Value};
use leadline_model::{LonLat, ReducedSounding, VoidReason, scale_factors};

const METRES: Kind = Kind::Number { decimals: 3 };
/// A track is broken where no sounding came for longer than this, ms (judgement: sounders give one a second,
/// and a boat is elsewhere after a minute).
const TRACK_GAP_MS: i64 = 60_000;

const SOUNDINGS: [Column; 8] = [
    Column::new("depth_m", METRES, "reduced depth at the stage, metres, positive down"),
    Column::new("tvu95_m", METRES, "its total vertical uncertainty, 95 %, metres"),
    Column::new("thu95_m", METRES, "total horizontal uncertainty, 95 %, metres"),
    Column::new("grade", Kind::Text, "sure, fair, loose or void"),
    Column::new("time_utc", Kind::Time, "when it was measured"),
    Column::new("boat", Kind::Text, "boat that measured"),
    Column::new("pass", Kind::Whole, "number of the pass"),
    Column::new("void", Kind::Text, "why it does not count"),
];

const PASSES: [Column; 8] = [
    Column::new("pass", Kind::Whole, "number of the pass"),
    Column::new("boat", Kind::Text, "boat that measured"),
    Column::new("first_utc", Kind::Time, "first sounding"),
    Column::new("last_utc", Kind::Time, "last sounding"),
    Column::new("minutes", Kind::Number { decimals: 1 }, "from the first to the last"),
    Column::new("length_m", Kind::Number { decimals: 0 }, "length of the track, metres"),
    Column::new("soundings", Kind::Whole, "soundings with a position, void ones too"),
    Column::new("accepted", Kind::Whole, "soundings that count"),
];

/// Every accepted sounding, and with `void` the others with their reason; by pass, then time.
pub fn soundings_layer(soundings: &[ReducedSounding], info: &ChartInfo, void: bool) -> Layer {
    let mut layer = Layer::new("soundings", "soundings", &SOUNDINGS);
    for s in in_order(soundings).into_iter().filter(|s| void || s.void.is_none()) {
        layer.push(Shape::place(s.at), values(s, info));
    }
    if void { layer } else { layer.without(&["void"]) }
}

/// The soundings a chart at 1 : `scale` has room for; see `docs/method.md`, "Sounding selection".
///
/// # Errors
/// A scale outside 1 : 100 to 1 : 10,000,000.
pub fn selected_soundings_layer(
    soundings: &[ReducedSounding],
    info: &ChartInfo,
    scale: f64,
) -> Result<Layer, ChartError> {
    let accepted: Vec<&ReducedSounding> =
        in_order(soundings).into_iter().filter(|s| s.void.is_none() && s.depth_m.is_finite()).collect();
    let spots: Vec<Spot> = accepted.iter().map(|s| Spot { at: s.at, depth_m: s.depth_m }).collect();
    let mut layer = Layer::new("soundings", "soundings selected for a scale", &SOUNDINGS);
    for i in select(&spots, scale)? {
        layer.push(Shape::place(accepted[i].at), values(accepted[i], info));
    }
    Ok(layer.without(&["void"]))
}

/// The track of each pass, cut where the soundings pause or the position jumped.
pub fn passes_layer(soundings: &[ReducedSounding], info: &ChartInfo) -> Layer {
    let mut layer = Layer::new("passes", "tracks of the passes", &PASSES);
    let ordered = in_order(soundings);
    for of_pass in ordered.chunk_by(|a, b| a.pass == b.pass) {
        let Some(pass) = of_pass.first().and_then(|s| info.passes.get(s.pass as usize)) else { continue };
        let placed: Vec<&ReducedSounding> = of_pass.iter().copied().filter(|s| is_placed(s)).collect();
        let mut lines = Vec::new();
        let mut length_m = 0.0;
        for run in placed.chunk_by(|a, b| b.time.0 - a.time.0 <= TRACK_GAP_MS) {
            let line: Vec<LonLat> = run.iter().map(|s| s.at.lonlat()).collect();
            length_m += length(&line);
            if let Shape::Lines(pieces) = Shape::track(&line) {
                lines.extend(pieces);
            }
        }
        let accepted = of_pass.iter().filter(|s| s.void.is_none()).count();
        let values = vec![
            Value::Whole(i64::from(of_pass[0].pass) + 1),
            Value::Text(pass.boat.as_str().to_owned()),
            Value::Time(pass.first),
            Value::Time(pass.last),
            Value::Number((pass.last.0 - pass.first.0) as f64 / 60_000.0),
            Value::Number(length_m),
            Value::Whole(pass.soundings.into()),
            Value::Whole(accepted as i64),
        ];
        layer.push(Shape::Lines(lines), values);
    }
    layer
}

/// By pass, time, place, depth: whatever order they come in.
fn in_order(soundings: &[ReducedSounding]) -> Vec<&ReducedSounding> {
    let mut all: Vec<&ReducedSounding> = soundings.iter().collect();
    all.sort_by(|a, b| {
        (a.pass, a.time, a.at).cmp(&(b.pass, b.time, b.at)).then(a.depth_m.total_cmp(&b.depth_m))
    });
    all
}

fn values(s: &ReducedSounding, info: &ChartInfo) -> Vec<Value> {
    let depth = if s.void == Some(VoidReason::OutOfRange) {
        Value::Unknown
    } else {
        Value::Number(s.depth_m + info.stage_m)
    };
    let boat = info.passes.get(s.pass as usize).map(|p| Value::Text(p.boat.as_str().to_owned()));
    vec![
        depth,
        Value::Number(s.tvu95_m),
        Value::Number(s.thu95_m),
        Value::Text(s.grade.to_string()),
        Value::Time(s.time),
        boat.unwrap_or(Value::Unknown),
        Value::Whole(i64::from(s.pass) + 1),
        s.void.map_or(Value::Unknown, |v| Value::Text(v.words().to_owned())),
    ]
}

/// Whether its position can be drawn.
fn is_placed(s: &ReducedSounding) -> bool {
    !matches!(s.void, Some(VoidReason::NoFix | VoidReason::PoorFix | VoidReason::PositionJump))
}

/// True length, metres: each step on the ellipsoid's radii at its middle, which is exact to a millimetre in a
/// kilometre for steps of a boat.
fn length(line: &[LonLat]) -> f64 {
    const METRES_PER_DEGREE: f64 = 6_378_137.0 * std::f64::consts::PI / 180.0;
    let step = |w: &[LonLat]| {
        let mid = (w[0].lat + w[1].lat) / 2.0;
        let (east, north) = scale_factors(mid);
        let turn = w[1].lon - w[0].lon;
        let lon = turn - 360.0 * libm::round(turn / 360.0);
        // `scale_factors` are per metre of Mercator, whose northward metre is 1/cos φ of latitude's.
        let dy = (w[1].lat - w[0].lat) / libm::cos(mid.to_radians()) * north;
        libm::hypot(lon * east, dy) * METRES_PER_DEGREE
    };
    line.windows(2).map(step).sum()
}
