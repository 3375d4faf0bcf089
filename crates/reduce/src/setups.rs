//! What people said about a boat, as of any moment.

use leadline_model::{Setup, Text, UtcMillis};
use std::borrow::Cow;
use std::cmp::Reverse;
use std::collections::BTreeMap;

/// All setups, merged: each moment has the latest word on every field.
#[derive(Clone, Debug)]
pub(crate) struct Setups(BTreeMap<Text, Vec<(UtcMillis, Said)>>);

/// What is said of a boat at a moment.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Said {
    /// Metres.
    pub(crate) draft: Option<f64>,
    /// What the sounder assumes, m/s.
    pub(crate) sound_speed: Option<f64>,
    /// °C.
    pub(crate) temperature: Option<f64>,
    /// Delay of the position behind the depth, ms.
    pub(crate) lag_ms: Option<i32>,
}

impl Setups {
    pub(crate) fn new(setups: &[Setup]) -> Self {
        let mut sorted: Vec<&Setup> = setups.iter().collect();
        sorted.sort_by_key(|s| (&s.boat, s.from, shoaler_last(s)));
        let mut by_boat: BTreeMap<Text, Vec<(UtcMillis, Said)>> = BTreeMap::new();
        for s in sorted {
            let line = by_boat.entry(s.boat.clone()).or_default();
            let before = line.last().map_or_else(Said::default, |l| l.1);
            line.push((s.from, before.then(s)));
        }
        Self(by_boat)
    }

    /// The words on `boat`, oldest first.
    pub(crate) fn of(&self, boat: &Text) -> &[(UtcMillis, Said)] {
        self.0.get(boat).map_or(&[], Vec::as_slice)
    }

    /// The words on `boat` and, where none was said of it, those on the `further` boats: other names it recorded the
    /// same measurements under. Of several further ones that which makes depths shoaler counts.
    pub(crate) fn of_all<'a>(&'a self, boat: &Text, further: &[Text]) -> Cow<'a, [(UtcMillis, Said)]> {
        let own = self.of(boat);
        let others: Vec<&[(UtcMillis, Said)]> =
            further.iter().map(|b| self.of(b)).filter(|l| !l.is_empty()).collect();
        if others.is_empty() {
            return Cow::Borrowed(own);
        }
        let mut moments: Vec<UtcMillis> =
            own.iter().chain(others.iter().copied().flatten()).map(|l| l.0).collect();
        moments.sort_unstable();
        moments.dedup();
        let at = |time| {
            let all = others.iter().map(|line| said_at(line, time));
            said_at(own, time).or(all.fold(Said::default(), Said::shoaler))
        };
        Cow::Owned(moments.into_iter().map(|time| (time, at(time))).collect())
    }
}

/// The word in force at `time`.
pub(crate) fn said_at(line: &[(UtcMillis, Said)], time: UtcMillis) -> Said {
    let n = line.partition_point(|(from, _)| *from <= time);
    n.checked_sub(1).and_then(|i| line.get(i)).map_or_else(Said::default, |l| l.1)
}

impl Said {
    /// This word, and where it is silent the `other`.
    fn or(self, other: Self) -> Self {
        Self {
            draft: self.draft.or(other.draft),
            sound_speed: self.sound_speed.or(other.sound_speed),
            temperature: self.temperature.or(other.temperature),
            lag_ms: self.lag_ms.or(other.lag_ms),
        }
    }

    /// Of two words the shoaler, field by field: see [`shoaler_last`].
    fn shoaler(self, other: Self) -> Self {
        let less = |a: Option<f64>, b: Option<f64>| match (a, b) {
            (Some(a), Some(b)) => Some(a.min(b)),
            _ => a.or(b),
        };
        let more = |a: Option<f64>, b: Option<f64>| less(a.map(|v| -v), b.map(|v| -v)).map(|v| -v);
        Self {
            draft: less(self.draft, other.draft),
            sound_speed: more(self.sound_speed, other.sound_speed),
            temperature: less(self.temperature, other.temperature),
            lag_ms: self.lag_ms.max(other.lag_ms),
        }
    }

    fn then(self, s: &Setup) -> Self {
        let metres = |mm: i32| f64::from(mm) / 1000.0;
        // A sounder that assumes no speed, or a negative one, says nothing.
        let assumed = s.sound_speed_mm_s.filter(|v| *v > 0).map(metres);
        Self {
            draft: s.draft_mm.map(metres).or(self.draft),
            sound_speed: assumed.or(self.sound_speed),
            temperature: s.temp_centi.map(|c| f64::from(c) / 100.0).or(self.temperature),
            lag_ms: s.lag_ms.or(self.lag_ms),
        }
    }
}

/// Of two words from the same moment the one that makes depths shoaler stands last, so it counts.
fn shoaler_last(s: &Setup) -> impl Ord + use<> {
    (Reverse(s.draft_mm), s.sound_speed_mm_s, Reverse(s.temp_centi), s.lag_ms)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn setup(from: i64, draft_mm: Option<i32>, speed: Option<i32>) -> Setup {
        let boat = Text::new("Wren").expect("name");
        Setup {
            boat,
            from: UtcMillis(from),
            draft_mm,
            sound_speed_mm_s: speed,
            temp_centi: None,
            lag_ms: None,
        }
    }

    #[test]
    fn later_words_count_and_silence_keeps_earlier_ones() {
        let all = [setup(100, None, Some(1_463_040)), setup(0, Some(300), None), setup(200, Some(400), None)];
        let setups = Setups::new(&all);
        let line = setups.of(&all[0].boat);
        let at = |t| said_at(line, UtcMillis(t));
        assert_eq!(at(-1), Said::default());
        assert_eq!((at(50).draft, at(50).sound_speed), (Some(0.3), None));
        assert_eq!((at(150).draft, at(150).sound_speed), (Some(0.3), Some(1463.04)));
        assert_eq!((at(200).draft, at(200).sound_speed), (Some(0.4), Some(1463.04)));
    }

    #[test]
    fn silence_is_filled_from_the_other_names_of_a_copy() {
        let other = |name: &str, draft: i32, speed| Setup {
            boat: Text::new(name).expect("name"),
            ..setup(50, Some(draft), speed)
        };
        let all =
            [setup(100, Some(300), None), other("Tern", 900, Some(1_500_000)), other("Teal", 700, None)];
        let setups = Setups::new(&all);
        let line = setups.of_all(&all[0].boat, &[all[1].boat.clone(), all[2].boat.clone()]);
        let at = |t| said_at(&line, UtcMillis(t));
        assert_eq!((at(60).draft, at(60).sound_speed), (Some(0.7), Some(1500.0)));
        assert_eq!((at(120).draft, at(120).sound_speed), (Some(0.3), Some(1500.0)));
        assert_eq!(at(40), Said::default());
    }

    #[test]
    fn of_two_words_from_one_moment_the_shoaler_counts() {
        for all in [
            [setup(0, Some(300), None), setup(0, Some(500), None)],
            [setup(0, Some(500), None), setup(0, Some(300), None)],
        ] {
            assert_eq!(said_at(Setups::new(&all).of(&all[0].boat), UtcMillis(0)).draft, Some(0.3));
        }
    }
}
