//! What a recording lays beside its journal for pages of this device: how it stands, and the leg that is growing.

use crate::bearing::Bearing;
use crate::status::Status;
use crate::watch::{Alive, Vital};
use leadline_ingest::Pulse;
use leadline_model::{DepthFrom, LonLat, UtcMillis};
use leadline_survey::{Home, ImportRequest, Underway, show_underway};
use std::time::{Duration, Instant};

/// What is known of the boat between two looks.
#[derive(Default)]
pub(crate) struct Present {
    bearing: Bearing,
    before: Pulse,
    at: Option<LonLat>,
    speed: Option<(Instant, u32)>,
}

/// A speed that was not said again for so long says nothing.
const SPEED_HOLDS: Duration = Duration::from_secs(5);

impl Present {
    /// Looks at what came since the last look.
    pub(crate) fn look(&mut self, pulse: &Pulse, now: Instant) {
        // A position that the receiver does not stand by is none.
        if pulse.fixes > self.before.fixes && pulse.void_fixes == self.before.void_fixes {
            self.at = pulse.position.or(self.at);
            if let Some(at) = pulse.position {
                self.bearing.note(at, now);
            }
            self.speed = pulse.speed_mm_s.map(|v| (now, v)).or(self.speed);
        }
        self.before = *pulse;
    }

    /// How it stands, in the words of the file.
    pub(crate) fn state(
        &self,
        request: &ImportRequest,
        status: &Status,
        troubles: Vec<String>,
        now: Instant,
        clock: UtcMillis,
    ) -> Underway {
        let age = |vital: Vital| {
            let found = status.vitals.iter().find(|(v, ..)| *v == vital);
            found.and_then(|(_, _, age)| *age).map(|d| u64::try_from(d.as_millis()).unwrap_or(u64::MAX))
        };
        let pulse = &status.pulse;
        let from = pulse.depth.map_or(DepthFrom::Unknown, |(kind, _)| kind.from());
        Underway {
            boat: request.boat.as_str().to_owned(),
            written: clock.0,
            at: self.at.map(|p| [p.lon, p.lat]),
            fix_age: age(Vital::Fix).filter(|_| self.at.is_some()),
            course_deg: self.bearing.course(now),
            speed_mm_s: self
                .speed
                .filter(|(t, _)| now.saturating_duration_since(*t) <= SPEED_HOLDS)
                .map(|(_, v)| v),
            depth_mm: pulse.depth.map(|(_, mm)| mm),
            depth_from: word(from).to_owned(),
            offset_mm: pulse.offset_mm,
            depth_age: age(Vital::Depth),
            time: pulse.time.map(|t| t.0),
            time_age: age(Vital::Time),
            draft_mm: request.draft_mm,
            sound_speed_mm_s: request.sound_speed_mm_s,
            temp_centi: request.temp_centi,
            soundings: status.soundings,
            legs: status.legs as u64,
            troubles: troubles_of(status).chain(troubles).collect(),
            ..Underway::default()
        }
    }
}

fn word(from: DepthFrom) -> &'static str {
    match from {
        DepthFrom::Surface => "surface",
        DepthFrom::Keel => "keel",
        _ => "transducer",
    }
}

/// Signs of life that fail, and sources that are away.
fn troubles_of(status: &Status) -> impl Iterator<Item = String> {
    let vitals = status.vitals.iter().filter_map(|(vital, alive, age)| match (alive, age) {
        (Alive::Stopped, Some(age)) => {
            Some(format!("the {} has stopped: nothing for {} s", vital.word(), age.as_secs()))
        }
        (Alive::NotYet, _) => Some(format!("no {} yet", vital.word())),
        _ => None,
    });
    let away = status.sources.iter().filter(|s| !s.up && !s.ended).map(|s| format!("{} is away", s.name));
    vitals.chain(away)
}

/// Shows it; if it cannot be shown, recording is none the worse.
pub(crate) fn show(home: &Home, survey: &leadline_model::SurveyId, state: Option<&Underway>) {
    drop(show_underway(home, survey, state));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_position_that_is_not_stood_by_is_none() {
        let t0 = Instant::now();
        let mut p = Present::default();
        let mut pulse = Pulse {
            fixes: 1,
            position: Some(LonLat { lon: 7.4, lat: 48.2 }),
            speed_mm_s: Some(1_500),
            ..Pulse::default()
        };
        p.look(&pulse, t0);
        assert_eq!(p.at, pulse.position);
        let stood_by = p.at;
        pulse.void_fixes = 1;
        pulse.position = Some(LonLat { lon: 0.0, lat: 0.0 });
        p.look(&pulse, t0 + Duration::from_secs(1));
        assert_eq!(p.at, stood_by, "the last that was stood by stays, and grows old");
        assert!(p.speed.is_some());
    }
}
