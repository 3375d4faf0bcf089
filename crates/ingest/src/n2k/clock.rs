//! The time of messages that state none, and their order.

/// A receiver's time counts for messages up to this much later, ms of the log's stamps.
const HOLD_MS: i64 = 10_000;
/// Lines of two sources may stand in the wrong order by this much, ms; more is a clock set back.
const BACK_MS: i64 = 500;
/// Stamps that go on by more than this are another log, ms.
const GAP_MS: i64 = 600_000;

/// Ties the stamps of a log to a receiver's time.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Clock {
    /// The latest stamp; a line's own may lie a little before it.
    stamp: Option<i64>,
    /// Never goes down: ms of stamps, or lines where there are none.
    arrival: u64,
    /// The last time stated: stamp, and the receiver's ms since 1970.
    stated: Option<(i64, i64)>,
}

impl Clock {
    /// A line came; its place in the order.
    pub(crate) fn line(&mut self, stamp: Option<i64>) -> u64 {
        let step = match (self.stamp, stamp) {
            (Some(latest), Some(now)) => now - latest,
            (None, Some(_)) => 0,
            _ => 1,
        };
        if step < -BACK_MS {
            self.stated = None;
            self.stamp = stamp;
        } else if step >= 0 {
            self.stamp = stamp.or(self.stamp);
        }
        self.arrival += step.clamp(0, GAP_MS) as u64;
        self.arrival
    }

    /// A receiver stated its time in the line that came.
    pub(crate) fn state(&mut self, utc_ms: i64) {
        self.stated = self.stamp.map(|s| (s, utc_ms));
    }

    /// The time of the line that came, by the receiver's last statement.
    pub(crate) fn now(&self) -> Option<i64> {
        let (at, utc) = self.stated?;
        let age = self.stamp? - at;
        (0..=HOLD_MS).contains(&age).then_some(utc + age)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_goes_on_from_the_last_statement() {
        let mut c = Clock::default();
        assert_eq!((c.line(Some(5_000)), c.now()), (0, None));
        c.state(1_000_000);
        assert_eq!((c.line(Some(5_250)), c.now()), (250, Some(1_000_250)));
        assert_eq!((c.line(Some(15_250)), c.now()), (10_250, None), "too old");
        c.state(1_010_000);
        assert_eq!((c.line(Some(14_000)), c.now()), (10_250, None), "the log's clock went back");
    }

    #[test]
    fn lines_in_the_wrong_order_do_not_add_up() {
        let mut c = Clock::default();
        let arrivals: Vec<_> = [100, 90, 103, 80, 110].into_iter().map(|s| c.line(Some(s))).collect();
        assert_eq!(arrivals, [0, 0, 3, 3, 10]);
    }

    #[test]
    fn without_stamps_lines_are_counted() {
        let mut c = Clock::default();
        assert_eq!((c.line(None), c.line(None)), (1, 2));
        c.state(7);
        assert_eq!(c.now(), None);
    }
}
