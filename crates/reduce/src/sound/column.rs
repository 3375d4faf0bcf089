//! One cast as a column of water: how far sound comes in how long.

use super::sound_speed;
use leadline_model::WaterCast;

/// Sound speed over depth: straight between the layers measured, constant above the first and below the last.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Column {
    /// Never empty, from the surface down.
    nodes: Vec<Node>,
    /// Depths of the first and of the last layer, metres.
    measured: [f64; 2],
    salinity: f64,
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Node {
    /// Below the surface, metres.
    depth: f64,
    /// m/s.
    speed: f64,
    /// How long sound takes from the surface, s.
    time: f64,
}

/// What a column says of the way from the transducer to the bed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Way {
    /// Length, metres.
    pub(crate) range: f64,
    /// Mean (harmonic) sound speed, m/s.
    pub(crate) speed: f64,
    /// Share of the way where temperatures were measured.
    pub(crate) measured: f64,
    pub(crate) salinity: f64,
}

impl Column {
    /// Layers with a temperature or a depth no water has are left out; `None` if fewer than two are left: one
    /// temperature knows nothing of the column.
    pub(crate) fn new(cast: &WaterCast) -> Option<Self> {
        let salinity = f64::from(cast.salinity_centi) / 100.0;
        let mut layers: Vec<(f64, f64)> = Vec::new();
        for layer in &cast.layers {
            let depth = f64::from(layer.depth_mm) / 1000.0;
            let speed = sound_speed(f64::from(layer.temp_centi) / 100.0, salinity, depth);
            if let Some(speed) = speed.filter(|_| layers.last().is_none_or(|l| l.0 < depth)) {
                layers.push((depth, speed));
            }
        }
        let (first, last) = (layers.first().copied()?, layers.last().copied()?);
        let measured = [first.0, last.0];
        (layers.len() > 1).then(|| Self { nodes: nodes(first.1, &layers), measured, salinity })
    }

    /// The way of a sound that goes down from `from` metres below the surface for `seconds`.
    pub(crate) fn way(&self, from: f64, seconds: f64) -> Way {
        let start = self.time_to(from);
        if seconds <= 0.0 {
            return Way { range: 0.0, speed: self.speed_at(from), measured: 0.0, salinity: self.salinity };
        }
        let to = self.depth_after(start + seconds);
        let range = to - from;
        let [top, bottom] = self.measured;
        let seen = (to.min(bottom) - from.max(top)).max(0.0);
        let measured = (seen / range).min(1.0);
        Way { range, speed: range / seconds, measured, salinity: self.salinity }
    }

    fn time_to(&self, depth: f64) -> f64 {
        let (node, next) = self.around(|n| n.depth <= depth);
        node.time + passing(node.speed, gradient(node, next), depth - node.depth)
    }

    fn depth_after(&self, time: f64) -> f64 {
        let (node, next) = self.around(|n| n.time <= time);
        let (g, t) = (gradient(node, next), time - node.time);
        // The inverse of `passing`.
        node.depth + if g == 0.0 { node.speed * t } else { node.speed * libm::expm1(g * t) / g }
    }

    fn speed_at(&self, depth: f64) -> f64 {
        let (node, next) = self.around(|n| n.depth <= depth);
        node.speed + gradient(node, next) * (depth - node.depth)
    }

    /// The last node for which `before` holds, at least the first, and the one after it.
    fn around(&self, before: impl Fn(&Node) -> bool) -> (Node, Option<Node>) {
        let after = self.nodes.partition_point(before).max(1);
        let node = self.nodes.get(after - 1).copied();
        (node.unwrap_or(Node { depth: 0.0, speed: 1_500.0, time: 0.0 }), self.nodes.get(after).copied())
    }
}

fn nodes(surface_speed: f64, layers: &[(f64, f64)]) -> Vec<Node> {
    let mut node = Node { depth: 0.0, speed: surface_speed, time: 0.0 };
    let mut nodes = vec![node];
    for &(depth, speed) in layers.iter().filter(|l| l.0 > 0.0) {
        let g = (speed - node.speed) / (depth - node.depth);
        let time = node.time + passing(node.speed, g, depth - node.depth);
        node = Node { depth, speed, time };
        nodes.push(node);
    }
    nodes
}

