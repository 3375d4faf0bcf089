//! Along the course over the next half minute: where the boat may touch, and where nothing is known.

use crate::danger::{CLEAR_M, bars};
use leadline_model::{GridPos, LocalFrame, Mark};

/// How far ahead is looked, seconds. A person who steers and watches the water sees the page within ten seconds,
/// understands within five, and a small boat has slowed down or turned away within another ten to fifteen (judgement).
pub const LOOK_SECONDS: f64 = 30.0;
/// At least so far, metres: a slow boat is carried by wind and stream, and its course is the least sure (judgement).
const LEAST_LOOK_M: f64 = 25.0;
/// Half the width that is looked at beside the boat, metres: a fix may be five metres wrong (judgement, the usual
/// error of a receiver without corrections).
const HALF_WIDTH_M: f64 = 5.0;
/// It widens by so much a metre ahead: a course held by hand swings by ten degrees (judgement).
const WIDENS: f64 = 0.176;
/// Distance between two looks, metres: less than a cell at any latitude below 65°.
const STEP_M: f64 = 2.0;

/// A boat under way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Heading {
    /// Where it is.
    pub at: GridPos,
    /// Course over ground, degrees clockwise from north.
    pub course_deg: f64,
    /// Speed over ground, m/s.
    pub speed_m_s: f64,
    /// Water it needs: draft and room below, metres.
    pub need_m: f64,
    /// Metres above the sounding datum.
    pub stage_m: f64,
}

/// Water that the boat may touch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Met {
    /// How far ahead, metres.
    pub metres: f64,
    /// In how many seconds at this speed; `None` if the boat lies still.
    pub seconds: Option<f64>,
    /// Safe depth of the water there at the stage, metres; `None` at a mark without a depth.
    pub depth_m: Option<f64>,
    /// Whether it is a mark of a hazard or a stump.
    pub is_mark: bool,
}

/// What lies ahead.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ahead {
    /// How far was looked, metres.
    pub looked_m: f64,
    /// The first touch water.
    pub touch: Option<Met>,
    /// Where the first water begins of which nothing is known, metres ahead; 0 = the boat is in it.
    pub unknown_m: Option<f64>,
    /// Least safe depth found at the stage, metres; `None` where nothing is known at all.
    pub least_m: Option<f64>,
}

impl Ahead {
    /// Looks along the course. `safe` gives the safe charted depth below the sounding datum, `None` where nothing is
    /// known; `marks` are all marks, of which those that bar this boat count.
    pub fn look(heading: &Heading, safe: impl Fn(GridPos) -> Option<f64>, marks: &[Mark]) -> Self {
        let speed = if heading.speed_m_s.is_finite() { heading.speed_m_s.max(0.0) } else { 0.0 };
        let looked_m = (speed * LOOK_SECONDS).max(LEAST_LOOK_M);
        let frame = LocalFrame::new(heading.at);
        let (sin, cos) = libm::sincos(heading.course_deg.to_radians());
        let place =
            |along: f64, right: f64| frame.place(along * sin + right * cos, along * cos - right * sin);
        let seconds = |metres: f64| (speed > 0.0).then(|| metres / speed);
        let mut out = Self { looked_m, touch: None, unknown_m: None, least_m: None };
        for i in 0..=libm::ceil(looked_m / STEP_M) as u32 {
            let along = (f64::from(i) * STEP_M).min(looked_m);
            let half = HALF_WIDTH_M + WIDENS * along;
            let lanes = libm::ceil(half / STEP_M) as i32;
            for lane in -lanes..=lanes {
                let right = f64::from(lane) / f64::from(lanes) * half;
                let Some(depth) = safe(place(along, right)).map(|d| d + heading.stage_m) else {
                    // What is unknown counts in the boat's own way; beside it lies the rim of every survey.
                    if right.abs() <= HALF_WIDTH_M {
                        out.unknown_m = out.unknown_m.or(Some(along));
                    }
                    continue;
                };
                out.least_m = Some(out.least_m.map_or(depth, |l: f64| l.min(depth)));
                if depth < heading.need_m
                    && out.touch.is_none_or(|t| t.metres > along || t.depth_m > Some(depth))
                {
                    let first =
                        Met { metres: along, seconds: seconds(along), depth_m: Some(depth), is_mark: false };
                    out.touch = out.touch.filter(|t| t.metres < along).or(Some(first));
                }
            }
        }
        out.meet_marks(heading, &frame, marks, seconds);
        out
    }

