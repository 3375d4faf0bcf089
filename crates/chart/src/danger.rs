//! Marks that a boat can hit.

use leadline_model::{Mark, MarkKind};

/// A way keeps so far from such a mark, metres (judgement: the place of a mark is as good as a phone's, and so is the
/// boat's).
pub(crate) const CLEAR_M: f64 = 15.0;

/// Whether a boat that needs `need_m` of water may hit what is marked: nobody knows the depth over it, or it is less.
pub(crate) fn bars(mark: &Mark, stage_m: f64, need_m: f64) -> bool {
    matches!(mark.kind, MarkKind::Hazard | MarkKind::Stump)
        && mark.depth_mm.is_none_or(|mm| f64::from(mm) / 1000.0 + stage_m < need_m)
}

#[cfg(test)]
mod tests {
    use super::*;
    use leadline_model::{GridPos, LonLat, Text};

    fn mark(kind: MarkKind, depth_mm: Option<i32>) -> Mark {
        let place = GridPos::from_lonlat(LonLat { lon: 7.4, lat: 48.2 }).expect("on the grid");
        let text = |s| Text::new(s).expect("short");
        Mark { kind, place, depth_mm, name: text("a"), note: text("-") }
    }

    #[test]
    fn a_hazard_without_a_depth_bars_at_any_stage() {
        for stage_m in [-3.0, 0.0, 40.0] {
            assert!(bars(&mark(MarkKind::Hazard, None), stage_m, 0.8));
            assert!(bars(&mark(MarkKind::Stump, None), stage_m, 0.8));
            assert!(!bars(&mark(MarkKind::Landing, None), stage_m, 0.8));
            assert!(!bars(&mark(MarkKind::Waypoint, Some(100)), stage_m, 0.8));
        }
    }

    #[test]
    fn with_a_depth_it_bars_while_the_water_is_too_low() {
        let over = mark(MarkKind::Hazard, Some(500));
        assert!(bars(&over, 0.2, 0.8));
        assert!(!bars(&over, 0.3, 0.8));
        assert!(bars(&mark(MarkKind::Stump, Some(-200)), 0.9, 0.8));
    }
}
