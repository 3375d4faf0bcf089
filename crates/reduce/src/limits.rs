//! The limits behind the grades: IHO S-44 Ed 6.1.0, Table 1 and §3.2.3.

use leadline_model::Grade;

/// Limits of one survey order at 95 %.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limit {
    /// Horizontal: fixed part, metres.
    pub thu_fixed: f64,
    /// Horizontal: share of the depth, added plainly.
    pub thu_share: f64,
    /// Vertical: a, metres.
    pub tvu_a: f64,
    /// Vertical: b, share of the depth.
    pub tvu_b: f64,
}

/// S-44 Order 1b.
pub const ORDER_1B: Limit = Limit { thu_fixed: 5.0, thu_share: 0.05, tvu_a: 0.5, tvu_b: 0.013 };
/// S-44 Order 2.
pub const ORDER_2: Limit = Limit { thu_fixed: 20.0, thu_share: 0.10, tvu_a: 1.0, tvu_b: 0.023 };

impl Limit {
    /// Greatest vertical uncertainty at `depth` metres: √(a² + (b·d)²), metres.
    pub fn tvu(&self, depth: f64) -> f64 {
        let d = depth.max(0.0);
        (self.tvu_a * self.tvu_a + self.tvu_b * self.tvu_b * d * d).sqrt()
    }

    /// Greatest horizontal uncertainty at `depth` metres: fixed + share · d, metres.
    pub fn thu(&self, depth: f64) -> f64 {
        self.thu_fixed + self.thu_share * depth.max(0.0)
    }

    fn holds(&self, depth: f64, tvu95: f64, thu95: f64) -> bool {
        tvu95 <= self.tvu(depth) && thu95 <= self.thu(depth)
    }
}

/// The grade of a depth by its uncertainties (95 %, metres), before any cap.
pub fn grade_within(depth: f64, tvu95: f64, thu95: f64) -> Grade {
    if ORDER_1B.holds(depth, tvu95, thu95) {
        Grade::Sure
    } else if ORDER_2.holds(depth, tvu95, thu95) {
        Grade::Fair
    } else {
        Grade::Loose
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn s44_table_1() {
        // Source: IHO S-44 Ed 6.1.0 §3.2.3 and Table 1, evaluated. Rows: depth, Exclusive, Special, 1b, Order 2.
        let of = |a, b| Limit { thu_fixed: 0.0, thu_share: 0.0, tvu_a: a, tvu_b: b };
        let orders = [of(0.15, 0.0075), of(0.25, 0.0075), ORDER_1B, ORDER_2];
        for (d, row) in [
            (1.0, [0.1502, 0.2501, 0.5002, 1.0003]),
            (2.0, [0.1507, 0.2504, 0.5007, 1.0011]),
            (5.0, [0.1546, 0.2528, 0.5042, 1.0066]),
            (10.0, [0.1677, 0.2610, 0.5166, 1.0261]),
            (20.0, [0.2121, 0.2915, 0.5636, 1.1007]),
            (30.0, [0.2704, 0.3363, 0.6341, 1.2149]),
            (40.0, [0.3354, 0.3905, 0.7214, 1.3588]),
            (100.0, [0.7649, 0.7906, 1.3928, 2.5080]),
        ] {
            for (order, tvu) in orders.iter().zip(row) {
                assert!((order.tvu(d) - tvu).abs() < 1e-4, "{d} m: {} {tvu}", order.tvu(d));
            }
        }
        // Source: Table 1, THU is a plain sum.
        assert!((ORDER_1B.thu(10.0) - 5.5).abs() < 1e-12);
        assert!((ORDER_2.thu(10.0) - 21.0).abs() < 1e-12);
    }

    #[test]
    fn both_limits_must_hold() {
        assert_eq!(grade_within(10.0, 0.5166, 5.5), Grade::Sure);
        assert_eq!(grade_within(10.0, 0.5168, 5.5), Grade::Fair);
        assert_eq!(grade_within(10.0, 0.2, 5.6), Grade::Fair);
        assert_eq!(grade_within(10.0, 1.03, 1.0), Grade::Loose);
        assert_eq!(grade_within(10.0, 0.1, 21.1), Grade::Loose);
        assert_eq!(grade_within(-1.0, 0.5, 5.0), Grade::Sure);
        assert_eq!(grade_within(10.0, f64::NAN, 1.0), Grade::Loose);
    }
}