    /// Marks that bar this boat and lie in the way, or nearer to it than a way keeps.
    fn meet_marks(
        &mut self,
        heading: &Heading,
        frame: &LocalFrame,
        marks: &[Mark],
        seconds: impl Fn(f64) -> Option<f64>,
    ) {
        let (sin, cos) = libm::sincos(heading.course_deg.to_radians());
        for mark in marks.iter().filter(|m| bars(m, heading.stage_m, heading.need_m)) {
            let (e, n) = frame.metres(mark.place);
            let (along, right) = (e * sin + n * cos, e * cos - n * sin);
            let near = libm::hypot(e, n) < CLEAR_M;
            let in_way = (0.0..=self.looked_m + CLEAR_M).contains(&along)
                && right.abs() <= HALF_WIDTH_M + WIDENS * along + CLEAR_M;
            let metres = (along - CLEAR_M).max(0.0);
            if (near || in_way) && self.touch.is_none_or(|t| metres < t.metres) {
                let depth_m = mark.depth_mm.map(|mm| f64::from(mm) / 1000.0 + heading.stage_m);
                self.touch = Some(Met { metres, seconds: seconds(metres), depth_m, is_mark: true });
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use leadline_model::{LonLat, MarkKind, Text};

    fn boat(course_deg: f64, speed_m_s: f64) -> Heading {
        let at = GridPos::from_lonlat(LonLat { lon: 7.4, lat: 48.2 }).expect("on the grid");
        Heading { at, course_deg, speed_m_s, need_m: 0.8, stage_m: 0.0 }
    }

    /// A slope that shoals eastward: `at_boat` metres at the boat, a centimetre less each metre.
    fn slope(at_boat: f64) -> impl Fn(GridPos) -> Option<f64> {
        let frame = LocalFrame::new(boat(0.0, 0.0).at);
        move |p| Some(at_boat - frame.metres(p).0 * 0.01)
    }

    #[test]
    fn touch_water_is_found_where_it_lies() {
        // 1.20 m at the boat, 0.80 m needed: 40 m east of it.
        let ahead = Ahead::look(&boat(90.0, 2.0), slope(1.2), &[]);
        let touch = ahead.touch.expect("found");
        assert_eq!(ahead.looked_m, 60.0);
        assert!((touch.metres - 40.0).abs() <= 2.0, "{touch:?}");
        assert!(touch.seconds.is_some_and(|s| (s - touch.metres / 2.0).abs() < 1e-9));
        assert!(touch.depth_m.is_some_and(|d| d < 0.8 && d > 0.75));
        assert_eq!(ahead.unknown_m, None);
        // A higher stage moves it beyond what is looked at; a slower boat looks less far.
        let high = Heading { stage_m: 0.3, ..boat(90.0, 2.0) };
        assert_eq!(Ahead::look(&high, slope(1.2), &[]).touch, None);
        assert_eq!(Ahead::look(&boat(90.0, 0.5), slope(1.2), &[]).touch, None);
        // Away from the shoal nothing is met; beside it the widening way meets it.
        assert_eq!(Ahead::look(&boat(270.0, 2.0), slope(1.2), &[]).touch, None);
        assert!(Ahead::look(&boat(0.0, 2.0), slope(0.9), &[]).touch.is_some());
    }

    #[test]
    fn a_boat_in_touch_water_is_told_at_once() {
        let touch = Ahead::look(&boat(180.0, 0.0), slope(0.5), &[]).touch.expect("found");
        assert_eq!((touch.metres, touch.seconds), (0.0, None));
    }

    #[test]
    fn what_is_unknown_is_never_silence() {
        let frame = LocalFrame::new(boat(0.0, 0.0).at);
        let to_30_m = |p: GridPos| (frame.metres(p).1 < 30.0).then_some(5.0);
        let ahead = Ahead::look(&boat(0.0, 2.0), to_30_m, &[]);
        assert!(ahead.unknown_m.is_some_and(|m| (m - 30.0).abs() <= 2.0), "{ahead:?}");
        assert_eq!((ahead.touch, ahead.least_m), (None, Some(5.0)));
        let nothing = Ahead::look(&boat(0.0, 2.0), |_| None, &[]);
        assert_eq!((nothing.unknown_m, nothing.least_m), (Some(0.0), None));
        // A boat that says nonsense of its speed is looked ahead for as one that lies still.
        assert_eq!(Ahead::look(&boat(0.0, f64::NAN), |_| Some(5.0), &[]).looked_m, LEAST_LOOK_M);
    }

    #[test]
    fn touch_water_beyond_a_blank_is_found_too() {
        let frame = LocalFrame::new(boat(0.0, 0.0).at);
        let gap = |p: GridPos| match frame.metres(p).1 {
            n if n < 20.0 => Some(5.0),
            n if n < 40.0 => None,
            _ => Some(0.2),
        };
        let ahead = Ahead::look(&boat(0.0, 2.0), gap, &[]);
        assert!(ahead.unknown_m.is_some_and(|m| (m - 20.0).abs() <= 2.0));
        assert!(ahead.touch.is_some_and(|t| (t.metres - 40.0).abs() <= 2.0));
    }

    #[test]
    fn marks_bar_as_in_a_plan() {
        let frame = LocalFrame::new(boat(0.0, 0.0).at);
        let text = |s: &str| Text::new(s).expect("short");
        let mark = |e: f64, n: f64, depth_mm| Mark {
            kind: MarkKind::Stump,
            place: frame.place(e, n),
            depth_mm,
            name: text("post"),
            note: text("-"),
        };
        let look = |m: Mark| Ahead::look(&boat(0.0, 2.0), |_| Some(5.0), &[m]).touch;
        let met = look(mark(3.0, 50.0, None)).expect("in the way");
        assert!(met.is_mark && met.depth_m.is_none() && (met.metres - (50.0 - CLEAR_M)).abs() < 0.1);
        assert_eq!(look(mark(3.0, 50.0, Some(3_000))), None, "deep enough over it");
        assert_eq!(look(mark(0.0, -40.0, None)), None, "behind");
        assert!(look(mark(0.0, -10.0, None)).is_some(), "close behind");
        assert_eq!(look(mark(60.0, 20.0, None)), None, "far beside");
    }
}
