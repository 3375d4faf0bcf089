//! Where the boat is heading, from where it was: the course made good over the last seconds.
//!
//! Receivers state a course too, but not in every kind of log, and at the pace of sounding it turns with every wave.

use leadline_model::{GridPos, LocalFrame, LonLat};
use std::collections::VecDeque;
use std::time::{Duration, Instant};

/// The course is made good over so long. Shorter, and the receiver's noise of a metre turns it; longer, and it lags
/// behind a turn (judgement).
const OVER: Duration = Duration::from_secs(5);
/// A boat that came less far in that time lies still, metres: twice the usual noise of a receiver (judgement).
const STILL_M: f64 = 2.0;

/// The last places.
#[derive(Default)]
pub(crate) struct Bearing {
    places: VecDeque<(Instant, GridPos)>,
}

impl Bearing {
    /// The boat is here.
    pub(crate) fn note(&mut self, at: LonLat, now: Instant) {
        if let Some(at) = GridPos::from_lonlat(at) {
            self.places.push_back((now, at));
        }
        while self.places.front().is_some_and(|(t, _)| now.saturating_duration_since(*t) > OVER) {
            self.places.pop_front();
        }
    }

    /// Degrees clockwise from north; `None` while the boat lies still, or its last place is old.
    pub(crate) fn course(&self, now: Instant) -> Option<f64> {
        let ((_, from), (last, to)) = self.places.front().zip(self.places.back())?;
        if now.saturating_duration_since(*last) > OVER {
            return None;
        }
        let (east, north) = LocalFrame::new(*from).metres(*to);
        (east.hypot(north) >= STILL_M).then(|| east.atan2(north).to_degrees().rem_euclid(360.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_course_made_good() {
        let t0 = Instant::now();
        let at = |s: u64| t0 + Duration::from_secs(s);
        let place = |lon: f64, lat: f64| LonLat { lon, lat };
        let mut b = Bearing::default();
        assert_eq!(b.course(t0), None);
        b.note(place(7.4, 48.2), at(0));
        assert_eq!(b.course(at(0)), None, "one place is no course");
        b.note(place(7.4, 48.200_01), at(1));
        assert_eq!(b.course(at(1)), None, "1.1 m is noise");
        b.note(place(7.4, 48.2001), at(4));
        assert!(b.course(at(4)).is_some_and(|c| c.min(360.0 - c) < 0.1), "north");
        for (s, lon) in [(10, 7.4), (12, 7.3999), (14, 7.3998)] {
            b.note(place(lon, 48.2001), at(s));
        }
        assert!(b.course(at(14)).is_some_and(|c| (c - 270.0).abs() < 0.1), "what lies back is forgotten");
        // One second of arc at 45° N is 30.87 m northward and 21.90 m eastward (GeographicLib 2.1, computed): the course
        // of a step of both is atan(21.90/30.87) = 35.36°.
        let mut c = Bearing::default();
        c.note(place(0.0, 45.0), at(0));
        c.note(place(1.0 / 3600.0, 45.0 + 1.0 / 3600.0), at(2));
        assert!(c.course(at(2)).is_some_and(|d| (d - 35.36).abs() < 0.05), "{:?}", c.course(at(2)));
        assert_eq!(b.course(at(20)), None, "old");
    }
}
