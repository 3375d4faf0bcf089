//! The true level of one day.

use super::DAY_MS;
use super::dice::Dice;

const STEP_MS: i64 = 60_000;

/// Levels above the datum, one a minute from 06:00 to 16:00.
#[derive(Clone, Debug)]
pub(crate) struct Level {
    start: i64,
    metres: Vec<f64>,
}

impl Level {
    /// Wanders `wander95` metres a root day (95 %) around `level`.
    pub(crate) fn draw(midnight: i64, level: f64, wander95: f64, dice: &mut Dice) -> Self {
        let step = wander95 * libm::sqrt(STEP_MS as f64 / DAY_MS as f64);
        let mut now = level;
        let metres = (0..=600)
            .map(|_| {
                now += dice.error(step);
                now
            })
            .collect();
        Self { start: midnight + 6 * 3_600_000, metres }
    }

    /// At `time` (ms); the nearest outside the day.
    pub(crate) fn at(&self, time: i64) -> f64 {
        let steps = ((time - self.start) as f64 / STEP_MS as f64).clamp(0.0, (self.metres.len() - 1) as f64);
        let i = (steps as usize).min(self.metres.len() - 2);
        let share = steps - i as f64;
        self.metres[i] * (1.0 - share) + self.metres[i + 1] * share
    }
}