fn gradient(node: Node, next: Option<Node>) -> f64 {
    next.map_or(0.0, |n| (n.speed - node.speed) / (n.depth - node.depth))
}

/// Time through `metres` of water whose sound speed is `speed` at the top and grows by `g` a metre.
///
/// Source: IHO C-13 eq. 3.18: (1/g) · ln(c₁/c₀), and Δz/c where the speed does not change.
fn passing(speed: f64, g: f64, metres: f64) -> f64 {
    if g == 0.0 { metres / speed } else { libm::log1p(g * metres / speed) / g }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use leadline_model::{Layer, UtcMillis};

    pub(crate) fn cast(at: i64, salinity_centi: u16, layers: &[(i32, i16)]) -> WaterCast {
        let layers = layers.iter().map(|&(depth_mm, temp_centi)| Layer { depth_mm, temp_centi }).collect();
        WaterCast { at: UtcMillis(at), salinity_centi, layers }
    }

    fn column(layers: &[(i32, i16)]) -> Column {
        Column::new(&cast(0, 0, layers)).expect("layers")
    }

    #[test]
    fn harmonic_mean_of_the_manual() {
        // Source: IHO C-13 eq. 3.18 with depths 0, 5, 10 m and 1482.358, 1482.358, 1447.279 m/s (20, 20, 10 °C by
        // Bilaniuk & Wong) → 1473.5006; the arithmetic mean would be 1473.5883.
        let column = column(&[(0, 2_000), (5_000, 2_000), (10_000, 1_000)]);
        let time = column.time_to(10.0);
        assert!((10.0 / time - 1_473.500_6).abs() < 1e-3, "{}", 10.0 / time);
        let way = column.way(0.0, time);
        assert!((way.range - 10.0).abs() < 1e-9 && (way.speed - 1_473.500_6).abs() < 1e-3, "{way:?}");
        // The upper half alone has no gradient, the lower by hand: 5 / (5/35.079 · ln(1482.358/1447.279)) = 1464.749.
        assert!((column.way(0.0, 5.0 / 1_482.358).speed - 1_482.358).abs() < 1e-3);
        let lower = column.way(5.0, column.time_to(10.0) - column.time_to(5.0));
        assert!((lower.speed - 1_464.748_5).abs() < 2e-3, "{lower:?}");
    }

    #[test]
    fn ways_lead_back() {
        let column = column(&[(500, 2_150), (3_000, 1_800), (3_500, 900), (9_000, 600), (9_001, 650)]);
        for (from, range) in [(0.0, 0.3), (0.4, 4.0), (0.4, 30.0), (3.2, 0.1), (12.0, 5.0)] {
            let time = column.time_to(from + range) - column.time_to(from);
            let way = column.way(from, time);
            assert!((way.range - range).abs() < 1e-9, "{from} {range}: {way:?}");
        }
        assert_eq!(column.way(4.0, 0.0).range, 0.0);
        let half = column.way(0.0, column.time_to(1.0));
        assert!((half.measured - 0.5).abs() < 1e-9);
        let deep = column.way(1.0, column.time_to(17.002) - column.time_to(1.0));
        assert!((deep.measured - 8.001 / 16.002).abs() < 1e-9, "{deep:?}");
    }

    #[test]
    fn layers_no_water_has_are_left_out() {
        assert_eq!(Column::new(&cast(0, 0, &[])), None);
        assert_eq!(Column::new(&cast(0, 0, &[(0, 1_000), (1_000, -27_315)])), None);
        assert_eq!(Column::new(&cast(0, 6_000, &[(0, 1_000), (1_000, 900)])), None);
        let clean = column(&[(1_000, 1_800), (4_000, 1_000)]);
        let soiled =
            column(&[(-5, 1_900), (1_000, 1_800), (1_000, 700), (900, 800), (2_000, 9_999), (4_000, 1_000)]);
        assert_eq!(clean, soiled);
        // Salt water is faster: 1.3 m/s each ‰ (C-13 ch. 3 §2.1).
        let even = [(0, 1_000), (9_000, 1_000)];
        let salt = Column::new(&cast(0, 1_000, &even)).expect("layers").way(0.0, 0.005);
        assert!((salt.speed - column(&even).way(0.0, 0.005).speed - 12.4).abs() < 0.5, "{salt:?}");
        assert_eq!(salt.salinity, 10.0);
    }
}
